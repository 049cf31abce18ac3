"""Question 7: how large should the next trial be, if the difference that matters is this one?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.power_curves import PowerLines, power_figure
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import InstrumentError, Study, threshold
from outcomes import columns as c
from outcomes.library.instrument import Threshold
from stats.errors import FitError, PlanError
from stats.planning import (
    Plan,
    assurance,
    known_value,
    pilot_correlation,
    pilot_proportion,
    pilot_sd,
    plan_ancova,
    plan_inputs,
    plan_repeated,
    plan_working,
    size_over_pilot_sd,
    visits_buy,
)
from stats.planning.inputs import Given
from stats.planning.pilot.progression_criteria import progression

POWER = 0.9
CONFIDENCE = 0.8  # of the one-sided limits of what the pilot estimated: the usual choice
NODES, MOST = 16, 400  # quantiles of each uncertain input; largest number per arm drawn
FEWEST = 8  # people with both values, below which an SD and a correlation say too little to plan on


@dataclass(frozen=True)
class NextTrial:
    """The plan on the primary outcome, or the reason why there is none."""

    study: Study
    plan: Plan | None
    reason: str = ""

    @property
    def outcome(self) -> str:
        """The primary outcome in words."""
        return Names(self.study.protocol).outcome(self.study.protocol.primary)


def plan_next(
    analysis: Analysis, target: str | None = None, visit: str | None = None, power: float = POWER
) -> NextTrial:
    """Plan a two-arm trial analysed by covariance adjustment for the baseline.

    target: key of the threshold that is the difference to detect; None takes the first minimal important difference
    that study.toml names for the primary outcome, published or its own. visit: the final visit; None is the primary
    one, else the last with scores. Only the spread, the correlation and the loss come from the pilot, each with its
    uncertainty; its effect is not used.
    """
    study = analysis.study
    primary, names = study.protocol.primary, Names(study.protocol)
    wanted = target or _first_important(study)
    if wanted is None:
        return NextTrial(
            study, None, f"study.toml names no minimal important difference of {names.outcome(primary)}, and none is "
            "chosen for you: name the key of one above (thresholds() lists them) and run this again."
        )  # fmt: skip
    try:
        plan = _plan(analysis.changes(primary, visit), wanted, power, names)
    except (FitError, PlanError, InstrumentError) as refused:
        return NextTrial(study, None, str(refused))
    return NextTrial(study, plan)


def _first_important(study: Study) -> str | Threshold | None:
    """The first minimal important difference of the primary outcome, published or the study's own."""
    for chosen in study.protocol.chosen_thresholds(study.protocol.primary):
        if isinstance(chosen, Threshold) or threshold(chosen).quantity.startswith("MCID"):
            return chosen
    return None


def _difference(wanted: str | Threshold, known: pd.DataFrame) -> str | Given:
    """What `plan_ancova` takes: a published key as it is; of the study's own the size in the unit of the outcome."""
    if not isinstance(wanted, Threshold):
        return wanted
    if not wanted.unit.startswith("%"):
        return known_value(wanted.value, wanted.source, wanted.unit)
    baseline = float(known["before"].mean())
    told = f"{wanted.value:g} % of the mean at baseline ({baseline:.3g}; {wanted.source})"
    return known_value(abs(wanted.value * baseline / 100), told, known["unit"].iloc[0])


