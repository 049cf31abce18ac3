"""Text of a study folder is data: nothing in a protocol or a header is run, wherever the model takes its terms from."""

import numpy as np
import pandas as pd
import pytest
from formulaic import Formula

from outcomes import StudyError, check, read_study, score
from outcomes.protocol.trial import ModelChoice
from stats import FitError, fit_change
from stats.change.term_columns import natural_spline, plain_name
from synthetic_cohort import make_cohort

ATTACKS = (  # each writes a file when it is run
    '{{np.f2py.os.system("touch {mark}")*0+time}}',
    '{{np.lib.os.system("touch {mark}") * 0 + time}}',
    'I(np.f2py.os.system("touch {mark}"))',
    'np.f2py.os.system("touch {mark}")',
    '(lambda: np.f2py.os.system("touch {mark}"))()',
    'Q("x") if np.f2py.os.system("touch {mark}") else time',
)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cohort") / "demo"
    make_cohort("demo", seed=3, folder=folder)
    return read_study(folder)


@pytest.fixture(scope="module")
def scores(study):
    return score(study)


def outcome_of(study) -> str:
    return study.protocol.primary


@pytest.mark.parametrize("attack", ATTACKS)
@pytest.mark.parametrize("place", ["[model]", "[[sensitivity]]"])
def test_random_of_a_protocol_is_never_run(attack, place, study, tmp_path):
    text = (study.folder / "study.toml").read_text(encoding="utf-8")
    mark = tmp_path / "ran"
    code = "1 + " + attack.format(mark=mark)
    if place == "[[sensitivity]]":
        text += f"\n[[sensitivity]]\nlabel = 'other'\nrandom = '''{code}'''\n"
    else:
        text = text.replace("[model]\n", f"[model]\nrandom = '''{code}'''\n") if "[model]" in text else (
            text + f"\n[model]\nrandom = '''{code}'''\n"
        )  # fmt: skip
    folder = tmp_path / "study"
    folder.mkdir()
    for entry in study.folder.iterdir():
        (folder / entry.name).write_bytes(entry.read_bytes())
    (folder / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=r"random: found .*; allowed are"):
        read_study(folder)
    assert not mark.exists()


@pytest.mark.parametrize("attack", ATTACKS)
def test_random_of_a_choice_is_never_run(attack, study, scores, tmp_path):
    mark = tmp_path / "ran"
    choice = ModelChoice(random="1 + " + attack.format(mark=mark))
    with pytest.raises(FitError, match="allowed are"):
        fit_change(scores, outcome_of(study), design=study.protocol, model=choice, participants=study.participants)
    assert not mark.exists()


@pytest.mark.parametrize(
    "attack", [*ATTACKS, "np", "C", "1", "a:b", "x * y", "`", "value", "time", "cell", "age ", "ﬁ"]
)
def test_a_header_of_any_text_is_a_covariate_and_is_never_run(attack, study, scores, tmp_path):
    """The same numbers under a harmless header give the same fit."""
    mark = tmp_path / "ran"
    header = attack.format(mark=mark)
    numbers = np.linspace(-1, 1, len(study.participants)) ** 3
    people = study.participants.assign(**{header: numbers, "harmless": numbers})

    def fit(name: str):
        choice = ModelChoice(random="1", covariates=(name,))
        return fit_change(scores, outcome_of(study), design=study.protocol, model=choice, participants=people)

    one, other = fit(header), fit("harmless")
    assert one.loglik == pytest.approx(other.loglik, rel=1e-12)
    np.testing.assert_allclose(one.means().estimate, other.means().estimate, rtol=1e-10)
    assert one.rows["value"].to_numpy() == pytest.approx(other.rows["value"].to_numpy())
    assert not mark.exists()
    rng = np.random.default_rng(1)
    assert len(one.permute(rng, deals=19).p_value) > 1


def test_a_knot_is_a_number():
    from stats.change.model_rows import ChangeRows

    with pytest.raises(ValueError, match="could not convert"):
        ChangeRows._time(None, ModelChoice(time="piecewise", knots=("4) + np.f2py",)))  # type: ignore[arg-type]


