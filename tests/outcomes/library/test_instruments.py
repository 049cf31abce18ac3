"""Properties every instrument of the library must have, whatever it measures."""

import math
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes import InstrumentError, catalogue, score_items, thresholds
from outcomes.columns import NOT_A_NUMBER
from outcomes.library.instrument import Instrument, Item
from outcomes.library.loader import read_instruments
from outcomes.library.registry import (
    ids_in,
    instrument,
    instruments,
    next_reachable,
    references,
    threshold,
    threshold_keys,
)

# What each instrument needs to give every one of its scales; anything else is an option only some answers need.
OPTIONS = {
    "nhpt": {"ceiling_s": 1e6},
    "jthft": {"ceiling_s": 1e6},
    "jebsen_modified": {"ceiling_s": 1e6},
    "wmft": {"unable_s": 121},
    "minnesota": {"ceiling_s": 1e6},
    "rivermead_arm": {"stop_rule": "all items"},
    "mas": {"coding": "rank"},
    "mts": {"convention": "minimal stretch"},
    "mrc": {"muscles": [item.id for item in instrument("mrc").items]},
    "eq5d5l": {
        "value_set": {
            item: [0, 0.1, 0.2, 0.3, 0.4] for item in ("mobility", "self_care", "usual_activities", "pain", "anxiety")
        }
    },
}
ALL = [pytest.param(found, id=found.id) for found in instruments().values()]
BIG = 1000.0  # stands for the end of a range that has none


def best(item: Item) -> float:
    value = item.high if item.better == "higher" else item.low
    return BIG if math.isinf(value) else value


def worst(item: Item) -> float:
    if item.id.endswith("_deficit") and not item.id.startswith("elbow"):
        return 0.0  # a digit that does not move: with a deficit as well its total would be below 0, which is refused
    value = item.low if item.better == "higher" else item.high
    return BIG if math.isinf(value) else value


def better_by_one(item: Item, value: float) -> float | None:
    """The next better answer of an item; None at its best."""
    up = item.better == "higher"
    if item.levels:
        levels = sorted(item.levels)
        place = levels.index(value) + (1 if up else -1)
        return levels[place] if 0 <= place < len(levels) else None
    moved = value + 1 if up else value - 1
    return moved if item.low <= moved <= item.high else None


def answers(found: Instrument, choose) -> dict[str, float]:
    given = {item.id: choose(item) for item in found.items}
    weights = [item for item in given if item.startswith("weight_") and found.id == "workload_weighted"]
    # Fifteen pairs are shared out among six scales: 5 4 3 2 1 0.
    return given | dict(zip(weights, (5, 4, 3, 2, 1, 0), strict=False))


def scores(found: Instrument, given) -> dict:
    return score_items(found.id, given, **OPTIONS.get(found.id, {}))


def test_catalogue_is_large_enough():
    assert len(instruments()) >= 30
    frame = catalogue()
    assert frame["outcome"].is_unique
    assert (frame["better"].isin(["higher", "lower"])).all()


@pytest.mark.parametrize("found", ALL)
def test_all_worst_and_all_best_give_the_stated_range(found):
    low, high = scores(found, answers(found, worst)), scores(found, answers(found, best))
    for scale in found.scales:
        ends = sorted((low[scale.id].value, high[scale.id].value))
        if scale.id == "index":
            continue  # its ends belong to the study's own value set
        if scale.rule.get("at_least") is not None and found.id == "mts":
            continue  # a difference of two angles: tested below
        first = 0.0 if scale.id == "pegs_per_s" else scale.low
        assert ends[0] == pytest.approx(first, abs=1e-12), scale.id
        if scale.high is not None:
            assert ends[1] == pytest.approx(scale.high, abs=1e-12), scale.id
        assert low[scale.id].complete, low[scale.id].reason
        assert high[scale.id].complete, high[scale.id].reason