def _plan(changes: pd.DataFrame, wanted: str | Threshold, power: float, names: Names) -> Plan:
    known = changes[changes["missing"] == ""]
    if len(known) < FEWEST:
        raise PlanError(
            f"{len(known)} participants have both values: too few to take a spread and a correlation from (at least "
            f"{FEWEST}). Take them from a publication, with stats.plan_ancova and stats.planning.known_value."
        )
    arms = known[c.ARM]
    # Within arms: a difference between arms is no spread.
    before, after = (known[name] - known[name].groupby(arms).transform("mean") for name in ("before", "after"))
    df = len(known) - arms.nunique()
    where = f"this pilot, {names.visit(changes['to_visit'].iloc[0])}, within arms, n = {len(known)}"
    lost = int((changes["missing"] != "").sum())
    return plan_ancova(
        difference=_difference(wanted, known),
        sd=pilot_sd(float(np.sqrt((after**2).sum() / df)), df, where, changes["unit"].iloc[0]),
        correlation=pilot_correlation(float(before.corr(after)), len(known) - arms.nunique() + 1, where),
        power=power,
        attrition=pilot_proportion(lost, len(changes), "this pilot: no value at baseline or at the final visit"),
        outcome=names.outcome(changes[c.OUTCOME].iloc[0]),
    )


def plan_sentences(next_trial: NextTrial) -> Prose:
    """The paragraph for the application, or why there is none."""
    if next_trial.plan is None:
        return Prose("plan", (f"No plan is made here: {next_trial.reason}",))
    level = next_trial.study.protocol.level
    averaged = assurance(next_trial.plan).sentence(level)
    notes = (*next_trial.plan.notes, "The effect seen in this pilot plays no part in the plan.")
    return Prose("plan", (next_trial.plan.sentence(level), averaged, " ".join(notes)), heading="For the application")


def inputs_table(next_trial: NextTrial) -> Table | None:
    """Every input with its source and its interval."""
    if next_trial.plan is None:
        return None
    frame = plan_inputs(next_trial.plan, next_trial.study.protocol.level)
    return Table(
        "plan_inputs",
        "What goes into the plan",
        frame,
        {"Input": "{input}", "Value": "{value} {unit}", "Interval": "{conf_low} to {conf_high}", "From": "{source}"},
        keys=("input",),
        decimals=3,
        notes=(f"Interval level {next_trial.study.protocol.level:.0%}, where an input was estimated.",),
    )


def working_table(next_trial: NextTrial) -> Table | None:
    """The calculation step by step, to check by hand."""
    if next_trial.plan is None:
        return None
    return Table(
        "plan_working",
        "The calculation, to check by hand",
        plan_working(next_trial.plan),
        {"Step": "{step}", "Formula": "{formula}", "Value": "{value}"},
        keys=("step",),
        decimals=4,
    )


def band_table(next_trial: NextTrial) -> Table | None:
    """How the number of participants moves with the uncertainty of the pilot's spread."""
    if next_trial.plan is None:
        return None
    frame = size_over_pilot_sd(next_trial.plan).frame(next_trial.study.protocol.level)
    return Table(
        "plan_band",
        "How sure the number is",
        frame.astype({"n_per_arm": float, "n_total": float, "recruit_total": float}),
        {"If the true SD is": "{basis}", "SD": "{sd}", "Per arm": "{n_per_arm}", "In total": "{n_total}",
         "To recruit": "{recruit_total}"},
        keys=("basis",),
        decimals=0,
        unit="participants",
        notes=("A pilot's SD is itself uncertain; the one-sided upper limit at 80 % is a usual and cautious choice.",),
    )  # fmt: skip


def power_curves(next_trial: NextTrial):
    """Power at every number of participants, at the pilot's estimates and at the limits of each."""
    if next_trial.plan is None:
        return None
    try:
        lines = power_lines(next_trial.plan)
    except PlanError as refused:
        return Prose("power", (f"The power curves are left out: {refused}",))
    return power_figure(lines, next_trial.plan)


