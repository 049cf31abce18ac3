"""What a column means, from the words of its heading, the label of its variable and what stands around it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rapidfuzz import fuzz

from outcomes.importing.language.code_pairs import heading_codes
from outcomes.importing.language.visit_words import VisitWord, find_visit, read_visit
from outcomes.importing.language.vocabulary import phrases, spans, tokens
from outcomes.importing.opening.pages import Variable
from outcomes.library.instrument import Instrument
from outcomes.library.known import find_instrument

# Names that leave open which edition is meant; the question offers them.
FAMILIES = {
    "mal": ("mal_12", "mal_14", "mal_26", "mal_28", "mal_30"),
    "cahai": ("cahai_7", "cahai_8", "cahai_9", "cahai_13"),
    "barthel": ("barthel_20", "barthel_100"),
    "pinch": ("pinch_key", "pinch_tip", "pinch_palmar"),
    "groc": ("groc_7", "groc_11", "groc_15"),
    "cue_q": ("cue_q_v1", "cue_q_v2"),
    "psfs": ("psfs_3", "psfs_5"),
    "prw": ("prwe", "prwhe"),
    "dash_module": ("dash_work", "dash_sport"),
    "borg": ("borg_rpe", "borg_cr10"),
    "pain_scale": ("pain_vas", "pain_nrs"),  # "VAS" is written for 0 to 100 and for 0 to 10
}
MEASURE = "measure"
PAIR = " / "  # between the two hands of one column
_BOUNDS = re.compile(r"[(\[]?(?<![\d.,])(-?\d+)\s*(?:-|–|to|bis|à|a|tot)\s*(\d+)(?![\d.,])[)\]]?")
_HIGHEST = re.compile(
    r"(?:(?<=[^\W\d_]{2})/(?=\d\d)|(?:^|[\s(\[])(?:/\s*|max(?:imum|\.)?\s+|maximal\s+))(\d{1,3})(?![\d.,/])[)\]]?",
    re.IGNORECASE,
)
_IDS = re.compile(
    r"(\w+)\.(\w+)( score)?(?: (left|right|both|affected|other))?(?: (assisted|unpowered))?(?: trial (\d+))?"
)
_SECTION_A = re.compile(r"\bA\b|_a(?=_|$)|\ba$")
_COUNTED_APART = frozenset(
    ("rater", "assessor", "tester", "examiner", "observer", "therapist", "position", "rung", "handle", "setting")
)
_ASIDE = re.compile(r"\(([^()]*)\)")
_NUMBERING = frozenset(
    {"n", "°", "nr", "no", "num", "number", "numero", "nummer", "code", "id", "de", "du", "des", "der", "del", "di"}
)
_NOT = frozenset(
    ("not", "no", "non", "nao", "nicht", "niet", "ikke", "inte", "icke", "ej", "nie", "ne", "ei", "не", "less")
)
_DONE = frozenset({"done", "performed", "completed", "durchgefuhrt", "realise", "realizado", "eseguito", "gedaan"})
_NEAR = 85.0  # likeness in per cent from which a misspelt name is taken for a name, and said so
_GROUPS = (
    "instruments",
    "sides",
    "conditions",
    "modes",
    "digits",
    "joints",
    "movements",
    "units",
    "statistics",
    "scales",
)


@dataclass(frozen=True)
class Meaning:
    """What a column holds. role: "measure", a role of `words.toml`, or "" where nothing was recognised.

    instrument: id, or a family of editions. number: of an item or a trial. stat: "mean", "best", "total", ...
    bounds: "(0-66)" or "/66" in the heading. near: misspelt words taken for the instrument. rest: words nobody knew.
    """

    role: str = ""
    table: str = ""
    instrument: str = ""
    scale: str = ""
    item: str = ""
    number: int | None = None
    side: str = ""
    condition: str = ""
    unit: str = ""
    mode: str = ""
    digit: str = ""
    joint: str = ""
    movement: str = ""
    stat: str = ""
    visit: VisitWord | None = None
    other_visit: VisitWord | None = None  # where name and label of a variable disagree
    bounds: tuple[float, float] | None = None
    near: str = ""
    part: str = ""  # a part or unit that the instrument does not have under this name: somebody has to say which
    rest: tuple[str, ...] = ()

    @property
    def outcome(self) -> str:
        return f"{self.instrument}.{self.scale}" if self.scale else self.instrument


@dataclass(frozen=True)
class Around:
    """What sheet, title and notes around a table say of all its columns.

    timed: the table names visits elsewhere. numbered: a number behind "post" or "follow-up" is one of a trial or item.
    """

    instrument: str = ""
    scale: str = ""
    side: str = ""
    condition: str = ""
    unit: str = ""
    timed: bool = False
    numbered: bool = False


def recognise(texts: Sequence[str], around: Around, variable: Variable | None = None) -> Meaning:
    """The meaning of a column with these headings, from top to bottom."""
    heading = " ".join(texts)
    if variable is None or not variable.label:
        found = _of_text(heading, around)
        return replace(found, unit=found.unit or _unit(variable), visit=_typed(found.visit, texts))
    label = _of_text(variable.label, around)
    name = _of_text(heading, replace(around, instrument="", scale=""))
    chosen = label if label.role else name
    if not chosen.role:
        return label
    if chosen is label and label.role == MEASURE:
        if name.role and name.role != MEASURE and not label.instrument and not label.joint:
            chosen = name
        if label.number is None and label.table == "items":
            chosen = replace(label, number=name.number)
    visit, other = label.visit or name.visit, None
    if label.visit and name.visit and label.visit.key != name.visit.key:
        visit, other = name.visit, label.visit
    visit = _typed(visit, (*texts, variable.label))
    return replace(chosen, visit=visit, other_visit=other, unit=chosen.unit or _unit(variable), rest=chosen.rest)


def _typed(visit: VisitWord | None, texts: Sequence[str]) -> VisitWord | None:
    """The visit with its label as it was typed."""
    if visit is None:
        return None
    for text in texts:
        if (whole := read_visit(text, bare=False)) and whole.key == visit.key and not _SECTION_A.search(text):
            return replace(visit, label=" ".join(text.split()))
    pattern = r"[\W_]*".join(map(re.escape, tokens(visit.label)))
    for text in texts:
        if match := re.search(rf"(?<![^\W_]){pattern}(?![^\W_])", text, re.IGNORECASE):
            return replace(visit, label=match[0])
    return visit


def _unit(variable: Variable | None) -> str:
    meanings = phrases("units").get(tokens(variable.unit), ()) if variable and variable.unit else ()
    return meanings[0][1] if meanings else ""


def _exact(text: str) -> Meaning | None:
    """A score, an answer or a trial named by its ids: "fma_ue.motor score left", "grip.force right trial 2"."""
    match = _IDS.fullmatch(text.strip())
    known = find_instrument(match[1]) if match else None
    if match is None or known is None:
        return None
    own = Meaning(MEASURE, "totals", known.id, side=match[4] or "", condition=match[5] or "")
    if match[6]:
        return replace(own, table="trials", number=int(match[6])) if known.main_scale.kind == "trials" else None
    if (item := known.item(match[2])) and not match[3] and (len(known.items) > 1 or not known.scale(match[2])):
        return replace(own, table="items", item=item.id)
    scale = known.scale(match[2])
    return replace(own, scale=scale.id) if scale else None


def _of_text(text: str, around: Around) -> Meaning:
    if named := _exact(text):
        return named
    text, bounds = heading_codes(text)[0], None
    text = _ASIDE.sub(_kept_aside, text)
    if match := _BOUNDS.search(text):
        bounds = (float(match[1]), float(match[2]))
        text = text[: match.start()] + " " + text[match.end() :]
    elif match := _HIGHEST.search(text):
        bounds = (0.0, float(match[1]))
        text = text[: match.start()] + " " + text[match.end() :]
    words = tokens(text)
    own = find_instrument(around.instrument) if around.instrument else None
    exact = _role(words)
    if exact and not (exact == "hand" and own and own.scale("hand")):
        return Meaning(exact)
    visit, words = _without_visit(words, around)
    role = _role(words)
    if not words and not (visit and around.instrument):
        return Meaning("visit only", visit=visit) if visit else Meaning()
    if role == "hand" and own and own.scale("hand"):
        role = ""
    if role and not (role in ("item", "value") and around.instrument and words[-1:] and words[-1].isdigit()):
        return Meaning(role, visit=visit)
    return replace(_measure(words, text, around, bounds, alone=visit is not None), visit=visit, bounds=bounds)


def _kept_aside(match: re.Match) -> str:
    """A part in brackets, where it says something of the column: a visit, a range, a unit, a side, a name."""
    inside = match[1]
    if read_visit(inside) or _BOUNDS.search(inside) or _HIGHEST.search(inside):
        return match[0]
    words = tokens(inside)
    known = sum(end - start for start, end, _ in spans(words, *_GROUPS, "durations"))
    return match[0] if words and known == len(words) else " "


def _role(words: tuple[str, ...]) -> str:
    known = phrases("roles")
    plain = tuple(word for word in words if word not in _NUMBERING)
    for attempt in (words, _stripped(words), plain if plain != words and len(words) <= 4 else ()):
        if attempt and (meanings := known.get(attempt)):
            return meanings[0][1]
    return ""


def _stripped(words: tuple[str, ...]) -> tuple[str, ...]:
    """Without units and articles at the end: "age (years)", "time since stroke (months)"."""
    units = phrases("durations")
    while len(words) > 1 and ((words[-1],) in units or words[-1] in ("°", "in", "en", "em")):
        words = words[:-1]
    return words


def _without_visit(words: tuple[str, ...], around: Around) -> tuple[VisitWord | None, tuple[str, ...]]:
    """The visit named in the words and the words without it; the instrument's own words come first."""
    known = phrases("instruments", "roles", "movements", "joints", "sides", "statistics")
    start = 0
    found: VisitWord | None = None
    kept: list[str] = []
    while start < len(words):
        size = next((n for n in range(min(6, len(words) - start), 1, -1) if words[start : start + n] in known), 0)
        step = find_visit(words, start, numbered=not around.numbered)
        if size and (step is None or step[0] - start <= size):
            kept += words[start : start + size]
            start += size
            continue
        if step and not _trial_like(words, start, step[1], around):
            found = found or step[1]
            start = step[0]
            continue
        kept.append(words[start])
        start += 1
    return found, tuple(kept)


