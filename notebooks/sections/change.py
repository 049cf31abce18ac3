"""Question 3: how much did each outcome change, and how much did the arms differ in that?"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.differences import differences_over_visits
from notebooks.figures.residuals import model_checks
from notebooks.figures.trajectories import Course, trajectories
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.flags import flagged_in, flagged_values
from notebooks.show.names import Names
from notebooks.show.numbers import MINUS
from notebooks.show.spoken import spoken
from notebooks.show.tables import Table
from outcomes import Study, threshold
from outcomes import columns as c
from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.change_fit import ChangeFit
from stats.change.person_changes import better_sign
from stats.choices.choice_grid import usable_df
from stats.errors import FitError
from stats.mixed.inference.fit_estimates import Estimates
from stats.mixed.inference.quantile_envelope import quantile_envelope
from stats.selection import Selection, rows

# Under the fixed effects of every model: the same estimates with each of these, so that a reader sees what it changes.
DF_SHOWN = ("kenward-roger", "kenward-roger-observed", "satterthwaite")
ESTIMATE = "{estimate} ({conf_low} to {conf_high})"
SEED = 20  # beside the study's own: of the draws behind the envelope of the residuals
FEW, DEALS = 15, 4999  # people per arm below which the arms are dealt again, and how often


@dataclass(frozen=True)
class Fitted:
    """One model of one outcome."""

    outcome: str
    choice: ModelChoice
    fit: ChangeFit

    @property
    def df(self) -> str:
        """Degrees of freedom of the choice (see `usable_df`)."""
        return usable_df(self.fit.choice)


@dataclass(frozen=True)
class Fits:
    """Every model of the protocol for every outcome; what could not be fitted has its reason."""

    study: Study
    scores: pd.DataFrame
    made: tuple[Fitted, ...]
    left_out: tuple[str, ...]
    flags: pd.DataFrame = field(default_factory=pd.DataFrame)  # values the checks want looked at

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)

    @property
    def level(self) -> float:
        """Interval level of the protocol."""
        return self.study.protocol.level

    @property
    def main(self) -> list[Fitted]:
        """The protocol's model of each outcome."""
        return [one for one in self.made if one.choice is self.study.protocol.model]


def fit_outcomes(analysis: Analysis) -> Fits:
    """The main model and every sensitivity model of the protocol, of each outcome."""
    protocol, made, left_out = analysis.study.protocol, [], []
    for outcome in protocol.outcomes:
        for choice in (protocol.model, *protocol.sensitivity):
            try:
                fit = analysis.fit(outcome, choice)
                fit.changes(df=Fitted(outcome, choice, fit).df)  # a model that can give no change of anybody is none
            except FitError as refused:
                left_out.append(f"{Names(protocol).outcome(outcome)}, model '{choice.label}': {refused}")
            else:
                made.append(Fitted(outcome, choice, fit))
    flags = flagged_values(analysis.findings, analysis.study)
    return Fits(analysis.study, analysis.scores, tuple(made), tuple(left_out), flags)


def left_out(fits: Fits) -> Exhibits:
    """Models that could not be fitted, and why."""
    return gather((), fits.left_out)


