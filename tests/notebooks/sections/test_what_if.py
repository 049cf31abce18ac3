"""What if: every row is the answer of the plain call with that choice, the protocol's row is the main result itself.

The choices behind each row are written down here by hand and not read back from the program.
"""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from notebooks.analysis import Analysis
from notebooks.sections import other_choices as choices
from notebooks.sections.change import fit_outcomes
from notebooks.sections.missing import every_assumption as assumed
from notebooks.show.names import Names
from outcomes import read_study, score
from outcomes.new_study.blank_folder import new_study
from outcomes.protocol.trial import ModelChoice
from stats import count_responders, fit_change
from stats.change import fit_crossover
from stats.choices import what_if
from stats.choices.choice_answers import _left_out_of
from stats.errors import FitError
from stats.missing import impute, long_run_difference, visit_table
from stats.responders import compare_responders
from stats.selection import Selection
from synthetic_cohort import make_cohort
from tests.stats.change.test_fit_change import PARALLEL, scores_of

STUDIES = Path(__file__).resolve().parents[2] / "studies"
# Another time course brings its own covariance and way of the baseline.
BY_RULE = {"random": None, "covariance": None, "baseline": "auto"}
MODELS = {
    ("covariance", "unstructured"): {"random": None, "covariance": "unstructured"},
    ("covariance", "toeplitz"): {"random": None, "covariance": "toeplitz"},
    ("covariance", "ar1"): {"random": None, "covariance": "ar1"},
    ("covariance", "unequal ante-dependence"): {"random": None, "covariance": "unequal-ante-dependence"},
    ("covariance", "unequal compound symmetry"): {"random": None, "covariance": "unequal-compound-symmetry"},
    ("covariance", "random intercept"): {"random": "1", "covariance": None},
    ("covariance", "random intercept and slope"): {"random": "1 + time", "covariance": None},
    ("time course", "a straight line"): {"time": "linear", "knots": (), **BY_RULE},
    ("time course", "a mean per visit"): {"time": "visit", "knots": (), **BY_RULE},
    ("baseline", "one mean for all arms"): {"baseline": "constrained"},
    ("baseline", "covariate"): {"baseline": "covariate"},
    ("baseline", "taken off: the change is the response"): {"baseline": "change"},
    ("baseline", "missing ones set to the mean, with an indicator"): {"missing_baseline": "mean-and-indicator"},
    ("baseline", "people without one left out"): {"missing_baseline": "leave-out"},
    ("baseline", "visit like the others"): {"baseline": "outcome"},
}
FILLED = ("missed visits imputed", "ends of the scale")
ASSUMED = {
    "as others of the arm (missing at random)": "normal",
    "means of the reference arm after leaving": "jump-to-reference",
    "steps of the reference arm after leaving": "copy-increments",
    "as if in the reference arm throughout": "copy-reference",
    "mean of the last visit seen stays": "last-mean",
}
NUMBERS = ["estimate", "std_error", "df", "p_value", "conf_low", "conf_high"]


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    """Studies by name, read once, with their scores and their what-if."""
    base, made = tmp_path_factory.mktemp("studies"), {}

    def get(name: str):
        if name not in made:
            folder = STUDIES / name
            if not folder.is_dir():
                folder = base / name
                make_cohort(name, seed=1, folder=folder)
            study = read_study(folder)
            scores = score(study)
            made[name] = (study, scores, what_if(study, scores=scores))
        return made[name]

    return get


def same(found: list[float], expected: list[float]) -> None:
    """Equal but for the last digits: two plain calls in a row already differ there, by where arrays lie in memory."""
    np.testing.assert_allclose(found, expected, rtol=1e-12, atol=0)


def numbers_of(estimates, level: float, visit: str, arm: str) -> list[float]:
    frame = estimates.frame(level)
    if "visit" in frame:
        frame = frame[(frame["visit"] == visit) & (frame["arm"].astype(str) == arm)]
    return frame.iloc[0][NUMBERS].astype(float).tolist()


def present(scores, outcome: str, visits) -> set[str]:
    rows = scores[(scores["outcome"] == outcome) & scores["value"].notna()]
    rows = rows[rows["hand"].isin(["affected", ""]) & (rows["condition"] == "unassisted")]
    return {
        code for code in set(rows["participant"]) if set(visits) <= set(rows.loc[rows["participant"] == code, "visit"])
    }


def untreated(study, least: float) -> set[str]:
    """People of the arm that trains who did less than this share of the prescribed minutes, or none that is known."""
    sums = study.sessions.groupby("participant")[["minutes_performed", "minutes_prescribed"]].sum(min_count=1)
    share = sums["minutes_performed"] / sums["minutes_prescribed"]
    arms = study.participants.set_index("participant")["arm"]
    return {code for code in arms.index if arms[code] == "practice" and not share.get(code, np.nan) >= least}


