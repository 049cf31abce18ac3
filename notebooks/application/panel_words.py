"""The paragraph, the tables and the references of an application, in words that can be pasted: labels, never ids."""

from dataclasses import replace

import numpy as np
import pandas as pd

from notebooks.application.gathered import Application
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.tables import Table
from stats.errors import PlanError
from stats.planning.curves import smallest_detectable
from stats.planning.looks import size_again, two_stage
from stats.planning.pilot.pilot_uncertainty import power_curve
from stats.planning.pilot.stop_go import stop_go_rates
from stats.planning.plan import plan_working
from stats.planning.recruiting import recruitment_by_month

CANNOT = (
    "A pilot cannot show that the therapy works, nor what it is worth: its effect and its costs hang on a few people. "
    "It shows whether a trial can be run, how much the outcome varies, and what a participant costs."
)


def paragraph(found: Application) -> Prose:
    """Everything in one paragraph each: published trials, pilot, size, price, and every caveat."""
    level = found.study.protocol.level
    unit = found.effects.unit or (found.plan.unit if found.plan else "")
    lines = [f"{found.outcome}. " + replace(found.effects, unit=unit).sentence(level)]
    if found.pooled is not None:
        lines.append(replace(found.pooled, unit=unit).sentence(level))
    if found.own is not None:
        own = found.own
        digits = 2 if found.effects.unit == "SD" else 1
        lines.append(
            f"This pilot: {own.estimate:.{digits}f} {unit} ({level:.0%} interval {own.low:.{digits}f} to "
            f"{own.high:.{digits}f}; {own.what}; n = {own.n}). It is shown beside the published trials and "
            + ("is part of the pooled line." if found.wanted.with_pilot else "is not pooled with them.")
        )
    if found.important is not None:
        lines.append(f"The difference that matters is {found.important[0].value:g} {found.important[0].unit} "
                     f"({found.important[1]}).")  # fmt: skip
    if found.plan is not None:
        lines.append(found.plan.sentence(level))
        if found.assured is not None:
            lines.append(found.assured.sentence(level))
        lines.append(" ".join(found.notes) + " The pilot's own effect plays no part in the size.")
    if found.costs is not None:
        lines.append(_named(found).sentence(level))
        if found.plan is not None:
            total = found.costs.of_trial(max(found.plan.recruit))
            lines.append(f"The next trial with {sum(found.plan.recruit)} people randomised: {total:,.0f} "
                         f"{found.costs.unit} at these prices.")  # fmt: skip
    if found.responder_price is not None:
        lines.append(found.responder_price.sentence(level))
    flags = [f"{one.trial.source}: {'; '.join(one.flags)}." for one in found.effects.trials if one.flags]
    if flags:
        lines.append("Cautions on the published numbers. " + " ".join(flags))
    lines.append(CANNOT)
    return Prose("application", tuple(line.strip() for line in lines), heading="For the application")


def short_words(found: Application) -> Prose:
    """The one-page form: what is asked for, the size, its price, and what the pilot cannot show."""
    lines = []
    if found.important is not None:
        given = found.important[0]
        lines.append(f"A difference of {given.value:g} {given.unit} matters ({found.important[1]}).")
    plan = found.plan
    if plan is not None:
        low, high = plan.inputs["sd"].interval(found.study.protocol.level)
        sure = (
            f", {found.assured.probability:.0%} averaged over what is not known of the spread" if found.assured else ""
        )
        lines.append(
            f"{plan.n_arms[0]} and {plan.n_arms[1]} people analysed, {sum(plan.recruit)} randomised, give "
            f"{plan.power:.0%} power{sure}; standard deviation {plan.inputs['sd'].value:.3g} ({low:.3g} to "
            f"{high:.3g}) {plan.unit}, "
            f"correlation of baseline and end {plan.inputs['correlation'].value:.2f}, "
            f"{plan.inputs['attrition'].value:.0%} lost."
        )
    if found.costs is not None and plan is not None:
        lines.append(f"At prices of {found.costs.price_year} the trial costs "
                     f"{found.costs.of_trial(max(plan.recruit)):,.0f} {found.costs.unit}. "
                     f"{_named(found).sentence(found.study.protocol.level)}")  # fmt: skip
    if found.responder_price is not None:
        lines.append(found.responder_price.sentence(found.study.protocol.level))
    return Prose("short", (*lines, CANNOT))


def _named(found: Application):
    """Costs with the labels of the arms."""
    costs = found.costs
    assert costs is not None
    return replace(costs, people=costs.people.assign(arm=costs.people["arm"].map(found.names.arm)),
                   parts=costs.parts.assign(arm=costs.parts["arm"].map(found.names.arm)))  # fmt: skip


