"""The data of every figure against values computed another way from the scores, and against the numbers beside it.

The second way is plain arithmetic on the scores frame, or statsmodels where an interval is drawn. Pixels are not
compared: a figure is right where its points, intervals, symbols and words are.
"""

import math
import re
from collections import Counter, defaultdict
from itertools import combinations

import numpy as np
import plotly.graph_objects as go
import pytest
from scipy.stats import norm
from statsmodels.stats.proportion import proportion_confint

from notebooks.analysis import Analysis
from notebooks.figures.one_column import COLUMN, in_column
from notebooks.figures.style import WIDTH
from notebooks.sections import (
    change,
    checking,
    effects,
    hands,
    passing,
)
from notebooks.sections import (
    next_trial as planning,
)
from notebooks.sections import (
    who_took_part as cohort,
)
from outcomes import read_study, score
from synthetic_cohort import make_cohort

FAMILIES = ("adherence", "cumulative_change", "effect_sizes", "grip_norms", "missing_map", "model_checks",
            "ordered_changes", "pairs", "participant_flow", "power_curve", "responder_shares",
            "trajectories")  # fmt: skip
VERDICTS = re.compile(r"significan|effective|\bworks?\b|success|benefit|proves?\b|p\s*[<=]", re.IGNORECASE)


@pytest.fixture(scope="module", params=["demo", "device_pilot"])
def study(request, tmp_path_factory):
    """Two arms with missing visits and planted errors; one arm with a hand tested with and without a device."""
    folder = tmp_path_factory.mktemp("figures") / "study"
    make_cohort(request.param, seed=1, folder=folder)
    return read_study(folder)


@pytest.fixture(scope="module")
def scores(study):
    return score(study)


@pytest.fixture(scope="module")
def figures(study, scores) -> dict[str, go.Figure]:
    """Every figure of the report, by name."""
    analysis = Analysis(study)
    fits, counts = change.fit_outcomes(analysis), passing.count_passing(analysis)
    pairs = hands.compare_hands(scores, study)
    shown = [
        checking.missing_figure(scores, study),
        cohort.flow_diagram(scores, study),
        cohort.dose_figure(study),
        *change.trajectory_figures(fits),
        change.checks_figure(fits),
        *passing.change_figures(counts),
        *passing.share_figures(counts),
        effects.effects_figure(effects.effects_by_visit(scores, study), study, "g_av"),
        *hands.pair_figures(pairs),
        hands.norms_figure(scores, study),
    ]
    if study.protocol.reference_arm:
        shown.append(planning.power_curves(planning.plan_next(analysis, None, None, 0.9)))
    return {figure.layout.meta["name"]: figure for figure in shown if isinstance(figure, go.Figure)}


def family(figures: dict, name: str) -> dict[str, go.Figure]:
    """The figures of one kind: what follows the first stroke of the name -> figure."""
    return {key.partition("/")[2]: one for key, one in figures.items() if key.partition("/")[0] == name}


def frame(figure: go.Figure) -> list[dict]:
    """The numbers beside a figure, row by row."""
    columns = dict(figure.layout.meta["points"])
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def points(trace) -> list[tuple]:
    """x and y of each point drawn; the gaps between lines are no points."""
    return [(x, y) for x, y in zip(trace.x, trace.y, strict=True) if x is not None and not _gap(y)]


def intervals(figure: go.Figure) -> list[tuple[float, float, float]]:
    """Middle and ends of each horizontal interval."""
    bars = [(trace, trace.error_x) for trace in figure.data]
    rows = [zip(trace.x, error.arrayminus, error.array, strict=True) for trace, error in bars]
    return [(x, x - less, x + more) for row in rows for x, less, more in row]


def _gap(value: object) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def near(values) -> Counter:
    """Values as a bag, to nine digits."""
    return Counter(float(f"{value:.9g}") for value in values if not _gap(value))


def own(scores, outcome: str, *, hand=("affected", ""), condition=("unassisted", "")):
    """Scores of an outcome: participant, visit -> value."""
    kept = scores[(scores["outcome"] == outcome) & scores["hand"].isin(hand) & scores["condition"].isin(condition)]
    kept = kept[kept["value"].notna()]
    return {(row.participant, row.visit): row.value for row in kept.itertuples()}


