"""The data of every figure against values computed another way from the scores, and against the numbers beside it.

The second way is plain arithmetic on the scores frame, or statsmodels where an interval is drawn. Pixels are not
compared: a figure is right where its points, intervals, symbols and words are.
"""

import math
import re
from collections import Counter, defaultdict
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from scipy.stats import chi2, nct, norm, spearmanr, t
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from notebooks.analysis import Analysis
from notebooks.figures.one_column import COLUMN, in_column
from notebooks.figures.rater_agreement import agreement_figure
from notebooks.figures.style import WIDTH
from notebooks.guide.gallery import entries
from notebooks.sections import (
    arms_compared,
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
from outcomes import read_study, score, threshold
from outcomes.library.registry import outcome_scale
from stats.measurement import limits_of_agreement
from stats.planning import known_value
from synthetic_cohort import make_cohort

FAMILIES = ("adherence", "change_by_baseline", "cumulative_change", "differences", "effect_sizes", "floor_and_ceiling",
            "grip_norms", "missing_map",
            "model_checks", "ordered_changes", "pairs", "participant_flow", "power_curve", "responder_shares",
            "trajectories")  # fmt: skip
# Families whose data are held against another way in the test of their section or page: family -> file, function.
ELSEWHERE = {
    "agreement": ("figures/test_figures.py", "agreement_figure"),
    "published_trials": ("application/test_application.py", "published_forest"),
    "tipping_point": ("sections/test_missing_visits.py", "tipping_figure"),
    "what_if": ("sections/test_what_if.py", "what_if"),
    "every_assumption": ("sections/test_what_if.py", "what_if"),  # drawn by the same function
    "one_recording": ("sections/test_movement_over_time.py", "one_recording"),
    "overlaid_repetitions": ("sections/test_movement_over_time.py", "overlaid_repetitions"),
} | {
    family: ("sections/test_device_trial.py", function)
    for family, function in (
        ("levels", "level_figures"), ("stretches", "stretches_figure"), ("motion_grades", "grades_figure"),
        ("days_of_wear", "wear_figure"), ("wear_and_score", "use_and_score"), ("ease_of_use", "ratings_figure"),
        ("device_deficiencies", "faults_figure"), ("skin", "skin_figure"),
    )
}  # fmt: skip
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
def analysis(study) -> Analysis:
    return Analysis(study)


@pytest.fixture(scope="module")
def fits(analysis):
    return change.fit_outcomes(analysis)


@pytest.fixture(scope="module")
def figures(study, scores, analysis, fits) -> dict[str, go.Figure]:
    """Every figure of the report, by name."""
    counts = passing.count_passing(analysis)
    pairs = hands.compare_hands(scores, study)
    shown = [
        checking.missing_figure(scores, study),
        cohort.flow_diagram(scores, study, analysis),
        cohort.dose_figure(study, analysis),
        *change.trajectory_figures(fits),
        change.checks_figure(fits),
        *passing.change_figures(counts),
        *passing.share_figures(counts),
        effects.effects_figure(effects.effects_by_visit(scores, study), study, "g_av"),
        arms_compared.comparison_figure(arms_compared.compare_effects(analysis), study, analysis),
        *hands.pair_figures(pairs),
        hands.norms_figure(scores, study, analysis.findings),
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


def intervals_of(trace) -> list[tuple[float, float, float]]:
    """Middle and ends of each interval of one trace."""
    ends = zip(trace.x, trace.error_x.arrayminus, trace.error_x.array, strict=True)
    return [(x, x - less, x + more) for x, less, more in ends]


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
    assert missing == (set() if study.protocol.reference_arm else {"differences", "power_curve"})


def test_a_figure_that_nobody_looks_at_is_named():
    """Every figure of the gallery (which holds all that the code draws) is a family here, or tested elsewhere."""
    assert set(entries()) - set(FAMILIES) - set(ELSEWHERE) == set()
    for family, (file, function) in ELSEWHERE.items():
        assert function in (Path(__file__).parents[1] / file).read_text(encoding="utf-8"), family


def study_label(study) -> str:
    """The name of the visit the study speaks of: a title may hold it, "week 8" with its number."""
    at = study.protocol.estimand.get("visit", "")
    return next((visit.label for visit in study.protocol.visits if visit.id == at), "no visit")


def test_each_says_what_it_shows_for_how_many_in_which_unit_and_in_words_for_who_cannot_see_it(figures, study):
    for name, figure in figures.items():
        meta = figure.layout.meta
        told = f"{meta['title']} {meta['caption']}"
        assert re.search(r"\bn\s=\s\d+|\d+\s(?:with at least|participants|per arm|of \d+)|\d+ \w+ enrolled", told), name
        assert not VERDICTS.search(told), name
        assert meta["caption"].endswith("."), name
        if meta["finding"]:
            assert re.search(r"\d", meta["finding"]), f"{name}: no number in the finding"
            assert meta["caption"].startswith(meta["finding"])
            assert len(meta["title"].split()) <= 6, f"{name}: {meta['title']}"
            assert not re.search(r"\d", meta["title"].replace(study_label(study), "")), name
            assert len(meta["alt"].split()) <= 60, name
        else:
            assert re.search(r"\d", meta["title"]), f"{name}: the title states no finding"
            assert meta["title"] in meta["alt"], name
            assert len(meta["alt"]) > len(meta["title"]) + 10, name
        assert figure.layout.width == WIDTH, name
        assert in_column(figure.to_plotly_json()["layout"])["width"] == COLUMN, name
        if name.partition("/")[0] not in ("participant_flow", "missing_map", "responder_shares", "floor_and_ceiling"):
            titles = [axis.title.text for axis in (*figure.select_xaxes(), *figure.select_yaxes()) if axis.title.text]
            turned = [one.text for one in figure.layout.annotations if one.textangle == -90]
            assert titles or turned, f"{name}: no axis says what it shows"


def _all_words(figure: go.Figure) -> list[str]:
    """Whatever a picture of this figure may say, in both widths, and its title, caption and alternative text."""
    found = [*texts(figure), *texts(figure, column=True)]
    for trace in figure.data:
        found += [trace.name or "", *(getattr(trace, "text", None) or ())]
    wide, narrow = figure.to_plotly_json()["layout"], figure.layout.meta["column"]
    for layout in (wide, narrow):
        for key, axis in layout.items():
            if key.startswith(("xaxis", "yaxis")):
                found += [(axis.get("title") or {}).get("text") or "", *map(str, axis.get("ticktext") or ())]
    return found + [figure.layout.meta[part] for part in ("title", "caption", "alt")]


def test_no_figure_says_a_key_of_the_code_a_file_or_a_person(figures, study):
    people = "|".join(map(re.escape, study.participants["participant"].astype(str)))
    for name, figure in figures.items():
        for words in _all_words(figure):
            assert "_" not in words, (name, words)
            assert not re.search(r"\b[a-z][a-z0-9]*(?:-[a-z0-9]+)*-(?:19|20)\d\d\b", words), (name, words)
            assert not re.search(r"\.(?:toml|csv|json)\b", words), (name, words)
            assert not re.search(rf"(?<!\w)(?:{people})(?!\w)", words), (name, words)
            assert not re.search(r"(?<![\w–])-\d", words), (name, words)  # a hyphen is no minus sign


def _cues(trace) -> tuple:
    marker, line = getattr(trace, "marker", None), getattr(trace, "line", None)
    # A bar is told apart by where it stands: each arm has a block of its own under its name.
    pattern = marker.color if trace.type == "bar" else None
    opened = marker is not None and isinstance(marker.color, str) and marker.color == "#ffffff"
    block = trace.xaxis if trace.type == "scatter" else min(trace.x)
    fill = trace.fill if trace.type == "scatter" else None
    return (trace.type, block, opened, getattr(marker, "symbol", None), getattr(line, "dash", None), pattern, fill)


def _colour(trace) -> str:
    """The hue, whatever its transparency; of an open mark or bar the colour of its edge."""
    edge, inside = trace.marker.line.color, trace.marker.color
    whole = inside if isinstance(inside, str) and inside != "#ffffff" else edge
    found = edge if trace.type == "bar" else whole or trace.line.color or trace.fillcolor
    if found.startswith("rgba"):
        found = "#" + "".join(f"{int(part):02x}" for part in found[5:].split(",")[:3])
    return found


def test_groups_are_told_apart_without_colour(figures):
    """Grey print and colour-blind readers: two colours in one figure never share symbol, dash and pattern."""
    compared = 0
    for name, figure in figures.items():
        cues = defaultdict(set)
        for trace in figure.data:
            if len(trace.x) and trace.meta != "enrolled" and (trace.name or getattr(trace, "mode", "") != "lines"):
                cues[_colour(trace)].add(_cues(trace))
        for (one, first), (other, second) in combinations(cues.items(), 2):
            assert not first & second, f"{name}: {one} and {other} differ by colour only"
            compared += 1
    assert compared >= 3


def test_trajectories_draw_every_score_the_changes_with_their_intervals_and_the_n_used(figures, scores, study, fits):
    days = {visit.id: visit.day for visit in study.protocol.visits}
    for outcome, figure in family(figures, "trajectories").items():
        thin = [trace for trace in figure.data if trace.meta == "people"]
        lines = [zip(trace.customdata, trace.x, trace.y, strict=True) for trace in thin]
        drawn = Counter((who, x, y) for line in lines for who, x, y in line if y is not None)
        values = own(scores, outcome)
        assert drawn == Counter((who, days[visit], value) for (who, visit), value in values.items())
        fit = next(one.fit for one in fits.main if one.outcome == outcome)
        sign = -1 if fit.better == "lower" else 1
        rows = [row for row in frame(figure) if row["kind"] == "model change"]
        changed = fit.changes().frame(study.protocol.level)
        assert near(row["value"] for row in rows) == near(sign * changed["estimate"])
        ends = [sign * changed["conf_low"], sign * changed["conf_high"]]
        assert near(row["conf_low"] for row in rows) == near(np.minimum(*ends))
        thick = [trace for trace in figure.data if trace.meta == "change"]
        start = days[fit.baseline_visit]  # of an outcome first taken later, its own first visit
        assert all((trace.x[0], trace.y[0]) == (start, 0) for trace in thick)  # one start: no change yet
        assert near(y for trace in thick for y in trace.y[1:]) == near(row["value"] for row in rows)
        low = [y - less for trace in thick for y, less in zip(trace.y, trace.error_y.arrayminus, strict=True)]
        assert near(low) == near([*(row["conf_low"] for row in rows), *[0.0] * len(thick)])
        # n: people with a score at the visit whom the model has in it, by counting
        arm_of = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
        used = set(fit.rows["participant"])
        counted = Counter((arm_of[who], visit) for who, visit in values if who in used)
        told = {(row["arm"], row["visit"]): row["n"] for row in frame(figure) if row["n"] is not None}
        assert told == dict(counted)
        for layout in (figure.layout.annotations, figure.layout.meta["column"]["annotations"]):
            words = [one["text"] if isinstance(one, dict) else one.text for one in layout]
            assert Counter(str(n) for n in told.values()) <= Counter(words)


def test_the_difference_over_visits_is_the_one_of_the_model(figures, study, fits):
    for outcome, figure in family(figures, "differences").items():
        fit = next(one.fit for one in fits.main if one.outcome == outcome)
        sign = -1 if fit.better == "lower" else 1
        expected = fit.between().frame(study.protocol.level)
        (trace,) = figure.data
        assert list(trace.y) == pytest.approx(list(sign * expected["estimate"]))
        half = list((expected["conf_high"] - expected["conf_low"]) / 2)
        assert list(trace.error_y.array) == pytest.approx(half)
        filled = [x for x, colour in zip(trace.x, trace.marker.color, strict=True) if colour != "#ffffff"]
        assert filled == [day(study, study.protocol.estimand["visit"])]
        sizes = [threshold(key) for key in study.protocol.thresholds[outcome]]
        lines = {shape.y0 for shape in figure.layout.shapes if shape.type == "line" and shape.y0}
        assert lines == {size.value for size in sizes if size.quantity.startswith("MCID")}


def day(study, visit: str) -> float:
    """Planned day of a visit."""
    return next(one.day for one in study.protocol.visits if one.id == visit)


def threshold_of(study, outcome: str):
    """The first threshold the protocol names for an outcome; None where it names none."""
    named = study.protocol.thresholds.get(outcome, ())
    return threshold(named[0]) if named else None


def test_ordered_changes_have_one_place_per_person_enrolled_and_fill_who_passed(figures, scores, study):
    people = study.participants
    arms = dict(zip(people["participant"], people.get("arm", [""] * len(people)), strict=True))
    for outcome, figure in family(figures, "ordered_changes").items():
        expected = changes(scores, study, outcome)
        bars = [(x, y, data[0], trace.meta, trace.marker.line.color) for trace in figure.data if trace.type == "bar"
                for x, y, data in zip(trace.x, trace.y, trace.customdata, strict=True)]  # fmt: skip
        still = {row["participant"] for row in frame(figure) if row["improvement"] == 0}
        assert {who: y for _, y, who, *_ in bars} == pytest.approx(
            {k: v for k, v in expected.items() if k not in still}
        )
        assert still == {who for who, gain in expected.items() if gain == 0}
        crosses = [who for trace in figure.data if trace.meta == "missing" for who, _ in trace.customdata]
        assert Counter(crosses) == Counter(set(arms) - set(expected))
        assert {row["participant"] for row in frame(figure)} == set(arms)  # nobody is left out
        places = [row["place"] for row in frame(figure)]
        assert len(set(places)) == len(places)
        size = threshold_of(study, outcome)
        for arm in set(arms.values()):
            own = sorted(bar for bar in bars if arms[bar[2]] == arm)
            heights = [y for _, y, *_ in own]
            assert heights == sorted(heights, reverse=True)
            assert len({colour for *_, colour in own}) == 1
        # forces within 0.05 kgf of a threshold count as equal to it (converted units); all else to the last digit
        near_by = 0.05 if ".force" in outcome else 1e-9
        for _, y, who, kind, _ in bars:
            if size is None:
                passed = y > 0
            elif size.strict:
                passed = y > size.value + near_by
            else:
                passed = y >= size.value - near_by
            assert (kind == "passed") == passed, (outcome, who)
        words = " ".join(str(one.text).replace("<br>", " ") for one in figure.layout.annotations)
        for arm in set(arms.values()):
            group = [who for who in expected if arms[who] == arm]
            passed = sum(kind == "passed" for *_, who, kind, _ in bars if who in group)
            assert f"{passed} of {len(group)} gained" in words.replace("\N{NO-BREAK SPACE}", " ")


def test_thresholds_of_the_protocol_are_drawn_where_they_lie_and_named_with_author_and_year(figures, study):
    for outcome, figure in family(figures, "ordered_changes").items():
        named = [threshold(key) for key in study.protocol.thresholds.get(outcome, ())]
        lines = {shape.y0 for shape in figure.layout.shapes if shape.type == "line" and shape.y0}
        wide = {shape.x0 for shape in family(figures, "cumulative_change")[outcome].layout.shapes
                if shape.type == "line"}  # fmt: skip
        assert lines == wide <= {size.value for size in named}
        caption = figure.layout.meta["caption"].replace("\N{NO-BREAK SPACE}", " ")
        for size in named:
            assert f"{size.value:g}" in caption
            assert size.key not in caption
            assert size.source not in caption


def test_cumulative_change_has_no_point_that_is_no_change_of_somebody(figures, scores, study):
    people = study.participants
    arm_of = dict(zip(people["participant"], people.get("arm", [""] * len(people)), strict=True))
    labels = {arm.label: arm.id for arm in study.protocol.arms}
    for outcome, figure in family(figures, "cumulative_change").items():
        gained = changes(scores, study, outcome)
        found = []
        for trace in figure.data:
            name, count, enrolled = re.match(r"(.*) \(n\s=\s(\d+)\sof\s(\d+)\)", trace.name).groups()
            arm = labels.get(name, "")
            group = [value for who, value in gained.items() if arm_of[who] == arm]
            assert (len(group), sum(own == arm for own in arm_of.values())) == (int(count), int(enrolled))
            of = len(group) if trace.meta == "observed" else int(enrolled)
            steps = points(trace)
            assert steps[-1] == pytest.approx((max(group), 0))  # the fall after the best change
            assert set(near(x for x, _ in steps)) == set(near(group))
            assert trace.mode == "lines"
            for x, y in steps[:-1]:
                assert y == pytest.approx(100 * sum(value >= x - 1e-9 for value in group) / of)
            found += [y for _, y in steps[:-1]] if trace.meta == "observed" else []
        assert near(found) == near(row["share"] for row in frame(figure))


def texts(figure: go.Figure, column: bool = False) -> list[str]:
    """The words written on a figure, without tags and with plain spaces."""
    found = figure.layout.meta["column"]["annotations"] if column else figure.layout.annotations
    words = [one["text"] if isinstance(one, dict) else one.text for one in found]
    plain = (re.sub(r"<[^>]*>", "", re.sub("<br>", " ", word or "")) for word in words)
    return [word.replace("\N{NO-BREAK SPACE}", " ") for word in plain]


def printed(value: float, decimals: int) -> str:
    """A number as a figure prints it, rounded half away from zero."""
    rounded = math.floor(abs(value) * 10**decimals + 0.5) / 10**decimals
    return f"{'−' if value < 0 and rounded else ''}{rounded:.{decimals}f}"


def test_responder_shares_and_intervals_by_counting_and_by_statsmodels(figures, scores, study):
    """Wilson intervals: statsmodels.stats.proportion.proportion_confint; differences: confint_proportions_2indep."""
    for outcome, figure in family(figures, "responder_shares").items():
        rows, drawn = frame(figure), intervals(figure)
        gained = changes(scores, study, outcome)
        named = set(study.protocol.thresholds.get(outcome, ()))
        arms = list(dict.fromkeys(row["arm"] for row in rows))
        if len(arms) == 1:
            assert {row["n"] for row in rows} == {len(gained)}
        by_threshold = defaultdict(dict)
        for row in rows:
            by_threshold[row["threshold"], row["value"]][row["arm"]] = row
        expected = Counter()
        for (key, value), own_rows in by_threshold.items():
            improved = sum(row["improved"] for row in own_rows.values())
            for row in own_rows.values():
                low, high = proportion_confint(row["improved"], row["n"], method="wilson")
                assert row["share"] == pytest.approx(100 * row["improved"] / row["n"])
                assert (row["share_low"], row["share_high"]) == pytest.approx((100 * low, 100 * high), abs=1e-6)
                assert row["n"] + row["missing"] == row["enrolled"]
                if improved or set(key.split(" / ")) & named:  # a threshold nobody reached is named under the table
                    expected += near([row["share"]])
                    for column, between in ((False, " of "), (True, "/")):
                        assert f"{row['improved']}{between}{row['n']}" in texts(figure, column)
            # Forces within 0.05 kgf of a threshold count as equal to it (converted units); all else to the last digit.
            near_by = 0.05 if ".force" in outcome else 1e-9
            at_least = sum(gain >= value - near_by for gain in gained.values())
            more = sum(gain > value + near_by for gain in gained.values())
            # Two keys in one: another size for the dominant hand, which can only add people.
            assert improved >= at_least if " / " in key else improved in (at_least, more)
            if len(arms) == 2 and (improved or set(key.split(" / ")) & named):
                one, other = (own_rows[arm] for arm in ("practice", "usual"))
                low, high = confint_proportions_2indep(
                    one["improved"], one["n"], other["improved"], other["n"], method="newcomb"
                )
                middle = (one["share"] - other["share"]) / 100
                told = f"{printed(100 * middle, 0)} ({printed(100 * low, 0)} to {printed(100 * high, 0)})"
                assert told in texts(figure)
                assert told in texts(figure, column=True)
        assert near(x for x, *_ in drawn) == expected


def test_effect_sizes_are_those_of_the_frame_with_their_intervals_and_n(figures, scores, study, fits):
    inside = next(one for name, one in family(figures, "effect_sizes").items() if name == "g_av")
    compared = next(one for name, one in family(figures, "effect_sizes").items() if name == "from_the_model")
    for figure in (inside, compared):
        rows = frame(figure)
        low, high = figure.layout.xaxis.range
        assert low == -high
        drawn = [interval for trace in figure.data if trace.meta != "beyond" for interval in intervals_of(trace)]
        expected = [(row["effect"], max(row["effect_low"], low), min(row["effect_high"], high)) for row in rows]
        assert np.array(sorted(drawn)) == pytest.approx(np.array(sorted(expected)))
        beyond = sum((row["effect_low"] < low) + (row["effect_high"] > high) for row in rows)
        assert beyond == sum(len(trace.x) for trace in figure.data if trace.meta == "beyond")
        for row in rows:
            ends = [printed(row[name], 2) for name in ("effect", "effect_low", "effect_high")]
            assert f"{ends[0]} ({ends[1]} to {ends[2]})" in texts(figure)
            assert any(str(row["n"]) in word.split() for word in texts(figure))
    arm_of = dict(zip(study.participants["participant"], study.participants.get("arm", [""] * 99), strict=False))
    for row in frame(inside):  # the sign and the size, from the scores: mean improvement over the mean of the two SDs
        gained = changes(scores, study, row["outcome"])
        mean = np.mean([value for who, value in gained.items() if arm_of[who] == row["arm"]])
        # Hedges' factor for small samples lies between 0.7 and 1 from five people on.
        assert 0.7 <= row["effect"] / (mean / row["standardiser_value"]) <= 1 or abs(mean) < 1e-9
    for row in frame(compared):  # the numbers in the own unit are those of the model
        fit = next(one.fit for one in fits.main if one.outcome == row["outcome"])
        answer = (fit.between() if len(fit.arms) > 1 else fit.changes()).frame(study.protocol.level)
        at = answer[answer["visit"] == study.protocol.estimand["visit"]].iloc[0]
        sign = -1 if fit.better == "lower" else 1
        assert row["estimate"] == pytest.approx(sign * at["estimate"])
        assert row["conf_low"] == pytest.approx(min(sign * at["conf_low"], sign * at["conf_high"]))
        # Hedges' factor: 0.93 at 11 df (12 people in one arm), nearer to 1 with more.
        assert 0.92 < row["effect"] / (row["estimate"] / row["standardiser_value"]) < 1


def test_pairs_draw_the_difference_of_each_person_and_the_means_of_complete_pairs(figures, scores, study):
    for name, figure in family(figures, "pairs").items():
        between, _, outcome = name.partition("/")
        first, second = hands.KINDS[between]
        pick = {value: own(scores, outcome, **{between: (value,)}) for value in (first, second)}
        if between == "condition":
            pick[second] = own(scores, outcome)
            pick[first] = own(scores, outcome, condition=(first,))
        sign = -1 if (scores.loc[scores["outcome"] == outcome, "better"] == "lower").any() else 1
        both = set(pick[first]) & set(pick[second])
        order = [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day)]
        seen = [visit for visit in order if any(key[1] == visit for key in both)]
        at = study.protocol.estimand["visit"]
        visits = {seen[0], at if at in seen else seen[-1]}
        expected = {key: sign * (pick[first][key] - pick[second][key]) for key in both if key[1] in visits}
        dots = [y for trace in figure.data if trace.meta == "people" for y in trace.y]
        assert near(dots) == near(expected.values()) == near(row["difference"] for row in frame(figure))
        people = study.participants
        arm_of = dict(zip(people["participant"], people.get("arm", [""] * len(people)), strict=True))
        groups = defaultdict(list)
        for (who, visit), value in expected.items():
            groups[arm_of[who], visit].append(value)
        means = sorted(trace.y[0] for trace in figure.data if trace.meta == "mean")
        assert means == pytest.approx(sorted(np.mean(group) for group in groups.values()))
        for group in groups.values():
            assert any(f"n = {len(group)}" in word for word in texts(figure))


def test_grip_is_drawn_as_a_share_of_the_norm_with_medians_and_doubted_values_ringed(figures, study):
    (figure,) = family(figures, "grip_norms").values()
    rows = frame(figure)
    for row in rows:
        assert row["z"] == pytest.approx((row["value"] - row["norm_mean"]) / row["norm_sd"])
        assert row["percent"] == pytest.approx(100 * row["value"] / row["norm_mean"])
    order = [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day)]
    shown = {order[0], study.protocol.estimand["visit"]}
    expected = [row["percent"] for row in rows if row["visit"] in shown]
    assert near(y for trace in figure.data if trace.meta == "people" for y in trace.y) == near(expected)
    groups = defaultdict(list)
    for row in rows:
        if row["visit"] in shown:
            groups[row["visit"], row["hand"]].append(row["percent"])
    medians = sorted(trace.y[0] for trace in figure.data if trace.meta == "median")
    assert medians == pytest.approx(sorted(np.median(group) for group in groups.values()))


