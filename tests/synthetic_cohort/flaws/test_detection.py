"""Planted, found, missed, false alarms: the checks on cohorts whose errors are known."""

import pandas as pd
import pytest

import outcomes
from outcomes.errors import StudyError
from outcomes.findings import rules
from synthetic_cohort import make_cohort, preset, presets
from synthetic_cohort.flaws.detection import detection_table, false_alarms
from synthetic_cohort.flaws.planting import KINDS, detectable

SMALL = tuple(name for name in presets() if preset(name).n < 100)
# True of the clean data, not an error of the check: somebody left before being seen again.
FACT = "nothing after baseline"  # true of somebody who left; the other one says how stretches were read


def _cells(cohort) -> int:
    return sum(sheet.size for sheet in cohort.sheets.values())


@pytest.mark.parametrize("name", SMALL)
def test_nothing_is_reported_on_the_clean_version(name):
    cohort = make_cohort(preset(name).clean(), seed=1)
    findings = outcomes.check(cohort.study).frame()
    facts = findings[findings["rule"].isin([FACT, "motion at another velocity"])]
    # Notes of plausibility are doubts: two whole forms do agree now and then where people stay as they are.
    doubts = findings[
        findings["rule"].map(lambda rule: bool(rules()[rule].doubt)).astype(bool) & (findings["severity"] == "note")
    ]
    assert findings.drop(index=[*facts.index, *doubts.index]).empty, findings.to_string()
    visits = cohort.sheets["visits"]
    seen_again = set(
        visits.loc[(visits["status"] == "attended") & (visits["visit"] != visits["visit"].iloc[0]), "participant"]
    )
    assert not set(facts["participant"]) & seen_again


@pytest.mark.parametrize("blocking", [True, False], ids=["blocking", "not blocking"])
@pytest.mark.parametrize("name", SMALL)
def test_every_planted_error_of_a_detectable_kind_is_found(name, blocking):
    cohort = make_cohort(name, seed=1, flaws=dict.fromkeys(detectable(blocking), 1), must_fit=False)
    findings = outcomes.check(cohort.study)
    table = detection_table(cohort.ledger, findings.frame())
    assert table["planted"].sum() >= 10
    assert (table["missed"] == 0).all(), table.to_string()
    assert findings.blocking == blocking
    alarms = false_alarms(cohort.ledger, findings.frame())
    alarms = alarms[alarms["rule"] != FACT]
    assert len(alarms) < _cells(cohort) / 1000, alarms.to_string()