def test_functions_of_covariates_are_computed_columns(study, scores):
    """Against the same column computed by hand and given under its own name."""
    people = study.participants.assign(by_hand=np.log(study.participants["age"]))

    def fit(name: str):
        choice = ModelChoice(random="1", covariates=(name,))
        return fit_change(scores, outcome_of(study), design=study.protocol, model=choice, participants=people)

    one, other = fit("log(age)"), fit("by_hand")
    assert "log_age" in one.fit.terms
    assert one.loglik == pytest.approx(other.loglik, rel=1e-12)
    np.testing.assert_allclose(one.means().estimate, other.means().estimate)
    with pytest.raises(FitError, match="needs a column of numbers"):
        fit("log(sex)")
    with pytest.raises(FitError, match="Covariates not in the participants table: height"):
        fit("log(height)")
    assert sum(term.startswith("spline_age_3_") for term in fit("spline(age, 3)").fit.terms) == 3


def test_random_functions_are_computed_columns(study, scores):
    frame_fit = fit_change(
        scores, outcome_of(study), design=study.protocol, model=ModelChoice(time="linear", random="1 + sqrt(time)")
    )
    assert frame_fit.fit.random == "1 + sqrt_time"
    with pytest.raises(FitError, match=r"log\(time\) has no value at 0\.0"):
        fit_change(
            scores,
            outcome_of(study),
            design=study.protocol,
            model=ModelChoice(baseline="outcome", random="1 + log(time)"),
        )
    with pytest.raises(FitError, match="allowed columns of the model"):
        fit_change(scores, outcome_of(study), design=study.protocol, model=ModelChoice(random="1 + week"))


@pytest.mark.parametrize("columns", [2, 3, 4, 5])
def test_the_spline_spans_the_natural_splines_of_another_library(columns):
    """Same space as cr() of formulaic 1.2 with the same knots: projections of one basis on the other leave nothing."""
    values = np.sort(np.random.default_rng(5).normal(60, 12, 80))
    own = np.column_stack([np.ones(80), natural_spline(values, columns)])
    theirs = np.asarray(Formula(f"0 + cr(x, df={columns + 1})").get_model_matrix(pd.DataFrame({"x": values})))
    assert own.shape[1] == theirs.shape[1] == np.linalg.matrix_rank(theirs)
    for basis, other in ((own, theirs), (theirs, own)):
        left, *_ = np.linalg.lstsq(basis, other, rcond=None)
        np.testing.assert_allclose(basis @ left, other, atol=1e-8 * np.abs(other).max())


def test_a_spline_of_too_few_values_is_refused():
    with pytest.raises(FitError, match="too few distinct values"):
        natural_spline(np.array([1.0, 1, 1, 2]), 4, "spline(age, 4)")


def test_names_stay_what_they_are_where_they_are_names():
    assert [plain_name(name) for name in ("age", "Größe", "a b", "np", "value", "3", "")] == [
        "age", "Größe", "a_b", "np_", "value_", "column_3", "column_",
    ]  # fmt: skip


def test_ids_of_arms_and_visits_may_hold_any_mark(study, scores):
    """Colons, commas and brackets in ids: the same estimates as under plain ids."""
    arms = {arm.id: f"{arm.id}:x, [T.{number}]" for number, arm in enumerate(study.protocol.arms)}
    named = scores.assign(arm=scores["arm"].map(arms))
    for choice in (ModelChoice(random="1"), ModelChoice(time="linear", random="1")):
        one = fit_change(named, outcome_of(study), model=choice)
        other = fit_change(scores, outcome_of(study), model=choice)
        np.testing.assert_allclose(one.between().estimate, other.between().estimate, rtol=1e-9)


def test_a_good_study_has_no_finding_about_its_functions(study, tmp_path):
    folder = tmp_path / "study"
    folder.mkdir()
    for entry in study.folder.iterdir():
        (folder / entry.name).write_bytes(entry.read_bytes())
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text += '\n[[sensitivity]]\nlabel = "age bent"\ncovariates = ["spline(age, 3)"]\nrandom = "1 + time"\n'
    (folder / "study.toml").write_text(text, encoding="utf-8")
    assert "unknown covariate" not in set(check(read_study(folder)).frame()["rule"])
    (folder / "study.toml").write_text(text.replace("spline(age, 3)", "spline(height, 3)"), encoding="utf-8")
    assert "unknown covariate" in set(check(read_study(folder)).frame()["rule"])
