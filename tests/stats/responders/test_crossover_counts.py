"""Responders and effect sizes of a crossover, inside periods and by treatment, against counts made by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.protocol.trial import Arm, Period, PlannedVisit, Protocol
from stats import FitError, effect_sizes
from stats.change import period_changes
from stats.proportions import paired_risk_difference
from stats.responders import count_in_periods

DESIGN = Protocol(
    title="Two periods",
    design="crossover",
    arms=(Arm("AB", "A first"), Arm("BA", "B first", reference=True)),
    visits=tuple(PlannedVisit(name, name, day) for name, day in (("s1", 0), ("e1", 28), ("s2", 56), ("e2", 84))),
    outcomes=("bbt.blocks",),
    primary="bbt.blocks",
    periods=(Period("one", "s1", "e1", {"AB": "A", "BA": "B"}), Period("two", "s2", "e2", {"AB": "B", "BA": "A"})),
)
# Person, sequence, start and end of the first and of the second period. Typed by hand; nobody is a real person.
PEOPLE = [
    ("P1", "AB", 20, 29, 22, 24),  # A +9, B +2
    ("P2", "AB", 30, 33, 31, 38),  # A +3, B +7
    ("P3", "BA", 25, 24, 24, 32),  # B -1, A +8
    ("P4", "BA", 40, 47, 41, 49),  # B +7, A +8
    ("P5", "BA", 28, 30, 29, None),  # B +2, A missing
    ("P6", "AB", 26, 27, 26, 25),  # A +1, B -1
]


@pytest.fixture(scope="module")
def scores():
    rows = [
        {"participant": code, "arm": arm, "visit": visit, "day": day, "outcome": "bbt.blocks", "value": value,
         "unit": "blocks", "better": "higher", "hand": "affected", "condition": "unassisted"}
        for code, arm, *values in PEOPLE
        for (visit, day), value in zip((("s1", 0), ("e1", 28), ("s2", 56), ("e2", 84)), values, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(rows).astype({"value": float})


def test_changes_are_those_inside_periods_under_the_treatment_given(scores):
    table = period_changes(scores, "bbt.blocks", design=DESIGN).set_index(["participant", "arm"])["change"]
    by_hand = {"P1": (9, 2), "P2": (3, 7), "P3": (8, -1), "P4": (8, 7), "P5": (np.nan, 2), "P6": (1, -1)}
    for code, (under_a, under_b) in by_hand.items():
        np.testing.assert_equal(table[(code, "A")], float(under_a))
        np.testing.assert_equal(table[(code, "B")], float(under_b))


def test_people_are_counted_by_treatment_and_compared_inside_people(scores):
    found = count_in_periods(scores, 5.5, design=DESIGN, source="typed for this test")
    counts = found.by_treatment.frame().set_index("arm")
    assert list(counts.loc["A", ["improved", "observed", "missing"]]) == [3, 5, 1]  # P1, P3, P4 of five
    assert list(counts.loc["B", ["improved", "observed", "missing"]]) == [2, 6, 0]  # P2, P4 of six
    (row,) = found.frame().to_dict("records")
    assert (row["both"], row["first_only"], row["second_only"], row["neither"]) == (1, 2, 1, 1)
    assert row["n"] == 5
    # Newcombe 1998, Stat Med 17:2635-2650, method 10, is checked against the paper where it lives.
    by_table = paired_risk_difference(1, 2, 1, 1)
    assert (row["estimate"], row["conf_low"], row["conf_high"]) == pytest.approx(
        (0.2, by_table.conf_low, by_table.conf_high)
    )
    assert found.n_participants == 6
    assert "inside people" in found.sentence()


def test_effect_sizes_of_a_crossover_are_by_treatment(scores):
    """Change over the SD at the start of the periods, by hand; the sequences are nowhere."""
    made = effect_sizes(scores, "bbt.blocks", kinds=["d_z"], design=DESIGN).frame().set_index("arm")
    assert set(made.index) == {"A", "B"}
    under_a = np.array([9, 3, 8, 8, 1], dtype=float)
    assert made.loc["A", "estimate"] == pytest.approx(under_a.mean() / under_a.std(ddof=1))
    assert made.loc["A", "n"] == 5
    with pytest.raises(FitError, match="same people"):
        effect_sizes(scores, "bbt.blocks", kinds=["pre-post-control"], reference="B", design=DESIGN)


def test_a_design_without_periods_is_refused(scores):
    with pytest.raises(FitError, match=r"no \[\[periods\]\]"):
        period_changes(scores, "bbt.blocks", design=replace(DESIGN, periods=()))
