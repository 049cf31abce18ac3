"""Words that name a visit: "pre", "T0", "6w", "FU 3mo", "Besuch 2", "Week 12"."""

import re
from dataclasses import dataclass, replace
from functools import cache

from outcomes.importing.language.vocabulary import phrases, tokens

_DAYS = {"day": 1.0, "week": 7.0, "month": 365.25 / 12, "year": 365.25}
_ORDER = {"screening": -1.0, "pre": 0.0, "mid": 1.0, "post": 2.0, "fu": 3.0, "unscheduled": 9.0}
_LONGEST = 4
NUMBERED = ("fu", "post", "screening")  # kinds with a number behind them: "follow-up 2"
_BETWEEN = frozenset(
    (
        "visit",
        "test",
        "of",
        "the",
        "at",
        "assessment",
        "training",
        "treatment",
        "later",
        "after",
        "post",
        "de",
        "nach",
        "apres",
        "dopo",
        "na",
        "des",
        "a",
        "al",
        "+",
        "tras",
        "bei",
        "le",
    )
)


@dataclass(frozen=True)
class VisitWord:
    """What a word says about its visit.

    kind: "pre", "mid", "post", "fu", "screening", "unscheduled", "ordinal", "time" or "word" (an unknown word).
    number: of an ordinal ("T2"). day: days after the start, where said. plus: counted from the visit before.
    """

    kind: str
    label: str
    number: int | None = None
    day: float | None = None
    plus: float | None = None

    @property
    def key(self) -> tuple[object, ...]:
        """Equal for words of the same visit."""
        if self.kind == "time":
            return ("pre",) if self.day == 0 else ("time", self.day)
        if self.kind == "fu":
            return ("fu", self.day if self.day is not None else self.plus, self.number)
        if self.kind == "word":
            return ("word", " ".join(tokens(self.label)))
        return (self.kind, self.number) if self.kind == "ordinal" else (self.kind,)

    @property
    def order(self) -> tuple[float, float]:
        """Order in time among the words of one table."""
        if self.kind == "ordinal":
            return (0.0, float(self.number or 0))
        if self.kind == "time":
            return (0.0 if not self.day else 1.5, self.day or 0.0)
        return (_ORDER.get(self.kind, 5.0), self.day or self.plus or float(self.number or 0))


# "Week 6 (Arm 2: usual care)", "week 6 group B": a visit named with its arm (common practice, no source).
_ARM_BEHIND = re.compile(
    r"[\s_]*[\s_(\[]\s*(?:arm|group|gruppe|groupe|grupo|gruppo|bras|brazo|braccio)[\s_]*(\d+|[A-Z])"
    r"\s*(?:[:\-–]\s*([^)\]]*))?[)\]]?\s*$",
    re.IGNORECASE,
)


def apart_from_arm(text: str) -> tuple[str, str]:
    """The name of a visit without the arm behind it, and that arm's label or its number ("" where there is none)."""
    match = _ARM_BEHIND.search(text)
    if match is None or not match.start():
        return text, ""
    return text[: match.start()], (match[2] or "").strip() or match[1]


@cache
def read_visit(text: str, *, bare: bool = True) -> VisitWord | None:
    """The visit a whole text names, None where it names none. bare: a number alone counts as one."""
    words = tokens(text)
    if not words:
        return None
    if bare and len(words) == 1 and words[0].isdigit():
        return VisitWord("ordinal", text.strip(), number=int(words[0]))
    found, start = None, 0
    while start < len(words):
        step = _phrase(words, start, False)
        if step is None:
            if words[start] in _BETWEEN:
                start += 1
                continue
            return None
        start, word = step
        found = word if found is None else _joined(found, word)
    if found and found.kind == "time" and found.day and {"later", "spater"}.intersection(words):
        found = VisitWord("fu", found.label, plus=found.day)  # counted from the visit before
    return replace(found, label=" ".join(text.split())) if found else None


def find_visit(words: tuple[str, ...], start: int, *, numbered: bool = True) -> tuple[int, VisitWord] | None:
    """A visit inside a heading, from one place on: where it ends, and what it says.

    numbered: a number behind "post" or "follow-up" is the visit's.
    """
    step = _phrase(words, start, True, numbered)
    if step is None:
        return None
    end, found = step
    while (more := _phrase(words, end, True, numbered)) is not None and _complements(found, more[1]):
        end, found = more[0], _joined(found, more[1])
    return end, found


