"""The record: every reported number with its name, and what it was computed from."""

import json
from collections.abc import Iterable, Iterator
from pathlib import Path

from notebooks.report.proof.environment import indirect_versions, software, versions
from notebooks.show.content import MIME

__all__ = ["assemble", "cell_contents", "contents", "numbers", "read", "row_label", "software", "write"]
FORMAT = 1
PLAIN = {"df", "num_df", "den_df", "statistic", "p_value", "loglik", "aic", "bic"}
COUNTS = {"n", "rows", "count", "answered", "items", "planned", "without_score", "observations", "place", "improved",
          "unchanged", "worsened", "cannot_reach", "missing", "enrolled"}  # fmt: skip
PLOTLY = "application/vnd.plotly.v1+json"


def contents(notebook) -> Iterator[dict]:
    """The exhibits of an executed notebook in their order: tables, paragraphs, figures.

    `frame` of a table and of a figure maps column to values; what a figure is travels in `layout.meta`, put there by
    `figures.style.finish`, and `spec` is its plotly specification.
    """
    for place, cell in enumerate(notebook.cells):
        yield from cell_contents(cell, place)


def cell_contents(cell, place: int) -> Iterator[dict]:
    """The exhibits of one cell."""
    for output in cell.get("outputs", []):
        data = output.get("data", {})
        if MIME in data:
            yield data[MIME] | {"cell": place, "frame": dict(data[MIME].get("frame", []))}
        elif PLOTLY in data:
            meta = data[PLOTLY]["layout"].get("meta") or {}
            if "name" in meta:
                yield meta | {"kind": "figure", "spec": data[PLOTLY], "cell": place, "frame": dict(meta["points"])}


def numbers(content: dict, notebook: str, notes: dict[str, int]) -> Iterator[dict]:
    """One entry per number of a table or of a figure's points; `notes` collects each note once, by its place."""
    if content["kind"] == "prose" or not content.get("recorded", True):
        return
    figure = content["kind"] == "figure"
    frame, keys = content["frame"], content["keys"]
    marks = [notes.setdefault(note, len(notes)) for note in content.get("notes", [])]
    prefix = f"figure/{content['name']}" if figure else content["name"]
    rows = len(next(iter(frame.values()), []))
    numeric = [
        column for column in frame if column not in (*keys, "decimals", "printed") and _holds_numbers(frame[column])
    ]
    for row in range(rows):
        label = row_label(content, row)
        for column in numeric:
            yield {
                "name": "/".join(part for part in (prefix, label, column) if part),
                "value": frame[column][row],
                "unit": _unit(content, frame, row, column),
                "n": frame["n"][row] if "n" in frame else None,
                "notes": marks,
                "notebook": notebook,
            }


def row_label(content: dict, row: int) -> str:
    """What names a row of a table or of a figure's points in the record."""
    frame = content["frame"]
    return " | ".join(str(frame[key][row]) for key in content["keys"] if frame[key][row] not in (None, ""))


def _unit(content: dict, frame: dict, row: int, column: str) -> str:
    if column in PLAIN:
        return ""
    if column in COUNTS:
        return "count"
    if column.startswith(("percent", "share")):
        return "%"
    if column.startswith("effect"):
        return "SD"
    if column == "day":
        return "day"
    return (frame["unit"][row] or "") if "unit" in frame else content.get("unit", "")


def _holds_numbers(values: list) -> bool:
    """Whether a column is one of numbers; words for infinity count as numbers, yes/no does not."""
    words = {"infinite", "minus infinite"}
    kinds = {type(value) for value in values if value is not None and value not in words}
    return bool(kinds) and kinds <= {int, float}


def assemble(
    runs: Iterable,
    *,
    study: dict,
    inputs: dict[str, str],
    protocol: str,
    plan: dict,
    code: str,
    primary: dict,
    keys: dict,
    options: dict,
    times: dict,
) -> dict:
    """The whole record of a report. Everything but `times` is the same in every run on the same inputs.

    primary: which of the numbers are the primary result. keys: the keys of study.toml, as far as they may be shown.

    Raises ValueError where two numbers have one name: a record that cannot be compared is worth nothing.
    """
    notes: dict[str, int] = {}
    entries: list[dict] = []
    sentences: dict[str, list[str]] = {}
    for run in runs:
        for content in contents(run.notebook):
            if content["kind"] == "prose":
                sentences[f"{run.name}/{content['name']}"] = content["paragraphs"]
            entries.extend(numbers(content, run.name, notes))
    names = [entry["name"] for entry in entries]
    if len(set(names)) < len(names):
        double = sorted({name for name in names if names.count(name) > 1})
        raise ValueError(f"Two recorded numbers share a name: {'; '.join(double[:3])}.")
    return {
        "format": FORMAT,
        "study": study,
        "inputs": inputs,
        "protocol": protocol,
        "plan": plan,
        "keys": keys,
        "options": options,
        "software": versions(),
        "environment": indirect_versions(),
        "code": code,
        "primary": primary,
        "notes": list(notes),
        "numbers": entries,
        "sentences": sentences,
        "times": times,
    }


def write(record: dict, path: Path) -> None:
    """Write a record with one number per line, so that two of them can be compared line by line."""
    body = {key: value for key, value in record.items() if key != "numbers"}
    head = json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False)
    one = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    lines = ",\n  ".join(map(one.encode, record["numbers"]))
    text = head[: head.rindex("}")].rstrip() + f',\n "numbers": [\n  {lines}\n ]\n}}\n'
    path.write_text(text, encoding="utf-8")


def read(path: Path) -> dict:
    """A record as it was written."""
    return json.loads(path.read_text(encoding="utf-8"))
