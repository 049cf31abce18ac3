"""The section on movement over time: what it shows against plain arithmetic on the values, and the rules of figures."""

import re

import numpy as np
import plotly.graph_objects as go
import pytest

from notebooks.analysis import analyse
from notebooks.sections import movement_over_time as over_time
from notebooks.show.tables import Table, cells
from outcomes.protocol.series_tables import MEASURES
from synthetic_cohort import make_cohort


@pytest.fixture(scope="module", params=["two_hands", "device_pilot"])
def movement(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("movement") / "study"
    make_cohort(request.param, seed=1, folder=folder)
    return over_time.Movement(analyse(folder).cleared())


def test_recordings_are_counted(movement):
    table = over_time.recordings_table(movement)
    assert isinstance(table, Table)
    assert table.frame["recordings"].sum() == len(movement.study.series)
    assert table.frame["refused"].sum() == (movement.study.series["reason"] != "").sum()


def test_every_measure_has_its_definition(movement):
    frame = over_time.definitions_table(movement).frame.set_index("outcome")
    for one in movement.study.protocol.series_outcomes:
        values = movement.study.series_values
        assert frame.loc[one.id, "given"] == values.loc[values["outcome"] == one.id, "value"].notna().sum()
        assert ("low-pass 6 Hz" in frame.loc[one.id, "how"]) == (one.cutoff_hz == 6)


def test_means_lie_near_those_of_the_scores_and_words_say_the_change(movement):
    table = next(iter(over_time.by_visit_table(movement)))
    scores = movement.analysis.scores
    scores = scores[(scores["condition"] == "unassisted") & (scores["hand"] != "other")]
    for row in table.frame.to_dict("records"):
        own = scores[(scores["outcome"] == row["outcome"]) & (scores["visit"] == row["visit"])]["value"]
        # The model fills in who was missing: a third of a standard deviation bounds that with one or two missing.
        assert abs(row["estimate"] - own.mean()) < own.std() / 3
        if row["visit"] == movement.study.protocol.baseline.id:  # what changes are counted from: plain, no interval
            assert row["estimate"] == pytest.approx(own.mean(), abs=own.std() / 10)
            assert row["interval"] == ""
        else:
            assert row["conf_low"] < row["estimate"] < row["conf_high"]
    assert set(table.frame["visit"]) == {visit.id for visit in movement.study.protocol.visits}
    said = over_time.in_words(movement).paragraphs
    worn = [text for text in said if "with the device than without it" in text]
    assert len(said) == len(movement.taken) + len(worn) + 1
    assert all("95% interval" in text for text in said[:-1])
    assert "advice about one participant" in said[-1]
    assert not any("  " in text for text in said)


def test_tables_and_figures_speak_of_fingers_and_measures(movement):
    """Names of [[series_outcomes]] and of sensors' channels stay in study.toml and in the record."""
    tables = [over_time.recordings_table(movement), over_time.definitions_table(movement)]
    tables += [next(iter(show(movement))) for show in (over_time.repeatability_table, over_time.by_visit_table)]
    printed = " ".join(str(cells(table).to_numpy().tolist()) for table in tables)
    captions = " ".join(figure.layout.meta["finding"] for figure in over_time.recording_figures(movement))
    for name in (*MEASURES, "assisted", "ratio", "coefficient"):
        assert not re.search(rf"'{name}'| {name}'", printed.replace("'range of motion'", "")), name
    assert not re.search(r"\b(pip|assisted)\b", captions + printed)


def test_passive_active_and_assisted_motion_stand_beside_each_other(movement):
    """The model of both conditions has about the plain means of each; passive motion is an outcome of its own."""
    made = over_time.motions_table(movement)
    if movement.study.protocol.reference_arm is None and not any(
        one.motion == ("passive",) for one in movement.study.protocol.series_outcomes
    ):
        assert made.left_out == ("No passive and no assisted motion was recorded.",)
        return
    frame = next(iter(made)).frame
    assert set(frame["motion"]) == {"passive", "active", "with the device"}
    scores = movement.analysis.scores
    words = {"active": "unassisted", "with the device": "assisted", "passive": "unassisted"}
    for row in frame.to_dict("records"):
        own = scores[(scores["outcome"] == row["outcome"]) & (scores["visit"] == row["visit"])]
        own = own[own["condition"] == words[row["motion"]]]["value"]
        assert abs(row["estimate"] - own.mean()) < own.std() / 3
    ranges = frame[frame["outcome"].str.contains("range")].pivot_table(
        index="visit", columns="motion", values="estimate"
    )
    assert (ranges.dropna()["passive"] > ranges.dropna()["active"]).all()


def test_error_of_a_repetition_is_that_of_the_analysis_of_variance(movement):
    table = next(iter(over_time.repeatability_table(movement)))
    values = movement.study.series_values
    first = movement.study.protocol.baseline.id
    for row in table.frame.to_dict("records"):
        own = values[
            (values["outcome"] == row["outcome"]) & (values["visit"] == first) & (values["motion"] != "assisted")
        ]
        wide = own.pivot(index="participant", columns="repetition", values="value").dropna()
        assert row["error"] == pytest.approx(np.sqrt(wide.var(axis=1, ddof=1).mean()), rel=1e-9)
        assert row["detectable"] == pytest.approx(1.959964 * np.sqrt(2) * row["error"], rel=1e-6)
        assert row["n"] == len(wide)


def test_error_of_a_session_is_that_of_the_differences_between_two(movement):
    """With two sessions: the SD of the differences over the square root of 2; consistency by Shrout & Fleiss (1979)."""
    table = next(iter(over_time.sessions_table(movement)))
    scores = movement.analysis.scores
    first, second = [visit.id for visit in sorted(movement.study.protocol.visits, key=lambda visit: visit.day)][:2]
    assert len(table.frame) == len(movement.taken)
    for row in table.frame.to_dict("records"):
        own = scores[(scores["outcome"] == row["outcome"]) & (scores["condition"] == "unassisted")]
        wide = own.pivot(index="participant", columns="visit", values="value")[[first, second]].dropna()
        apart = wide[second] - wide[first]
        error = apart.std(ddof=1) / np.sqrt(2)
        between = 2 * wide.mean(axis=1).var(ddof=1)
        assert row["error"] == pytest.approx(error, rel=1e-9)
        assert row["single"] == pytest.approx((between - error**2) / (between + error**2), rel=1e-9)
        assert (row["n"], row["detectable"]) == (len(wide), pytest.approx(1.959964 * np.sqrt(2) * error, rel=1e-6))
    assert "Training began before the second" in table.notes[1]


def test_figures_show_what_was_recorded(movement):
    figures = list(over_time.recording_figures(movement))
    names = {figure.layout.meta["name"].partition("/")[0] for figure in figures}
    device = any(len(one.motion) == 1 for one in movement.study.protocol.series_outcomes)
    assert names == ({"overlaid_repetitions"} if device else {"one_recording", "overlaid_repetitions"})
    for figure in figures:
        assert isinstance(figure, go.Figure)
        meta = figure.layout.meta
        assert "n\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}1 participant" in meta["caption"]
        assert meta["alt"]
        assert figure.layout.xaxis.title.text
        assert figure.layout.yaxis.title.text
    marked = [figure for figure in figures if figure.layout.meta["name"].startswith("one_recording")]
    for figure in marked:
        first, second = (float(line.x0) for line in figure.layout.shapes)
        lag = float(re.search(r"later by ([0-9.]+)\ss", figure.layout.meta["finding"])[1])
        assert second - first == pytest.approx(lag, abs=6e-4)


def test_a_study_without_recordings_says_so(tmp_path):
    make_cohort("demo", seed=1, folder=tmp_path / "study")
    movement = over_time.Movement(analyse(tmp_path / "study"))
    for show in (
        over_time.recordings_table, over_time.definitions_table, over_time.by_visit_table, over_time.in_words,
        over_time.motions_table,
        over_time.repeatability_table, over_time.sessions_table, over_time.recording_figures,
    ):  # fmt: skip
        assert show(movement).left_out == (over_time.NONE,)