def test_the_map_has_one_mark_per_planned_score_of_the_primary_outcome(figures, scores, study):
    figure, primary = figures["missing_map"], study.protocol.primary
    planned = len(study.participants) * len(study.protocol.visits_of(primary))
    marks = Counter(trace.meta for trace in figure.data for _ in trace.x)
    made = len(own(scores, primary))
    assert sum(marks.values()) == planned == len(frame(figure))
    assert marks["scored"] == made == sum(row["state"] == "scored" for row in frame(figure))
    assert f"{made} of {planned} planned scores" in figure.layout.meta["finding"]
    places = [(x, y) for trace in figure.data for x, y in zip(trace.x, trace.y, strict=True)]
    assert len(set(places)) == planned
    away = {(row.participant, row.visit) for row in study.visits.itertuples() if row.status in ("missed", "withdrawn")}
    scored = {(row["participant"], row["visit"]) for row in frame(figure) if row["state"] == "scored"}
    assert marks["visit missed or withdrawn"] == len(away - scored)


def test_the_flow_counts_everyone_once(figures, scores, study, fits):
    """Allocated, seen, lost and analysed by counting rows; who is enrolled is either seen, lost or missed the visit."""
    figure = figures["participant_flow"]
    told = {(row["arm"], row["stage"], row["visit"]): row["count"] for row in frame(figure)}
    there = {(row.participant, row.visit) for row in scores[scores["value"].notna()].itertuples()}
    there |= {(row.participant, row.visit) for row in study.visits.itertuples() if row.status == "attended"}
    people = study.participants
    arm_of = dict(zip(people["participant"], people.get("arm", [""] * len(people)), strict=True))
    left = set(study.visits.loc[study.visits["status"] == "withdrawn", "participant"])
    main = next(one.fit for one in fits.main if one.outcome == study.protocol.primary)
    at = study.protocol.estimand["visit"]
    for arm in set(arm_of.values()):
        own_people = [who for who in arm_of if arm_of[who] == arm]
        assert told[arm, "allocated", ""] == len(own_people)
        assert told[arm, "withdrew", ""] == len(left & set(own_people))
        assert told[arm, "In the mixed model", at] == len(set(main.rows["participant"]) & set(own_people))
        gained = changes(scores, study, study.protocol.primary)
        (counted,) = [
            n for (whose, stage, _), n in told.items() if whose == arm and stage.startswith("counted against")
        ]
        assert counted == len(set(gained) & set(own_people))
        for visit in study.protocol.visits:
            seen = sum((who, visit.id) in there for who in own_people)
            assert told[arm, "seen", visit.id] == seen
            for column in (False, True):
                assert any(f"{visit.label}: {seen} of {len(own_people)}" in word for word in texts(figure, column))
            lost = sum((who, visit.id) not in there and who in left for who in own_people)
            assert told.get((arm, "missed", visit.id), 0) == len(own_people) - seen - lost
    assert figure.layout.shapes[0].line.dash == "dash"  # how many were assessed is not stated in this study
    assert "number to be written in" in " ".join(texts(figure))