def changes(scores, study, outcome: str) -> dict[str, float]:
    """Improvement of each person with a first value and one at the study's visit, by subtraction.

    The study's visit is that of its estimand, or the last one where the outcome was not measured then.
    """
    values = own(scores, outcome)
    first = study.protocol.baseline.id
    later = [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day) if visit.id != first]
    seen = [visit for visit in later if any(key[1] == visit for key in values)]
    last = study.protocol.estimand["visit"] if study.protocol.estimand.get("visit") in seen else seen[-1]
    lower = (scores.loc[scores["outcome"] == outcome, "better"] == "lower").any()
    people = [
        person for person in study.participants["participant"] if {(person, first), (person, last)} <= set(values)
    ]
    return {one: (values[one, last] - values[one, first]) * (-1 if lower else 1) for one in people}


def test_every_kind_of_figure_is_here(figures, study):
    missing = set(FAMILIES) - {name.partition("/")[0] for name in figures}
    assert missing == (set() if study.protocol.reference_arm else {"power_curve"})


def test_each_says_what_it_shows_for_how_many_in_which_unit_and_in_words_for_who_cannot_see_it(figures):
    for name, figure in figures.items():
        meta = figure.layout.meta
        told = f"{meta['title']} {meta['caption']}"
        assert re.search(r"\bn = \d+|\d+ (?:with at least|participants|per arm|of \d+)|\d+ \w+ enrolled", told), name
        assert not VERDICTS.search(told), name
        assert re.search(r"\d", meta["title"]), f"{name}: the title states no finding"
        assert meta["caption"].endswith("."), name
        assert meta["title"] in meta["alt"], name
        assert len(meta["alt"]) > len(meta["title"]) + 10, name
        assert figure.layout.width == WIDTH, name
        assert in_column(figure.to_plotly_json()["layout"])["width"] == COLUMN, name
        if name != "participant_flow" and not name.startswith("missing_map"):
            titles = [axis.title.text for axis in (*figure.select_xaxes(), *figure.select_yaxes()) if axis.title.text]
            assert titles, f"{name}: no axis says what it shows"


def _cues(trace) -> tuple:
    marker, line = getattr(trace, "marker", None), getattr(trace, "line", None)
    # Hatches are lines of their own: an open bar is one that they fill.
    pattern = (marker.pattern.shape or marker.color == "#ffffff") if trace.type == "bar" else None
    return (trace.type, getattr(marker, "symbol", None), getattr(line, "dash", None), pattern, trace.fill if
            trace.type == "scatter" else None)  # fmt: skip


def _colour(trace) -> str:
    """The hue, whatever its transparency; of an open bar the colour of its edge."""
    found = (
        trace.marker.line.color if trace.type == "bar" else trace.marker.color or trace.line.color or trace.fillcolor
    )
    if found.startswith("rgba"):
        found = "#" + "".join(f"{int(part):02x}" for part in found[5:].split(",")[:3])
    return found


def test_groups_are_told_apart_without_colour(figures):
    """Grey print and colour-blind readers: two colours in one figure never share symbol, dash and pattern."""
    compared = 0
    for name, figure in figures.items():
        cues = defaultdict(set)
        for trace in figure.data:
            if len(trace.x) and (trace.name or getattr(trace, "mode", "") != "lines"):
                cues[_colour(trace)].add(_cues(trace))
        for (one, first), (other, second) in combinations(cues.items(), 2):
            assert not first & second, f"{name}: {one} and {other} differ by colour only"
            compared += 1
    assert compared >= 3


def test_trajectories_draw_every_score_and_the_means_with_their_intervals(figures, scores, study):
    days = {visit.id: visit.day for visit in study.protocol.visits}
    for outcome, figure in family(figures, "trajectories").items():
        thin = [trace for trace in figure.data if trace.line.width == 1]
        thick = [trace for trace in figure.data if trace.line.width == 3]
        lines = [zip(trace.customdata, trace.x, trace.y, strict=True) for trace in thin]
        drawn = Counter((who, x, y) for line in lines for who, x, y in line if y is not None)
        expected = Counter((who, days[visit], value) for (who, visit), value in own(scores, outcome).items())
        assert drawn == expected
        rows = [row for row in frame(figure) if row["kind"] == "model mean"]
        assert near(y for trace in thick for y in trace.y) >= near(row["value"] for row in rows)
        low = [y - less for trace in thick for y, less in zip(trace.y, trace.error_y.arrayminus, strict=True)]
        high = [y + more for trace in thick for y, more in zip(trace.y, trace.error_y.array, strict=True)]
        assert set(near(low)) == set(near(row["conf_low"] for row in rows))
        assert set(near(high)) == set(near(row["conf_high"] for row in rows))
        assert near(row["value"] for row in frame(figure) if row["kind"] == "person") == near(
            own(scores, outcome).values()
        )


