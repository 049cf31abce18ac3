"""A study folder with a sheet of a million rows: every line and row accounted for, every score right, in what time?

    python -m tests.damage.large_sheets                         # 1,000,000 rows as CSV, and as XLSX; ten minutes
    python -m tests.damage.large_sheets --rows 20000 --forms csv

Times are of the processor. What is expected is counted while the answers are drawn, without the program: rows, cells
without an answer, and for each administration that has all answers their sum.
"""

import argparse
import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from outcomes import check, instrument, read_study, score
from outcomes.checks.accounting import accounting, line_accounting

NAME, SCALE = "arat", "total"
VISITS = 5
MOST_XLSX = 1_048_575  # rows of a sheet below its header (Office Open XML, the limit spreadsheet programs keep)
STUDY = """
title = "Many rows"
design = "single-arm"
primary = "arat.total"
outcomes = ["arat.total"]
"""


@dataclass(frozen=True)
class Large:
    """What was read of a large sheet, what was expected, and what it cost (seconds of the processor, megabytes)."""

    form: str
    rows: int
    rows_read: int
    lines_unaccounted: int
    rows_unaccounted: int
    scores_wrong: int
    administrations: int
    seconds_read: float
    seconds_check: float
    peak_mb: float

    @property
    def right(self) -> bool:
        """Whether nothing was lost and every score is the expected one."""
        wrong = self.lines_unaccounted or self.rows_unaccounted or self.scores_wrong
        return self.rows == self.rows_read and not wrong


def write(folder: Path, rows: int, form: str) -> pd.Series:
    """Writes the folder; the expected sum of each administration with all answers, by participant and visit."""
    rng = np.random.default_rng(5)
    items = instrument(NAME).items
    people = -(-rows // (len(items) * VISITS))
    visits = [f"v{number}" for number in range(VISITS)]
    toml = STUDY + "".join(f'[[visits]]\nid = "{v}"\nlabel = "{v}"\nday = {day * 7}\n' for day, v in enumerate(visits))
    folder.mkdir()
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    names = [f"P{number:06d}" for number in range(people)]
    pd.DataFrame({"participant": names, "affected_side": "left"}).to_csv(folder / "participants.csv", index=False)
    values = np.column_stack([rng.choice(item.levels, people * VISITS) for item in items]).astype(int).astype(object)
    values[rng.random(values.shape) < 0.005] = "not done"
    frame = pd.DataFrame(
        {
            "participant": np.repeat(names, len(items) * VISITS),
            "visit": np.tile(np.repeat(visits, len(items)), people),
            "instrument": NAME,
            "side": "left",
            "item": np.tile([item.id for item in items], people * VISITS),
            "value": values.ravel(),
        }
    ).iloc[:rows]
    if form == "xlsx":
        _write_xlsx(frame, folder / "items.xlsx")
    else:
        frame.to_csv(folder / "items.csv", index=False)
    whole = frame.groupby(["participant", "visit"], sort=False)["value"].agg(
        lambda cells: sum(cells) if len(cells) == len(items) and "not done" not in set(cells) else None
    )
    return whole.dropna().astype(float)


def _write_xlsx(frame: pd.DataFrame, path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("items")
    sheet.append(list(frame))
    for row in frame.itertuples(index=False, name=None):
        sheet.append(row)
    book.save(path)


def measure(rows: int, form: str) -> Large:
    """Write a folder, read it, check it, and hold what comes out against what went in."""
    with TemporaryDirectory() as place:
        folder = Path(place) / "study"
        expected = write(folder, rows, form)
        start = time.process_time()
        study = read_study(folder)
        read = time.process_time() - start
        start = time.process_time()
        findings, scores = check(study), score(study)
        lines, account = line_accounting(study), accounting(study, scores, findings)
        checked = time.process_time() - start
    made = scores[scores["outcome"] == f"{NAME}.{SCALE}"].set_index(["participant", "visit"])["value"]
    pair = pd.concat({"expected": expected, "made": made.reindex(expected.index)}, axis=1)
    return Large(
        form,
        rows,
        int(study.rows_read["items"]),
        int(lines["unaccounted"].abs().sum()),
        int(account["unaccounted"].abs().sum()),
        int((pair["expected"] != pair["made"]).sum()),
        len(pair),
        round(read, 1),
        round(checked, 1),
        round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure; exit status 1 where anything was lost or wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--forms", nargs="+", choices=("csv", "xlsx"), default=["csv", "xlsx"])
    options = parser.parse_args(arguments)
    found = [measure(min(options.rows, MOST_XLSX), form) for form in options.forms]
    for one in found:
        print(one, "right" if one.right else "WRONG")
    return 0 if all(one.right for one in found) else 1


if __name__ == "__main__":
    raise SystemExit(main())
