"""Reports made once and shared by all tests (and by all test processes)."""

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from notebooks.report.make import make_report
from notebooks.report.pictures import find_browser
from synthetic_cohort import make_cohort

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
STUDIES = Path(__file__).resolve().parents[1] / "studies"
WAIT_S = 600


@pytest.fixture(scope="session", autouse=True)
def secret_of_the_tests(tmp_path_factory):
    """Seals of kept results by a secret of the tests, the same for all test processes, never the user's own."""
    base = tmp_path_factory.getbasetemp()
    state = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "state"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("notebooks.report.kept.user_state_path", lambda name: state / name)
        yield


@pytest.fixture(scope="session")
def make_once(tmp_path_factory) -> Callable[[str, Callable[[Path], None]], Path]:
    """Make a folder once, whichever test process comes first; the others wait for it."""
    base = tmp_path_factory.getbasetemp()
    # Under pytest-xdist each process has its own folder inside the one of this run.
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "reports"
    shared.mkdir(exist_ok=True)

    def once(name: str, make: Callable[[Path], None]) -> Path:
        folder, done = shared / name, shared / f"{name}.done"
        try:
            (shared / f"{name}.started").mkdir()
        except FileExistsError:
            end = time.monotonic() + WAIT_S
            while not done.exists():
                if time.monotonic() > end or (shared / f"{name}.failed").exists():
                    pytest.fail(f"The report '{name}' was not made by the process that began it.")
                time.sleep(0.2)
            return folder
        try:
            make(folder)
        except BaseException:
            (shared / f"{name}.failed").mkdir()
            raise
        done.mkdir()
        return folder

    return once


@pytest.fixture(scope="session")
def stroke_report(make_once) -> Path:
    """The report on the three-arm study, with picture files."""
    return make_once("stroke", lambda folder: make_report(STUDIES / "stroke_recovery", folder))


@pytest.fixture(scope="session")
def cohort_report(make_once) -> Path:
    """The report on the five-person single-arm study, without picture files, one notebook at a time."""
    return make_once(
        "cohort", lambda folder: make_report(STUDIES / "five_person_cohort", folder, pictures=(), processes=1)
    )


@pytest.fixture(scope="session")
def demo_report(make_once, tmp_path_factory) -> Path:
    """The report on the demo study, without picture files."""
    study = tmp_path_factory.mktemp("demo") / "study"
    make_cohort("demo", seed=1, folder=study)
    return make_once("demo", lambda folder: make_report(study, folder, pictures=()))


@pytest.fixture(scope="session")
def browser():
    """A headless Chromium-family browser."""
    path = find_browser()
    if path is None:
        pytest.skip("no Chromium-family browser found (BROWSER_PATH, PATH)")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def numbers() -> Callable[[Path], dict[str, float | None]]:
    """Reads a report's record: name -> value."""

    def read(report: Path) -> dict[str, float | None]:
        record = json.loads((report / "record.json").read_text(encoding="utf-8"))
        return {entry["name"]: entry["value"] for entry in record["numbers"]}

    return read