def test_adherence_is_minutes_done_of_minutes_prescribed_against_the_change(figures, scores, study):
    """Rank correlation: scipy.stats.spearmanr; its interval by Fisher's z with Bonett and Wright's variance."""
    figure = figures["adherence"]
    done, asked = defaultdict(float), defaultdict(float)
    for row in study.sessions.itertuples():
        done[row.participant] += 0 if math.isnan(row.minutes_performed) else row.minutes_performed
        asked[row.participant] += 0 if math.isnan(row.minutes_prescribed) else row.minutes_prescribed
    gained = changes(scores, study, study.protocol.primary)
    dots = {data[0]: point for trace in figure.data if trace.meta == "people"
            for point, data in zip(points(trace), trace.customdata, strict=True)}  # fmt: skip
    assert set(dots) == set(done) & set(gained)
    for who, (x, y) in dots.items():
        assert (x, y) == pytest.approx((100 * done[who] / asked[who], gained[who]))
    crosses = {data[0] for trace in figure.data if trace.meta == "missing" for data in trace.customdata}
    assert crosses == set(done) - set(gained)
    rho = spearmanr(*zip(*dots.values(), strict=True)).statistic
    half = norm.ppf(0.975) * math.sqrt((1 + rho**2 / 2) / (len(dots) - 3))
    ends = [printed(math.tanh(math.atanh(rho) + side * half), 2) for side in (-1, 1)]
    finding = figure.layout.meta["finding"].replace("\N{NO-BREAK SPACE}", " ")
    assert f"Spearman {printed(rho, 2)} ({ends[0]} to {ends[1]}), n = {len(dots)}" in finding