def asked_directly(row, study, scores):
    """The plain call for a row, its choices as written above."""
    protocol, outcome = study.protocol, study.protocol.primary
    # What the rules decided for everybody stays: another choice changes nothing else.
    decided = fit_change(scores, outcome, design=protocol, participants=study.participants).choice
    key, model, kept, df = (row["choice"], row["option"]), decided, scores, decided.df
    rows = scores[(scores["outcome"] == outcome) & scores["value"].notna()]
    days = rows.groupby("visit")["day"].first().sort_values()
    if not row["is_protocol"]:
        if key in MODELS:
            model = replace(model, **MODELS[key])
        elif row["choice"] == "degrees of freedom":
            df = row["option"]
        elif row["choice"] == "other model of the protocol":
            model = next(each for each in protocol.sensitivity if each.label == row["option"])
            df = "satterthwaite" if model.method == "ml" else None
        elif row["option"] == "only people with a score at every visit":
            kept = scores[scores["participant"].isin(present(scores, outcome, days.index))]
        elif row["option"] == "only people with the first and the last score":
            visit = protocol.headline_visit(set(days.index))
            kept = scores[scores["participant"].isin(present(scores, outcome, [days.index[0], visit]))]
        elif row["option"].startswith("only people with at least "):
            kept = scores[~scores["participant"].isin(untreated(study, float(row["option"].split()[5])))]
        elif row["option"].startswith("without "):
            kept = scores[scores["participant"] != row["option"].removeprefix("without ")]
        else:
            raise AssertionError(f"a row nobody checks: {key}")
    fit = fit_change(kept, outcome, design=protocol, model=model, participants=study.participants)
    return fit.between(df=df) if len(protocol.arms) > 1 else fit.changes(df=df)


@pytest.mark.parametrize("name", ["demo", "stroke_recovery", "five_person_cohort"])
def test_every_row_equals_the_plain_call_with_that_choice(studies, name):
    study, scores, found = studies(name)
    frame = found.frame()
    rows = frame[~frame["quantity"].str.contains("share") & (frame["reason"] == "") & ~frame["choice"].isin(FILLED)]
    assert len(rows) > 10
    for row in rows.to_dict("records"):
        arm = row["comparison"].partition(" - ")[0]
        expected = numbers_of(asked_directly(row, study, scores), study.protocol.level, found.visit, arm)
        same([row[column] for column in NUMBERS], expected)


def test_every_row_of_an_assumption_equals_the_plain_imputation(studies):
    study, scores, found = studies("demo")
    frame = found.frame()
    rows = frame[frame["choice"] == "missed visits imputed"].set_index("option")
    visits = [one.id for one in study.protocol.visits]
    visits = visits[: visits.index(found.visit) + 1]
    table = visit_table(scores, study.protocol.primary, visits=visits, participants=study.participants)
    for option, method in ASSUMED.items():
        plain = impute(table, m=200, method=method, reference="usual", seed=study.protocol.seed).difference()
        same(rows.loc[option, NUMBERS].astype(float).tolist(), plain.frame().iloc[0][NUMBERS].astype(float).tolist())
        if method != "normal":
            long_run = long_run_difference(table, method=method, reference="usual").frame().iloc[0]
            own = rows.loc[f"{option}, long-run variance", NUMBERS]
            same(own.astype(float).tolist(), long_run[NUMBERS].astype(float).tolist())
    held = pd.DataFrame(table.values).ffill(axis=1)
    there = held[0].notna()
    treated = pd.Series(table.arm == "practice").astype(float)
    X = np.column_stack([treated[there], np.ones(there.sum()), held[0][there]])
    carried = np.linalg.lstsq(X, held.iloc[:, -1][there], rcond=None)[0][0]
    assert rows.loc["last value carried on (for comparison only)", "estimate"] == pytest.approx(carried, rel=1e-9)
    assert len(rows) == 2 * len(ASSUMED) - 1 + 2


@pytest.mark.parametrize("name", ["demo", "stroke_recovery", "five_person_cohort"])
def test_the_protocol_row_is_the_main_result_of_the_report(studies, name):
    study, _, found = studies(name)
    (main,) = [one for one in fit_outcomes(Analysis(study)).main if one.outcome == study.protocol.primary]
    asked = main.fit.between(df=main.df) if len(study.protocol.arms) > 1 else main.fit.changes(df=main.df)
    frame = found.frame()
    own = frame[frame["is_protocol"] & ~frame["quantity"].str.contains("share")]
    assert set(own["choice"]) >= {"covariance", "degrees of freedom", "missing values", "people"}
    for row in own.to_dict("records"):
        arm = row["comparison"].partition(" - ")[0]
        expected = numbers_of(asked, study.protocol.level, found.visit, arm)
        same([row[column] for column in NUMBERS], expected)


