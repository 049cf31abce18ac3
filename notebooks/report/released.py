"""What may leave the house of an executed notebook: small counts left out, and of a shareable report every person.

One place for everything that is shown: page, document, tables, figures, record and notebooks are made of what comes out
of `released`. Sentences keep their counts: only tables and figures have cells.
"""

import html
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from notebooks.report.notebook_file import parsed, shown
from notebooks.report.record import PLOTLY
from notebooks.show.content import MIME
from notebooks.show.exhibits import Prose
from notebooks.show.tables import from_content

Run = TypeVar("Run", bound=Any)  # an executed notebook: `report.run.Run`, which imports this
PERSON = "participant"
SIZES = ("n", "of", "enrolled", "planned", "observations", "n_stayed", "n_left", "logged")
PARTS = ("people", "attended", "missed", "withdrawn", "unknown", "improved", "unchanged", "worsened", "cannot_reach",
         "missing", "seen", "without_score", "count", "events", "sessions")  # fmt: skip
OF_ONE = ("lowest", "highest", "first")  # columns whose value is that of one person
BY_STEPS = ("cumulative_change",)  # figures whose steps are people
TEXTS = ("text", "reasons", "why", "told")
NOT_SHARED = """This report is made to be shared: it holds no copy of the data, no row of a person, no date of a visit
and no free text. It was computed from the copy that 'outcomes share' writes; 'outcomes rerun DIR --study COPY' computes
it again from that copy.
"""
_DRAWING = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_OF = re.compile(r"(?<![\w.])(\d+)((?:</?[a-z][^>]*>|\s)+of(?:</?[a-z][^>]*>|\s)+\d)")
_COUNTED = re.compile(r"\((\d+)\)")


