"""What two reports were computed from, and which of it differs: data files, keys of the protocol, versions, code."""

import csv
import itertools
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from outcomes.lock.analysis_plan import plan_changes

# What is of one making, or compared by itself, or told of elsewhere as far as one of two has it.
OF_ONE_MAKING = {"hashes", "missing", "times", "environment", "keys", "primary"}
SHOWN = 5  # cells, lines or keys named one by one
MOST = 50_000_000  # bytes of a table that is compared cell by cell


def differences(one: Mapping, other: Mapping, folders: tuple[Path | None, Path | None] = (None, None)) -> list[str]:
    """One line for whatever differs between the sources of two records, `one` the earlier.

    folders: where the copies of the data lie, of both; then the cells that differ are named too.
    """
    return [
        *_files(one, other, folders),
        *_protocol(one, other),
        *_versions(one, other),
        *_blinding(one, other),
        *(["The code of the kit is not the recorded one."] if one["code"] != other["code"] else []),
        *_parts(one, other),
    ]


def _parts(one: Mapping, other: Mapping) -> Iterator[str]:
    """Parts that only one of two records has: another version of the kit wrote it, or somebody else did."""
    for has, lacks, which in ((one, other, "first"), (other, one, "second")):
        names = sorted(has.keys() - lacks.keys() - OF_ONE_MAKING)
        yield from (f"The record has a part {name[:80]!r} in the {which} only." for name in names[:SHOWN])


def _files(one: Mapping, other: Mapping, folders: tuple[Path | None, Path | None]) -> Iterator[str]:
    for name in sorted({*one["inputs"], *other["inputs"]}):
        before, after = one["inputs"].get(name), other["inputs"].get(name)
        if before == after:
            continue
        if before is None or after is None:
            yield f"Input {name} {'is new' if before is None else 'is gone'}."
            continue
        paths = [folder / name for folder in folders if folder is not None]
        told = "".join(f" {line}" for line in _cells(*paths)) if len(paths) == 2 and name.endswith(".csv") else ""
        yield f"Input {name} is not the recorded one (SHA-256).{told}"


def _cells(first: Path, second: Path) -> Iterator[str]:
    """Which cells of two tables differ; where lines came or went, how many."""
    try:
        if not (first.is_file() and second.is_file()) or max(first.stat().st_size, second.stat().st_size) > MOST:
            return
        tables = [list(csv.reader(path.open(encoding="utf-8-sig", newline=""))) for path in (first, second)]
    except (OSError, ValueError, csv.Error):
        return
    old, new = tables
    if len(old) == len(new) and old[:1] == new[:1]:
        found = [
            f"line {line}, {head}: {before!r} -> {after!r}"
            for line, (row, other) in enumerate(zip(old, new, strict=True), 1)
            for head, before, after in itertools.zip_longest(old[0], row, other, fillvalue="")
            if before != after
        ]
        more = f" and {len(found) - SHOWN} more" if len(found) > SHOWN else ""
        if found:
            yield f"Cells that differ: {'; '.join(found[:SHOWN])}{more}."
        return
    counted = [Counter(map(tuple, table)) for table in tables]
    gone, come = ((counted[k] - counted[1 - k]).total() for k in (0, 1))
    yield f"{gone} rows are in the first only, {come} in the second only."


def _protocol(one: Mapping, other: Mapping) -> Iterator[str]:
    if one["protocol"] == other["protocol"]:
        # Where the same code read the same file, keys that differ are nobody's but an editor's.
        if one["code"] == other["code"] and one.get("keys") is not None and other.get("keys") is not None:
            for change in plan_changes(one["keys"], other["keys"]):
                yield f"Key {change.key} of study.toml stands otherwise in the record: {change.was} -> {change.now}."
        return
    same_plan = one["plan"]["sha256"] == other["plan"]["sha256"]
    words = " Its analysis plan is the same: words or comments differ." if same_plan else ""
    yield f"The protocol, study.toml, is not the recorded one.{words}"
    if one.get("keys") is None or other.get("keys") is None:
        return
    for change in plan_changes(one["keys"], other["keys"]):
        yield f"Key {change.key} of study.toml: {change.was} -> {change.now}."


def _versions(one: Mapping, other: Mapping) -> Iterator[str]:
    for name in sorted({*one["software"], *other["software"]}):
        before, after = one["software"].get(name, "none"), other["software"].get(name, "none")
        if before != after and (name in other["software"] or name in one["software"]):
            yield f"{name} {before} was recorded, this is {after}."
    old, new = one.get("environment") or {}, other.get("environment") or {}
    changed = [
        f"{name} {old.get(name, 'none')} -> {new.get(name, 'none')}"
        for name in sorted({*old, *new})
        if old.get(name) != new.get(name)
    ]
    if old and changed:
        more = f" and {len(changed) - SHOWN} more" if len(changed) > SHOWN else ""
        yield f"Of the packages behind those: {'; '.join(changed[:SHOWN])}{more}."


def _blinding(one: Mapping, other: Mapping) -> Iterator[str]:
    then, here = (bool(each["study"].get("blinded")) for each in (one, other))
    if then != here:
        yield f"The study was {'blinded then and is not now' if then else 'not blinded then and is now'}."