def test_every_share_equals_the_plain_count_and_comparison(studies):
    study, scores, found = studies("demo")
    primary, frame = study.protocol.primary, found.frame()
    counted = count_responders(
        scores, "all", select=Selection(primary, found.visit, "baseline"), participants=study.participants
    )
    compared = {
        name: compare_responders(counted, "usual", denominator=name).frame(0.95).set_index("threshold")
        for name in ("observed", "enrolled")
    }
    rows = frame[frame["quantity"] == "difference in share improved"]
    thresholds = rows[rows["choice"] == "threshold"]
    assert set(thresholds["option"]) == {count.threshold for count in counted.counts}
    assert set(thresholds.loc[thresholds["is_protocol"], "option"]) == set(study.protocol.thresholds[primary])
    for row in rows.to_dict("records"):
        key, _, people = row["option"].partition(": ")
        expected = compared["enrolled" if people.startswith("everyone") else "observed"].loc[key]
        assert [row[name] for name in ("estimate", "conf_low", "conf_high")] == pytest.approx(
            [expected[name] for name in ("estimate", "conf_low", "conf_high")], abs=0
        )


def test_shares_of_one_arm_equal_the_plain_count(studies):
    study, scores, found = studies("five_person_cohort")
    frame = found.frame()
    rows = frame[(frame["choice"] == "threshold")].set_index("option")
    plain = count_responders(
        scores, "all", select=Selection(study.protocol.primary, found.visit), participants=study.participants
    ).frame()
    for one in plain.to_dict("records"):
        row = rows.loc[one["threshold"]]
        assert (row["estimate"], row["conf_low"], row["conf_high"]) == (
            one["estimate"], one["conf_low"], one["conf_high"],
        )  # fmt: skip


def test_a_crossover_is_answered_by_its_treatment_effect(studies):
    study, scores, found = studies("crossover")
    fit = fit_crossover(scores, study.protocol.primary, design=study.protocol)
    frame = found.frame()
    assert set(frame["quantity"]) == {"treatment effect", "difference in share improved"}
    frame = frame[frame["quantity"] == "treatment effect"]
    for row in frame[frame["is_protocol"]].to_dict("records"):
        same([row[name] for name in NUMBERS], fit.effect().frame().iloc[0][NUMBERS].astype(float).tolist())
    rest = scores[scores["participant"] != "TW03"]
    alone = fit_crossover(rest, study.protocol.primary, design=study.protocol).effect().frame().iloc[0]
    same([frame.set_index("option").loc["without TW03", "estimate"]], [alone["estimate"]])
    assert any("crossover" in line for line in found.left_out)


def test_a_refused_choice_is_a_row_with_its_reason(studies):
    study, scores, _ = studies("demo")
    without = replace(study, protocol=replace(study.protocol, criteria=()))
    frame = what_if(without, scores=scores, each_person=False).frame().set_index("option")
    assert np.isnan(frame.loc["only people with the dose", "estimate"])
    assert "dose=" in frame.loc["only people with the dose", "reason"]
    # Two people per arm: an unstructured covariance of five visits has no answer, and the row says so.
    few = [*study.participants.query("arm == 'usual'")["participant"][:2]]
    few += [*study.participants.query("arm == 'practice'")["participant"][:2]]
    small = what_if(scores[scores["participant"].isin(few)], design=study.protocol, each_person=False).frame()
    refused = small[small["estimate"].isna()]
    assert "unstructured" in set(refused["option"])
    assert (refused["reason"] != "").all()
    assert len(small[small["choice"] == "covariance"]) == 7


@pytest.mark.parametrize("covariance", ["unstructured", "unequal-ante-dependence"])
def test_a_protocol_that_cannot_be_fitted_stands_once_among_its_covariances(covariance):
    """Four people at six visits: the protocol's structure is refused, and is no other choice beside itself."""
    design = replace(PARALLEL, model=ModelChoice(covariance=covariance))
    rng = np.random.default_rng(1)
    people = pd.DataFrame({"participant": ["a", "b", "c", "d"], "arm": ["ctl", "exp"] * 2})
    rows = people.loc[np.repeat(range(4), 6)].assign(
        visit=[f"w{k}" for k in range(6)] * 4, day=[7.0 * k for k in range(6)] * 4, value=rng.normal(20, 5, 24)
    )
    options = what_if(scores_of(rows), design=design, participants=people).frame()
    own = options[options["choice"] == "covariance"]
    assert own["option"].is_unique
    assert own["is_protocol"].sum() == 1
    assert len(own) == 7


