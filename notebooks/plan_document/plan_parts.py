"""The sections of an analysis plan, each from study.toml: what will be done, by which written rule, decided when."""

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from importlib import resources

import pandas as pd

from notebooks.report.record import software
from notebooks.sections.methods_words import AT_RANDOM
from notebooks.sections.writing_up import estimand_table
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.library.known import find_instrument, find_measure
from outcomes.library.registry import references, threshold
from outcomes.protocol.trial import Protocol
from stats.change.ladder import line_steps, visit_steps
from stats.choices.choice_assumptions import SHORT
from stats.choices.choice_grid import BASELINES, COVARIANCES, MISSING_BASELINES, TIMES
from stats.errors import PlanError
from stats.planning.pilot.pilot_uncertainty import sd_upper_limit
from stats.planning.pilot.progression_criteria import KEYS
from stats.planning.pilot.stop_go import stop_go_rates
from stats.proportions.one_proportion import proportion_interval

SIZES = (8, 12, 16, 20, 24, 30, 40, 60)  # participants with scores, to show what the written rules would choose
USUAL = {"responders": "Participants who improved by a threshold are counted of those observed and of all enrolled."}


def this_is(study: Study, digest: str) -> Prose:
    """What the document is, and the hash that ties it to the plan."""
    locked = f"It was locked on {study.lock.locks[-1].day}." if study.lock else "It is not locked yet."
    return Prose(
        "what", (
            f"Statistical analysis plan of: {study.protocol.title}.",
            "It was written from study.toml alone. SHA-256 of the plan, which the command 'outcomes lock' freezes: "
            f"{digest}. {locked}",
            "Whoever reads a report of this trial compares this hash with the one the report prints; a report lists "
            "every key of the plan that was changed after the lock, with its reason.",
        ),
    )  # fmt: skip


def design_text(protocol: Protocol) -> Prose:
    """Design, arms, visits, randomisation, blinding."""
    names = Names(protocol)
    arms = "; ".join(f"{arm.label}{' (reference)' if arm.reference else ''}" for arm in protocol.arms)
    dealt = {True: "Arms are dealt at random", False: "Arms are not dealt at random", None: "Not stated whether arms "
             "are dealt at random; the analysis takes them as "
             "randomised"}[protocol.randomisation.randomised]  # fmt: skip
    strata = f", within strata of {', '.join(protocol.randomisation.strata)}" if protocol.randomisation.strata else ""
    lines = [f"Design: {protocol.design}." + (f" Arms: {arms}. {dealt}{strata}." if len(protocol.arms) > 1 else "")]
    if protocol.periods:
        lines.append(f"Periods: {'; '.join(period.id for period in protocol.periods)} (crossover, treatment effect "
                     "inside people).")  # fmt: skip
    primary = protocol.primary_visit
    if primary is not None:
        lines.append(f"The primary question is about {names.visit(primary.id)}.")
    else:
        last = protocol.later_visits[-1] if protocol.later_visits else protocol.baseline
        lines.append(f"No primary visit is named: the last one with scores, as planned {last.label}, is taken.")
    lines.append(
        "Reports show the arms as letters until the plan is locked and the study unblinded."
        if protocol.blinded else "Reports are not blinded."
    )  # fmt: skip
    return Prose("design", tuple(lines))


def _window(days: tuple[float, float] | None) -> str:
    return "not stated" if days is None else f"{short(days[0])} to {short(days[1])}"


def visits_table(protocol: Protocol) -> Table:
    """Planned visits with their windows."""
    frame = pd.DataFrame(
        [{"visit": visit.label, "day": visit.day, "window": _window(visit.window)} for visit in protocol.visits]
    )
    return Table("planned_visits", "Planned visits", frame,
                 {"Visit": "{visit}", "Day": "{day}", "Window, days": "{window}"}, keys=("visit",), decimals=0,
                 recorded=False)  # fmt: skip