@dataclass(frozen=True)
class Release:
    """What is left out. smallest: counts of people from 1 to below it; shareable: everything about one person."""

    smallest: int = 0
    shareable: bool = False
    codes: tuple[str, ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether everything is shown."""
        return self.smallest < 2 and not self.shareable


def release_of(analysis) -> Release:
    """What an analysis allows to be shown: [privacy] of its study.toml, and whether its report is a shareable one."""
    study = analysis.study
    codes = tuple(sorted(study.participants[PERSON].astype(str))) if analysis.shareable else ()
    return Release(study.protocol.privacy.smallest_cell, analysis.shareable, codes)


def released(run: Run, release: Release) -> Run:
    """The executed notebook as it may be shown."""
    if release.nothing:
        return run
    notebook = parsed(json.dumps(run.notebook))
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs = [shown for output in cell.outputs for shown in _shown(output, release)]
    return replace(run, notebook=notebook)


def _shown(output, release: Release) -> Iterator:
    data = output.get("data", {})
    if MIME in data:
        kept = _exhibit(dict(data[MIME]), release)
    elif PLOTLY in data:
        kept = _figure(data[PLOTLY], release)
    else:
        if not release.shareable:
            yield output
        return
    yield shown(kept)


def _exhibit(content: dict, release: Release) -> dict:
    if content["kind"] == "prose":
        lines = [line for line in content["paragraphs"] if not _names(line, release.codes)]
        prose = Prose(content["name"], tuple(lines), tuple(content.get("items", ())), content.get("heading", ""))
        return prose._repr_mimebundle_()
    if content["kind"] == "answer":
        return _answer(content, release)
    frame = dict(content["frame"])
    if release.shareable:
        if PERSON in frame:
            return _left_out(content["name"], content.get("caption", ""), "it has a row for every person")
        frame = {name: values for name, values in frame.items() if name not in OF_ONE}
        gone = [name for name in OF_ONE if name in dict(content["frame"])]
        content["columns"] = [
            [heading, template] for heading, template in content["columns"]
            if not any(f"{{{name}}}" in template for name in gone)
        ]  # fmt: skip
        content["notes"] = [note for note in content["notes"] if not _names(note, release.codes)]
    if release.smallest > 1:
        frame, any_gone = without_small(frame, release.smallest)
        if any_gone:
            content["notes"] = [*content["notes"], small_note(release.smallest)]
    content["frame"] = list(map(list, frame.items()))
    return from_content(content)._repr_mimebundle_()


def _answer(content: dict, release: Release) -> dict:
    """The first page without drawings, which show people as points, and without what names one; few are not counted."""
    frame = {name: list(values) for name, values in dict(content["frame"]).items()}
    parts = frame.get("part", [])
    if release.shareable:
        keep = [place for place, part in enumerate(parts) if not _names(str(part), release.codes)]
        frame = {name: [values[place] for place in keep] for name, values in frame.items()}
        content["sheet"] = _DRAWING.sub("", content["sheet"])
        if _names(content["sheet"], release.codes):
            content["sheet"] = "".join(f"<p>{html.escape(text)}</p>" for text in content["paragraphs"])
        content["page"] = content["sheet"]
    content["frame"] = list(map(list, frame.items()))
    told = _few(content, release.smallest) if release.smallest > 1 else content
    text = " ".join([*told["paragraphs"], told["caution"]])
    return {"text/html": f'<div id="answer">{told["page"]}</div>', "text/plain": text, MIME: told}


def _few(value: Any, smallest: int) -> Any:
    """Texts in which "2 of 14" says "fewer than 3 of 14"."""

    def of(match: re.Match) -> str:
        return f"fewer than {smallest}{match[2]}" if _small(int(match[1]), smallest) else match[0]

    if isinstance(value, str):
        return _OF.sub(of, value)
    if isinstance(value, Mapping):
        return {key: _few(part, smallest) for key, part in value.items()}
    return [_few(part, smallest) for part in value] if isinstance(value, list) else value


def small_note(smallest: int) -> str:
    """What stands under a table with cells left out."""
    return (
        f"Counts of 1 to {smallest - 1} people, what is computed from so few, and what would let them be computed are "
        "left out ([privacy] smallest_cell)."
    )


def _figure(spec: dict, release: Release) -> dict:
    spec = json.loads(json.dumps(spec))
    meta = spec["layout"].get("meta") or {}
    name, title = meta.get("name", "figure"), meta.get("title") or meta.get("caption", "")
    frame = dict(meta.get("points", []))
    if release.shareable:
        if name.partition("/")[0] in BY_STEPS:
            return _left_out(name, title, "its steps are people")
        people = [bool(value) for value in frame.get(PERSON, [])]
        if people and all(people):
            return _left_out(name, title, "it shows every person")
        if any(people):
            spec["data"] = [trace for trace in spec["data"] if trace.get("customdata") is None]
            keep = [place for place, person in enumerate(people) if not person]
            frame = {key: [values[place] for place in keep] for key, values in frame.items() if key != PERSON}
            meta["keys"] = [key for key in meta.get("keys", []) if key != PERSON]
            meta["caption"] = f"The lines of people are left out here. {meta.get('caption', '')}"
            meta["points"] = list(map(list, frame.items()))
        if any(_names(text, release.codes) for text in _texts(spec)):
            return _left_out(name, title, "it names people")
    if release.smallest > 1 and without_small(frame, release.smallest)[1]:
        return _left_out(name, title, f"it would show counts of 1 to {release.smallest - 1} people")
    return {PLOTLY: spec}


def _left_out(name: str, what: str, why: str) -> dict:
    said = f"{what.rstrip('.')}: left out here, because {why}." if what else f"{name}: left out here, because {why}."
    return Prose(f"left out {name}", (said,))._repr_mimebundle_()


def _names(text: str, codes: Sequence[str]) -> bool:
    return any(code in text and re.search(rf"(?<!\w){re.escape(code)}(?!\w)", text) for code in codes)


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part)


def without_small(frame: Mapping[str, list], smallest: int) -> tuple[dict[str, list], bool]:
    """Columns without counts of 1 to `smallest` - 1 people, and whether any was left out.

    Row by row, for each group of columns with the same ending ("n usual", "percent usual"): where the size of the group
    is small every number goes; where a part of it is, that part, the next smallest part and all shares go, so that what
    is left does not give it away.
    """
    made = {name: list(values) for name, values in frame.items()}
    rows = len(next(iter(made.values()), []))
    groups: dict[str, list[str]] = {}
    for name in made:
        groups.setdefault(name.partition(" ")[2], []).append(name)
    any_gone = False
    for names in groups.values():
        stem = {name: name.partition(" ")[0] for name in names}
        sizes = [name for name in names if stem[name] in SIZES]
        parts = [name for name in names if stem[name] in PARTS]
        if not sizes and not parts:
            continue
        for row in range(rows):
            if any(_small(made[name][row], smallest) for name in sizes):
                gone = [name for name in names if _number(made[name][row]) or stem[name] in TEXTS]
                gone = [name for name in gone if name not in ("day", "decimals")]
            else:
                gone = [name for name in parts if _small(made[name][row], smallest)]
                left = [name for name in parts if name not in gone and _number(made[name][row])]
                others = [name for _, name in sorted((made[name][row], name) for name in left if made[name][row] > 0)]
                if gone:
                    shares = [
                        name for name in names if stem[name].startswith(("share", "percent")) or stem[name] in TEXTS
                    ]
                    gone = [*gone, *others[:1], *shares]
            for name in gone:
                made[name][row] = "left out" if isinstance(made[name][row], str) else None
            any_gone |= bool(gone)
            any_gone |= _without_counted(made, names, row, smallest)
    return made, any_gone


def _without_counted(made: dict[str, list], names: Sequence[str], row: int, smallest: int) -> bool:
    """Counts in brackets behind reasons."""
    changed = False
    for name in names:
        text = made[name][row]
        if isinstance(text, str) and name in TEXTS and any(_small(int(n), smallest) for n in _COUNTED.findall(text)):
            made[name][row] = _COUNTED.sub(f"(fewer than {smallest}, or more)", text)
            changed = True
    return changed


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _small(value: object, smallest: int) -> bool:
    return _number(value) and 0 < value < smallest  # type: ignore[operator]  # a number, as the first half says