def test_change_by_baseline_draws_everybody_with_both_scores_and_the_end_of_the_scale(figures, scores, study):
    ((outcome, figure),) = family(figures, "change_by_baseline").items()
    gained, values = changes(scores, study, outcome), own(scores, outcome)
    first = study.protocol.baseline.id
    drawn = Counter(point for trace in figure.data for point in points(trace))
    assert drawn == Counter((values[who, first], gain) for who, gain in gained.items())
    high = 66 if outcome == "fma_ue.motor" else None  # the published maximum of the motor part
    for line in (shape for shape in figure.layout.shapes if shape.line.dash == "dash"):
        assert high is None or line.x0 + line.y0 == pytest.approx(high) == line.x1 + line.y1


def test_floor_and_ceiling_count_everybody_with_a_score(figures, scores, study):
    figure = figures["floor_and_ceiling"]
    rows = frame(figure)
    counted = defaultdict(dict)
    for row in rows:
        counted[row["outcome"], row["visit"]][row["kind"]] = row["count"]
        assert row["percent"] == pytest.approx(100 * row["count"] / row["n"])
    for (outcome, visit), kinds in counted.items():
        values = [value for (_, at), value in own(scores, outcome).items() if at == visit]
        assert sum(kinds.values()) == len(values)
        instrument, scale = outcome_scale(outcome)
        assert kinds.get("at the worst end", 0) == sum(value == scale.low for value in values) or instrument.id == "mas"
    bars = [(y, x, start) for trace in figure.data for y, x, start in zip(trace.y, trace.x, trace.base, strict=True)]
    for place in {y for y, *_ in bars}:
        pieces = sorted((start, x) for y, x, start in bars if y == place)
        assert sum(x for _, x in pieces) == pytest.approx(100)
        ends = [start + x for start, x in pieces]
        assert [start for start, _ in pieces[1:]] == pytest.approx(ends[:-1])  # one after the other, no gap