def outcomes_table(protocol: Protocol) -> Table:
    """Every outcome with range, direction, scoring and the rule for missing items."""
    names, rows = Names(protocol), []
    for outcome in protocol.outcomes:
        name, _, scale_id = outcome.partition(".")
        measure, instrument = find_measure(protocol, name, scale_id), find_instrument(name)
        scale = instrument.scale(scale_id) if instrument else None
        found = measure or scale
        span = "" if found is None or found.low is None else f"{short(found.low)} to {short(found.high)}"
        scored = (
            "total as typed" if measure is not None else f"{scale.kind} of {len(scale.items)} "
            f"items" if scale and scale.items
            else scale.kind if scale else "measure of a recording"
        )  # fmt: skip
        missing = "as measured"
        if scale is not None:
            missing = "a score with missing items is missing" if scale.missing in ("none", "") else scale.missing
        rows.append({"outcome": names.outcome(outcome), "role": "primary" if outcome == protocol.primary else "further",
                     "range": span, "unit": getattr(found, "unit", ""), "better": getattr(found, "better", ""),
                     "scored": scored, "missing": missing})  # fmt: skip
    options = [
        f"{name}: {key} = {value}" for name, chosen in protocol.instruments.items() for key, value in chosen.items()
    ]
    return Table(
        "planned_outcomes", "Outcomes", pd.DataFrame(rows),
        {"Outcome": "{outcome}", "Role": "{role}", "Range": "{range}", "Unit": "{unit}", "Better": "{better}",
         "Score": "{scored}", "Missing items": "{missing}"},
        keys=("outcome",), recorded=False,
        notes=("Scores follow the published rules of each instrument.",
               *(("Choices its rules leave open: " + "; ".join(options) + ".",) if options else ())),
    )  # fmt: skip


def thresholds_table(protocol: Protocol) -> Table | Prose:
    """Thresholds with their sources: published ones, and the study's own."""
    names, rows = Names(protocol), []
    for outcome, keys in protocol.thresholds.items():
        for key in keys:
            one = threshold(key)
            cited = references().get(one.source, {}).get("citation", one.source)
            rows.append({"outcome": names.outcome(outcome), "rule": "more than" if one.strict else "at least",
                         "value": one.value, "unit": one.unit, "what": one.quantity, "people": one.population,
                         "source": cited})  # fmt: skip
    for outcome, entries in protocol.own_thresholds.items():
        rows += [{"outcome": names.outcome(outcome), "rule": "at least", "value": one.value, "unit": one.unit,
                  "what": "the study's own", "people": "", "source": one.source} for one in entries]  # fmt: skip
    if not rows:
        return Prose("thresholds", ("No threshold is named: no responders are counted but at published ones, all of "
        "them, "
                                    "side by side.",))  # fmt: skip
    return Table(
        "planned_thresholds", "Sizes of change and where they are from", pd.DataFrame(rows),
        {"Outcome": "{outcome}", "Improved by": "{rule} {value} {unit}", "What it is": "{what}", "Found in": "{people}",
         "Source": "{source}"},
        keys=("outcome", "value"), decimals=2, recorded=False, notes=(USUAL["responders"],),
    )  # fmt: skip


def model_text(protocol: Protocol) -> Prose:
    """The model in words: what is fixed here and what the written rules decide from the numbers of people alone."""
    model = protocol.model
    by_rule = "by the written rules below"
    if protocol.periods:
        lines = ["The change inside each period is modelled by treatment and period, with a random intercept per "
                 "participant."]  # fmt: skip
    else:
        lines = [f"Each outcome: a linear mixed model, restricted maximum likelihood, "
        f"{TIMES.get(model.time, model.time)} "
                 "in each arm."]  # fmt: skip
    if model.method == "ml":
        lines[0] = lines[0].replace("restricted maximum likelihood", "maximum likelihood")
    randomised = protocol.randomisation.randomised is not False and len(protocol.arms) > 1
    auto = "covariate, with a slope of its own at each later visit" if randomised else BASELINES["change"]
    said = auto if model.baseline == "auto" else BASELINES.get(model.baseline, model.baseline)
    lines.append(f"The baseline: {said}; {MISSING_BASELINES.get(model.missing_baseline, model.missing_baseline)}.")
    chosen = " and ".join(filter(None, (model.random and f"random effects {model.random}", model.covariance)))
    lines.append(f"Covariance: {chosen or by_rule}; it is chosen by the numbers of participants and visits, never by "
    f"a p "
                 "value, and the report says which and why. Where a model has no solution the next one down is taken, "
                 "and said.")  # fmt: skip
    df = model.df if model.df != "auto" else "Kenward-Roger, on the observed information for a mean per visit"
    lines.append(f"Standard errors and degrees of freedom: {df}.")
    if model.covariates:
        lines.append(f"Covariates: {', '.join(model.covariates)}.")
    lines += [f"Beside it: {other.label}." for other in protocol.sensitivity]
    lines.append("Residuals are shown; nothing is transformed, and no model is chosen by how they look. Below 15 per "
    "arm a "
                 "re-randomised joint test stands beside the joint test.")  # fmt: skip
    return Prose("model", tuple(lines))


