"""For all tests: generated examples are the same in every run, and every report that is made is searched."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

# A red suite means a changed project.
settings.register_profile("repeatable", derandomize=True, deadline=None)  # a busy machine is no failure
settings.load_profile("repeatable")


@pytest.fixture(scope="session", autouse=True)
def reports_have_no_unwritten_number(tmp_path_factory):
    """When all tests of a process are done, no report that any of them made says nan, inf or None anywhere.

    A report made by a fixture, by a test or by a command run in another process lies in the temporary folders of the
    run, and is found there.
    """
    yield
    base = tmp_path_factory.getbasetemp()
    # Under pytest-xdist the reports that processes share lie beside their own folders, each marked when it is done.
    shared = base.parent / "reports" if "PYTEST_XDIST_WORKER" in os.environ else None
    done: list[Path] = [path.with_suffix("") for path in shared.glob("*.done")] if shared else []
    if not any([*base.rglob("report.html"), *base.rglob("record.json"), *done]):
        return
    from tests.notebooks.unwritten import in_reports

    found = in_reports([base, *done])
    if found:
        pytest.fail("Reports made in these tests have numbers that were never written:\n" + "\n".join(found[:60]))