def _complements(first: VisitWord, second: VisitWord) -> bool:
    return (second.kind == "time" and first.kind != "time") or (first.kind == "time" and second.kind in ("fu", "post"))


def _joined(first: VisitWord, second: VisitWord) -> VisitWord:
    """Two words of one visit: "Baseline (wk 0)", "FU 3 months", "T1 (3 wks)", "6 weeks post"."""
    timed, named = (first, second) if first.kind == "time" else (second, first)
    if timed.kind != "time":
        return replace(first, number=first.number if first.number is not None else second.number)
    if named.kind == "time":
        return first
    if named.kind == "post":  # "6 weeks post", "nach 6 Wochen": a time, not the end of treatment
        return timed
    return replace(named, day=timed.day)


def _phrase(words: tuple[str, ...], start: int, inside: bool, numbered: bool = True) -> tuple[int, VisitWord] | None:
    rest = words[start:]
    if not rest:
        return None
    plus = rest[0] == "+"
    timed = _timed(rest[1:] if plus else rest, inside)
    if timed is not None:
        used, days = timed
        label = " ".join(rest[: used + plus])
        if plus:
            return start + used + 1, VisitWord("fu", label, plus=days)
        return start + used, VisitWord("time", label, day=days)
    for size in range(min(_LONGEST, len(rest)), 0, -1):
        if meanings := phrases("visits").get(rest[:size]):
            kind = meanings[0][1]
            end = start + size
            number = None
            if numbered and kind in NUMBERED and end < len(words) and words[end].isdigit() and len(words[end]) < 2:
                after = words[end + 1 : end + 2]
                named = words[end : end + 2] in phrases("instruments")  # "FU 9HPT"
                if not named and not (after and after in phrases("durations")):
                    number, end = int(words[end]), end + 1
            end = _past_treatment(words, end) if kind in ("pre", "mid", "post") else end
            return end, VisitWord(kind, " ".join(words[start:end]), number=number)
        if (
            rest[:size] in phrases("visit_numbers")
            and size < len(rest)
            and rest[size].isdigit()
            and len(rest[size]) < 3
        ):
            if inside and rest[:size] == ("test",):
                continue
            return start + size + 1, VisitWord("ordinal", " ".join(rest[: size + 1]), number=int(rest[size]))
    return None


def time_unit(text: str) -> str:
    """The unit of a heading that counts time and says nothing else ("Week", "Months", "study day"), "" for others."""
    words = [
        word for word in tokens(text) if word not in ("study", "no", "nr", "number", "time", "in", "since", "start")
    ]
    meanings = phrases("durations").get(tuple(words), ()) if len(words) == 1 and len(words[0]) > 1 else ()
    return meanings[0][1] if meanings and meanings[0][1] != "year" else ""


_ARTICLES = frozenset(
    ("the", "of", "der", "dem", "den", "la", "le", "l", "du", "de", "del", "da", "do", "della", "het")
)


def _past_treatment(words: tuple[str, ...], end: int) -> int:
    """Behind "pre-intervention", "after the training": what was between before and after names no other visit."""
    last = end
    while last < len(words) and words[last] in _ARTICLES:
        last += 1
    return last + 1 if last < len(words) and (words[last],) in phrases("treatments") else end


def _timed(rest: tuple[str, ...], inside: bool) -> tuple[int, float] | None:
    """ "6 weeks", "wk 6", "3mo": how many words, and the days. Inside a heading a lone letter D is a finger."""
    if len(rest) < 2:
        return None
    for number, unit in ((rest[0], rest[1]), (rest[1], rest[0])):
        meanings = phrases("durations").get((unit,))
        if not meanings or not number.replace(".", "").isdigit() or (len(number) > 3):
            continue
        if inside and number == rest[0] and rest[2:3] and rest[2].isdigit() and rest[2:4] not in phrases("instruments"):
            continue  # "item 1 week 6", not "6w 9HPT"
        if inside and (unit in ("d", "s", "y", "an", "mes", "m") and number == rest[1]):
            continue
        return 2, round(float(number) * _DAYS[meanings[0][1]])
    return None