def rules_table(protocol: Protocol) -> Table | None:
    """Which covariance the written rules take first, for numbers of people, and what comes after it."""
    if protocol.model.random or protocol.model.covariance or protocol.periods:
        return None
    arms = max(1, len(protocol.arms))
    visits = len(protocol.later_visits)
    rows = []
    for people in SIZES:
        steps = visit_steps(people, arms, visits) if protocol.model.time == "visit" else line_steps(visits + 1)
        rows.append(
            {"people": people, "first": steps[0][0].name, "then": "; ".join(step.name for step, _ in steps[1:])}
        )
    return Table(
        "written_rules", f"Covariance by the written rules, {visits} later visits, {arms} arm{'s' if arms > 1 else ''}",
        pd.DataFrame(rows), {"Participants with scores": "{people}", "Taken first": "{first}", "If it has no "
        "solution": "{then}"},
        keys=("people",), recorded=False,
        notes=("With the error rates of every rule simulated before: see the method notes of the software.",),
    )  # fmt: skip


def statements(protocol: Protocol) -> Prose:
    """Level, multiplicity, framework."""
    aim = "superiority, two-sided" if len(protocol.arms) > 1 else "estimation of change in one arm"
    return Prose(
        "statements", (
            f"Framework: {aim}; a pilot's results are estimates with {protocol.level:.0%} intervals, not tests of "
            f"efficacy.",
            "No correction for several outcomes, visits or thresholds: no confirmatory claim is made. p values, "
            "where shown, "
            "are given as numbers; no verdict is drawn from one.",
            "No interim analysis of outcomes is planned.",
            f"Random numbers come from seed {protocol.seed}; two runs give the same report.",
        ),
    )  # fmt: skip


def people_text(protocol: Protocol) -> Prose:
    """Who is analysed."""
    lines = [
        "Everyone with a score after the baseline is analysed in the arm as assigned, whatever was done or missed."
    ]
    if protocol.both_hands is not None:
        lines.append(f"Of people with both hands affected the {protocol.both_hands.analysed} hand is analysed.")
    if protocol.scored_raters:
        lines.append(f"Scores of the raters {', '.join(protocol.scored_raters)} count; others are compared with them.")
    return Prose("people", tuple(lines))


def missing_text(protocol: Protocol) -> Prose:
    """Missing values and intercurrent events."""
    lines = [AT_RANDOM]
    for event in protocol.events:
        facts = "; ".join(
            f"{key.replace('_', ' ')} {value}" for key, value in vars(event).items() if value and key != "id"
        )
        lines.append(f"Event: {facts}.")
    if not protocol.events:
        lines.append("No intercurrent event is named with a strategy: values after one are used (treatment policy).")
    lines.append(f"Beside the main result, for comparison: {'; '.join(SHORT.values())}; and the shift of imputed "
    f"values at "
                 "which the interval reaches zero.")  # fmt: skip
    return Prose("missing", tuple(lines))


def choices_table(protocol: Protocol) -> Table:
    """What the main result is run again with, one choice at a time."""
    model = protocol.model
    rows = [
        ("covariance", "; ".join(COVARIANCES)),
        ("time course", "; ".join(TIMES.values())),
        ("baseline", "; ".join(BASELINES.values())),
        ("degrees of freedom", "Kenward-Roger; Satterthwaite; between-within; residual"),
        (
            "missing values",
            "everyone with a score; people with all visits; assumptions of the section on missing values",
        ),
        ("people", "all as assigned; without each person in turn (up to 60 people); those treated as planned"),
        ("threshold", "every published threshold of the outcome"),
        *[("other model of the protocol", other.label) for other in protocol.sensitivity],
    ]
    frame = pd.DataFrame(rows, columns=["choice", "options"])
    return Table("planned_choices", "One choice changed at a time; the main one stays the main one", frame,
                 {"Choice": "{choice}", "Also run with": "{options}"}, keys=("choice", "options"), recorded=False,
                 notes=(f"The main result keeps: {TIMES.get(model.time, model.time)}.",))  # fmt: skip