def _trial_like(words: tuple[str, ...], start: int, visit: VisitWord, around: Around) -> bool:
    """ "Grip T1" in a table that has its visits elsewhere is a trial, not a visit."""
    return around.timed and visit.kind == "ordinal" and words[start] in ("t", "test", "time", "tempo", "temps", "v")


def _measure(
    words: tuple[str, ...], text: str, around: Around, bounds: tuple[float, float] | None, *, alone: bool
) -> Meaning:
    """What words without their visit say. alone: a visit and no more ("Baseline L") is of the test of the sheet."""
    words = _unjoined(words)
    found: dict[str, list[str]] = {name: [] for name in _GROUPS}
    rest: list[str] = []
    numbers: list[int] = []
    own = find_instrument(around.instrument) if around.instrument else None
    known = phrases(*_GROUPS)
    fillers = phrases("fillers")
    start = 0
    while start < len(words):
        for size in range(min(6, len(words) - start), 0, -1):
            part = words[start : start + size]
            meanings = dict(reversed(known.get(part, ())))
            if (
                own
                and "instruments" in meanings
                and own.scale(part[0])
                and size == 1
                and meanings["instruments"] != own.id
            ):
                meanings = {"scales": part[0]}  # "Grip 2" on a sheet of an instrument with a part of that name
            if part in (("t",), ("v",), ("n",), ("m",), ("s",), ("de",), ("a",), ("index",)) and size == 1:
                meanings = {k: v for k, v in meanings.items() if k in ("digits",) or (k == "units" and part != ("m",))}
            if own and size == 1 and own.scale(part[0]) and not meanings:
                meanings = {"scales": part[0]}
            if "digits" in meanings and part[-1].isdigit() and _forces(found["instruments"]):
                meanings = {}  # "grip D 1" is the right hand's first trial where D is right, and no finger
            if meanings.get("sides") == "affected" and start and words[start - 1] in _NOT:
                meanings = {**meanings, "sides": "other"}  # "nao paretica", "non paretique"
                rest = rest[:-1] if rest[-1:] == [words[start - 1]] else rest
            if meanings:
                for group, meaning in meanings.items():
                    found[group].append(meaning)
                start += size
                break
        else:
            word = words[start]
            if (
                (word in ("of", "version") or word in _COUNTED_APART)
                and start + 1 < len(words)
                and words[start + 1].isdigit()
            ):
                start += 1  # "item 3 of 33", "mean of 3", "version 2"; the number of a rater is none of an item
                rest += [word] if word in _COUNTED_APART else []
            elif word.isdigit():
                numbers.append(int(word))
            elif word not in ("+", "°", "%") and ((word,) not in fillers or _lone(words, start)):
                rest.append(word)
            start += 1
    return _assembled(found, numbers, tuple(rest), text, around, bounds, alone=alone and not rest)