@pytest.mark.parametrize("found", ALL)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_a_better_item_never_worsens_a_score(found, data):
    def choose(item: Item) -> float:
        if item.levels:
            return data.draw(st.sampled_from(sorted(item.levels)), label=item.id)
        low, high = math.ceil(item.low), math.floor(min(item.high, BIG))
        return float(data.draw(st.integers(low, high), label=item.id))

    before = answers(found, choose)
    item = data.draw(st.sampled_from(found.items))
    if item.id.startswith("weight_") and found.id in ("workload_weighted", "goal_attainment"):
        return  # a weight is neither better nor worse
    moved = better_by_one(item, before[item.id])
    if moved is None:
        return
    first, second = scores(found, before), scores(found, before | {item.id: moved})
    for scale in found.scales:
        if found.id == "mts" and scale.id.endswith("_dynamic"):
            continue  # more passive range is better for the joint and worse for the difference R2 - R1
        one, two = first[scale.id].value, second[scale.id].value
        if math.isnan(one) or math.isnan(two):
            continue  # an impossible combination, such as deficits above flexion
        gain = two - one if scale.better == "higher" else one - two
        assert gain >= -1e-9, f"{scale.id}: {item.id} {before[item.id]} to {moved} gives {one} to {two}"


@pytest.mark.parametrize("found", ALL)
def test_one_step_outside_is_refused(found):
    for item in found.items:
        steps = [item.low - 1] + ([] if math.isinf(item.high) else [item.high + 1])
        steps += [item.low + item.step / 2] if item.step else []
        if item.levels:
            steps += [value for value in (item.low + 0.25, item.high - 0.25) if value not in item.levels]
        for value in steps:
            with pytest.raises(InstrumentError, match=item.id):
                score_items(found.id, {item.id: value}, **OPTIONS.get(found.id, {}))


@pytest.mark.parametrize("found", ALL)
def test_text_and_unknown_items_are_refused(found):
    with pytest.raises(InstrumentError, match="no item"):
        score_items(found.id, {"no_such_item": 1})
    with pytest.raises(InstrumentError, match="allowed"):
        score_items(found.id, {found.items[0].id: "much better"})
    with pytest.raises(InstrumentError, match="no scoring option"):
        score_items(found.id, {}, no_such_option=1)


@pytest.mark.parametrize("found", ALL)
@pytest.mark.parametrize("code", [*NOT_A_NUMBER, None])
def test_a_missing_item_gives_no_score_unless_a_rule_allows_it(found, code):
    """Every item answered but one: the scales that need it have no score, or say why they have one."""
    full = answers(found, best)
    item = found.items[-1]
    if code in item.refuses:
        with pytest.raises(InstrumentError, match=item.id):
            scores(found, full | {item.id: code})
        return
    given = scores(found, full | {item.id: code})
    for scale in found.scales:
        if item.id not in scale.items:
            continue
        record = given[scale.id]
        assert record.reason or record.complete
        if not math.isnan(record.value) and not record.complete:
            assert record.reason


@pytest.mark.parametrize("found", ALL)
def test_no_answer_gives_no_score_and_a_reason(found):
    for record in scores(found, {}).values():
        assert math.isnan(record.value)
        assert record.reason
        assert not record.complete
        assert record.answered == 0


@pytest.mark.parametrize("found", ALL)
def test_sources_resolve_and_texts_are_there(found):
    cited = {
        *found.sources,
        *(entry.source for entry in found.thresholds),
        *(entry.source for entry in found.properties),
    }
    assert cited <= set(references())
    assert found.sources
    assert found.construct
    assert found.populations
    assert found.licence
    assert found.verified or found.unverified


@pytest.mark.parametrize("found", ALL)
def test_every_scale_has_thresholds_or_says_why_not(found):
    for scale in found.scales:
        frame = thresholds(f"{found.id}.{scale.id}")
        if frame.empty:
            assert frame.attrs["reason"] != "No published threshold matches.", scale.id
        width = math.inf if scale.high is None else scale.high - scale.low
        for entry in found.thresholds:
            if entry.scale == scale.id:
                assert 0 < entry.value < (100 if entry.unit.startswith("%") else width)
                assert entry.source in references()
                assert entry.better == scale.better


def test_published_missing_rules_name_their_source():
    """A scale that gives a score with items missing, unasked, must cite the rule."""
    for found in instruments().values():
        for scale in found.scales:
            if "least" in scale.rule and scale.kind != "composite":
                assert scale.missing_source in references(), f"{found.id}.{scale.id}"


