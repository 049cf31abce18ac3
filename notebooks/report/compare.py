"""Compare two records, each the account of a report: numbers, units, n, notes, sentences, and what they came from."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from notebooks.report.proof.file_hashes import RECORD, FileFinding
from notebooks.report.proof.recorded import read_record
from notebooks.report.proof.seen_sources import differences

# Another processor or another build of a library may differ in the last digits; that is not a change of a result.
SAME = 1e-9
NUMBERS = ["section", "name", "recorded", "now", "difference", "status"]
WORDS = ["section", "name", "what", "recorded", "now"]
WHOLE = "whole report"
COUNTED = ("same", "changed", "missing", "new")


@dataclass(frozen=True)
class Comparison:
    """Recorded and new results side by side, and what differs in what they were computed from.

    rows: one per number with section, name, recorded, now, difference, status: "same", "changed", "missing" (no longer
    computed), "new". words: one per text that differs with section, name, what ("unit", "n", "notes", "sentence",
    "level", ...; of a rerun also "table", "page", "document", "notebook", "picture", "file"), recorded, now.
    differences: data files, keys of the protocol, versions and code that are not the recorded ones. files: files of the
    report that are not as they were written. primary: names of the numbers that are the primary result. refused: why
    nothing could be computed. pictures: of a rerun, which pictures were compared and how.
    """

    rows: pd.DataFrame
    words: pd.DataFrame
    differences: tuple[str, ...]
    primary: tuple[str, ...] = ()
    about_primary: str = ""
    files: tuple[FileFinding, ...] = ()
    refused: str = ""
    pictures: str = ""

    @property
    def unchanged(self) -> bool:
        """Whether every recorded number, unit, n, note, sentence, table and picture is there again, and none is new."""
        return bool((self.rows["status"] == "same").all()) and self.words.empty and not self.refused

    @property
    def proven(self) -> bool:
        """Whether nothing changed and every file of the report is as it was written."""
        return self.unchanged and not self.files

    @property
    def summary(self) -> str:
        """One line: how many numbers are the same, changed, missing, new; how many texts differ."""
        counts = self.rows["status"].value_counts()
        parts = ", ".join(f"{counts.get(status, 0)} {status}" for status in COUNTED)
        told = f"Of {len(self.rows)} numbers: {parts}."
        if (self.rows["status"] == "same").all():
            told = f"All {len(self.rows)} numbers the same."
        if len(self.words):
            told += f" Texts, units, n or notes that differ: {len(self.words)}."
        return told

    def changed(self) -> pd.DataFrame:
        """The numbers that are not the same."""
        return self.rows[self.rows["status"] != "same"].reset_index(drop=True)

    def primary_rows(self) -> pd.DataFrame:
        """The numbers of the primary result, the same or not."""
        return self.rows[self.rows["name"].isin(self.primary)].reset_index(drop=True)

    def sections(self) -> pd.DataFrame:
        """Per section of the report: numbers changed, missing, new, of all; texts that differ; the largest relative
        difference and the number it belongs to. Sections in which all is the same are left out."""
        made = []
        for section in [*dict.fromkeys([*self.rows["section"], *self.words["section"]])]:
            own, texts = self.rows[self.rows["section"] == section], self.words[self.words["section"] == section]
            counts = own["status"].value_counts()
            if counts.get("same", 0) == len(own) and texts.empty:
                continue
            largest = _largest(own[own["status"] == "changed"])
            made.append(
                {"section": section, "numbers": len(own)}
                | {status: int(counts.get(status, 0)) for status in COUNTED[1:]}
                | {"texts": len(texts), "largest": largest[0], "of": largest[1]}
            )
        return pd.DataFrame(made, columns=["section", "numbers", *COUNTED[1:], "texts", "largest", "of"])

    def frame(self) -> pd.DataFrame:
        """Everything compared, a row each: numbers (what is "value") and then the texts that differ."""
        numbers = self.rows.assign(what="value")
        return pd.concat([numbers, self.words.assign(status="changed")], ignore_index=True)[
            ["section", "name", "what", "recorded", "now", "difference", "status"]
        ]


def _largest(changed: pd.DataFrame) -> tuple[float | None, str]:
    """The largest difference relative to what was recorded, and whose it is."""
    found = [
        (abs(row.difference) / max(abs(row.recorded), abs(row.now)), row.name)
        for row in changed.itertuples()
        if row.difference is not None and row.difference == row.difference and row.difference
    ]
    return max(found, default=(None, ""), key=lambda pair: pair[0] or 0.0)


def compare(recorded: Mapping, now: Mapping, folders: tuple[Path | None, Path | None] = (None, None)) -> Comparison:
    """Compare two records: numbers, units, n, notes, sentences, level and seed, and what they were computed from.

    recorded, now: records as `read_record` gives them. folders: the copies of their data, where there are any.
    """
    old, new = ({entry["name"]: entry for entry in one["numbers"]} for one in (recorded, now))
    names = [*old, *(name for name in new if name not in old)]
    rows = [
        {"section": (old.get(name) or new[name])["notebook"], "name": name} | _status(old.get(name), new.get(name))
        for name in names
    ]
    words = [*_settings(recorded, now), *_sentences(recorded, now), *_about_numbers(old, new, recorded, now)]
    primary = recorded.get("primary") or {}
    return Comparison(
        rows=pd.DataFrame(rows, columns=NUMBERS),
        words=pd.DataFrame(words, columns=WORDS, dtype=object),
        differences=tuple(differences(recorded, now, folders)),
        primary=tuple(primary.get("numbers", ())),
        about_primary=_about(primary, now.get("primary") or {}),
    )


def _about(old: Mapping, new: Mapping) -> str:
    told = [f"{one.get('outcome')} at {one.get('visit') or 'no visit'}" for one in (old, new) if one]
    return " -> ".join(dict.fromkeys(told))


def _status(old: Mapping | None, new: Mapping | None) -> dict:
    before, after = (one["value"] if one else None for one in (old, new))
    sides = {"recorded": before, "now": after, "difference": None}
    if new is None or old is None:
        return sides | {"status": "missing" if new is None else "new"}
    if not isinstance(before, (int, float)) or not isinstance(after, (int, float)):
        return sides | {"status": "same" if before == after else "changed"}
    return sides | {"difference": after - before, "status": "same" if close(before, after) else "changed"}


def close(before: float, after: float) -> bool:
    """Whether two numbers are the same but for what another processor may do to their last digits."""
    return math.isclose(before, after, rel_tol=SAME, abs_tol=SAME * 1e-3)


def _settings(recorded: Mapping, now: Mapping) -> Iterator[dict]:
    """Level, seed and whatever else is said of the whole."""
    for part in ("options", "study"):
        left_out = {"folder"}  # where the study lay, seen from the report
        old, new = ({key: one[part][key] for key in one[part] if key not in left_out} for one in (recorded, now))
        for key in [*old, *(key for key in new if key not in old)]:
            if old.get(key) != new.get(key):
                yield _word(WHOLE, f"{part}/{key}", key, old.get(key), new.get(key))
    old, new = ({key: one.get("primary", {}).get(key) if one.get("primary") else None for key in ("outcome", "visit")}
                for one in (recorded, now))  # fmt: skip
    if recorded.get("primary") and now.get("primary"):
        yield from (_word(WHOLE, f"primary/{key}", key, old[key], new[key]) for key in old if old[key] != new[key])
        if old == new:
            yield from (
                _word(WHOLE, "primary/numbers", "primary", *pair)
                for pair in pairs_that_differ(recorded["primary"]["numbers"], now["primary"]["numbers"])
            )


def _about_numbers(old: Mapping, new: Mapping, recorded: Mapping, now: Mapping) -> Iterator[dict]:
    """Unit, n and notes of the numbers that both have. What differs alike for many is told once, with their number."""
    found: dict[tuple, list[str]] = {}
    for name, what, section, before, after in _each_number(old, new, recorded, now):
        found.setdefault((section, what, before, after), []).append(name)
    for (section, what, before, after), names in found.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        yield _word(section, f"{names[0]}{more}", what, before, after)


def _each_number(old: Mapping, new: Mapping, recorded: Mapping, now: Mapping) -> Iterator[tuple]:
    for name, entry in old.items():
        other = new.get(name)
        if other is None:
            continue
        for key in ("unit", "n", "notebook"):
            if entry[key] != other[key]:
                yield name, key, entry["notebook"], entry[key], other[key]
        if entry["notes"] == other["notes"] and recorded["notes"] == now["notes"]:
            continue
        notes = [
            [without_versions(one["notes"][place], one) for place in said["notes"]]
            for one, said in ((recorded, entry), (now, other))
        ]
        if notes[0] != notes[1]:
            gone = [" ".join(note for note in notes[k] if note not in notes[1 - k]) for k in (0, 1)]
            yield name, "notes", entry["notebook"], *gone


def _sentences(recorded: Mapping, now: Mapping) -> Iterator[dict]:
    old, new = recorded["sentences"], now["sentences"]
    for name in [*old, *(name for name in new if name not in old)]:
        section = name.partition("/")[0]
        before, after = (
            [without_versions(text, one) for text in one["sentences"].get(name, [])] for one in (recorded, now)
        )
        yield from (_word(section, name, "sentence", *pair) for pair in pairs_that_differ(before, after))


def pairs_that_differ(before: list[str], after: list[str]) -> Iterator[tuple[str, str]]:
    """Texts in their order that are not the same; what only one of them has stands beside nothing."""
    if len(before) == len(after):
        yield from ((one, other) for one, other in zip(before, after, strict=True) if one != other)
        return
    yield from ((one, "") for one in before if one not in after)
    yield from (("", other) for other in after if other not in before)


def without_versions(text: str, record: Mapping) -> str:
    """A text without the versions it names: another version is told of once, and is no change of a sentence."""
    for name, version in record["software"].items():
        text = text.replace(f"{name} {version}", name)
    return text


def _word(section: str, name: str, what: str, recorded: object, now: object) -> dict:
    return {"section": section, "name": name, "what": what, "recorded": recorded, "now": now}


def compare_reports(first: str | Path, second: str | Path) -> Comparison:
    """Compare the records of two finished reports. Nothing is computed again, and nothing of either folder is run.

    first, second: report folders, or their record.json. Raises StudyError where one of them holds no record.
    """
    folders = [path.parent if path.name == RECORD else path for path in map(Path, (first, second))]
    recorded, now = (read_record(folder) for folder in folders)
    return compare(recorded, now, folders=(folders[0] / "inputs", folders[1] / "inputs"))
