"""Published wide tables go from the file as printed to people who passed a published size of change.

The numbers expected are those of the printed tables (tests/studies, each with its source), counted by hand.
"""

import tomllib
from pathlib import Path

import pandas as pd
import pytest

from outcomes import check, read_study, score
from outcomes.importing import convert, propose
from stats import count_responders

STUDIES = Path(__file__).parents[2] / "studies"
ANSWERS = {"age_ranges_age_years": "the middle", "visit_days": "0, 42, 72"}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("public") / "study"
    proposal = propose([STUDIES / "public_wide_table" / "table1.csv"], ANSWERS)
    assert not proposal.open
    convert(proposal, folder)
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write('\n[thresholds]\n"arat.total" = ["arat-total-lee-2001-limits"]\n')
    return read_study(folder)


def test_nothing_but_days_and_ages_in_ranges_is_asked():
    proposal = propose([STUDIES / "public_wide_table" / "table1.csv"])
    assert {question.id for question in proposal.open} == set(ANSWERS)
    # Two columns of changes with their marks, severity and lesion are set aside; no cell is lost.
    counts = proposal.ledger.counts()
    assert sum(counts.values()) == 20 * 10
    assert "finding" not in counts
    assert counts["set aside"] == 19 * 4 - 19


def test_the_printed_scores_are_the_study(study):
    printed = pd.read_csv(STUDIES / "public_wide_table" / "table1.csv").set_index("Participants")
    assert not check(study).blocking
    found = study.totals.pivot(index="participant", columns="visit", values="value")
    found.index = found.index.astype(int)
    for visit, heading in (
        ("baseline", "Baseline ARAT"),
        ("completion", "Completion ARAT"),
        ("follow_up", "Follow up ARAT"),
    ):
        assert found.sort_index()[visit].tolist() == printed[heading].tolist()
    person = study.participants.set_index("participant").loc["1"]
    assert person["age"] == 49
    assert float(person["onset"]) == pytest.approx(160 / (365.25 / 12), rel=1e-5)


def test_people_who_passed_a_published_size(study):
    counts = count_responders(
        score(study), threshold="arat-total-lee-2001-limits", participants=study.participants
    ).frame()
    # More than 6.2 points by the follow-up: participants 4 (23 to 39) and 19 (3 to 16); seven began at 51 or above.
    assert (counts["improved"].item(), counts["enrolled"].item(), counts["cannot_reach"].item()) == (2, 19, 7)
    assert counts["worsened"].item() == 0


def test_several_totals_side_by_side_in_half_points(tmp_path):
    """The cohort of five people (tests/studies/five_person_cohort) as one wide table; one score is a mean of two."""
    long = pd.read_csv(STUDIES / "five_person_cohort" / "totals.csv")
    names = {"fma_ue": "Fugl-Meyer (UE-Motor)", "bbt": "Box and Block (Affected UE)"}
    long = long[long["instrument"].isin(names)]
    wide = long.assign(head=long["instrument"].map(names) + " " + long["visit"]).pivot(
        index="participant", columns="head", values="value"
    )
    wide.insert(0, "Gender", [1, 2, 1, 2, 2])  # ours: coded, as such tables are
    wide = wide.astype({"Fugl-Meyer (UE-Motor) pre": float})
    wide.loc["P1", "Fugl-Meyer (UE-Motor) pre"] += 0.5
    wide.reset_index(names="Participant").to_csv(tmp_path / "wide.csv", index=False)
    answers = {"codes_gender": "1 = female, 2 = male", "visit_days": "0, 30, 120", "primary_outcome": "fma_ue.motor"}
    proposal = propose([tmp_path / "wide.csv"], answers)
    assert not proposal.open
    convert(proposal, tmp_path / "study")
    text = (tmp_path / "study" / "study.toml").read_text(encoding="utf-8")
    outcomes = tomllib.loads(text)["outcomes"]
    steps = check(read_study(tmp_path / "study")).frame()
    steps = steps[steps["rule"] == "total between steps"]
    assert set(steps["severity"]) == {"warning"}  # it asks whether two ratings were averaged
    assert steps["advice"].str.contains("averaged = 2").all()
    averaged = ", ".join(
        f'{{ id = "{name}", averaged = 2 }}' if name == "fma_ue.motor" else f'"{name}"' for name in outcomes
    )
    said = text.replace(
        next(line for line in text.splitlines() if line.startswith("outcomes")), f"outcomes = [{averaged}]"
    )
    (tmp_path / "study" / "study.toml").write_text(said, encoding="utf-8")
    study = read_study(tmp_path / "study")
    assert "total between steps" not in set(check(study).frame()["rule"])
    assert sorted(study.participants["sex"]) == ["female", "female", "male", "male", "male"]
    counted = count_responders(
        score(study), threshold="fma_ue-motor-arya-2011-patient", participants=study.participants
    ).frame()
    # 10 points or more by the last follow-up: only the fifth person, 23 to 50.
    assert counted["improved"].item() == 1