def _forces(named: Sequence[str]) -> bool:
    """Whether one of these instruments is measured in trials of a whole hand."""
    found = [find_instrument(FAMILIES.get(name, (name,))[0]) for name in named]
    return any(known is not None and known.main_scale.kind == "trials" for known in found)


def _lone(words: tuple[str, ...], start: int) -> bool:
    """Whether a letter that may number a question ("Q 1", "F3") stands without a number: it says something else."""
    return words[start] in ("q", "f", "p") and not (start + 1 < len(words) and words[start + 1].isdigit())


def _unjoined(words: tuple[str, ...]) -> tuple[str, ...]:
    """ "MALAOU" is "mal aou": a word that nobody knows, made of an instrument and one of its parts or a side."""
    names, parts = phrases("instruments"), phrases("scales", "sides", "statistics")
    known = {*phrases(*_GROUPS), *phrases("fillers")}
    parted: list[str] = []
    for word in words:
        cuts = range(3, len(word) - 1) if word.isalpha() and (word,) not in known else ()
        cut = next((n for n in reversed(cuts) if (word[:n],) in names and (word[n:],) in parts), 0)
        parted += [word[:cut], word[cut:]] if cut else [word]
    return tuple(parted)


def _assembled(found, numbers, rest, text, around, bounds, *, alone) -> Meaning:
    near = ""
    named = found["instruments"]
    # "Key pinch" also holds "pinch"; the longest words were taken, so more than one name means two instruments.
    instrument = named[0] if named else ""
    if not instrument and rest:
        instrument, near = _near(rest)
        if near:
            rest = tuple(word for word in rest if word not in near.split())
    sides = list(dict.fromkeys(found["sides"]))
    # "Grip R/L" names both hands in the order of its numbers.
    pair = set(sides) in ({"left", "right"}, {"affected", "other"})
    side = sides[0] if len(sides) == 1 else PAIR.join(sides) if pair else ""
    base = Meaning(
        side=side or around.side,
        condition=(found["conditions"] or [around.condition])[0],
        unit=(found["units"] or [around.unit])[0],
        stat=_stat(found["statistics"]),
        near=near,
        rest=tuple(rest),
        bounds=bounds,
    )
    if _DONE.intersection(rest):
        return replace(base, role="done_flag", instrument=instrument)
    if named and (found["joints"] or found["movements"]):
        # "MAS elbow" is no angle: what joint or movement mean for that test, its scores or somebody has to say.
        rest = (*base.rest, *found["joints"], *found["movements"])
        base = replace(base, rest=rest)
    elif found["joints"] or (found["movements"] and found["digits"]):
        modes = found["modes"]
        letters = {"p": "passive", "a": "active"}
        modes = modes or [letters[text.split()[-1].lower()]] if text.split()[-1].lower() in letters else modes
        mode = "assisted" if "assisted" in modes or ("active" in modes and "assisted" in found["conditions"]) else ""
        return replace(
            base,
            role=MEASURE,
            table="angles",
            mode=mode or (modes[0] if modes else ""),
            digit=(found["digits"] or [""])[0],
            joint=(found["joints"] or [""])[0],
            movement=(found["movements"] or [""])[0],
            condition="",
        )
    instrument = instrument or (around.instrument if numbers or found["scales"] or base.stat or alone else "")
    if not instrument:
        return replace(base, role="derived" if base.stat and not rest else "")
    if base.stat in ("change", "spread"):
        return replace(base, role="derived", instrument=instrument)
    instrument = _by_bounds(instrument, bounds)
    known = find_instrument(instrument) or find_instrument(FAMILIES.get(instrument, ("",))[0])
    scales = [name for name in found["scales"] if known and known.scale(name)]
    if known and not scales:
        scales = [name for name in (*found["scales"], around.scale) if known.scale(name)]
    if known and not numbers:
        muscles = {f"{movement.removesuffix('ion')}ors" for movement in found["movements"]}  # flexion, flexors
        words = {*tokens(text), *muscles, *found["joints"], *found["digits"]}
        spare = {*rest, *found["digits"], *(word for word in words if (word,) in phrases("instruments"))}
        spare |= set(found["sides"]) if not known.sided else set()
        spare |= {"a"} if _SECTION_A.search(text) else set()  # elsewhere "a" is a word of several languages
        scales, rest = _named_scale(known, words, spare, rest, scales)
        rest = tuple(word for word in rest if not scales or word not in found["movements"])
        base = replace(base, rest=rest)
    scale = scales[0] if scales else ""
    number = numbers[0] if numbers else None
    part = "" if scale or number is not None else _strange_part(found["scales"], base.unit, known)
    part = part or (_second_test(known, named) if known and not scale and number is None else "")
    base = replace(base, role=MEASURE, instrument=instrument, scale=scale, number=number, part=part)
    if known and known.main_scale.kind == "trials":
        if base.stat in ("mean", "best", "total") or number is None:
            return replace(base, table="totals", scale=known.main_scale.id, number=None)
        return replace(base, table="trials", scale="")
    if number is not None and known and len(known.items) > 1:
        return replace(base, table="items")
    if known and (graded := _graded(known, scale)):
        return replace(base, table="items", item=graded, scale="")
    return replace(base, table="totals", scale=scale or (known.main_scale.id if known else ""))