def power_lines(plan: Plan) -> PowerLines:
    """Power at every n per arm, the inputs as estimated, at their one-sided limits, and averaged over them."""
    sd, correlation = plan.inputs["sd"], plan.inputs["correlation"]
    worst: dict[str, dict[str, Given]] = {}
    if sd.uncertain:
        worst["sd_upper"] = {"sd": known_value(float(sd.quantile(CONFIDENCE)), "", sd.unit)}
    if correlation.uncertain:
        worst["correlation_lower"] = {"correlation": known_value(float(correlation.quantile(1 - CONFIDENCE)), "")}
    wanted = {"estimated": plan.n_per_arm} | {name: plan.change(**at).n_per_arm for name, at in worst.items()}
    # What is left of the SD beside the baseline decides the power: its spread over both inputs, in equal shares.
    grid = (np.arange(NODES) + 0.5) / NODES
    left = np.sqrt(1 - np.asarray(correlation.quantile(grid)) ** 2)
    spread = np.sort(np.outer(np.asarray(sd.quantile(grid)), left).ravel()).reshape(-1, NODES).mean(axis=1)
    nothing = known_value(0.0, "")
    rows = []
    for n in range(4, min(MOST, round(1.3 * max(wanted.values())) + 2)):
        at = plan.change(n_per_arm=n)
        row = {"n_per_arm": n, "recruit": at.recruit[0], "estimated": at.power}
        row |= {name: plan.change(n_per_arm=n, **inputs).power for name, inputs in worst.items()}
        if worst:
            every = [plan.change(n_per_arm=n, sd=known_value(one, ""), correlation=nothing).power for one in spread]
            row["averaged"] = float(np.mean(every))
        rows.append(row)
    frame = pd.DataFrame(rows)
    if worst and len(reached := frame.loc[frame["averaged"] >= plan.terms.power, "n_per_arm"]):
        wanted["averaged"] = int(reached.iloc[0])
    return PowerLines(frame, wanted)


def visits_table(next_trial: NextTrial, choices: Sequence[int] = (1, 2, 3)) -> Table | Prose | None:
    """What another baseline or follow-up visit saves."""
    if next_trial.plan is None:
        return None
    plan = next_trial.plan
    try:
        repeated = plan_repeated(
            difference=plan.inputs["difference"],
            sd=plan.inputs["sd"],
            correlation=plan.inputs["correlation"],
            power=plan.terms.power,
            attrition=plan.inputs["attrition"],
        )
        frame = visits_buy(repeated, baselines=choices[:2], followups=choices)
    except PlanError as refused:  # a correlation below 0 is none of many visits
        return Prose("plan_visits", (f"What another visit saves is left out: {refused}",))
    return Table(
        "plan_visits",
        "What another visit saves",
        frame,
        {"Baselines": "{baselines}", "Follow-ups": "{followups}", "Per arm": "{n_per_arm}", "In total": "{n_total}",
         "Fewer people": "{saved}", "Visits of the whole trial": "{visits}"},
        keys=("baselines", "followups"),
        notes=("The mean of the follow-ups, adjusted for the mean of the baselines; equal correlation of all visits.",),
    )  # fmt: skip


def progression_table(scores: pd.DataFrame, study: Study) -> Table | Prose:
    """The protocol's progression criteria with counts, intervals and zones."""
    if study.masked and not study.protocol.criteria:
        return Prose("progression", ("Criteria about one arm, adherence or safety wait until the study is unblinded.",))
    if not study.protocol.criteria:
        return Prose(
            "progression", ("study.toml sets no progression criteria ([[criteria]]): none are held against the data.",)
        )
    try:
        found = progression(study, scores=scores)
    except PlanError as refused:
        return Prose("progression", (f"The progression criteria are left out: {refused}",))
    frame = found.frame(study.protocol.level)
    frame = frame.assign(percent_low=100 * frame["conf_low"], percent_high=100 * frame["conf_high"])
    frame = frame.drop(columns=["share", "conf_low", "conf_high"])
    return Table(
        "progression",
        "Progression criteria",
        frame,
        {"Criterion": "{criterion}", "Counted": "{count} of {of}",
         "% (interval)": "{percent} ({percent_low} to {percent_high})", "Zone": "{zone}", "Note": "{warning}",
         "Set by": "{source}"},
        keys=("criterion",),
        notes=(*found.notes, "Criteria guide the people who decide; no verdict is formed here."),
    )  # fmt: skip
