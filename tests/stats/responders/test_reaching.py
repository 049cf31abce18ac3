"""Counts of people at an absolute level: exact intervals, pairs inside people, units of force, conditions apart."""

import pandas as pd
import pytest

from stats.errors import FitError
from stats.measurement.first_to_last import change_over_sets
from stats.proportions.one_rate import rate_interval
from stats.responders.reaching import COUNT, PAIRED, count_reaching


def scores(better: str = "higher") -> pd.DataFrame:
    """Ten people; unassisted 10, 11 ... 19 N, assisted 5 N more, 2 N more at week 6; two lack an assisted value."""
    rows = []
    for number in range(10):
        for visit, day, gain in (("entry", 0.0, 0.0), ("week6", 42.0, 2.0)):
            for condition, help_ in (("unassisted", 0.0), ("assisted", 5.0)):
                if condition == "assisted" and number > 7:
                    continue
                rows.append(
                    {"participant": f"P{number}", "arm": "", "visit": visit, "day": day, "instrument": "press",
                     "scale": "force", "outcome": "press.force", "side": "left", "hand": "affected",
                     "condition": condition, "value": 10.0 + number + gain + help_, "unit": "N", "better": better}
                )  # fmt: skip
    return pd.DataFrame(rows)


def one(frame: pd.DataFrame, **facts: str) -> pd.Series:
    for name, value in facts.items():
        frame = frame[frame[name] == value]
    assert len(frame) == 1
    return frame.iloc[0]


def test_counts_and_exact_intervals():
    frame = count_reaching(scores(), "press.force", value=15, unit="N").frame()
    plain = one(frame, what=COUNT, visit="entry", condition="unassisted")
    # 15 to 19 N: five of ten. Clopper-Pearson of 5/10: 0.187 to 0.813 (Newcombe 1998 and any table of binomial limits).
    assert (plain["reached"], plain["measured"], plain["enrolled"]) == (5, 10, 10)
    assert (plain["conf_low"], plain["conf_high"]) == (pytest.approx(0.1871, abs=5e-5), pytest.approx(0.8129, abs=5e-5))
    helped = one(frame, what=COUNT, visit="entry", condition="assisted")
    assert (helped["reached"], helped["measured"], helped["enrolled"]) == (8, 8, 10)
    # 8 of 8: lower limit 0.025 ** (1 / 8), by hand.
    assert helped["conf_low"] == pytest.approx(0.025 ** (1 / 8))


def test_the_difference_is_inside_people_from_complete_pairs():
    frame = count_reaching(scores(), "press.force", value=15, unit="N").frame()
    pair = one(frame, what=PAIRED, visit="entry", condition="assisted - unassisted")
    # Of P0 to P7 without the device P5, P6, P7 reach 15 N, with it all eight: by hand.
    assert list(pair[["both", "first_only", "second_only", "neither"]]) == [3, 5, 0, 0]
    assert pair["estimate"] == pytest.approx(5 / 8)
    assert pair["p_value"] == pytest.approx(2 * 0.5**5)  # exact binomial of five discordant pairs, by hand
    later = one(frame, what=PAIRED, visit="week6", condition="unassisted, week6 - unassisted, entry")
    assert list(later[["both", "first_only", "second_only", "neither"]]) == [5, 2, 0, 3]


@pytest.mark.parametrize(("value", "unit"), [(15, "N"), (15 / 9.80665, "kgf"), (15 / (9.80665 * 0.45359237), "lbf")])
def test_a_level_may_be_in_another_unit_of_force(value, unit):
    frame = count_reaching(scores(), "press.force", value=value, unit=unit).frame()
    assert one(frame, what=COUNT, visit="entry", condition="unassisted")["reached"] == 5


def test_with_the_power_off_where_nobody_was_measured_without_the_device():
    table = scores()
    table["condition"] = table["condition"].replace("unassisted", "unpowered")
    frame = count_reaching(table, "press.force", value=15, unit="N").frame()
    assert one(frame, what=PAIRED, visit="entry", condition="assisted - unpowered")["first_only"] == 5


def test_at_or_below_where_lower_is_better():
    frame = count_reaching(scores("lower"), "press.force", value=12, unit="N").frame()
    assert one(frame, what=COUNT, visit="entry", condition="unassisted")["reached"] == 3


def test_no_level_is_built_in_and_another_unit_is_refused():
    with pytest.raises(TypeError, match="value"):
        count_reaching(scores(), "press.force")
    with pytest.raises(FitError, match="allowed N"):
        count_reaching(scores(), "press.force", value=15, unit="kPa")
    with pytest.raises(FitError, match="not among the scores"):
        count_reaching(scores(), "grip.force", value=15, unit="N")


def test_nobody_reaches_it_and_nobody_is_measured_with_the_device():
    table = scores()
    frame = count_reaching(table[table["condition"] == "unassisted"], "press.force", value=99, unit="N").frame()
    assert set(frame["condition"]) == {"unassisted", "unassisted, week6 - unassisted, entry"}
    assert (frame.loc[frame["what"] == COUNT, "reached"] == 0).all()


# Garwood 1936, as printed in tables of exact Poisson limits (95 %): count -> limits of the mean.
@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (5, 1.6235, 11.6683), (10, 4.7954, 18.3904)]
)
def test_exact_limits_of_a_rate(count, low, high):
    found = rate_interval(count, 200, per=100)
    assert (found.conf_low, found.conf_high) == (pytest.approx(low / 2, abs=5e-5), pytest.approx(high / 2, abs=5e-5))


def test_a_rate_needs_an_exposure():
    with pytest.raises(FitError, match="above 0"):
        rate_interval(2, 0)


def test_first_to_last_inside_people_never_pooled():
    sets = pd.DataFrame(
        {"participant": ["A", "B", "C"] * 2, "visit": "entry", "condition": ["off"] * 3 + ["on"] * 3,
         "torque_first": [1.0, 2.0, 3.0, 1.0, 2.0, None], "torque_last": [0.8, 1.9, 2.4, 0.4, 1.0, 1.0]}
    )  # fmt: skip
    found = change_over_sets(sets, "torque", unit="N m", kept=("visit", "condition"))
    off, on = found.frame().to_dict("records")
    # Changes -0.2, -0.1, -0.6: mean -0.3, SD 0.2646; t(2, 0.975) = 4.3027 (table): half width 0.6572, by hand.
    assert off["estimate"] == pytest.approx(-0.3)
    assert off["conf_high"] - off["estimate"] == pytest.approx(4.3027 * 0.264575 / 3**0.5, abs=1e-4)
    assert (on["n"], on["estimate"]) == (2, pytest.approx(-0.8))
    assert "1 of 6 sets" in " ".join(found.notes)
    with pytest.raises(FitError, match="nothing to compare"):
        change_over_sets(sets.assign(torque_last=None), "torque", unit="N m", kept=("visit",))
