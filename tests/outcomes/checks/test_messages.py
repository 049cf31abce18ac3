"""Messages as a person would write them: advice that fits, numbers without tails, hints of what was meant."""

import pytest

from outcomes import check, read_study
from outcomes.checks.register import hint
from outcomes.findings import as_text


@pytest.mark.parametrize(
    ("typed", "known", "expected"),
    [
        ("wk4", ["base", "week4", "week8"], "Is it week4?"),
        ("PO1", ["P01", "P02", "P10"], "Is it P01?"),
        ("Pl0", ["P01", "P02", "P10"], "Is it P10?"),
        ("P0", ["P01", "P02", "Q77"], "Is it P01 or P02?"),
        ("arrat", ["arat", "bbt"], "Is it arat?"),
        ("xyz", ["arat", "bbt"], ""),
    ],
)
def test_hints(typed, known, expected):
    assert hint(typed, known) == expected


@pytest.mark.parametrize(
    ("number", "text"),
    [(0.48913043478260876, "0.489"), (1 / 3, "0.333"), (41.0, "41"), (5.25, "5.25"), (131 + 2 / 3, "131.667")],
)
def test_numbers_as_people_write_them(number, text):
    assert as_text(number) == text


def found(draft, tmp_path):
    return check(read_study(draft.write(tmp_path / "study"))).frame()


def test_a_blank_total_is_said_once_and_without_items(draft, tmp_path):
    frame = found(draft.set("totals", 2, "value", ""), tmp_path)
    here = frame[(frame["file"] == "totals.csv") | (frame["found"].str.contains("total"))]
    assert here["rule"].tolist() == ["blank value"]
    assert not frame["advice"].str.contains("Complete the items").any()


def test_rounded_totals_are_no_errors(draft, tmp_path):
    """Stroke Impact Scale strength moves in steps of 6.25: 56.3 is 56.25 as people write it, 56.5 is nothing."""
    for person, value in (("P01", "56.3"), ("P02", "43.8"), ("P03", "56.5")):
        draft.append("totals", participant=person, visit="w8", instrument="sis", scale="strength", value=value)
    frame = found(draft, tmp_path)
    wrong = frame[frame["rule"] == "total between steps"]
    assert wrong["found"].tolist() == ["sis 56.5"]
    assert wrong["severity"].tolist() == ["warning"]


def test_a_measure_of_the_study_has_its_own_step(draft, tmp_path):
    for person, value in (("P01", "12.5"), ("P02", "13")):
        draft.append("totals", participant=person, visit="w8", instrument="comfort", scale="total", value=value)
    assert "total between steps" not in set(found(draft, tmp_path)["rule"])
    draft.toml = draft.toml.replace('[measures."comfort.total"]', '[measures."comfort.total"]\nstep = 1')
    frame = check(read_study(draft.write(tmp_path / "stepped"))).frame()
    assert frame.loc[frame["rule"] == "total between steps", "found"].tolist() == ["comfort 12.5"]


def test_mean_of_two_raters_is_a_warning_with_its_way_out(draft, tmp_path):
    draft.append("totals", participant="P01", visit="w8", instrument="cahai_7", scale="total", value="44.5")
    frame = found(draft, tmp_path)
    wrong = frame[frame["rule"] == "total between steps"]
    assert "averaged = 2 for the outcome" in wrong["advice"].iloc[0]
    draft.toml += "\n[instruments.cahai_7]\nmean_of = 2\n"
    declared = check(read_study(draft.write(tmp_path / "declared"))).frame()
    assert "total between steps" not in set(declared["rule"])


def test_an_outcome_of_somebody_who_died_is_no_measurement_at_a_missed_visit(draft, tmp_path):
    for table in ("items", "totals", "trials", "angles"):
        draft.drop(table, participant="P01", visit="w8")
    row = draft.where("visits", participant="P01", visit="w8")[0]
    draft.set("visits", row, "status", "withdrawn").set("visits", row, "reason", "died of a second stroke")
    draft.append("totals", participant="P01", visit="w8", instrument="mrs", value="6")
    assert "measured at a missed visit" not in set(found(draft, tmp_path)["rule"])
    draft.append("totals", participant="P01", visit="w8", instrument="barthel_20", value="12")
    frame = check(read_study(draft.write(tmp_path / "alive"))).frame()
    assert "measured at a missed visit" in set(frame["rule"])
