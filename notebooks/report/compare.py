"""Run a finished report again and say what changed, number by number."""

import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from notebooks.report import record as records
from notebooks.report.make import checked_study, compute
from notebooks.report.run import file_digest
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table
from outcomes import StudyError

# Another processor or another build of a library may differ in the last digits; that is not a change of a result.
SAME = 1e-9


@dataclass(frozen=True)
class Comparison:
    """Recorded and new numbers side by side, and what differs in what they were computed from.

    rows: one per number with name, recorded, now, difference, status: "same", "changed", "missing" (no longer
    computed), "new". differences: inputs, protocol, versions and code that are not the recorded ones.
    """

    rows: pd.DataFrame
    differences: tuple[str, ...]

    @property
    def unchanged(self) -> bool:
        """Whether every recorded number is there again, and none is new."""
        return bool((self.rows["status"] == "same").all())

    @property
    def summary(self) -> str:
        """One line: how many numbers are the same, changed, missing, new."""
        counts = self.rows["status"].value_counts()
        if self.unchanged:
            return f"All {len(self.rows)} numbers the same."
        parts = [f"{counts.get(status, 0)} {status}" for status in ("same", "changed", "missing", "new")]
        return f"Of {len(self.rows)} numbers: {', '.join(parts)}."

    def changed(self) -> pd.DataFrame:
        """The rows that are not the same."""
        return self.rows[self.rows["status"] != "same"].reset_index(drop=True)


def compare(recorded: dict, now: dict) -> Comparison:
    """Compare two records, number by number, and what they were computed from."""
    old, new = ({entry["name"]: entry["value"] for entry in one["numbers"]} for one in (recorded, now))
    rows = [
        {"name": name, "recorded": old.get(name), "now": new.get(name)} | _status(name, old, new)
        for name in [*old, *(name for name in new if name not in old)]
    ]
    frame = pd.DataFrame(rows, columns=["name", "recorded", "now", "difference", "status"])
    return Comparison(frame, tuple(_differences(recorded, now)))


def _status(name: str, old: dict, new: dict) -> dict:
    if name not in new:
        return {"difference": None, "status": "missing"}
    if name not in old:
        return {"difference": None, "status": "new"}
    before, after = old[name], new[name]
    if not all(isinstance(value, (int, float)) for value in (before, after)):
        return {"difference": None, "status": "same" if before == after else "changed"}
    same = math.isclose(before, after, rel_tol=SAME, abs_tol=SAME * 1e-3)
    return {"difference": after - before, "status": "same" if same else "changed"}


def _differences(recorded: dict, now: dict) -> list[str]:
    lines = []
    for name in sorted({*recorded["inputs"], *now["inputs"]}):
        before, after = recorded["inputs"].get(name), now["inputs"].get(name)
        if before != after:
            what = "is new" if before is None else "is gone" if after is None else "is not the recorded one (SHA-256)"
            lines.append(f"Input {name} {what}.")
    if recorded["protocol"] != now["protocol"]:
        same_plan = recorded.get("plan", {}).get("sha256") == now["plan"]["sha256"]
        words = " Its analysis plan is the same: words or comments differ." if same_plan else ""
        lines.append(f"The protocol, study.toml, is not the recorded one.{words}")
    for name in sorted({*recorded["software"], *now["software"]}):
        before, after = recorded["software"].get(name, "none"), now["software"].get(name, "none")
        if before != after:
            lines.append(f"{name} {before} was recorded, this is {after}.")
    then, here = (bool(one["study"].get("blinded")) for one in (recorded, now))
    if then != here:
        lines.append(f"The study was {'blinded then and is not now' if then else 'not blinded then and is now'}.")
    if recorded["code"] != now["code"]:
        lines.append("The code of the kit is not the recorded one.")
    return lines


