"""The catalogue as a page: every instrument with its scores, rules, options, thresholds and sources.

All of it comes from the instrument files and `references.toml`; nothing is typed here a second time.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.library.instrument import Instrument, Item, Scale, allowed_text
from outcomes.library.registry import instrument, instruments, references, thresholds

DIRECTIONS = {"higher": "higher is better", "lower": "lower is better"}
CAUTION = (
    "For research in groups. A threshold belongs to its population, phase and method; it is not for decisions about "
    "one person. Nothing here reproduces the wording of an instrument: use the licensed form."
)


@dataclass(frozen=True)
class InstrumentPage:
    """One instrument for a reader: `facts` are (what, text), the frames are tables, `sources` are citations."""

    id: str
    title: str
    facts: tuple[tuple[str, str], ...]
    scales: pd.DataFrame  # score, outcome, range, direction, items, step, missing items
    items: pd.DataFrame  # item, label, allowed answers, unable
    options: pd.DataFrame  # option, choices, default, why
    thresholds: pd.DataFrame  # key, score, size, kind, population, phase, method, n, hand, caveat, source
    properties: pd.DataFrame  # score, what, value, population, n, caveat, source
    sources: tuple[str, ...]


def catalogue_pages(ids: Iterable[str] | None = None) -> tuple[InstrumentPage, ...]:
    """The pages of some instruments, in the order given, or of all of them.

    ids: instrument ids. Raises InstrumentError for an unknown one.

    >>> catalogue_pages(["bbt"])[0].scales["range"].tolist()
    ['0 to 150 blocks']
    """
    chosen = instruments().values() if ids is None else [instrument(one) for one in dict.fromkeys(ids)]
    return tuple(_page(found) for found in chosen)


def catalogue_markdown(ids: Iterable[str] | None = None) -> str:
    """The same pages as one Markdown text."""
    pages = catalogue_pages(ids)
    parts = ["# Instruments", CAUTION]
    for page in pages:
        parts += [f"## {page.title} (`{page.id}`)", "\n".join(f"- **{what}**: {text}" for what, text in page.facts)]
        for title, frame in (
            ("Scores", page.scales),
            ("Items", page.items),
            ("Options", page.options),
            ("Thresholds", page.thresholds),
            ("Other published facts", page.properties),
        ):
            if len(frame):
                parts += [f"### {title}", _table(frame)]
        parts += ["### Sources", "\n".join(f"- {text}" for text in page.sources)]
    return "\n\n".join(parts) + "\n"


def range_text(scale: Scale) -> str:
    """The range of a score in words: "0 to 66 points", "0 kgf or more"."""
    if scale.high is None:
        return f"{scale.low:g} {scale.unit} or more"
    return f"{scale.low:g} to {scale.high:g} {scale.unit}"


def _page(found: Instrument) -> InstrumentPage:
    facts = [
        ("Edition", found.edition),
        ("Measures", found.construct),
        ("Populations", found.populations),
        ("Side", "scored for each hand or arm" if found.sided else "scored once per person"),
        ("Floor and ceiling", found.floor_ceiling),
        ("Verified", found.verified),
        ("Not verified", found.unverified),
        ("Licence", found.licence),
        *(("No threshold", f"{_score_name(found, scale)}: {why}") for scale, why in found.no_threshold.items()),
    ]
    cited = [*found.sources, *(scale.missing_source for scale in found.scales if scale.missing_source)]
    cited += [entry.source for entry in found.thresholds] + [entry.source for entry in found.properties]
    return InstrumentPage(
        id=found.id,
        title=found.name,
        facts=tuple((what, " ".join(text.split())) for what, text in facts if text),
        scales=_scales(found),
        items=_items(found),
        options=_options(found),
        thresholds=_thresholds(found),
        properties=_properties(found),
        sources=tuple(_citation(key) for key in dict.fromkeys(cited)),
    )


def _score_name(found: Instrument, scale_id: str) -> str:
    scale = found.scale(scale_id)
    return "other scores" if scale is None else scale.label


def _scales(found: Instrument) -> pd.DataFrame:
    rows = [
        {
            "score": scale.label,
            "outcome": f"{found.id}.{scale.id}",
            "range": range_text(scale),
            "direction": DIRECTIONS[scale.better],
            "items": len(scale.items),
            "step": "" if scale.step is None else f"{scale.step:g}",
            "missing items": scale.missing if scale.missing != "none" else "no published rule: no score",
        }
        for scale in found.scales
    ]
    return pd.DataFrame(rows)


def _items(found: Instrument) -> pd.DataFrame:
    """Items in order; a numbered run of equal items is one row."""
    runs: list[list[Item]] = []
    for item in found.items:
        if runs and _alike(runs[-1][-1], item):
            runs[-1].append(item)
        else:
            runs.append([item])
    rows = [
        {
            "item": run[0].id if len(run) == 1 else f"{run[0].id} to {run[-1].id}",
            "label": run[0].label if len(run) == 1 else f"{run[0].label} to {run[-1].label.rsplit(' ', 1)[-1]}",
            "allowed answers": _allowed(found, run[0]),
            "unable": _unable(run[0]),
        }
        for run in runs
    ]
    return pd.DataFrame(rows, columns=["item", "label", "allowed answers", "unable"])


def _alike(one: Item, other: Item) -> bool:
    """Whether two items are neighbours of one numbered run."""
    answers = [
        (item.levels, item.low, item.high, item.step, item.unit, item.better, item.unable, item.codes, item.refuses)
        for item in (one, other)
    ]
    same = answers[0] == answers[1]
    stems = [item.id.rstrip("0123456789") for item in (one, other)]
    return same and stems[0] == stems[1] and stems[0] not in (one.id, other.id)


def _unable(item: Item) -> str:
    if item.unable_value is not None:
        return f"counts {item.unable_value:g}"
    return "no answer: refused" if item.refuses else "missing"


def _allowed(found: Instrument, item: Item) -> str:
    whole = len(item.levels) > 12 and list(item.levels) == list(range(int(item.low), int(item.high) + 1))
    return f"{item.low:g} to {item.high:g}, whole numbers" if whole else allowed_text(found, item.id)


def _options(found: Instrument) -> pd.DataFrame:
    rows = [
        {
            "option": option.id,
            "choices": ", ".join(str(value) for value in option.values) or f"a {option.kind}",
            "default": "none" if option.default is None else str(option.default),
            "why": option.why,
        }
        for option in found.options.values()
    ]
    return pd.DataFrame(rows, columns=["option", "choices", "default", "why"])


def _thresholds(found: Instrument) -> pd.DataFrame:
    table = thresholds(found.id)
    sizes = zip(table["strict"], table["value"], table["unit"], strict=True)
    size = [f"{'more than ' if strict else ''}{value:g} {unit}" for strict, value, unit in sizes]
    return pd.DataFrame(
        {
            "key": table["key"],
            "score": [outcome.partition(".")[2] for outcome in table["outcome"]],
            "size": size,
            "kind": table["quantity"],
            **{name: table[name] for name in ("population", "phase", "method", "n", "hand", "caveat")},
            "source": table["citation"],
        }
    )


def _properties(found: Instrument) -> pd.DataFrame:
    rows = [
        {
            "score": _score_name(found, entry.scale),
            "what": entry.what,
            "value": entry.value,
            "population": entry.population,
            "n": entry.n,
            "caveat": entry.caveat,
            "source": references()[entry.source]["citation"],
        }
        for entry in found.properties
    ]
    return pd.DataFrame(rows, columns=["score", "what", "value", "population", "n", "caveat", "source"])


def _citation(key: str) -> str:
    entry = references()[key]
    doi = f" doi:{entry['doi']}." if entry.get("doi") else ""
    return f"{entry['citation']}.{doi} Read: {entry['read']}."


def _table(frame: pd.DataFrame) -> str:
    head: Sequence[str] = list(frame.columns)
    rows = [head, ["---"] * len(head), *frame.astype("str").to_numpy().tolist()]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows)
