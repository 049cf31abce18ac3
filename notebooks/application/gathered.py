"""What an application rests on, gathered once: published trials, the own pilot, the difference that matters, the plan.

The pilot stands beside the published trials and is pooled with them only where that is asked for; its effect never
sizes the next trial. Its spread and correlation do, alone or with those of the published trials.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isfinite

import numpy as np
import pandas as pd

from notebooks.analysis import Analysis
from notebooks.application.important_difference import important_difference, thresholds_of
from notebooks.application.price import costs_of, responder_price, worth_of_next
from notebooks.application.trials_shown import shown_trials
from notebooks.show.names import Names
from outcomes import InstrumentError, Study
from outcomes import columns as c
from outcomes.errors import StudyError
from stats.change.person_changes import better_sign
from stats.economics.incremental import NetBenefit
from stats.economics.people_costs import ArmCosts
from stats.economics.responder_price import CostPerResponder
from stats.economics.worth_of_trial import WorthOfTrial
from stats.effects.effects_of_a_study import model_effects
from stats.effects.meta_analysis import PooledEffect, pool_effects
from stats.effects.other_trials.published_trials import PublishedEffects
from stats.effects.other_trials.trial_effect import RAW
from stats.effects.standardisers import same_standardiser
from stats.errors import FitError, PlanError
from stats.planning.closed_form.means import plan_ancova
from stats.planning.inputs import Given, PilotSD, known_value, pilot_proportion
from stats.planning.other_evidence import Evidence, correlation_from, sd_from
from stats.planning.pilot.pilot_uncertainty import Assurance, assurance
from stats.planning.plan import Plan

GRID = (0.5, 0.6, 0.7, 0.8, 0.9)  # of correlations assumed; a range to look at, no estimate
FEWEST = 8  # people with both values, below which an SD and a correlation say too little to plan on


@dataclass(frozen=True)
class Wanted:
    """What is asked for; every default is neutral: nothing pooled, no willingness to pay, no threshold chosen."""

    kind: str | None = None
    correlation: tuple[float, ...] = GRID
    pool: bool = False
    with_pilot: bool = False
    target: str | None = None
    power: float = 0.9
    attrition: float | None = None
    intraclass: float = 0.0
    cluster_size: float = 1.0
    willingness: tuple[float, ...] = ()
    later_patients: float | None = None  # treated after the next trial reports: what its answer is worth hangs on them


@dataclass(frozen=True)
class OwnEffect:
    """The pilot's effect on the axis of the figure."""

    estimate: float
    low: float
    high: float
    n: int
    what: str
    std_error: float
    standardiser: str = ""


@dataclass(frozen=True)
class Application:
    """Everything the page shows; where something cannot be had its reason stands in `left_out`."""

    study: Study
    wanted: Wanted
    effects: PublishedEffects
    own: OwnEffect | None
    important: tuple[Given, str, float] | None  # the difference, its source in words, and its place on the axis
    pooled: PooledEffect | None
    plan: Plan | None
    assured: Assurance | None
    costs: ArmCosts | None
    responder_price: CostPerResponder | None
    benefit: NetBenefit | None = None  # by willingness to pay for one more responder
    worth: tuple[tuple[float, WorthOfTrial], ...] = ()  # (willingness, what a larger trial is worth)
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)

    @property
    def outcome(self) -> str:
        """The primary outcome in words."""
        return self.names.outcome(self.study.protocol.primary)