def test_ordered_changes_draw_each_person_once_from_best_to_worst(figures, scores, study):
    arms = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
    for outcome, figure in family(figures, "ordered_changes").items():
        expected = changes(scores, study, outcome)
        drawn = [trace for trace in figure.data if trace.type == "bar" and trace.customdata is not None]
        hatches = {trace.line.color: trace for trace in figure.data if trace.meta == "hatch"}
        bars = [(x, y, data[0], trace.marker.line.color) for trace in drawn
                for x, y, data in zip(trace.x, trace.y, trace.customdata, strict=True)]  # fmt: skip
        assert not [trace for trace in drawn if trace.marker.pattern.shape]  # a bitmap in a PDF
        for trace in drawn:
            if trace.marker.color == "#ffffff" and any(abs(y) > 0.2 for y in trace.y):
                hatch = hatches[trace.marker.line.color]
                inside = {x: (min(y, 0), max(y, 0)) for x, y in zip(trace.x, trace.y, strict=True)}
                for x, y in zip(hatch.x, hatch.y, strict=True):
                    if x is not None:
                        low, high = inside[round(x)]
                        assert abs(x - round(x)) <= 0.43
                        assert low - 1e-9 <= y <= high + 1e-9
        assert {who: y for _, y, who, _ in bars} == pytest.approx(expected)
        assert len(bars) == len(expected) == len(frame(figure))
        heights = [y for _, y, *_ in sorted(bars)]
        assert heights == sorted(heights, reverse=True)
        fills = defaultdict(set)
        for _, _, who, fill in bars:
            fills[arms[who]].add(fill)
        assert all(len(own) == 1 for own in fills.values())
        still = [x for trace in figure.data if trace.type == "scatter" and trace.meta != "hatch" for x in trace.x]
        assert sorted(still) == sorted(x for x, y, *_ in bars if y == 0)
        assert (
            figure.layout.meta["title"]
            .split(": ")[1]
            .startswith(
                f"{sum(value > 0 for value in expected.values())} of {len(expected)} improved by any amount, "
                f"{sum(value < 0 for value in expected.values())} worsened"
            )
        )


def test_thresholds_are_drawn_where_they_lie_and_named_in_the_caption(figures, study):
    for outcome, figure in family(figures, "ordered_changes").items():
        lines = {
            shape.y0 for shape in figure.layout.shapes if shape.type == "line" and shape.y0 == shape.y1 and shape.y0
        }
        assert lines == {-value for value in lines}
        drawn = figure.layout.meta["caption"].partition("Dashed lines: ")[2].partition("Without a line")[0]
        named = {float(value) for value in re.findall(r"[≥>] ([\d.]+)", drawn)}
        assert {value for value in lines if value > 0} == named
        wide = {shape.x0 for shape in family(figures, "cumulative_change")[outcome].layout.shapes
                if shape.type == "line" and shape.x0}  # fmt: skip
        assert wide == named


def test_cumulative_change_is_the_share_that_improved_by_at_least_each_value(figures, scores, study):
    arm_of = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
    for outcome, figure in family(figures, "cumulative_change").items():
        gained = changes(scores, study, outcome)
        found = []
        for trace in figure.data:
            count = int(re.search(r"n = (\d+)", trace.name)[1])
            labels = {arm.id: arm.label for arm in study.protocol.arms}
            group = [v for who, v in gained.items() if labels.get(arm_of[who], "All participants") in trace.name]
            assert len(group) == count
            steps = points(trace)
            assert steps[-1] == pytest.approx((max(group), 0))
            for x, y in steps[:-1]:
                assert y == pytest.approx(100 * sum(value >= x - 1e-9 for value in group) / count)
            assert set(near(x for x, _ in steps)) == set(near(group))
            found += [y for _, y in steps[:-1]]
        assert near(found) == near(row["share"] for row in frame(figure))


