"""One kind of result: everything public answers to the same questions, and is asked for the level of its intervals."""

import importlib
import inspect
import pkgutil
import re
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pandas as pd
import pytest

import stats
from outcomes import score
from stats.change.change_fit import fit_change
from stats.change.conditions import fit_conditions
from stats.change.person_changes import change_table
from stats.change.within_visit import compare_within_visit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import effect_sizes
from stats.effects.for_an_application import grant_summary
from stats.effects.one_effect import effect_size
from stats.estimates import Estimate
from stats.measurement.agreement import limits_of_agreement
from stats.measurement.error_of_measurement import measurement_error
from stats.measurement.reliability import intraclass_correlation, kappa
from stats.planning.closed_form.means import plan_means
from stats.planning.inputs import pilot_sd
from stats.planning.pilot.pilot_uncertainty import assurance, power_curve, size_over_pilot_sd
from stats.proportions.exact_tests import exact_test
from stats.proportions.number_needed import number_needed_to_treat
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.one_rate import rate_interval
from stats.proportions.two_proportions import risk_difference
from stats.responders.between_arms import compare_responders
from stats.responders.beyond_error import clinical_cutoffs, reliable_change
from stats.responders.count import count_responders
from stats.responders.cumulative import cumulative_change
from stats.responders.reaching import count_reaching
from stats.result import ESTIMATE_COLUMNS, Result
from synthetic_cohort import make_cohort

OUTCOME = "fma_ue.motor"


def modules():
    for found in pkgutil.walk_packages(stats.__path__, "stats."):
        yield importlib.import_module(found.name)


def results() -> list[type]:
    found = {
        thing
        for module in modules()
        for thing in vars(module).values()
        if inspect.isclass(thing) and issubclass(thing, Result) and thing is not Result
    }
    return sorted(found, key=lambda one: one.__name__)


@pytest.mark.parametrize("kind", results(), ids=lambda kind: kind.__name__)
def test_a_result_is_asked_for_its_level(kind):
    names = {field.name for field in fields(kind)} | set(dir(kind))
    assert is_dataclass(kind)
    assert kind.__dataclass_params__.frozen
    assert {"unit", "n_participants", "notes"} <= names
    assert "level" not in names
    for method in (kind.frame, kind.sentence):
        assert inspect.signature(method).parameters["level"].default == 0.95


def test_design_is_a_keyword_everywhere():
    """After the first two arguments, by name only."""
    for module in modules():
        for name, thing in vars(module).items():
            if inspect.isfunction(thing) and not name.startswith("_") and thing.__module__ == module.__name__:
                parameter = inspect.signature(thing).parameters.get("design")
                if parameter is not None and parameter.default is not parameter.empty:
                    assert parameter.kind is parameter.KEYWORD_ONLY, f"{module.__name__}.{name}"