def _rows(
    fits: Fits, ask: Callable[[Fitted], pd.DataFrame | None], only_main: bool
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What each model answers to one question, one below the other; and why one that was fitted has no answer."""
    parts, refused = [], []
    for one in fits.main if only_main else fits.made:
        try:
            frame = ask(one)
        except FitError as why:
            refused.append(f"{fits.names.outcome(one.outcome)}, model '{one.choice.label}': {why}")
            continue
        if frame is not None and len(frame):
            parts.append(frame.assign(outcome=one.outcome, model=one.choice.label, n=one.fit.fit.n_participants))
    if not parts:
        return pd.DataFrame(columns=[c.OUTCOME, "model", "estimate"]), tuple(refused)
    frame = pd.concat(parts, ignore_index=True)
    for column in (c.ARM, c.VISIT, "term"):
        if column in frame:
            frame[column] = frame[column].astype(object).where(frame[column].notna(), "").astype(str)
    frame = fits.names.labelled(frame)
    if "reference" in frame:
        reference = frame["reference"].astype(object).map(fits.names.arm)
        frame["compared"] = [f"{arm} {MINUS} {other}" for arm, other in zip(frame["arm_label"], reference, strict=True)]
    return frame, tuple(refused)


def _notes(made: Sequence[Fitted], level: float) -> tuple[str, ...]:
    methods = sorted({"residual" if one.fit.fit.solution.exact else one.df for one in made})
    return (f"Interval level {level:.0%}; degrees of freedom: {', '.join(methods)}.",)


def models_table(fits: Fits) -> Table:
    """Which model was fitted to each outcome and why."""
    frame = pd.DataFrame(
        [
            {
                "outcome": one.outcome,
                "model": one.choice.label,
                "formula": one.fit.fit.formula,
                "n": one.fit.fit.n_participants,
                "observations": one.fit.fit.n_rows,
                "reasons": " ".join(dict.fromkeys(one.fit.notes)),
            }
            for one in fits.made
        ],
        columns=["outcome", "model", "formula", "n", "observations", "reasons"],
    )
    return Table(
        "models",
        "Models fitted",
        fits.names.labelled(frame),
        {"Outcome": "{outcome_label}", "Model": "{model}", "Formula": "{formula}", "Participants": "{n}",
         "Observations": "{observations}", "Choices and why": "{reasons}"},
        keys=(c.OUTCOME, "model"),
        group="Outcome",
    )  # fmt: skip


def trajectory_figures(fits: Fits) -> Exhibits:
    """Everyone's scores over time with the means of the protocol's model."""
    made = []
    for one in fits.main:
        drawn = rows(fits.scores, Selection(one.outcome))
        course = _course(one, fits, drawn)
        made.append(trajectories(drawn, course, fits.names))
        if one.outcome == fits.study.protocol.primary:
            named = fits.study.protocol.chosen_thresholds(one.outcome)
            chosen = [threshold(size) if isinstance(size, str) else size for size in named]
            sizes = pd.DataFrame(
                [(own.value, own.unit, own.quantity, own.source) for own in chosen],
                columns=["value", "unit", "quantity", "source"],
            )
            made.append(differences_over_visits(course, sizes, one.outcome, fits.names))
    return gather(made)


def _course(one: Fitted, fits: Fits, drawn: pd.DataFrame) -> Course:
    """What a trajectory figure shows of a model."""
    compared = len(one.fit.arms) > 1 and not fits.study.protocol.periods and not fits.study.masked
    return Course(
        from_the_start(one.fit, _answers(one.fit.means, one.df, fits.level), fits.study.protocol),
        _answers(one.fit.changes, one.df, fits.level),
        _answers(one.fit.between, one.df, fits.level) if compared else None,
        _people_in(one.fit),
        fits.study.protocol.headline_visit(set(drawn.loc[drawn[c.VALUE].notna(), c.VISIT].astype(str))) or "",
        one.fit.better,
        flagged_in(drawn, fits.flags),
        fits.names.ends(one.outcome),
    )


def _answers(ask: Callable[..., Estimates], df: str, level: float) -> pd.DataFrame:
    """The answers of a model, empty where it has none: an arm without a baseline, a visit without the other arm."""
    try:
        return ask(df=df).frame(level)
    except FitError:
        return pd.DataFrame(columns=["arm", "reference", "visit", "day", "estimate", "conf_low", "conf_high", "unit"])


def from_the_start(fit: ChangeFit, means: pd.DataFrame, protocol: Protocol) -> pd.DataFrame:
    """Means of a model from the baseline on; where the baseline is no response, its mean without an interval."""
    if fit.offset is None or (means["visit"].astype(str) == fit.baseline_visit).any():
        return means
    first = fit.cells.drop_duplicates("arm").index
    day = next(visit.day for visit in protocol.visits if visit.id == fit.baseline_visit)
    start = pd.DataFrame({"arm": fit.cells.loc[first, "arm"], "estimate": fit.offset[first]})
    return pd.concat([start.assign(visit=fit.baseline_visit, day=day), means], ignore_index=True)


def _people_in(fit: ChangeFit) -> pd.DataFrame:
    """participant, arm, visit of every score a model uses: its rows, and the baselines that are no rows of it."""
    used = fit.rows[["participant", "arm", "visit"]].astype(str)
    first = fit.entry[fit.entry["participant"].astype(str).isin(used["participant"])]
    first = first[["participant", "arm"]].astype(str).assign(visit=fit.baseline_visit)
    return pd.concat([used, first], ignore_index=True).drop_duplicates(["participant", "visit"])


def means_table(fits: Fits) -> Table | Prose:
    """Model means per arm and visit."""
    frame, refused = _rows(fits, lambda one: one.fit.means(df=one.df).frame(fits.level), only_main=True)
    if frame.empty and refused:
        return Prose("change means", refused)
    return Table(
        "change_means",
        "Model means",
        frame,
        {"Outcome": "{outcome_label}", "Arm": "{arm_label}", "Visit": "{visit_label}", "Mean (interval)": ESTIMATE,
         "Std. error": "{std_error}", "df": "{df}", "Unit": "{unit}"},
        keys=(c.OUTCOME, c.ARM, c.VISIT),
        group="Outcome",
        decimals="decimals",
        notes=(*_notes(fits.main, fits.level), *refused),
    )  # fmt: skip


def changes_table(fits: Fits) -> Table | Prose:
    """Change from baseline per arm and visit, or the slope per arm, by every model."""
    frame, refused = _rows(fits, lambda one: one.fit.changes(df=one.df).frame(fits.level), only_main=False)
    if frame.empty and refused:
        return Prose("changes", refused)
    return Table(
        "changes",
        "Change from baseline",
        frame,
        {"Outcome": "{outcome_label}", "Model": "{model}", "Arm": "{arm_label}", "To visit": "{visit_label}",
         "Estimate (interval)": ESTIMATE, "Std. error": "{std_error}", "df": "{df}", "p": "{p_value}",
         "Unit": "{unit}", "n": "{n}"},
        keys=(c.OUTCOME, "model", "term"),
        group="Outcome",
        decimals="decimals",
        notes=(
            *_notes(fits.made, fits.level),
            "Later minus earlier: where lower is better, a minus sign is an improvement.",
            *refused,
        ),
    )  # fmt: skip


def between_table(fits: Fits) -> Table | Prose:
    """Difference between arms in the change, by every model."""
    if len(fits.study.protocol.arms) < 2:
        return Prose("between arms", ("There is one arm: no difference between arms is estimated.",))
    frame, refused = _rows(fits, lambda one: one.fit.between(df=one.df).frame(fits.level), only_main=False)
    if frame.empty and refused:
        return Prose("between arms", refused)
    return Table(
        "between_arms",
        "Difference between arms in the change",
        frame,
        {"Outcome": "{outcome_label}", "Model": "{model}", "Difference": "{compared}", "To visit": "{visit_label}",
         "Estimate (interval)": ESTIMATE, "Std. error": "{std_error}", "df": "{df}", "p": "{p_value}",
         "Unit": "{unit}", "n": "{n}"},
        keys=(c.OUTCOME, "model", "term"),
        group="Outcome",
        decimals="decimals",
        notes=(*_notes(fits.made, fits.level), *refused),
    )  # fmt: skip


def joint_table(fits: Fits) -> Table | Prose:
    """The joint test of a difference between arms over all visits."""
    if len(fits.study.protocol.arms) < 2:
        return Prose("joint test", ("There is one arm: no joint test of arms is made.",))
    dealt = {one.outcome: _dealt_again(one, fits.study) for one in fits.main}

    def ask(one: Fitted) -> pd.DataFrame:
        made = one.fit.joint(df=one.df).frame(fits.level)
        return made.assign(dealt_p=dealt[one.outcome] if one in fits.main else float("nan"))

    frame, refused = _rows(fits, ask, only_main=False)
    columns = {"Outcome": "{outcome_label}", "Model": "{model}", "Test": "{term}", "F": "{statistic}",
               "df": "{num_df}, {den_df}", "p": "{p_value}", "n": "{n}"}  # fmt: skip
    notes = (*_notes(fits.made, fits.level), *refused)
    if pd.notna(list(dealt.values())).any():
        columns["p, arms dealt again"] = "{dealt_p}"
        notes += (
            f"Arms dealt again: below {FEW} people per arm, the joint test over all re-deals as the trial dealt, or "
            f"over {DEALS} random ones where there are more.",
        )
    if frame.empty and refused:
        return Prose("joint tests", refused)
    return Table(
        "joint_tests",
        "Joint test: do the arms differ in their course?",
        frame,
        columns,
        keys=(c.OUTCOME, "model", "term"),
        group="Outcome",
        notes=notes,
    )


def _dealt_again(one: Fitted, study: Study) -> float:
    """p of the joint test by re-randomisation, in a small randomised trial; NaN elsewhere or where it cannot be had."""
    protocol = study.protocol
    people = one.fit.rows.groupby("arm", observed=True)["participant"].nunique()
    if not protocol.randomised or len(people) < 2 or people.min() >= FEW or one.fit.choice.time == "piecewise":
        return float("nan")
    strata = None
    if protocol.randomisation.strata:
        table = study.participants.drop_duplicates("participant").set_index("participant")
        strata = table[list(protocol.randomisation.strata)].astype(str).agg(" / ".join, axis=1)
    place = protocol.outcomes.index(one.outcome)
    try:
        dealt = one.fit.permute(np.random.default_rng([protocol.seed, place]), deals=DEALS, strata=strata)
    except FitError:
        return float("nan")
    return float(dealt.p_value[-1])


def fixed_table(fits: Fits) -> Table | Prose:
    """Fixed effects of every model, with each way of computing degrees of freedom."""

    def ask(one: Fitted) -> pd.DataFrame:
        allowed = ("satterthwaite",) if one.choice.method == "ml" else DF_SHOWN
        return pd.concat([one.fit.fit.fixed(df=df, level=fits.level).assign(df_method=df) for df in allowed])

    frame, refused = _rows(fits, ask, only_main=False)
    if frame.empty and refused:
        return Prose("fixed effects", refused)
    return Table(
        "fixed_effects",
        "Fixed effects of every model",
        frame,
        {"Outcome": "{outcome_label}", "Model": "{model}", "Term": "{term}", "df by": "{df_method}",
         "Estimate (interval)": ESTIMATE, "Std. error": "{std_error}", "df": "{df}", "p": "{p_value}"},
        keys=(c.OUTCOME, "model", "df_method", "term"),
        group="Outcome",
        decimals="decimals",
        limit=60,
        notes=(f"Interval level {fits.level:.0%}. Kenward-Roger is defined for REML only.", *refused),
    )  # fmt: skip


def fit_statistics(fits: Fits) -> Table:
    """Log-likelihood and information criteria of every model."""
    frame = pd.DataFrame(
        [
            {
                "outcome": one.outcome,
                "model": one.choice.label,
                "method": "REML" if one.fit.fit.method == "reml" else "maximum likelihood",
                "loglik": one.fit.fit.loglik,
                "aic": one.fit.fit.aic,
                "bic": one.fit.fit.bic,
                "n": one.fit.fit.n_participants,
            }
            for one in fits.made
        ],
        columns=["outcome", "model", "method", "loglik", "aic", "bic", "n"],
    )
    return Table(
        "fit_statistics",
        "How well each model fits",
        fits.names.labelled(frame),
        {"Outcome": "{outcome_label}", "Model": "{model}", "Method": "{method}", "Log-likelihood": "{loglik}",
         "AIC": "{aic}", "BIC": "{bic}", "n": "{n}"},
        keys=(c.OUTCOME, "model"),
        group="Outcome",
        notes=("REML likelihoods compare models with the same fixed effects only.",),
    )  # fmt: skip


def variances_table(fits: Fits) -> Table:
    """Variances and covariances of every model."""
    frame, _ = _rows(fits, lambda one: one.fit.fit.variances(), only_main=False)
    return Table(
        "variance_components",
        "Variances and covariances",
        frame,
        {"Outcome": "{outcome_label}", "Model": "{model}", "Component": "{component}", "Of": "{name}",
         "Value": "{value}"},
        keys=(c.OUTCOME, "model", "component", "name"),
        group="Outcome",
        decimals=3,
        unit="squared units of the outcome",
    )  # fmt: skip


def checks_figure(fits: Fits, outcome: str | None = None):
    """Residuals and influence of the protocol's model of one outcome, the primary one if none is named."""
    wanted = outcome or fits.study.protocol.primary
    chosen = next((one for one in fits.main if one.outcome == wanted), None)
    if chosen is None:
        return Prose("model checks", (f"{fits.names.outcome(wanted)} has no model to check.",))
    found = chosen.fit.fit.diagnostics()
    if found.influence["distance"].isna().all():
        return Prose("model checks", ("The model cannot be fitted without any one participant: too few people.",))
    protocol = fits.study.protocol
    try:
        checks = quantile_envelope(chosen.fit.fit, np.random.default_rng([protocol.seed, SEED]), level=fits.level)
        answer = _at_headline(chosen.fit.between() if len(chosen.fit.arms) > 1 else chosen.fit.changes(), protocol)
    except FitError as refused:
        return Prose("model checks", (str(refused),))
    # Shifts of the coefficients are told in their standard errors; the answer is a combination of coefficients.
    error = np.sqrt(np.diag(chosen.fit.fit.coefficient_covariance("residual")))
    moved = found.influence[list(chosen.fit.fit.terms)].to_numpy() @ (error * np.asarray(answer.weights)[0])
    what = "difference" if len(chosen.fit.arms) > 1 else "change"
    visit = "" if answer.keys is None else f" at {fits.names.visit(str(answer.keys['visit'].iloc[0]))}"
    influence = found.influence.assign(shift=moved * better_sign(chosen.fit.better), unit=chosen.fit.unit)
    return model_checks(checks, influence, wanted, fits.names, f"{what}{visit}")


def _at_headline(answer: Estimates, protocol: Protocol) -> Estimates:
    """Of the answers at every visit those at the visit the study speaks of; the tables hold the others."""
    if answer.keys is None or "visit" not in answer.keys:
        return answer
    visits = answer.keys["visit"].astype(str)
    at = protocol.headline_visit(set(visits))
    return answer.select([k for k, visit in enumerate(visits) if visit == at]) if at else answer


def sentences(fits: Fits) -> Prose:
    """What the protocol's model says, one sentence per outcome and question; the tables hold more digits."""
    lines = []
    for one in fits.main:
        base = fits.names.visit(one.fit.baseline_visit)
        asked = {f"change from {base}": one.fit.changes}
        # The sequences of a crossover are no treatments; its effect has a section of its own.
        if len(fits.study.protocol.arms) > 1 and not fits.study.protocol.periods:
            asked[f"difference between arms in the change from {base}"] = one.fit.between
        for what, ask in asked.items():
            try:
                answer = _at_headline(ask(df=one.df), fits.study.protocol)
                told = spoken(answer, fits.names).sentence(fits.level)
            except FitError as refused:
                told = f"Not estimated: {refused}"
            lines.append(f"{fits.names.outcome(one.outcome)}, {what}. {told}")
    return Prose("change", tuple(lines), items=("CONSORT pilot 17a",), heading="Results")