def test_responder_shares_and_intervals_by_counting_and_by_statsmodels(figures, scores, study):
    """Wilson intervals: statsmodels.stats.proportion.proportion_confint."""
    for outcome, figure in family(figures, "responder_shares").items():
        rows = frame(figure)
        drawn = intervals(figure)
        assert sorted(x for x, *_ in drawn) == pytest.approx(sorted(row["share"] for row in rows))
        gained = list(changes(scores, study, outcome).values())
        if len(figure.data) == 1:
            assert {row["n"] for row in rows} == {len(gained)}
        for row in rows:
            low, high = proportion_confint(row["improved"], row["n"], method="wilson")
            assert row["share"] == pytest.approx(100 * row["improved"] / row["n"])
            match = [one for one in drawn if one[0] == pytest.approx(row["share"])]
            assert any(one[1:] == pytest.approx((100 * low, 100 * high), abs=1e-6) for one in match)
        by_threshold = defaultdict(int)
        for row in rows:
            by_threshold[row["threshold"], row["value"]] += row["improved"]
        for (key, value), improved in by_threshold.items():
            # Forces within 0.05 kgf of a threshold count as equal to it (converted units); all else to the last digit.
            near_by = 0.05 if ".force" in outcome else 1e-9
            at_least = sum(gain >= value - near_by for gain in gained)
            more = sum(gain > value + near_by for gain in gained)
            # Two keys in one: another size for the dominant hand, which can only add people.
            assert improved >= at_least if " / " in key else improved in (at_least, more)


def test_effect_sizes_are_those_of_the_frame_with_their_intervals(figures, scores, study):
    (figure,) = family(figures, "effect_sizes").values()
    rows = frame(figure)
    drawn = intervals(figure)
    expected = [(row["effect"], row["effect_low"], row["effect_high"]) for row in rows]
    assert np.array(sorted(drawn)) == pytest.approx(np.array(sorted(expected)))
    assert len(figure.layout.yaxis.ticktext) == len({row["outcome"] for row in rows})
    for row in rows:  # the sign and the size, from the scores: mean improvement over the mean of the two SDs
        gained = changes(scores, study, row["outcome"])
        arm_of = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
        mean = np.mean([value for who, value in gained.items() if arm_of[who] == row["arm"]])
        # Hedges' factor for small samples lies between 0.7 and 1 from five people on.
        assert 0.7 <= row["effect"] / (mean / row["standardiser_value"]) <= 1 or abs(mean) < 1e-9


def test_pairs_draw_both_scores_of_each_person_and_the_means_of_complete_pairs(figures, scores, study):
    for name, figure in family(figures, "pairs").items():
        between, _, outcome = name.partition("/")
        first, second = hands.KINDS[between]
        pick = {value: own(scores, outcome, **{between: (value,)}) for value in (first, second)}
        if between == "condition":
            pick[second] = own(scores, outcome)
            pick[first] = own(scores, outcome, condition=(first,))
        thin = [trace for trace in figure.data if trace.line.width == 1]
        assert near(y for trace in thin for _, y in points(trace)) == near(
            [*pick[first].values(), *pick[second].values()]
        )
        assert near(row["value"] for row in frame(figure)) == near([*pick[first].values(), *pick[second].values()])
        thick = [trace for trace in figure.data if trace.line.width == 3]
        both = set(pick[first]) & set(pick[second])
        visits = sorted({visit for _, visit in both})
        if len(thick) == 1:
            means = [np.mean([pick[which][key] for key in both if key[1] == visit]) for visit in visits
                     for which in (first, second)]  # fmt: skip
            assert sorted(y for _, y in points(thick[0])) == pytest.approx(sorted(means))


def test_grip_is_drawn_as_standard_deviations_from_the_norm(figures):
    (figure,) = family(figures, "grip_norms").values()
    rows = frame(figure)
    for row in rows:
        assert row["z"] == pytest.approx((row["value"] - row["norm_mean"]) / row["norm_sd"])
        assert row["percent"] == pytest.approx(100 * row["value"] / row["norm_mean"])
    drawn = Counter()
    for trace in figure.data:
        drawn += Counter(
            (who, float(f"{y:.9g}")) for who, y in zip(trace.customdata, trace.y, strict=True) if not _gap(y)
        )
    assert drawn == Counter((row["participant"], float(f"{row['z']:.9g}")) for row in rows)