def test_threshold_frame_is_complete():
    frame = thresholds()
    assert not frame[["key", "value", "quantity", "population", "phase", "method", "n", "citation"]].isna().any().any()
    assert (frame["citation"] != "").all()
    assert not frame["read"].str.contains("value from memory").any()


@pytest.mark.parametrize(
    ("value", "step", "strict", "expected"),
    [
        (17.8, 5, False, 20),  # "17.8 means >= 20": SIS-hand-2 of worked_examples.csv
        (25.9, 5, True, 30),  # "MDC95 25.9 means >= 6 steps (30)": same row
        (4.25, 1, False, 5),
        (5, 1, False, 5),
        (5, 1, True, 6),
        (4.36, None, True, 4.36),
    ],
)
def test_next_reachable_step(value, step, strict, expected):
    assert next_reachable(value, step, strict=strict) == expected


def test_vectorised_scoring_equals_one_at_a_time():
    """The study path and the single path share their arithmetic; 50 random administrations of every instrument."""
    from outcomes.scoring.answers import BLANK, make_sheet
    from outcomes.scoring.options import Options
    from outcomes.scoring.score import score_sheet

    rng = np.random.default_rng(20)
    for found in instruments().values():
        grid = np.full((50, len(found.items)), np.nan)
        for place, item in enumerate(found.items):
            choices = list(item.levels) or list(np.linspace(item.low, min(item.high, 100.0), 7))
            choices = [round(choice) for choice in choices] if item.step else choices
            grid[:, place] = rng.choice(choices, 50)
        grid[rng.random(grid.shape) < 0.05] = np.nan
        codes = np.where(np.isnan(grid), BLANK, 0).astype(np.int8)
        options = Options(found, OPTIONS.get(found.id, {}))
        together = score_sheet(found, make_sheet(found, grid, codes), options)
        for row in range(50):
            given = {item.id: value for item, value in zip(found.items, grid[row], strict=True) if not np.isnan(value)}
            alone = scores(found, given)
            for scale in found.scales:
                assert alone[scale.id].value == pytest.approx(together[scale.id].value[row], nan_ok=True, abs=1e-12)
                assert alone[scale.id].answered == together[scale.id].answered[row]
                assert alone[scale.id].complete == together[scale.id].complete[row]


GOOD = """
id = "x"
name = "X"
everyday = "X test"
short = "XT"
better = "higher"
sources = ["lyle-1981"]
[[items]]
id = "a"
label = "A"
levels = [0, 1]
[[scales]]
id = "total"
label = "Total"
kind = "sum"
items = ["a"]
low = 0
high = 1
"""


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("name =", "nam ="), "unknown keys nam"),
        (('kind = "sum"', 'kind = "magic"'), "kind 'magic' is not known"),
        (('items = ["a"]', 'items = ["b"]'), "no item matches 'b'"),
        (("low = 0\n", ""), "no lowest score"),
        (("high = 1\n", "high = 0\n"), "empty"),
        (('better = "higher"', 'better = "up"'), "allowed 'higher' or 'lower'"),
        (("levels = [0, 1]", "levels = [0, 1"), "not readable as TOML"),
        (('label = "A"\n', ""), "lacks label"),
    ],
)
def test_a_bad_instrument_file_is_refused(change, message):
    assert read_instruments(GOOD, "x.toml")[0].id == "x"
    with pytest.raises(InstrumentError, match=message):
        read_instruments(GOOD.replace(*change), "x.toml")


def test_unknown_instrument_names_the_nearest():
    with pytest.raises(InstrumentError, match="Did you mean arat"):
        instrument("aratt")


def test_records_are_frozen():
    with pytest.raises(AttributeError):
        instrument("arat").name = "other"
    assert replace(instrument("arat"), name="other").name == "other"


def test_the_ids_of_a_file_are_found_without_taking_it_apart():
    folder = resources.files("outcomes.library") / "instruments"
    for file in folder.iterdir():
        if file.name.endswith(".toml"):
            text = file.read_text(encoding="utf-8")
            assert ids_in(text) == [found.id for found in read_instruments(text, file.name)], file.name


def test_no_two_thresholds_share_a_key_and_none_repeats_one_there_is_not():
    keys = threshold_keys()
    assert len(keys) > 100
    assert all(threshold(key) == entry for key, entry in keys.items())