def _graded(known: Instrument, scale: str) -> str:
    """The item that a score of one item is, where its answers are words ("1+"): the cells hold grades, not scores."""
    own = known.scale(scale) if scale and len(known.items) > 1 else None
    item = known.item(own.items[0]) if own and len(own.items) == 1 else None
    return item.id if item and item.codes else ""


UNNAMED = "unnamed"  # the heading names an instrument of several scores, and none of them
_WHOLE = ("total", "motor", "arm", "profile")  # main scores that the name of an instrument alone stands for


def many_scores(known: Instrument) -> bool:
    """Whether an instrument has several scores side by side, none of which its name alone stands for (SIS, MAL)."""
    main = known.main_scale
    return main.id not in _WHOLE and any(not set(scale.items) <= set(main.items) for scale in known.scales)


def _named_scale(
    known: Instrument, words: set[str], spare: set[str], rest: tuple[str, ...], read: list[str]
) -> tuple[list[str], tuple[str, ...]]:
    """The score whose id or label the words spell out ("MAS elbow flexors"), and the words that are left over.

    spare: words that mean nothing else for this instrument; one word alone may mean a hand, and is no score then.
    read: the scores that are known otherwise; only a form of one of them goes before it ("ability, sum").
    """
    named = {
        (scale.id, spelt): spelt
        for scale in known.scales
        for spelt in map(frozenset, (tokens(scale.id), tokens(scale.label), _label_words(scale.label)))
        if spelt and spelt <= words and (len(spelt) > 1 or spelt <= spare)
    }
    best = max(map(len, named.values()), default=0)
    chosen = {name for (name, spelt) in named if len(spelt) == best}
    labels = {scale.id: set(tokens(scale.label)) for scale in known.scales}
    if not named and rest and not read:  # "coordination" of "coordination and speed"
        chosen = {name for name, label in labels.items() if set(rest) <= label}
    if len(chosen) != 1 or (read and not next(iter(chosen)).startswith(f"{read[0]}_")):
        return read, rest
    used = {word for spelt in named.values() if len(spelt) == best for word in spelt} | labels[next(iter(chosen))]
    return list(chosen), tuple(word for word in rest if word not in used)