def test_the_dose_comes_from_the_caller_or_the_protocol_and_leaves_the_other_arm_alone(studies):
    study, scores, _ = studies("demo")
    gone = untreated(study, 0.8)
    assert gone
    criterion = {"id": "dose", "measure": "adherence", "at_least": 0.8, "go": 0.8, "stop": 0.5}
    with_criterion = replace(study, protocol=replace(study.protocol, criteria=(criterion,)))
    decided = fit_change(scores, study.protocol.primary, design=study.protocol).choice
    direct = fit_change(
        scores[~scores["participant"].isin(gone)], study.protocol.primary, design=study.protocol, model=decided,
    ).between().frame().set_index("visit")  # fmt: skip
    for found in (
        what_if(study, scores=scores, dose=0.8, each_person=False),
        what_if(with_criterion, scores=scores, each_person=False),
    ):
        row = found.frame().set_index("option").loc["only people with at least 0.8 of the prescribed minutes"]
        same([row["estimate"]], [direct.loc["week8", "estimate"]])


def test_the_full_grid_has_every_combination_once(studies):
    study, scores, _ = studies("five_person_cohort")
    frame = what_if(study, scores=scores, full=True).frame()
    grid = frame[frame["choice"] == "all together"]
    # 7 covariances x 2 courses x 2 ways of the baseline (one arm) x 5 df x 3 rules for missing values x 1 population
    assert len(grid) == 7 * 2 * 2 * 5 * 3
    assert grid["option"].is_unique
    assert grid["is_protocol"].sum() == 1


def test_leaving_out_each_of_many_people_is_asked_for_by_name(studies):
    study, scores, _ = studies("five_person_cohort")
    assert not what_if(study, scores=scores, each_person=False).frame()["option"].str.startswith("without ").any()
    assert what_if(study, scores=scores).frame()["option"].str.startswith("without ").sum() == 5


def test_a_frame_of_scores_without_a_protocol_is_refused_in_words(studies):
    _, scores, _ = studies("demo")
    with pytest.raises(FitError, match="design="):
        what_if(scores)


def test_a_filled_in_new_folder_says_what_was_left_out(tmp_path):
    folder = tmp_path / "mine"
    new_study(folder, instruments=["bbt"], arms=["control", "intervention"], visits=[("baseline", 0), ("week4", 28)])
    fill(folder)
    study = read_study(folder)
    shown = choices.what_if_exhibits(Analysis(study))
    assert "protocol" in shown.shown[-1].paragraphs[0]
    assert any("no sessions" in line for line in shown.left_out)
    assert any("names no threshold" in line for line in shown.left_out)


