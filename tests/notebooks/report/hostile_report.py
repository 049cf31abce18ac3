"""Whole reports of studies whose every text is a probe, each file opened in a browser: how many probes ran?

    python -m tests.notebooks.report.hostile_report                # 5 studies, whole reports with pictures
    python -m tests.notebooks.report.hostile_report --studies 1    # some minutes

The studies are those of `tests.blinding.telling`, open and with probes in place of telling words: in title, labels,
estimand, criteria, reasons, diagnoses, remarks, raters and headers. Opened are every page, every picture by itself and
what every notebook shows; tables are read for cells that a spreadsheet program would compute, the document for links.
"""

import argparse
import csv
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.blinding.telling import told_study
from tests.notebooks.report.run_in_browser import run_of, shown_outputs
from tests.notebooks.report.test_probes import PROBES

FORMULA = ("=", "+", "@", "\t", "\r")
LABELS = (PROBES[0], PROBES[1])


def hostile_study(number: int, folder: Path) -> Path:
    """Study number n with probes in its texts."""
    return told_study(number, folder, forms=PROBES, labels=LABELS, blinded=False)


def formulas(report: Path) -> list[str]:
    """Cells of tables that a spreadsheet program would compute."""
    found = []
    for path in sorted([*report.glob("tables/*.csv"), *report.glob("figures/*.csv")]):
        with path.open(encoding="utf-8", newline="") as file:
            found += [f"{path.name}: {cell[:40]}" for row in csv.reader(file) for cell in row if _computed(cell)]
    return found


def _computed(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return cell.startswith(FORMULA)
    return False


def links(report: Path) -> list[str]:
    """Parts of the document that lead elsewhere because of a probe."""
    with zipfile.ZipFile(report / "report.docx") as packed:
        return [name for name in packed.namelist() if name.endswith(".rels") and b"probe" in packed.read(name)]


def main() -> int:
    """Make the reports and open everything; exit status 1 where a probe ran."""
    from playwright.sync_api import sync_playwright

    from notebooks.report.make import make_report
    from notebooks.report.pictures import find_browser
    from tests.notebooks.conftest import ARGUMENTS

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=5)
    parser.add_argument("--start", type=int, default=0)
    options = parser.parse_args()
    opened = probes = wrong = 0
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_browser(), args=ARGUMENTS)
        for number in range(options.start, options.start + options.studies):
            with TemporaryDirectory() as place:
                folder = hostile_study(number, Path(place) / "study")
                report = Path(place) / "report"
                make_report(folder, report)
                (Path(place) / "shown").mkdir()
                paths = [*sorted(report.glob("*.html")), *sorted(report.glob("figures/*.svg"))]
                for notebook in sorted(report.glob("notebooks/*.ipynb")):
                    paths += shown_outputs(notebook, Path(place) / "shown")
                found = run_of(browser, paths)
                probes += sum(path.read_text(encoding="utf-8").count("probe") for path in paths)
                told = [*(f"{name}: {what}" for name, what in found.items()), *formulas(report), *links(report)]
            opened += len(paths)
            wrong += len(told)
            print(f"study {number}: {len(paths)} files opened; {told or 'nothing ran'}", flush=True)
        browser.close()
    print(f"{options.studies} studies, {opened} files opened, {probes} probes in them, {wrong} that ran or would")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
