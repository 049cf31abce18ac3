"""Progression criteria: zones, intervals, warnings, counts from the tables of a study."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from scipy.stats import poisson
from statsmodels.stats.proportion import proportion_confint

from outcomes.columns import SCORE_COLUMNS
from outcomes.protocol.trial import Arm, PlannedVisit, Protocol
from outcomes.study import Study
from stats.errors import PlanError
from stats.planning.pilot.progression_criteria import progression
from synthetic_cohort import make_cohort

KEPT = {"id": "kept", "measure": "retention", "go": 0.8, "stop": 0.6, "source": "protocol, section 9"}


@pytest.mark.parametrize(
    ("count", "zone", "spans"),
    [
        (95, "go", "go"),
        (85, "go", "amend, go"),
        (70, "amend", "amend"),
        (62, "amend", "stop, amend"),
        (40, "stop", "stop"),
    ],
)
def test_zone_and_span(count, zone, spans):
    row = progression([KEPT], {"kept": (count, 100)}).frame().iloc[0]
    assert (row["zone"], row["spans"]) == (zone, spans)
    assert bool(row["warning"]) == ("," in spans)


def test_interval_as_statsmodels_at_any_level():
    result = progression([KEPT], {"kept": (19, 24)})
    for level in (0.9, 0.95):
        row = result.frame(level).iloc[0]
        assert (row["conf_low"], row["conf_high"]) == pytest.approx(
            proportion_confint(19, 24, alpha=1 - level, method="wilson"), rel=1e-12
        )


def test_limits_belong_to_the_better_zone():
    assert progression([KEPT], {"kept": (80, 100)}).frame()["zone"].item() == "go"
    assert progression([KEPT], {"kept": (60, 100)}).frame()["zone"].item() == "amend"


def test_safety_is_better_when_lower():
    harm = {"id": "harm", "measure": "safety", "go": 0.05, "stop": 0.2, "source": "protocol"}
    zones = [progression([harm], {"harm": (n, 100)}).frame()["zone"].item() for n in (2, 10, 30)]
    assert zones == ["go", "amend", "stop"]


def test_recruitment_beyond_its_target_has_a_poisson_interval():
    enrol = {"id": "enrol", "measure": "recruitment", "go": 0.8, "stop": 0.5, "target": 20, "source": "protocol"}
    row = progression([enrol], {"enrol": (26, 20)}).frame().iloc[0]
    assert row["share"] == 1.3
    # the defining property of the exact interval
    assert poisson.sf(25, row["conf_low"] * 20) == pytest.approx(0.025, abs=1e-9)
    assert poisson.cdf(26, row["conf_high"] * 20) == pytest.approx(0.025, abs=1e-9)


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"green": 0.8}, "unknown key green"),
        ({"go": 0.5}, "wrong way round"),
        ({"measure": "luck"}, "allowed are recruitment"),
        ({"better": "more"}, "allowed are higher and lower"),
    ],
)
def test_refusals(change, found):
    with pytest.raises(PlanError, match=found):
        progression([KEPT | change], {"kept": (20, 24)})


def test_missing_threshold_count_and_criteria():
    with pytest.raises(PlanError, match="`stop` is missing"):
        progression([{k: v for k, v in KEPT.items() if k != "stop"}], {"kept": (1, 2)})
    with pytest.raises(PlanError, match="No count for kept"):
        progression([KEPT])
    with pytest.raises(PlanError, match="no progression criteria"):
        progression([])


def test_sentence_has_counts_interval_zone_and_warning():
    sentence = progression([KEPT], {"kept": (20, 24)}).sentence()
    assert "kept 20/24 (83 %, 95 % interval" in sentence
    assert "spans amend and go" in sentence


def small_study(criteria):
    people = [f"P{i}" for i in range(1, 7)]
    participants = pd.DataFrame({"participant": people, "arm": ["a", "b"] * 3})
    empty = pd.DataFrame()
    sessions = pd.DataFrame(
        {
            "participant": ["P1", "P1", "P3", "P5"],
            "minutes_prescribed": [30.0, 30, 60, 60],
            "minutes_performed": [30.0, 20, 40, 66],
        }
    )
    events = pd.DataFrame(
        {
            "participant": ["P1", "P1", "P2", "P4"],
            "serious": ["yes", "yes", "no", "yes"],
            "related": ["likely", "likely", "likely", "unlikely"],
        }
    )
    protocol = Protocol(
        title="invented", design="parallel", arms=(Arm("a", "A"), Arm("b", "B", True)),
        visits=(PlannedVisit("v1", "start", 0), PlannedVisit("v2", "end", 56)), outcomes=("x.total",),
        primary="x.total", criteria=tuple(criteria),
    )  # fmt: skip
    return Study(
        folder=Path("."), protocol=protocol, participants=participants, visits=empty, items=empty, totals=empty,
        trials=empty, angles=empty, sessions=sessions, adverse_events=events,
    )  # fmt: skip


def small_scores():
    def row(participant, visit, value=1.0, hand="affected", condition="unassisted", complete=True):
        filled = dict.fromkeys(SCORE_COLUMNS, "")
        return filled | {
            "participant": participant, "visit": visit, "outcome": "x.total", "hand": hand, "condition": condition,
            "value": value, "complete": complete,
        }  # fmt: skip

    rows = [row(f"P{i}", "v1") for i in range(1, 7)]
    rows += [row("P1", "v2"), row("P2", "v2"), row("P3", "v2", complete=False), row("P4", "v2", float("nan"))]
    rows += [row("P5", "v2", hand="other"), row("P6", "v2", condition="assisted")]
    return pd.DataFrame(rows)


def test_counts_from_a_study():
    common = {"go": 0.8, "stop": 0.5, "source": "protocol"}
    criteria = [
        {"id": "enrol", "measure": "recruitment", "target": 8, **common},
        {"id": "kept", "measure": "retention", **common},
        {"id": "full", "measure": "completeness", **common},
        {"id": "trained", "measure": "adherence", "at_least": 0.8, "arm": "a", **common},
        {
            "id": "harm",
            "measure": "safety",
            "go": 0.1,
            "stop": 0.4,
            "serious": True,
            "related": ["likely"],
            "source": "p",
        },
        {"id": "liked", "measure": "other", **common},
    ]
    result = progression(small_study(criteria), {"liked": (5, 6)}, scores=small_scores())
    found = result.frame().set_index("criterion")[["count", "of"]].apply(tuple, axis=1).to_dict()
    # enrolled 6 of 8; P1, P2, P3 have a value at v2; 6 + 2 complete of 12; P1 50/60 and P5 66/60 of P1, P3, P5;
    # one person (P1) with a serious, likely related event
    assert found == {
        "enrol": (6, 8), "kept": (3, 6), "full": (8, 12), "trained": (2, 3), "harm": (1, 6), "liked": (5, 6),
    }  # fmt: skip


def test_counts_given_by_hand_win():
    study = small_study([KEPT])
    assert progression(study, {"kept": (4, 6)}).frame()["count"].item() == 4


def test_adherence_needs_its_own_limit():
    study = small_study([KEPT | {"id": "trained", "measure": "adherence"}])
    with pytest.raises(PlanError, match="at_least"):
        progression(study)


@pytest.mark.parametrize(
    ("key", "value"), [("go", "high"), ("stop", [0.6]), ("at_least", "0.8"), ("go", True), ("at_least", None)]
)
def test_a_number_that_is_none_is_refused_by_name(key, value):
    """study.toml may hold anything: it is told, not raised from inside a conversion."""
    criterion = {"id": "dose", "measure": "adherence", "go": 0.6, "stop": 0.4, "at_least": 0.8, "source": "protocol"}
    demo = make_cohort("demo", seed=1).study
    study = replace(demo, protocol=replace(demo.protocol, criteria=(criterion | {key: value},)))
    with pytest.raises(PlanError, match=rf"Criterion dose, {key}: found .*, allowed is a number"):
        progression(study)