def test_agreement_shows_every_pair_and_exact_limits(study, scores):
    """Bland-Altman limits by hand: mean and 1.96 SD of the differences; equal pairs are one dot with their number."""
    rows = scores[(scores["outcome"] == study.protocol.primary) & scores["value"].notna()]
    rows = rows[rows["hand"].isin(["affected", ""]) & rows["condition"].isin(["unassisted", ""])]
    first = rows.drop_duplicates("participant")[["participant", "value"]].head(12)
    pairs = pd.DataFrame({"participant": first["participant"], "first": first["value"],
                          "second": first["value"] + np.tile([0.0, 1.0, -1.0], 4)})  # fmt: skip
    limits = limits_of_agreement(pairs["first"], pairs["second"], unit="points")
    named = {"about": "x", "compared": ("one", "other"), "name": "agreement/x", "digits": 1, "level": 0.95}
    figure = agreement_figure(pairs, limits, **named)
    (trace,) = figure.data
    drawn = Counter()
    for x, y, text in zip(trace.x, trace.y, trace.text, strict=True):
        drawn[x, y] += int(text or 1)
    assert drawn == Counter(zip((pairs["first"] + pairs["second"]) / 2, pairs["first"] - pairs["second"], strict=True))
    difference = pairs["first"] - pairs["second"]
    lines = sorted(shape.y0 for shape in figure.layout.shapes if shape.type == "line" and shape.y0)
    reach = norm.ppf(0.975) * difference.std(ddof=1)
    ends = [difference.mean() - reach, difference.mean(), difference.mean() + reach]
    assert lines == pytest.approx(sorted(value for value in ends if abs(value) > 1e-12))
    assert agreement_figure(pairs.head(9), limits, **named) is None  # fewer than ten people: a table