def size_text(protocol: Protocol, planned: int | None) -> tuple[Prose, Table]:
    """What a pilot of these sizes can pin down: no power for an effect, but a spread and shares."""
    arms = max(1, len(protocol.arms))
    said = (
        f"{planned} participants are planned (the recruitment target of the criteria)." if planned
        else "No number is named in study.toml (a criterion of recruitment with target = says it)."
    )  # fmt: skip
    rows = []
    for n in sorted({*SIZES, *([planned] if planned else [])}):
        found = proportion_interval(round(0.8 * n), n)
        low, high = found.limits(protocol.level)
        rows.append({"n": n, "sd_factor": sd_upper_limit(1.0, n - arms, 0.8), "low": 100 * low, "high": 100 * high})
    text = Prose("size", (
        said,
        "A pilot is not sized to show an effect. What its size decides is how well a spread and a share can be told, "
        "and so "
        "how sure the size of the next trial will be.",
    ))  # fmt: skip
    table = Table(
        "precision", "What numbers of participants can pin down", pd.DataFrame(rows),
        {"Participants": "{n}", "Upper 80 % limit of an SD, times the SD": "{sd_factor}",
         "80 % seen again: interval, %": "{low} to {high}"},
        keys=("n",), decimals=2, recorded=False,
        notes=("SD: one-sided limit from chi-squared on n less arms (Browne 1995). Share: Wilson.",),
    )  # fmt: skip
    return text, table


def recruitment_target(protocol: Protocol) -> int | None:
    """The planned number of participants, where a criterion says it."""
    for criterion in protocol.criteria:
        target = criterion.get("target")
        if criterion.get("measure") == "recruitment" and isinstance(target, (int, float)):
            return int(target)
    return None


def criteria_table(protocol: Protocol, planned: int | None) -> Table | Prose:
    """Progression criteria with zones and the chances of a wrong zone."""
    if not protocol.criteria:
        return Prose("criteria", ("No progression criteria are set ([[criteria]] in study.toml).",))
    rows = []
    for each in protocol.criteria:
        go, stop = each.get("go"), each.get("stop")
        wrong = ""
        n = planned or 24
        if each.get("measure") not in ("safety", "recruitment") and isinstance(go, float) and isinstance(stop, float):
            try:
                table = stop_go_rates(n, go, stop, (stop, go)).frame()
                wrong = f"{number(100 * table['go'].iloc[0], 0)} %; {number(100 * table['stop'].iloc[1], 0)} %"
            except PlanError:
                wrong = ""
        rows.append({"label": each.get("label", each.get("id")), "measure": each.get("measure"), "go": go, "stop": stop,
                     "wrong": wrong, "source": each.get("source", "")})  # fmt: skip
    n = planned or 24
    return Table(
        "planned_criteria", "Progression criteria, set before the data", pd.DataFrame(rows),
        {"Criterion": "{label}", "Measure": "{measure}", "Go from": "{go}", "Stop beyond": "{stop}",
         f"Wrong go; wrong stop, n = {n}": "{wrong}", "Set by": "{source}"},
        keys=("label",), decimals=2, recorded=False,
        notes=("Wrong go: the chance to go on where the true share is the stop limit; wrong stop: to stop where it "
        "is the go "
               "limit (exact binomial).", f"Measures: {KEYS['measure']}. Criteria guide those who decide."),
    )  # fmt: skip


def harms_text(protocol: Protocol) -> Prose:
    """Harms."""
    return Prose("harms", (
        "Adverse events are counted by arm as events and as people with one, serious and related ones apart, with "
        "Wilson "
        "intervals; no test. This software is not for monitoring safety during the trial.",
    ))  # fmt: skip


def software_text() -> Prose:
    """Versions."""
    return Prose(
        "software", ("Made with " + ", ".join(f"{name} {version}" for name, version in software().items()) + ".",)
    )


def question(study: Study) -> Table:
    """The estimand."""
    return replace(estimand_table(study), name="planned_estimand")


@cache
def plan_items() -> Mapping:
    """The items as they are stored."""
    return tomllib.loads(resources.files("notebooks.plan_document").joinpath("plan_items.toml").read_text("utf-8"))


def items_table(headings: tuple[str, ...]) -> Table:
    """Each item, the section that answers it, and what the authors must still write."""
    rows = []
    for item in plan_items()["items"]:
        here = item["section"] if item["section"] in headings else ""
        rows.append({"item": item["id"] + ("" if item["checked"] == "read" else " *"), "here": here or "not from "
        "study.toml",
                     "author": item["author"]})  # fmt: skip
    return Table(
        "plan_items", "Items of an analysis plan", pd.DataFrame(rows),
        {"Item": "{item}", "In this document": "{here}", "Still for the authors": "{author}"},
        keys=("item",), recorded=False,
        notes=(f"In our words after: {plan_items()['source']}; compared with a {plan_items()['source_read']}. It is no "
               "substitute for the published list.", "* from memory: compare with the published list."),
    )  # fmt: skip