def _label_words(label: str) -> tuple[str, ...]:
    """ "B: wrist" and "Grip, mean" without the letter before and what comes behind."""
    said = tokens(label.split(":")[-1].split(",")[0].split("(")[0])
    return tuple(word for word in said if (word,) not in phrases("fillers") or word == "hand")


def _second_test(known: Instrument, named: Sequence[str]) -> str:
    """A second instrument in the heading, which may be a part of the first; "lateral pinch grip" is a pinch."""
    other = next((name for name in named[1:] if name != named[0]), "")
    return other if known.main_scale.kind != "trials" else ""


def _strange_part(parts: Sequence[str], unit: str, known: Instrument | None) -> str:
    """A part the instrument has not, or a unit its main score has not, "" where the heading fits it.

    "WMFT time" is no part of that name, and its main score is a rating: nobody may take the seconds for ratings.
    """
    if known is None or known.main_scale.kind == "trials":
        return ""
    if not parts and many_scores(known):
        return UNNAMED
    if parts and not (len(known.scales) == 1 and known.main_scale.unit in ("s", "kgf")):
        return " ".join(dict.fromkeys(parts))
    return unit if unit in ("s", "kgf", "lbf", "N") and known.main_scale.unit != unit else ""


def _stat(words: Sequence[str]) -> str:
    return next((word for word in words if word != "count"), "")