def test_model_checks_pool_all_residuals_in_a_simulated_envelope_and_show_everybodys_influence(figures, study, fits):
    ((outcome, figure),) = family(figures, "model_checks").items()
    fit = next(one.fit for one in fits.main if one.outcome == outcome)
    residuals = [row for row in frame(figure) if row["kind"] == "residual"]
    scaled = fit.fit.diagnostics().residuals["scaled"]
    assert near(row["scaled"] for row in residuals) == near(scaled)
    drawn = {trace.meta: trace for trace in figure.data}
    ordered = sorted(row["scaled"] for row in residuals)
    expected = [norm.ppf((rank - 0.375) / (len(ordered) + 0.25)) for rank in range(1, len(ordered) + 1)]
    assert list(drawn["quantiles"].x) == pytest.approx(expected)  # one rank over all visits
    assert list(drawn["quantiles"].y) == pytest.approx(ordered)
    assert Counter(points(drawn["by fitted"])) == Counter((row["fitted"], row["scaled"]) for row in residuals)
    low = [row["low"] for row in residuals]
    assert low == sorted(low)
    assert all(row["low"] < row["high"] for row in residuals)
    # everybody, and for some the answer of the model fitted again without them
    influence = {row["participant"]: row["shift"] for row in frame(figure) if row["kind"] == "influence"}
    assert set(influence) == set(fit.rows["participant"])
    assert near(drawn["influence"].x) == near(influence.values())