def effects_table(found: Application) -> Table:
    """One row a trial, with every conversion."""
    frame = found.effects.frame(found.study.protocol.level)
    frame = frame.assign(outcome_label=found.outcome, unit=frame["unit"].where(frame["unit"] != "", "its own unit"))
    two = found.effects.unit == "SD"
    return Table(
        "published_effects",
        f"Published trials: {found.outcome}",
        frame,
        {"Trial": "{study}", "n": "{n_treated} + {n_control}",
         "Effect (interval)": "{estimate} ({conf_low} to {conf_high})",
         "Over the correlations": "{band_low} to {band_high}", "How it was had": "{converted}", "Caution": "{flags}",
         "DOI": "{doi}"},
        keys=("study",),
        decimals=2 if two else 1,
        notes=(*found.effects.notes[:1],),
    )  # fmt: skip


def leave_one_out_table(found: Application) -> Table | None:
    """The pooled line without each trial in turn."""
    if found.pooled is None:
        return None
    return Table(
        "leave_one_out", "The pooled line without each trial", found.pooled.leave_one_out(found.study.protocol.level),
        {"Without": "{without}", "Pooled (interval)": "{estimate} ({conf_low} to {conf_high})", "tau²": "{tau2}"},
        keys=("without",), decimals=2, notes=found.pooled.notes,
    )  # fmt: skip


def size_table(found: Application) -> Table | None:
    """The size for other powers and differences, the number to recruit, and what it costs."""
    plan = found.plan
    if plan is None:
        return None
    value, rows = plan.inputs["difference"].value, []
    for power in sorted({0.8, 0.9, found.wanted.power}):
        for share in (0.75, 1.0, 1.25):
            at = plan.change(power=power, difference=share * value)
            price = round(found.costs.of_trial(max(at.recruit))) if found.costs else 0
            rows.append({"percent": 100 * power, "difference": share * value, "n_per_arm": at.n_per_arm,
                         "n_total": at.n_total, "recruit_total": sum(at.recruit), "price": price})  # fmt: skip
    frame = pd.DataFrame(rows)
    columns = {"Power, %": "{percent}", f"Difference, {plan.unit}": "{difference}", "Per arm": "{n_per_arm}",
               "In total": "{n_total}", "To recruit": "{recruit_total}"}  # fmt: skip
    if found.costs:
        columns[f"Price, {found.costs.unit}"] = "{price}"
    return Table("sizes", "How many people, at which power, for which difference", frame, columns,
                 keys=("percent", "difference"), decimals=2)  # fmt: skip


def curve_frame(found: Application) -> pd.DataFrame:
    """Power at every n per arm up to twice the planned size: n_per_arm, n_total, power, expected_power and its band."""
    plan = found.plan
    if plan is None:
        return pd.DataFrame()
    return power_curve(plan, range(4, 2 * plan.n_per_arm + 1)).frame(found.study.protocol.level)


def working_table(found: Application) -> Table | None:
    """The calculation step by step."""
    if found.plan is None:
        return None
    frame = plan_working(found.plan)
    return Table("working", "The calculation, to check by hand", frame,
                 {"Step": "{step}", "Formula": "{formula}", "Value": "{value}"},
                 keys=("step",), decimals=4)  # fmt: skip


def safeguards(found: Application) -> Prose | None:
    """What a look inside the trial and the stop-go criteria would do, with their error rates."""
    plan, protocol = found.plan, found.study.protocol
    if plan is None:
        return None
    lines = [
        f"With the size named the smallest difference detected at {found.wanted.power:.0%} power is "
        f"{smallest_detectable(plan, power=found.wanted.power, n_per_arm=plan.n_per_arm):.3g} {plan.unit}.",
        two_stage(plan).sentence(),
        *_spread_again(found),
        *_by_month(found),
    ]
    for criterion in protocol.criteria:
        go, stop = criterion.get("go"), criterion.get("stop")
        if criterion.get("better", "higher") == "higher" and isinstance(go, (int, float)) and go <= 1:
            try:
                # Keys of a criterion have any type; a `stop` that is no number has no error rates and is passed over.
                rates = stop_go_rates(len(found.study.participants), float(go), float(stop))  # type: ignore[arg-type]
            except (PlanError, TypeError):
                continue
            lines.append(f"{criterion.get('label', 'A criterion')}. {rates.sentence()}")
    return Prose("safeguards", tuple(lines), heading="Looks and criteria, with their error rates")


def _spread_again(found: Application) -> list[str]:
    """A blinded look at the spread, should the true one lie at the limits of what is known now."""
    plan = found.plan
    assert plan is not None
    left = (1 - plan.inputs["correlation"].value ** 2) ** 0.5  # what the baseline leaves
    sds = (plan.inputs["sd"].value, *plan.inputs["sd"].interval(found.study.protocol.level))
    if plan.n_per_arm < 8:
        return []
    rng = np.random.default_rng(found.study.protocol.seed)
    return [size_again(plan, tuple(sorted(sd * left for sd in sds)), rng=rng, trials=2000).sentence()]