def rerun(
    report: str | Path,
    study: str | Path | None = None,
    *,
    processes: int | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> Comparison:
    """Compute a report again from its inputs and compare every number with its record. The report is not touched.

    study: the study folder; where it is not named, the folder the report was made from, and where that is not there,
    the copy inside the report. Raises StudyError where there is no report, Blocked where the data have errors now.
    """
    folder = Path(report)
    recorded = read_record(folder)
    source = _source(folder, recorded, study)
    say(f"computing again from {source}")
    with tempfile.TemporaryDirectory(prefix="outcomes-", ignore_cleanup_errors=True) as work:
        _, now = compute(
            checked_study(source), Path(work), only=recorded["options"]["only"], processes=processes, say=say
        )
    compared = compare(recorded, now)
    tampered = [
        f"The copy inputs/{name} in the report is not the recorded one."
        for name, digest in recorded["inputs"].items()
        if (copy := folder / "inputs" / name).exists() and source != folder / "inputs" and file_digest(copy) != digest
    ]
    return Comparison(compared.rows, (*compared.differences, *tampered))


def compare_reports(first: str | Path, second: str | Path) -> Comparison:
    """Compare the records of two finished reports, number by number. Nothing is computed again.

    first, second: report folders, or their record.json. Raises StudyError where one of them holds no record.
    """
    records_ = [read_record(path.parent if path.name == "record.json" else path) for path in map(Path, (first, second))]
    return compare(*records_)


def read_record(folder: Path) -> dict:
    """The record of a report folder. Raises StudyError where there is none that can be read."""
    path = folder / "record.json"
    if not path.is_file():
        raise StudyError(
            f"{folder} holds no record.json: found no report there; allowed is a folder that 'outcomes report' wrote."
        )
    try:
        record = records.read(path)
    except ValueError as error:
        raise StudyError(f"{path} cannot be read: {error}. Make the report again with 'outcomes report'.") from error
    if record.get("format") != records.FORMAT:
        raise StudyError(
            f"{path} has format {record.get('format')}, allowed {records.FORMAT}: it was written by another version of "
            "the kit. Make the report again with 'outcomes report'."
        )
    return record


def _source(folder: Path, recorded: dict, study: str | Path | None) -> Path:
    if study is not None:
        return Path(study)
    way = recorded["study"].get("folder", "")
    original = (folder / way).resolve() if way else folder / "inputs"
    if way and (original / "study.toml").is_file():
        return original
    if recorded["study"].get("blinded"):
        raise StudyError(
            f"The report in {folder} was made while the study was blinded, so it holds no copy of the data. Name the "
            "study folder: outcomes rerun DIR --study FOLDER."
        )
    return folder / "inputs"


def comparison_table(compared: Comparison) -> Table:
    """The numbers that are not the same."""
    return Table(
        "comparison",
        compared.summary,
        compared.changed(),
        {"Number": "{name}", "Recorded": "{recorded}", "Now": "{now}", "Difference": "{difference}",
         "Status": "{status}"},
        notes=(*compared.differences, f"Same: equal to a relative {SAME:g}."),
        decimals=6,
        recorded=False,
        limit=100,
    )  # fmt: skip


def rerun_report(report: str | Path, study: str | Path | None = None) -> Table | Prose:
    """For the notebook: the comparison as a table, or in words that there is no report yet."""
    if not (Path(report) / "record.json").is_file():
        words = f"There is no report in {report}: make one with 'outcomes report' and name its folder above."
        return Prose("rerun", (words,))
    return comparison_table(rerun(report, study, say=print))  # progress: it takes as long as the report did


def lines(compared: Comparison, limit: int = 40) -> list[str]:
    """The comparison for a terminal: what differs in the inputs, the numbers that changed, and the summary."""
    shown = compared.changed()
    text = [*compared.differences]
    if len(shown):
        text.append(f"{'name':<90} {'recorded':>14} {'now':>14} {'difference':>14}  status")
        for row in shown.head(limit).itertuples():
            values = " ".join(f"{_short(value):>14}" for value in (row.recorded, row.now, row.difference))
            text.append(f"{row.name:<90} {values}  {row.status}")
        if len(shown) > limit:
            text.append(f"... and {len(shown) - limit} more.")
    return [*text, compared.summary]


def _short(value: object) -> str:
    if value is None or value != value:
        return "-"
    return f"{value:.7g}" if isinstance(value, float) else str(value)