def gather_application(
    analysis: Analysis, wanted: Wanted | None = None, published: pd.DataFrame | None = None
) -> Application:
    """Published trials and pilot side by side, and the next trial from both.

    published: rows of the `published` sheet; the study's own where not given. Raises StudyError where there are none,
    FitError for rows that cannot be.
    """
    study, wanted = analysis.study, wanted or Wanted()
    table = study.published if published is None else published
    if table.empty:
        raise StudyError(
            f"{study.folder}: no published trial: found 0 rows, allowed a sheet published (CSV or a page of the "
            "workbook) with one row per arm. data_dictionary.csv of a new study says what each column holds."
        )
    left_out: list[str] = []
    effects = shown_trials(study, table, wanted.kind, wanted.correlation, left_out)
    own = _or_reason(lambda: _own(analysis, effects), left_out, "The pilot's own effect")
    target = _or_reason(
        lambda: important_difference(
            analysis, wanted.target, standardised=effects.kind not in (RAW, "change"), axis=effects.unit
        ),
        left_out, "The difference that matters",
    )  # fmt: skip
    pooled = None
    if wanted.pool or wanted.with_pilot:
        pooled = _or_reason(lambda: _pooled(effects, own, wanted), left_out, "The pooled line")
    notes: list[str] = []
    plan = _or_reason(lambda: _plan(analysis, effects, target, wanted, notes), left_out, "The plan")
    assured = _or_reason(lambda: assurance(plan) if plan else None, left_out, "Assurance")
    costs = price = benefit = people = None
    worth: tuple[tuple[float, WorthOfTrial], ...] = ()
    if len(study.costs) and not study.masked:
        costs = _or_reason(lambda: costs_of(study), left_out, "Costs")
        price, benefit, people = _or_reason(
            lambda: responder_price(
                analysis, costs, next(iter(thresholds_of(study.protocol, wanted.target)), None), wanted.willingness
            ),
            left_out, "The cost of an additional responder",
        ) or (None, None, None)  # fmt: skip
        worth = _or_reason(lambda: _worth(costs, benefit, people, wanted), left_out, "What a larger trial is worth")
    elif study.masked:
        left_out.append("Costs and the pilot's own effect wait until the study is unblinded.")
    else:
        left_out.append("Costs: the study has no sheet costs.")
    return Application(
        study=study, wanted=wanted, effects=effects, own=own, important=target, pooled=pooled, plan=plan,
        assured=assured, costs=costs, responder_price=price, benefit=benefit, worth=worth or (),
        left_out=tuple(left_out), notes=tuple(notes),
    )  # fmt: skip


def _worth(
    costs: ArmCosts | None, benefit: NetBenefit | None, people: np.ndarray | None, wanted: Wanted
) -> tuple[tuple[float, WorthOfTrial], ...]:
    if wanted.later_patients is None:
        return ()
    if costs is None or benefit is None or people is None:
        raise FitError("it needs costs that differ between people, and a willingness to pay for one more responder.")
    return worth_of_next(costs, benefit, people, wanted.later_patients)


def _or_reason(make, left_out: list[str], what: str):
    try:
        return make()
    except (FitError, PlanError, InstrumentError, StudyError) as refused:
        left_out.append(f"{what}: {refused}")
        return None


def _own(analysis: Analysis, effects: PublishedEffects) -> OwnEffect | None:
    """The pilot's effect of the same kind: in the outcome's unit from its model, or over the SD at baseline."""
    study = analysis.study
    protocol, level = study.protocol, study.protocol.level
    if study.masked:
        return None
    primary, kind = protocol.primary, effects.kind
    if protocol.periods:
        raise FitError("the pilot is a crossover; its effect inside people is not the one of two arms.")
    unit = str(analysis.changes(primary)["unit"].iloc[0])
    if kind in (RAW, "change") and effects.unit not in ("", unit):
        raise FitError(f"it is in {unit}, the published ones in {effects.unit}: convert them, or take the kind g.")
    if kind in (RAW, "change"):
        fit = analysis.fit(primary)
        sign = better_sign(fit.better)
        rows = (fit.between() if kind == RAW else fit.changes()).frame(level)
        visit = protocol.headline_visit(list(rows["visit"])) or rows["visit"].iloc[-1]
        row = rows[rows["visit"] == visit].iloc[0]
        ends = sorted((sign * row["conf_low"], sign * row["conf_high"]))
        return OwnEffect(sign * row["estimate"], ends[0], ends[1], fit.n_participants,
                         f"mixed model, {Names(protocol).visit(visit)}", float(row["std_error"]))  # fmt: skip
    made = model_effects(analysis.scores, primary, design=protocol, participants=study.participants,
                         fitted=analysis.main_fit)  # fmt: skip
    row = made.frame(level).iloc[0]
    ours, theirs = same_standardiser(row["standardiser"]), set(effects.frame()["standardiser"].map(same_standardiser))
    if theirs != {ours}:
        raise FitError(
            f"the pilot's effect is over the {ours}, the published ones over the {', '.join(sorted(theirs))}: other "
            "quantities. Take the kind pre-post-control or mean-difference."
        )
    return OwnEffect(float(row["estimate"]), float(row["conf_low"]), float(row["conf_high"]), int(row["n"]),
                     f"mixed model over the {ours}", float(row.get("std_error", np.nan)), ours)  # fmt: skip