@pytest.fixture(scope="module")
def made() -> dict[str, object]:
    """A result of every public function that can be had from a small study or from a few numbers."""
    study = make_cohort("demo", seed=1).study
    scores, protocol = score(study), study.protocol
    ratings = pd.DataFrame({"p": [1, 1, 2, 2, 3, 3, 4, 4], "r": [1, 2] * 4, "v": [3.0, 4, 6, 5, 9, 9, 2, 4]})
    counted = count_responders(scores, 5, select=OUTCOME, source="drawn", design=protocol)
    plan = plan_means(difference=5, sd=pilot_sd(9.0, 22, "pilot"), power=0.8)
    fit = fit_change(scores, OUTCOME, design=protocol)
    device = make_cohort("device_pilot", seed=1).study
    pairs = score(device)
    both = pairs.loc[pairs["condition"] == "assisted", "outcome"].iloc[0]
    return {
        "fit_change": fit,
        "changes": fit.changes(),
        "robust": fit.robust(),
        "joint": fit.joint(),
        "permute": fit.permute(np.random.default_rng(1), deals=99),
        "bootstrap": fit.bootstrap(np.random.default_rng(1), replicates=99),
        "fit_conditions": fit_conditions(pairs, both, design=device.protocol),
        "compare_within_visit": compare_within_visit(pairs, both),
        "count_responders": counted,
        "compare_responders": compare_responders(counted, protocol.reference_arm),
        "cumulative_change": cumulative_change(scores, OUTCOME),
        "count_reaching": count_reaching(pairs, "grip.force", value=15, unit="kgf"),
        "rate_interval": rate_interval(3, 120, per=100),
        "reliable_change": reliable_change(change_table(scores, OUTCOME), error=3),
        "clinical_cutoffs": clinical_cutoffs(40, 7.5, 60, 7.5),
        "effect_sizes": effect_sizes(scores, OUTCOME),
        "model_effects": model_effects(scores, OUTCOME, design=protocol),
        "grant_summary": grant_summary(scores, OUTCOME),
        "effect_size": effect_size("g", [1, 2, 4, 3], [3, 4, 6, 6]),
        "proportion_interval": proportion_interval(7, 12),
        "risk_difference": risk_difference(7, 12, 3, 12),
        "number_needed": number_needed_to_treat(9, 10, 3, 10),
        "exact_test": exact_test(7, 12, 3, 12),
        "intraclass_correlation": intraclass_correlation(ratings, target="p", rater="r", value="v"),
        "measurement_error": measurement_error(ratings, target="p", rater="r", value="v"),
        "limits_of_agreement": limits_of_agreement([1, 2, 4, 3], [3, 4, 6, 6]),
        "kappa": kappa([1, 2, 2, 1], [1, 2, 1, 1]),
        "plan_means": plan,
        "assurance": assurance(plan),
        "power_curve": power_curve(plan, [20, 40]),
        "size_over_pilot_sd": size_over_pilot_sd(plan),
    }


def test_every_result_answers_in_numbers_and_in_words(made):
    for name, one in made.items():
        assert isinstance(one, Result), name
        assert len(one.frame(level=0.9)), name
        assert one.sentence(level=0.9).endswith("."), name
        assert isinstance(one.notes, tuple), name
        assert isinstance(one.unit, str), name
        assert one.n_participants >= 0, name
        assert "<" in one._repr_html_(), name


def test_every_column_of_a_result_is_named_where_it_is_explained(made):
    """In the docstring of `frame`, of the record, of the function that made it, or among the columns all share."""
    silent = {}
    for name, one in made.items():
        maker = next((found for module in modules() if inspect.isfunction(found := vars(module).get(name))), None)
        told = (type(one).frame, type(one), maker, *({change_table} if name == "reliable_change" else ()))
        docs = " ".join(inspect.getdoc(where) or "" for where in told if where is not None)
        known = set(re.findall(r"\w+", docs)) | set(ESTIMATE_COLUMNS)
        if missing := [column for column in map(str, one.frame().columns) if column not in known]:
            silent[name] = missing
    assert silent == {}


def test_a_higher_level_gives_wider_intervals(made):
    for name, one in made.items():
        narrow, wide = one.frame(level=0.8), one.frame(level=0.99)
        if "conf_low" in narrow and name != "number_needed":  # its interval can run through infinity
            inside = (wide["conf_low"] <= narrow["conf_low"]) & (narrow["conf_high"] <= wide["conf_high"])
            assert (inside | narrow["conf_low"].isna()).all(), name


def test_limits_asked_for_with_the_estimate_are_those_of_the_frame():
    found = proportion_interval(7, 12, level=0.8)
    assert found.conf_low == found["conf_low"] == found.frame(level=0.8)["conf_low"].item()
    assert proportion_interval(7, 12).conf_low == found.frame()["conf_low"].item()
    needed = number_needed_to_treat(9, 10, 3, 10, level=0.8)
    assert needed.conf_high == needed["conf_high"] == needed.frame(level=0.8)["conf_high"].item()


def test_a_note_cannot_put_anything_into_the_page():
    estimate = proportion_interval(7, 12)
    assert isinstance(estimate, Estimate)
    shown = replace(estimate, notes=("<script>x</script> & more",))._repr_html_()
    assert "<script>" not in shown
    assert "&lt;script&gt;x&lt;/script&gt; &amp; more" in shown
