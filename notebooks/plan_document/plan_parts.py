"""The sections of an analysis plan, each from study.toml: what will be done, by which written rule, decided when."""

from dataclasses import replace

import pandas as pd

from notebooks.plan_document.model_parts import SIZES
from notebooks.report.record import software
from notebooks.sections.writing_up import estimand_table
from notebooks.show.exhibits import Prose
from notebooks.show.movement_words import declared
from notebooks.show.names import Names, unit_words
from notebooks.show.numbers import number, short
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.library.known import find_instrument, find_measure
from outcomes.library.registry import references, threshold
from outcomes.protocol.trial import Protocol
from stats.errors import PlanError
from stats.planning.pilot.pilot_uncertainty import sd_upper_limit
from stats.planning.pilot.progression_criteria import KEYS
from stats.planning.pilot.stop_go import stop_go_rates
from stats.proportions.one_proportion import proportion_interval

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
        told = "; ".join(f"{period.id} ({names.visit(period.start)} to {names.visit(period.end)})"
                         for period in protocol.periods)  # fmt: skip
        lines.append(f"Periods: {told} (crossover, treatment effect inside people).")
    primary = protocol.primary_visit
    if protocol.periods:
        lines.append("The primary question is about the treatments inside people, over both periods.")
    elif primary is not None:
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
    """Every outcome with visits, range, direction, scoring and the rule for missing items."""
    names, rows = Names(protocol), []
    every = len(protocol.visits)
    for outcome in protocol.outcomes:
        name, _, scale_id = outcome.partition(".")
        measure, instrument = find_measure(protocol, name, scale_id), find_instrument(name)
        found = measure or (instrument.scale(scale_id) if instrument else None)
        at = protocol.visits_of(outcome)
        rows.append({
            "outcome": names.outcome(outcome), "role": "primary" if outcome == protocol.primary else "further",
            "visits": "every visit" if len(at) == every else ", ".join(visit.label for visit in at),
            "range": _span(found), "unit": unit_words(getattr(found, "unit", "")),
            "better": getattr(found, "better", ""), **_scoring(protocol, outcome),
        })  # fmt: skip
    options = [
        f"{name}: {key} = {value}" for name, chosen in protocol.instruments.items() for key, value in chosen.items()
    ]
    return Table(
        "planned_outcomes", "Outcomes", pd.DataFrame(rows),
        {"Outcome": "{outcome}", "Role": "{role}", "Measured at": "{visits}", "Range": "{range}", "Unit": "{unit}",
         "Better": "{better}", "Score": "{scored}", "Missing items": "{missing}"},
        keys=("outcome",), recorded=False,
        notes=("Scores follow the published rules of each instrument; nothing is transformed before it is analysed. "
               "The primary outcome comes first; the order of the further ones is no order of importance.",
               *(("Choices its rules leave open: " + "; ".join(options) + ".",) if options else ())),
    )  # fmt: skip


def _span(found: object) -> str:
    """The range a score can have, as far as its ends are known."""
    low, high = getattr(found, "low", None), getattr(found, "high", None)
    if low is None:
        return ""
    return f"{short(low)} or more" if high is None else f"{short(low)} to {short(high)}"


def _scoring(protocol: Protocol, outcome: str) -> dict[str, str]:
    """How a score is made, and what becomes of one with parts missing."""
    recorded = next((one for one in protocol.series_outcomes if one.id == outcome), None)
    if recorded is not None:
        return {"scored": f"from recordings: {declared(recorded)}", "missing": "the repetitions that can be measured"}
    name, _, scale_id = outcome.partition(".")
    channel = protocol.channel(name)
    if channel is not None:
        return {"scored": {"mean": "mean of the trials", "max": "best of the trials"}.get(channel.summary,
                channel.summary), "missing": "the trials that were given"}  # fmt: skip
    instrument = find_instrument(name)
    scale = instrument.scale(scale_id) if instrument and find_measure(protocol, name, scale_id) is None else None
    if scale is None:
        return {"scored": "total as typed", "missing": "as typed"}
    many, parts = len(scale.items), "trials" if scale.kind == "trials" else "items"
    if many == 1:
        scored = "as measured"
    elif scale.kind == "trials":
        scored = f"{many} trials, summarised as the instrument says"
    else:
        scored = f"{scale.kind} of {many} {parts}" if many else scale.kind
    missing = "a score with missing items is missing" if many > 1 else "no score"
    return {"scored": scored, "missing": missing if scale.missing in ("none", "") else scale.missing}


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


def statements(protocol: Protocol) -> Prose:
    """Level, multiplicity, framework."""
    aim = "superiority, two-sided" if len(protocol.arms) > 1 else "estimation of change in one arm"
    return Prose(
        "statements", (
            f"Framework: {aim}; a pilot's results are estimates, not tests of efficacy.",
            f"Every estimate stands with its {protocol.level:.0%} interval, two-sided.",
            "No level of significance is set: p values are two-sided, are given as numbers where shown, and no verdict "
            "is drawn from one.",
            "No correction for several outcomes, visits or thresholds: no confirmatory claim is made.",
            "No interim analysis of outcomes is planned, so there is no adjustment for one and no rule for stopping "
            "early on outcomes; the progression criteria are looked at when they are complete.",
            f"Random numbers come from seed {protocol.seed}; two runs give the same report.",
        ),
    )  # fmt: skip


def people_text(protocol: Protocol) -> Prose:
    """Who is analysed."""
    assigned = " in the arm as assigned" if len(protocol.arms) > 1 else ""
    lines = [
        f"Main: everyone with a score after the baseline is analysed{assigned}, whatever was done or missed (intention "
        "to treat, of those with a score).",
        "Shares of people are given of those observed and of all enrolled. Harms are counted of all enrolled.",
        "Treated as planned: see adherence and deviations; beside the main result, never in its place.",
    ]
    if protocol.both_hands is not None:
        lines.append(f"Of people with both hands affected the {protocol.both_hands.analysed} hand is analysed.")
    if protocol.scored_raters:
        lines.append(f"Scores of the raters {', '.join(protocol.scored_raters)} count; others are compared with them.")
    return Prose("people", tuple(lines))


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
        "Adverse events are counted by arm as events and as people with one, by severity, and serious ones, those "
        "related to the treatment and deficiencies of a device apart, with exact (Clopper-Pearson) intervals of the "
        "share of people; no test. Every event in the sheet counts, of everybody enrolled; a participant with several "
        "is one person.",
        "This software is not for monitoring safety during the trial.",
    ))  # fmt: skip


def software_text() -> Prose:
    """Versions."""
    return Prose(
        "software", ("Made with " + ", ".join(f"{name} {version}" for name, version in software().items()) + ".",)
    )


def question(study: Study) -> Table:
    """The estimand."""
    return replace(estimand_table(study), name="planned_estimand")