def _pooled(effects: PublishedEffects, own: OwnEffect | None, wanted: Wanted) -> PooledEffect:
    rows = effects.frame()[["study", "estimate", "std_error", "standardiser", "n", "unit"]]
    if wanted.with_pilot and own is not None and isfinite(own.std_error):
        rows = pd.concat([rows, pd.DataFrame([{"study": "this pilot", "estimate": own.estimate, "n": own.n,
                                               "std_error": own.std_error, "standardiser": own.standardiser,
                                               "unit": effects.unit}])], ignore_index=True)  # fmt: skip
    return pool_effects(rows)


def _plan(
    analysis: Analysis, effects: PublishedEffects, target: tuple[Given, str, float] | None, wanted: Wanted,
    notes: list[str],
) -> Plan | None:  # fmt: skip
    """An analysis of covariance: SD and correlation from the pilot and from the published trials on the same scale."""
    if target is None:
        return None
    study = analysis.study
    names = Names(study.protocol)
    changes = analysis.changes(study.protocol.primary)
    known = changes[changes["missing"] == ""]
    spreads, links = [], []
    if len(known) >= FEWEST:
        before, after = (known[x] - known[x].groupby(known[c.ARM]).transform("mean") for x in ("before", "after"))
        df = len(known) - known[c.ARM].nunique()
        spreads.append(Evidence("this pilot, within arms", float(np.sqrt((after**2).sum() / df)), df))
        links.append(Evidence("this pilot, within arms", float(before.corr(after)), df + 1))
    units = {one.trial.unit for one in effects.trials} - {""}
    same = units <= {str(changes["unit"].iloc[0])}
    for row in effects.spreads().itertuples() if same else ():
        if isfinite(row.sd) and row.df >= 1:
            spreads.append(Evidence(row.study, row.sd, row.df))
        if isfinite(row.r) and abs(row.r) < 1 and row.n > 3:
            links.append(Evidence(row.study, row.r, row.n))
    if not spreads or not links:
        raise PlanError(
            f"no source of an SD and a correlation: fewer than {FEWEST} people of the pilot have both values."
        )
    sd, said = sd_from(spreads, str(changes["unit"].iloc[0]))
    r, told = correlation_from(links)
    notes += [*said, *told]
    lost = int((changes["missing"] != "").sum())
    attrition: Given = pilot_proportion(lost, len(changes), "this pilot: no value at baseline or at the end")
    if wanted.attrition is not None:
        attrition = known_value(wanted.attrition, "as named in this application")
    inflation = 1 + (wanted.cluster_size - 1) * wanted.intraclass
    if inflation > 1:
        widened = f"times the root of {inflation:.3g} for clusters of {wanted.cluster_size:g} people (intraclass "
        widened += f"correlation {wanted.intraclass:g})"
        sd = PilotSD(sd.value * inflation**0.5, f"{sd.source}; {widened}", sd.unit, sd.df)
    return plan_ancova(
        difference=target[0], sd=sd, correlation=r, power=wanted.power, attrition=attrition,
        outcome=names.outcome(study.protocol.primary),
    )  # fmt: skip


def wanted_from(**given: object) -> Wanted:
    """`Wanted` from options; sequences become tuples."""
    made = {name: tuple(value) if isinstance(value, Sequence) and not isinstance(value, str) else value
            for name, value in given.items() if value is not None}  # fmt: skip
    return replace(Wanted(), **made)  # type: ignore[arg-type]  # the names are the command's own