def test_the_power_curves_rise_over_every_n_and_mark_the_n_each_asks_for(figures, study, analysis):
    if not study.protocol.reference_arm:
        assert "power_curve" not in figures  # a single-arm study plans no comparison
        return
    figure, plan = figures["power_curve"], planning.plan_next(analysis, None, None, 0.9).plan
    rows = frame(figure)
    sizes = [row["n_per_arm"] for row in rows]
    assert sizes == list(range(sizes[0], sizes[-1] + 1))  # no number left out
    lines = {trace.meta: trace for trace in figure.data if trace.meta != "wanted"}
    assert set(lines) == {"estimated", "sd_upper", "correlation_lower", "averaged"}
    for name, trace in lines.items():
        assert list(trace.x) == sizes
        assert list(trace.y) == pytest.approx([row[f"percent {name}"] for row in rows])
        assert list(trace.y) == sorted(trace.y)
    # Analysis of covariance by hand: noncentral t with the SD the baseline leaves, averaged over the chance imbalance
    # of the baseline, whose square over its spread is t²/(2n - 2) times 2/n.
    sd, r, difference = (plan.inputs[name].value for name in ("sd", "correlation", "difference"))
    left, chances = sd * np.sqrt(1 - r**2), (np.arange(2000) + 0.5) / 2000
    for row in rows[:: len(rows) // 4]:
        n = row["n_per_arm"]
        imbalance = t.ppf(chances, 2 * n - 2) ** 2 / (2 * n - 2)
        shift = difference / (left * np.sqrt(2 / n * (1 + imbalance)))
        expected = np.mean(nct.sf(t.isf(0.025, 2 * n - 3), 2 * n - 3, shift))
        assert row["percent estimated"] / 100 == pytest.approx(expected, abs=2e-3)
        assert row["percent sd_upper"] < row["percent estimated"]
        assert row["recruit"] >= n
    limit = sd * np.sqrt(plan.inputs["sd"].df / chi2.isf(0.8, plan.inputs["sd"].df))
    assert plan.change(sd=known_value(limit, "by hand")).n_per_arm in sizes
    marks = {trace.name: (trace.x[0], trace.y[0]) for trace in figure.data if trace.meta == "wanted"}
    assert len(marks) == 4
    for n, power in marks.values():
        assert power >= 90
        smaller = [row for row in rows if row["n_per_arm"] == n - 1]
        assert not smaller or any(row[f"percent {name}"] < 90 for row in smaller for name in lines)
        assert any(f"n = {n}:" in word for word in texts(figure))
        assert any(f"n = {n}:" in word for word in texts(figure, column=True))
