"""Pictures of the guide: the tutorial's own commands are run to their end, and their reports are photographed."""

import json
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

from notebooks.guide.code_blocks import run_page
from notebooks.guide.gallery import DRAWN
from notebooks.report.pictures import find_browser

TEXT = Path(__file__).parent / "text"
# Page of the tutorial -> report folder it makes -> picture of that report's first page.
SCENARIOS = {
    "tutorial/workbook.md": ("practice_report", "workbook_report.png"),
    "tutorial/device_pilot.md": ("splint_report", "device_report.png"),
    "tutorial/crossover.md": ("turns_report", "crossover_report.png"),
}
GALLERY = "home_report"  # the report whose figures the gallery shows
WIDTH, HEIGHT = 1200, 1500


def draw_pictures(to: Path, say: Callable[[str], None] = print) -> None:
    """Runs the scenarios and writes their pictures, and the figures of their reports and of the demo, into a folder.

    Raises RuntimeError where an example fails or no browser is installed.
    """
    browser = find_browser()
    if browser is None:
        raise RuntimeError("Pictures need a Chromium-family browser: install one, or build with --no-pictures.")
    to.mkdir(parents=True, exist_ok=True)
    for name, (report, picture) in SCENARIOS.items():
        say(f"Running {name} to its end.")
        with tempfile.TemporaryDirectory() as place:
            problems = run_page(TEXT / name, folder=Path(place), whole=True)
            if problems:
                raise RuntimeError(f"{name}: {problems[0]}")
            _photograph(browser, Path(place) / report / "report.html", to / picture)
            _take(Path(place) / report / "figures", to)
    say("Drawing the gallery.")
    _gallery(to)
    (to / DRAWN).write_text(json.dumps(sorted(path.stem for path in to.glob("*.svg"))), encoding="utf-8")


def _photograph(browser: str, page: Path, to: Path) -> None:
    """The top of a page as a person sees it first."""
    with tempfile.TemporaryDirectory() as profile:
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", f"--user-data-dir={profile}"]
        shot = [f"--window-size={WIDTH},{HEIGHT}", f"--screenshot={to}", page.resolve().as_uri()]
        command = [browser, *options, *shot]
        subprocess.run(command, capture_output=True, timeout=120, check=False)
    if not to.exists():
        raise RuntimeError(f"{page}: the browser made no picture of it.")


def _gallery(to: Path) -> None:
    """The figures of the demo's report, at the width of a page."""
    from notebooks.commands import main

    with tempfile.TemporaryDirectory() as place:
        study, report = Path(place) / "home", Path(place) / GALLERY
        for command in (["demo", str(study)], ["report", str(study), "--to", str(report), "--quiet"]):
            if main(command):
                raise RuntimeError(f"outcomes {' '.join(command)} failed.")
        for drawn in to.glob("*.svg"):  # the demo's own figure stands where it has one
            if any((report / "figures").glob(f"{drawn.stem.split('__')[0]}*.svg")):
                drawn.unlink()
        _take(report / "figures", to)


def _take(figures: Path, to: Path) -> None:
    for drawn in figures.glob("*.svg"):
        shutil.copy(drawn, to / drawn.name)
