"""A report fit to share: made of the shared copy of the study, without inputs and without anything about one person."""

import tempfile
from pathlib import Path
from typing import Any

from notebooks.report.make import Report, make_report
from outcomes.sharing.data_set import share_study


def make_shareable_report(folder: str | Path, to: str | Path, **options: Any) -> Report:
    """As `make_report`, of a study's shared copy: new codes, days for dates, no free text, and no person in any output.

    The numbers are those of the study: `share_study` compares the scores. A blinded study is refused.
    """
    with tempfile.TemporaryDirectory(prefix="outcomes-", ignore_cleanup_errors=True) as scratch:
        share_study(folder, Path(scratch) / "study")
        return make_report(Path(scratch) / "study", to, shareable=True, **options)