def test_every_detectable_kind_has_a_preset_that_can_hold_it():
    held: set[str] = set()
    for name in ("demo", "plexus", "device_pilot"):
        held |= set(make_cohort(name, seed=1, flaws=dict.fromkeys(KINDS, 1), must_fit=False).ledger["kind"])
    assert held == set(KINDS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_reported_on_the_large_clean_cohort(seed):
    """Early after stroke people do double their grip or climb half a scale: that alone is no finding."""
    cohort = make_cohort(preset("many_sites").clean(), seed=seed)
    findings = outcomes.check(cohort.study).frame()
    assert findings[findings["rule"] != FACT].empty, findings.to_string()


def test_the_demo_is_planted_with_errors_that_do_not_block():
    cohort = make_cohort("demo", seed=1)
    findings = outcomes.check(cohort.study)
    table = detection_table(cohort.ledger, findings.frame())
    assert table["planted"].sum() == sum(preset("demo").flaws.values()) == 10
    assert table["missed"].sum() == 0
    assert not findings.blocking


def test_the_ledger_tells_the_truth_of_every_cell(tmp_path):
    """Putting the truth of the ledger back gives the clean sheets, cell for cell."""
    design = preset("demo")
    kinds = (
        "score above maximum",
        "letter for a digit",
        "late visit",
        "wrong hand",
        "unit that is no force",
        "age mistyped",
    )
    clean = make_cohort(design, seed=7, flaws={})
    cohort = make_cohort(design, seed=7, flaws=dict.fromkeys(kinds, 2))
    assert set(cohort.ledger["kind"]) == set(kinds)
    for entry in cohort.ledger.itertuples():
        sheet = cohort.sheets[entry.file.removesuffix(".csv")]
        assert sheet.at[entry.row - 2, entry.column] == entry.planted
        sheet.at[entry.row - 2, entry.column] = entry.truth
    for name, sheet in clean.sheets.items():
        pd.testing.assert_frame_equal(cohort.sheets[name], sheet)


def test_an_undetectable_error_is_in_the_ledger_and_says_so():
    cohort = make_cohort("demo", seed=2, flaws={"one point off": 3, "swapped hands": 1})
    assert (cohort.ledger["rules"] == "").all()
    table = detection_table(cohort.ledger, outcomes.check(cohort.study).frame())
    assert not table["detectable"].any()


def test_an_unknown_kind_and_too_many_are_refused():
    with pytest.raises(StudyError, match="unknown kind of planted error 'typo'; allowed"):
        make_cohort("demo", seed=1, flaws={"typo": 1})
    with pytest.raises(StudyError, match="no place left for a planted 'age mistyped'"):
        make_cohort("demo", seed=1, flaws={"age mistyped": 25})


def test_false_alarms_are_counted_not_explained_away():
    ledger = make_cohort("demo", seed=1, flaws={"age mistyped": 1}).ledger
    columns = ["severity", "file", "row", "column", "participant", "visit", "rule", "found", "allowed", "advice"]
    other = "SM01" if ledger["participant"].iloc[0] != "SM01" else "SM02"
    invented = pd.DataFrame(
        [["error", "items.csv", 9, "value", other, "week2", "above maximum", "", "", ""]], columns=columns
    )
    assert len(false_alarms(ledger, invented)) == 1
    table = detection_table(ledger, invented)
    assert table["missed"].tolist() == [1]


@pytest.mark.parametrize(
    ("factor", "hands", "rule"),
    [
        (2.2046, "both", "looks like another unit"),  # pounds per kilogram, exact to four digits
        (2.2046, "affected", None),  # the other hand was read in kilograms: change, for all the sheets tell
        (4.0, "affected", "jump between visits"),
    ],
)
def test_one_visit_off_by_a_factor(tmp_path, factor, hands, rule):
    """The week 3 grip of one person of the null trial, whose own visits differ by less than a third."""
    make_cohort(preset("null_trial").clean(), seed=1, folder=tmp_path / "study")
    path = tmp_path / "study" / "trials.csv"
    sheet = pd.read_csv(path, dtype=str, keep_default_na=False)
    grip = sheet[sheet["instrument"] == "grip"].assign(force=lambda rows: pd.to_numeric(rows["value"], errors="coerce"))
    means = grip.pivot_table(index=["participant", "side"], columns="visit", values="force", aggfunc="mean").dropna()
    means = means[(means.min(axis=1) > 6) & (means.max(axis=1) < 1.3 * means.min(axis=1))]
    both = means.groupby("participant").filter(lambda own: len(own) == 2)
    person, side = both.groupby("participant")["week3"].idxmin().iloc[0]
    rows = (sheet["instrument"] == "grip") & (sheet["participant"] == person) & (sheet["visit"] == "week3")
    if hands == "affected":
        rows &= sheet["side"] == side
    sheet.loc[rows, "value"] = (factor * pd.to_numeric(sheet.loc[rows, "value"])).map("{:.1f}".format)
    sheet.to_csv(path, index=False)
    findings = outcomes.check(outcomes.read_study(tmp_path / "study")).frame()
    found = findings[findings["rule"].isin(["looks like another unit", "jump between visits"])]
    if rule is None:
        assert found.empty, found.to_string()
    else:
        assert set(found["rule"]) == {rule}
        assert set(found["participant"]) == {person}
        assert "week3" in set(found["visit"])
