"""The folder of mistakes: every mistake is found at its place, all at once, and nothing is lost."""

from pathlib import Path

import pytest

from outcomes import StudyError, check, read_study

BAD = Path(__file__).resolve().parents[2] / "studies" / "bad_input"
# rule, file, row, found: stated by hand from the files
MISTAKES = [
    ("above maximum", "totals.csv", 3, "fma_ue 226"),
    ("text in a number", "totals.csv", 4, "about 40"),
    ("unknown participant", "totals.csv", 7, "P33"),
    ("entered twice differently", "totals.csv", 9, "fma_ue motor right unassisted: 52"),
    ("unknown instrument", "totals.csv", 10, "fugl"),
    ("missing column", "items.csv", None, "participant, visit, item, value"),
    ("unit not a force", "trials.csv", 3, "mmHg"),
    ("arm with too few participants", "participants.csv", None, "1 participant in arm lonely"),
]


@pytest.fixture(scope="module")
def study():
    return read_study(BAD)


@pytest.fixture(scope="module")
def findings(study):
    return check(study)


@pytest.mark.parametrize(("rule", "file", "row", "found"), MISTAKES)
def test_every_mistake_is_found(rule, file, row, found, findings):
    frame = findings.frame()
    hit = frame[(frame["rule"] == rule) & (frame["file"] == file) & (frame["found"] == found)]
    assert len(hit) == 1
    assert hit["severity"].item() == "error"
    assert hit["advice"].item()
    if row is not None:
        assert hit["row"].item() == row


def test_no_other_error_is_claimed(findings):
    """Beside the mistakes themselves only the row of the sheet without instruments is an error of its own."""
    frame = findings.frame()
    errors = frame[frame["severity"] == "error"]
    assert set(errors["rule"]) == {rule for rule, *_ in MISTAKES}
    assert len(errors) == len(MISTAKES) + 1
    assert errors.loc[errors["file"] == "items.csv", "rule"].to_list() == ["missing column", "unknown instrument"]


def test_every_row_is_accounted_for_and_the_analysis_stops(study, findings, assert_accounted):
    assert_accounted(study, findings)
    with pytest.raises(StudyError, match="9 findings block the analysis"):
        findings.raise_if_blocking()