def _near(rest: Sequence[str]) -> tuple[str, str]:
    """The instrument whose name is most like the words, and the words; ("", "") where none is like enough."""
    best = (0.0, "", "")
    for size in (3, 2, 1):
        for start in range(len(rest) - size + 1):
            said = " ".join(rest[start : start + size])
            if len(said) < 6:
                continue
            for known, meanings in phrases("instruments").items():
                name = " ".join(known)
                if len(name) >= 6 and (likeness := fuzz.ratio(said, name)) >= max(_NEAR, best[0] + 0.1):
                    best = (likeness, meanings[0][1], said)
    return best[1], best[2]


def _by_bounds(instrument: str, bounds: tuple[float, float] | None) -> str:
    """The edition whose range the heading names: "(0-60)" is the form without reflexes."""
    editions = (*FAMILIES.get(instrument, ()), *(("fma_ue", "fma_ue_30") if instrument == "fma_ue" else ()))
    if bounds is None or not editions:
        return instrument
    fits = [name for name in editions if (known := find_instrument(name)) and _range(known) == bounds]
    return fits[0] if len(fits) == 1 else instrument


def _range(known: Instrument) -> tuple[float, float | None]:
    return known.main_scale.low, known.main_scale.high


def item_of(meaning: Meaning, known: Instrument) -> str:
    """The id of a numbered item: counted within the part the heading names, else through the whole form; "" if none."""
    number = meaning.number
    if number is None or number < 1:
        return ""
    scale = known.scale(meaning.scale) if meaning.scale else None
    ids = scale.items if scale else known.main_scale.items
    if not scale and len(ids) < number:
        ids = tuple(item.id for item in known.items)
    return ids[number - 1] if number <= len(ids) else ""


def instrument_of(text: str) -> tuple[str, str]:
    """Instrument and scale that a sheet's name or a title names, ("", "") where it names none or several."""
    found = _measure(tokens(text), text, Around(), None, alone=False)
    named = {meaning for _, _, meanings in _spans(text) for group, meaning in meanings if group == "instruments"}
    if len(named) != 1 or not found.instrument:
        return "", ""
    known = find_instrument(found.instrument)
    scale = found.scale if known and known.main_scale.id != found.scale else ""
    return found.instrument, scale


def _spans(text: str):
    return spans(tokens(text), "instruments")