def _by_month(found: Application) -> list[str]:
    """How long recruitment takes at the pilot's rate, where its visits have dates."""
    plan, study = found.plan, found.study
    first = study.visits[study.visits["visit"] == study.protocol.baseline.id]["date"].dropna()
    months = (first.max() - first.min()).days / 30.44 if len(first) > 3 else 0.0
    if plan is None or months < 1:
        return []
    try:
        made = recruitment_by_month(sum(plan.recruit), count=len(first), months=months)
        return [f"{made.sentence()} First visits were {len(first)} in {months:.1f} months; places that have not "
        f"recruited "
                "before often find fewer."]  # fmt: skip
    except PlanError as refused:
        return [str(refused)]


def costs_table(found: Application) -> Table | None:
    """Cost per participant by arm: arithmetic means first."""
    if found.costs is None:
        return None
    level = found.study.protocol.level
    return Table(
        "costs", f"Cost per participant, {found.costs.unit} at prices of {found.costs.price_year}",
        _named(found).frame(level),
        {"Arm": "{arm}", "n": "{complete} of {n}", "Mean (interval)": "{mean} ({conf_low} to {conf_high})",
         "SD": "{sd}", "Median (quartiles)": "{median} ({q1} to {q3})", "Largest": "{largest}"},
        keys=("arm",), decimals=0, notes=(*found.costs.notes, "Not for decision."),
    )  # fmt: skip


def value_table(found: Application) -> Table | None:
    """Net benefit over the willingness to pay that was named, per responder; nothing without one."""
    if found.benefit is None:
        return None
    return Table(
        "net_benefit", "Incremental net benefit by willingness to pay for one more responder (not for decision)",
        found.benefit.frame(found.study.protocol.level).assign(percent=lambda rows: 100 * rows["acceptability"]),
        {"Willingness": "{willingness}", "Net benefit (interval)": "{estimate} ({conf_low} to {conf_high})",
         "Acceptability, %": "{percent}"},
        keys=("willingness",), decimals=0, notes=found.benefit.notes,
    )  # fmt: skip


def worth_table(found: Application) -> Table | None:
    """What the answer of a larger trial is worth to later patients, at each willingness to pay that was named."""
    if not found.worth:
        return None
    rows = []
    for willingness, made in found.worth:
        best = made.best
        pays = best["net_value"] > 0
        rows.append({
            "willingness": willingness, "perfect": made.population * made.perfect,
            "size": f"{best['n_per_arm']:.0f}" if pays else "none pays for itself",
            "value": made.population * best["value"], "cost": best["cost"], "net_value": best["net_value"],
        })  # fmt: skip
    people = found.wanted.later_patients or 0
    return Table(
        "worth_of_trial", f"What a larger trial is worth to {people:,.0f} later patients, {found.worth[0][1].unit}",
        pd.DataFrame(rows),
        {"Willingness": "{willingness}", "Knowing the truth": "{perfect}", "Best size, per arm": "{size}",
         "Worth at it": "{value}", "Its cost": "{cost}", "Beyond its cost": "{net_value}"},
        keys=("willingness",), decimals=0,
        notes=(*found.worth[0][1].notes,
               "The prior is this pilot's net benefit alone; a person's spread is taken at its upper 80 % limit."),
    )  # fmt: skip


def prices(found: Application) -> Exhibits:
    """Costs, net benefit and what a larger trial is worth, as far as they were asked for."""
    return gather(make(found) for make in (costs_table, value_table, worth_table))


def reference_list(found: Application) -> Prose:
    """Sources with their DOI as typed."""
    lines = [
        f"{one.trial.source}." + (f" https://doi.org/{_bare(one.trial.doi)}" if one.trial.doi else " No DOI was typed.")
        for one in found.effects.trials
    ]
    return Prose("references", tuple(lines), heading="References, as typed")


def _bare(doi: str) -> str:
    return doi.removeprefix("https://doi.org/").removeprefix("doi:").strip()


def left_out(found: Application) -> Prose | None:
    """What is missing, and why."""
    return Prose("not here", found.left_out, heading="Not here") if found.left_out else None


def everything(found: Application) -> Exhibits:
    """All tables and texts in their order, the figure left to who calls."""
    makers = (paragraph, effects_table, leave_one_out_table, size_table, working_table, safeguards, costs_table,
              value_table, worth_table, reference_list, left_out)  # fmt: skip
    return gather(make(found) for make in makers)
