"""Read the record of a report folder that may come from anyone: its form is checked before anything in it is used."""

import json
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path, PurePosixPath

from notebooks.report.proof.file_hashes import RECORD
from notebooks.report.record import FORMAT
from outcomes import StudyError

MOST = 500_000_000  # bytes
Test = Callable[[object], bool]


def _text(value: object) -> bool:
    return isinstance(value, str)


def _count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _moment(value: object) -> bool:
    try:
        return isinstance(value, str) and bool(datetime.fromisoformat(value))
    except ValueError:
        return False


def _any(value: object) -> bool:
    return True


def _list(test: Test) -> Test:
    return lambda value: isinstance(value, list) and all(map(test, value))


def _table(test: Test) -> Test:
    return lambda value: isinstance(value, dict) and all(map(test, value.values()))


def _place(name: str) -> bool:
    """Whether a name stays inside the folder it is looked up in."""
    way = PurePosixPath(name)
    return not way.is_absolute() and ".." not in way.parts and "\\" not in name and ":" not in name and "\0" not in name


def _entry(value: object) -> bool:
    return (
        isinstance(value, dict)
        and all(_text(value.get(key)) for key in ("name", "unit", "notebook"))
        and (value.get("value") is None or _text(value["value"]) or _number(value["value"]))
        and (value.get("n") is None or _text(value["n"]) or _number(value["n"]))
        and _list(_count)(value.get("notes"))
    )


NEEDED: Mapping[str, Test] = {
    "study": _table(_any),
    # In both: a table once `_table` said so, which the type checker does not see.
    "inputs": lambda value: _table(_text)(value) and all(map(_place, value)),  # type: ignore[call-overload]
    "protocol": _text,
    "plan": lambda value: isinstance(value, dict) and _text(value.get("sha256")),
    "options": lambda value: (
        isinstance(value, dict)
        and _list(_text)(value.get("only"))
        and _number(value.get("seed"))
        and _number(value.get("level"))
    ),
    "software": _table(_text),
    "code": _text,
    "notes": _list(_text),
    "numbers": _list(_entry),
    "sentences": _table(_list(_text)),
    "times": lambda value: isinstance(value, dict) and _moment(value.get("began")),  # which the report prints
}
# What records of an earlier version of the kit do not have.
LATER: Mapping[str, tuple[Test, object]] = {
    "hashes": (lambda value: _table(_text)(value) and all(map(_place, value)), None),  # type: ignore[call-overload]
    "environment": (_table(_text), {}),
    "keys": (_table(_any), None),
    "missing": (_list(_text), []),
    "primary": (
        lambda value: (
            isinstance(value, dict)
            and _text(value.get("outcome"))
            and (value.get("visit") is None or _text(value["visit"]))
            and _list(_text)(value.get("numbers"))
        ),
        None,
    ),
}


def read_record(folder: Path) -> dict:
    """The record of a report folder, of the right form; what an earlier version did not write is None or empty.

    Raises StudyError where there is none that can be used.
    """
    path = folder / RECORD
    if not path.is_file():
        raise StudyError(
            f"{folder} holds no {RECORD}: found no report there; allowed is a folder that 'outcomes report' wrote."
        )
    if path.stat().st_size > MOST:
        raise StudyError(f"{path} is larger than {MOST} bytes, which no report's record is. It was not read.")
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_number, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise StudyError(f"{path} cannot be read: {error}. Make the report again with 'outcomes report'.") from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        found = record.get("format") if isinstance(record, dict) else "none"
        raise StudyError(
            f"{path} has format {str(found)[:40]}, allowed {FORMAT}: it was written by another version of the kit. "
            "Make the report again with 'outcomes report'."
        )
    for key, test in NEEDED.items():
        if key not in record or not test(record[key]):
            raise _not_so(path, key)
    for key, (test, otherwise) in LATER.items():
        if key in record and not test(record[key]):
            raise _not_so(path, key)
        record.setdefault(key, otherwise)
    if any(not 0 <= place < len(record["notes"]) for entry in record["numbers"] for place in entry["notes"]):
        raise _not_so(path, "notes")
    return record


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number that a record holds")


def _once(pairs: list[tuple[str, object]]) -> dict:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key is there twice")
    return found


def _not_so(path: Path, key: str) -> StudyError:
    return StudyError(
        f"{path}: '{key}' is missing or not of the form that 'outcomes report' writes: it was edited or damaged. Get "
        "the report again from those who made it, or make it again with 'outcomes report'."
    )