def test_the_map_has_one_mark_per_planned_score(figures, scores, study):
    figure = figures["missing_map"]
    planned = len(study.participants) * len(study.protocol.visits) * len(study.protocol.outcomes)
    marks = Counter(trace.name for trace in figure.data for _ in trace.x)
    made = sum(len(own(scores, outcome)) for outcome in study.protocol.outcomes)
    assert sum(marks.values()) == planned == len(frame(figure))
    assert marks["scored"] == made == sum(row["state"] == "scored" for row in frame(figure))
    assert figure.layout.meta["title"].startswith(f"{made} of {planned} planned scores")


def test_the_flow_counts_who_was_there(figures, scores, study):
    figure = figures["participant_flow"]
    there = {(row.participant, row.visit) for row in scores[scores["value"].notna()].itertuples()}
    there |= {(row.participant, row.visit) for row in study.visits.itertuples() if row.status == "attended"}
    arm_of = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
    expected = []
    for arm in sorted(set(arm_of.values())):
        for visit in study.protocol.visits:
            people = [who for who in arm_of if arm_of[who] == arm]
            expected.append(f"attended {sum((who, visit.id) in there for who in people)} of {len(people)}")
    for words in (figure.layout.annotations, figure.layout.meta["column"]["annotations"]):
        text = " ".join(str(word["text"] if isinstance(word, dict) else word.text) for word in words)
        assert sorted(re.findall(r"attended \d+ of \d+", text)) == sorted(expected)


def test_adherence_is_minutes_done_of_minutes_prescribed(figures, study):
    figure = figures["adherence"]
    done, asked = defaultdict(float), defaultdict(float)
    for row in study.sessions.itertuples():
        done[row.participant] += 0 if math.isnan(row.minutes_performed) else row.minutes_performed
        asked[row.participant] += 0 if math.isnan(row.minutes_prescribed) else row.minutes_prescribed
    drawn = {data[0]: y for trace in figure.data for y, data in zip(trace.y, trace.customdata, strict=True)}
    assert drawn == pytest.approx({who: 100 * done[who] / asked[who] for who in drawn})
    assert near(drawn.values()) == near(row["percent"] for row in frame(figure))


def test_model_checks_draw_every_residual_and_the_most_influential_people(figures):
    (figure,) = family(figures, "model_checks").values()
    residuals = [row for row in frame(figure) if row["kind"] == "residual"]
    influence = sorted((row["distance"] for row in frame(figure) if row["kind"] == "influence"), reverse=True)
    by_axis = {trace.xaxis or "x": trace for trace in figure.data if trace.mode == "markers"}
    assert Counter(points(by_axis["x"])) == Counter((row["fitted"], row["scaled"]) for row in residuals)
    assert Counter(points(by_axis["x2"])) == Counter((row["normal_quantile"], row["scaled"]) for row in residuals)
    for visit in {row["visit"] for row in residuals}:
        ordered = sorted((row for row in residuals if row["visit"] == visit), key=lambda row: row["scaled"])
        expected = [norm.ppf((rank - 0.375) / (len(ordered) + 0.25)) for rank in range(1, len(ordered) + 1)]
        assert [row["normal_quantile"] for row in ordered] == pytest.approx(expected, abs=0.2)  # ties share a rank
    assert list(by_axis["x3"].x) == pytest.approx(influence[: len(by_axis["x3"].x)])


def test_the_power_curve_rises_and_meets_the_plan(figures, study):
    if not study.protocol.reference_arm:
        assert "power_curve" not in figures  # a single-arm study plans no comparison
        return
    figure = figures["power_curve"]
    rows = frame(figure)
    curve = next(trace for trace in figure.data if trace.line.width == 3)
    assert list(curve.y) == pytest.approx([row["percent"] for row in rows])
    assert list(curve.y) == sorted(curve.y)
    band = next(trace for trace in figure.data if trace.fill == "toself")
    ends = [row["percent_high"] for row in rows] + [row["percent_low"] for row in reversed(rows)]
    assert list(band.y) == pytest.approx(ends)
    at = next(shape.x0 for shape in figure.layout.shapes)
    by_n = {row["n_per_arm"]: row["percent"] for row in rows}
    assert by_n[at] >= 90
    assert f"{at} per arm" in figure.layout.meta["title"]