def fill(folder: Path) -> None:
    """Six people with a block count at two visits, as typed into the empty sheets."""
    people = [(f"P{n}", ("control", "intervention")[n % 2]) for n in range(1, 7)]
    (folder / "participants.csv").write_text(
        "participant,arm,affected_side\n" + "".join(f"{code},{arm},left\n" for code, arm in people), encoding="utf-8"
    )
    lines = ["participant,visit,instrument,scale,side,value"]
    for n, (code, arm) in enumerate(people):
        lines += [f"{code},baseline,bbt,blocks,left,{20 + 3 * n % 7}"]
        lines += [f"{code},week4,bbt,blocks,left,{24 + 5 * n % 9 + 4 * (arm == 'intervention')}"]
    for path in folder.glob("*.csv"):
        if path.stem not in ("participants", "data_dictionary"):
            path.unlink()
    (folder / "totals.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_the_report_records_the_rows_and_marks_the_protocol(stroke_report, numbers):
    found = numbers(stroke_report)
    where = "what_if/ability.total | covariance"
    assert f"{where} | unstructured | B - A/estimate" in found
    main = found["between_arms/ability.total | random intercept and slope | B, week8/estimate"]
    same([found[f"{where} | random intercept and slope | B - A/estimate"]], [main])
    page = (stroke_report / "report.html").read_text(encoding="utf-8")
    assert "What if other choices had been made" in page
    figure = json.loads((page.partition('type="application/json"')[2]).partition(">")[2].partition("</script>")[0])
    assert figure["data"]


INTERNAL = re.compile(
    r"imput|missing at random|\bMAR\b|jump|increment|reference|rubin|varianc|covari|likelihood|censor|binomial|estimand"
    r"|protocol|kenward|\bdf\b|_",
    re.IGNORECASE,
)


def test_one_page_answers_under_every_assumption_in_one_figure_and_a_sentence_each(studies):
    """Figure and sentences hold the rows of the what-if, all of them, in words without a term of statistics."""
    study, _, found = studies("demo")
    names = Names(study.protocol)
    frame = assumed.assumptions_only(found, names)
    kinds = {"missed visits imputed", "missing values", "ends of the scale"}
    expected = found.frame()[lambda rows: rows["choice"].isin(kinds) & ~rows["is_protocol"]]
    assert len(frame) == 1 + len(expected)
    assert len(expected) >= len(ASSUMED) + 2
    figure = assumed.answers_figure(assumed.in_figure_words(frame), names, found.visit, found.better, assumed.WORDING)
    drawn = [trace.x[0] for trace in figure.data]
    assert not assumed.in_figure_words(frame)["option"].duplicated().any()
    same(sorted(drawn), sorted(frame["estimate"].dropna()))
    said = assumed.sentences(frame, frame["comparison"].iloc[0], found, names)
    answered = frame[frame["estimate"].notna()]
    assert len(said) == len(answered)
    digits = names.decimals(found.outcome)
    for text, row in zip(said, answered.to_dict("records"), strict=True):
        assert f"{abs(row['estimate']):.{digits}f}" in text
        assert f" {'better' if row['estimate'] > 0 else 'worse'} with " in text.partition(" than with ")[0]
        assert not INTERNAL.search(text), text
    assert said[0].startswith("As planned, ")
    assert all(text.startswith("If ") for text in said[1:])
    words = [note["text"] for note in figure.layout.annotations] + [figure.layout.meta["caption"]]
    assert not any(INTERNAL.search(text) for text in words)
    # Imputation and the models of ends know no sites: where the plan does, two things differ, and both places say so.
    assert "left out as well" not in figure.layout.meta["caption"]
    model = replace(study.protocol.model, site="site", covariates=("age",))
    design = replace(study.protocol, model=model)
    shown = assumed.answers_figure(
        assumed.in_figure_words(frame), Names(design), found.visit, found.better, assumed.WORDING
    )
    told = shown.layout.meta["caption"]
    assert ' Under "Those who left"' in told
    assert "the sites and covariates of the planned model are left out as well." in told
    assert _left_out_of(study.protocol) == ()
    assert "sites and covariates of the planned model play no part" in _left_out_of(design)[0]


def test_the_figure_shows_the_protocols_answer_once_and_every_other_choice(studies):
    study, _, found = studies("demo")
    figure = choices.what_if_exhibits(Analysis(study)).shown[0]
    frame = found.frame()
    mean = frame[~frame["choice"].isin(choices.SHARE_CHOICES) & frame["estimate"].notna()]
    main = mean[mean["is_protocol"]].iloc[0]
    (own,) = [trace for trace in figure.data if trace.meta == "protocol"]
    assert own.marker.symbol == "diamond"
    same([own.x[0], own.x[0] - own.error_x.arrayminus[0], own.x[0] + own.error_x.array[0]],
         [main["estimate"], main["conf_low"], main["conf_high"]])  # fmt: skip
    (band,) = [shape for shape in figure.layout.shapes if shape.type == "rect"]
    same([band.x0, band.x1], [main["conf_low"], main["conf_high"]])
    # One dot per person left out; the others one row each, those that cannot move the estimate together in one.
    others = mean[~mean["is_protocol"]]
    single = others["option"].str.startswith("without ")
    (strip,) = [trace for trace in figure.data if trace.meta == "leaving one out"]
    same(sorted(strip.x), sorted(others.loc[single, "estimate"]))
    rest = others[~single]
    still = rest[np.isclose(rest["estimate"], main["estimate"], rtol=1e-6)]
    together = still[still.groupby("choice")["choice"].transform("size") > 1]
    rows = [trace.x[0] for trace in figure.data if trace.meta == "answer"]
    expected = [*rest.drop(together.index)["estimate"], *[main["estimate"]] * together["choice"].nunique()]
    assert sorted(rows) == pytest.approx(sorted(expected), rel=1e-6)
    words = " ".join(str(note.text) for note in figure.layout.annotations)
    assert words.count("As the protocol says") == 1
    for option in ("toeplitz", "ar1", "kenward-roger-observed"):
        assert option not in words
    # Every answer is in the numbers beside the figure.
    told = dict(figure.layout.meta["points"])
    drawn = [value for value in told["estimate"] if value is not None]
    same(sorted(drawn), sorted(mean["estimate"]))
