"""The sections of an analysis plan on its versions, on timing, on who takes part, on adherence and on what comes beside
the main analysis."""

import pandas as pd

from notebooks.plan_document.plan_items import plan_items
from notebooks.sections.who_took_part import CATEGORIES
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.numbers import short
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.lock.lock_file import LOCKED
from outcomes.protocol.trial import PlannedVisit, Protocol

ELIGIBLE = {"age": "age in years", "onset_months": "months since onset"}


def versions(study: Study) -> Table | Prose:
    """Every lock of the plan: when, which hash, why again, and what was there of the data."""
    events = study.lock.events if study.lock else ()
    if not events:
        return Prose("versions", (
            "Version: a draft; 'outcomes lock' makes it version 1. An amended plan is locked again with its reason, "
            "earlier versions are kept, and every report lists them.",
        ))  # fmt: skip
    rows: list[dict] = []
    unblinded = False
    for event in events:
        if event.event != LOCKED:
            unblinded = True
            continue
        state = "after unblinding" if unblinded else "before unblinding" if study.protocol.blinded else ""
        people = len(event.participants)
        rows.append({
            "version": len(rows) + 1, "day": event.day, "sha256": event.plan_sha256,
            "reason": study.shown_text(event.reason) or ("first lock" if not rows else "not given"),
            "data": ", ".join(filter(None, (f"{people} participants in the folder" if people else "no data", state))),
        })  # fmt: skip
    return Table(
        "plan_versions", "Versions of the plan", pd.DataFrame(rows),
        {"Version": "{version}", "Locked": "{day}", "SHA-256": "{sha256}", "Reason": "{reason}",
         "Data at that time": "{data}"},
        keys=("version",), decimals=0, recorded=False,
        notes=("No interim analysis of outcomes is planned, so no version follows one.",),
    )  # fmt: skip


def timing_text(protocol: Protocol) -> Prose:
    """When outcomes are assessed and when the final analysis is made."""
    last = max(protocol.visits, key=_latest)
    until = f"day {short(_latest(last))} after the first visit at the latest" if last.window else f"day {last.day:g}"
    unblinded = ", and once the study is unblinded" if protocol.blinded else ""
    return Prose("timing", (
        "Outcomes are assessed at the visits below, each inside its window; which outcome at which visit stands with "
        "the outcomes. A score counts for the visit it was written down for; one outside the window is used and "
        "reported as a finding.",
        f"There is one final analysis of all outcomes together: after {last.label} ({until}) of the last participant, "
        f"once the plan is locked and no finding of the checks blocks it{unblinded}. Reports made before are looks "
        "at data quality and progress.",
    ))  # fmt: skip


def _latest(visit: PlannedVisit) -> float:
    """The last day a visit may be on."""
    return visit.day + (visit.window[1] if visit.window else 0.0)


def taking_part(protocol: Protocol) -> Prose:
    """Eligibility, screening, recruitment, withdrawal and baseline characteristics: what is counted and how shown."""
    population = protocol.estimand.get("population", "") or "not stated ([estimand] population in study.toml)"
    ranges = "; ".join(
        f"{ELIGIBLE.get(key, key)} from {short(low)} to {short(high)}"
        for key, (low, high) in protocol.eligibility.items()
    )
    checked = f" Checked in the data, and a finding where it does not hold: {ranges}." if ranges else ""
    by = "by arm" if len(protocol.arms) > 1 else "for everybody"
    differences = (
        " Differences between arms at baseline are described as standardised differences and not tested."
        if len(protocol.arms) > 1 else ""
    )  # fmt: skip
    measured = ", ".join(["age", "months since onset", *(words.lower() for words in CATEGORIES.values())])
    return Prose("taking part", (
        f"Eligibility. Population: {population}.{checked} Nobody with a score is left out for being outside.",
        "Screening. The number assessed for eligibility, and of those not enrolled the number by reason, are shown "
        "where study.toml gives them ([randomisation] assessed, excluded); they come from the screening log.",
        f"Recruitment and follow-up. A flow diagram and a table show {by} the people enrolled, those seen at each "
        "visit, and those analysed of the primary outcome.",
        "Withdrawal. Two levels are told apart in the sheet of visits: a missed visit, after which a participant goes "
        f"on, and withdrawal, after which no visit is expected. Both are shown {by} and by visit, withdrawal from the "
        "visit it is written at, with the reasons as typed and their counts. What a participant gave before leaving is "
        "analysed.",
        f"Baseline. {measured[0].upper()}{measured[1:]}, and every outcome that was measured at "
        f"{protocol.baseline.label}, are shown {by}: mean and SD with n, or count and percent.{differences}",
    ))  # fmt: skip


def adherence_text(protocol: Protocol) -> Prose:
    """Adherence and deviations: what counts, how it is shown, what is done about it."""
    found = [one for one in protocol.criteria if one.get("measure") == "adherence" and "at_least" in one]
    if found:
        least = float(str(found[0]["at_least"]))
        arm = f" in {Names(protocol).arm(str(found[0]['arm']))}" if found[0].get("arm") else ""
        treated = f"A participant{arm} counts as adherent from {100 * least:g} % of the prescribed minutes."
    else:
        treated = (
            "No share of the prescribed minutes counts as adherent ([[criteria]] with measure \"adherence\" and "
            "at_least sets one), so nobody is called adherent or not."
        )  # fmt: skip
    return Prose("adherence", (
        f"Adherence is the minutes done of those prescribed, in the sheet of sessions. {treated} Shown by participant "
        "and arm as sessions, minutes done of prescribed, and percent; of a device also days and hours of wear, where "
        "they are logged. A session without minutes is not one of zero minutes.",
        "Deviations are what the checks report of the data against this plan: visits outside their window, missed, out "
        "of order or after withdrawal; a participant outside the planned age or time since onset; the other hand "
        "tested; a rater changed; an instrument not given as published; scores with missing items; far more training "
        "than prescribed. All are counted by kind and listed with their place. Nobody is left out for one; what is "
        "changed is changed in the data, and said.",
        "Beside the main result stands the result of those treated as planned, where a share is set above. Who does "
        "what was planned is nobody's choice by lot: it is no estimate of the effect of the treatment.",
    ))  # fmt: skip


def further_text(study: Study) -> Prose:
    """What is reported beside the model of change; only what this plan asks for."""
    protocol = study.protocol
    lines = [
        "Effect sizes of every outcome: from the model of change over the SD at baseline, and standardised changes "
        "with small-sample correction, all with intervals.",
        "Shares at the floor and the ceiling of every outcome, and change by baseline.",
    ]
    if protocol.levels:
        told = "; ".join(
            f"{Names(protocol).outcome(one.outcome)} {short(one.value)} {one.unit} ({one.label}; {one.reason})"
            for one in protocol.levels
        )
        lines.append(f"People who reach a level the study sets, counted by visit with Wilson intervals: {told}.")
    if protocol.series_outcomes:
        lines.append(
            "Recordings over time: each measure is modelled like every other outcome, of the affected hand; passive, "
            "active and device-assisted motion stand beside each other and are never pooled; agreement of repetitions "
            "and of sessions as errors of measurement and intraclass correlations."
        )
    lines += [
        "Where scores were taken with and without a device, one model of both conditions gives what the device does "
        "while it is worn; that is no recovery.",
        "Where two raters scored the same visits, their agreement.",
        "The size of the next trial, from the spread and the shares seen here; the effect seen here plays no part in "
        "it.",
    ]
    return Prose("further", tuple(lines))


def methods_table() -> Table:
    """Methods that are not in every textbook, with where they are described."""
    return Table(
        "plan_methods", "Methods that need a reference", pd.DataFrame(plan_items()["methods"]),
        {"For": "{subject}", "Source": "{source}", "Identifier": "{doi}"}, keys=("subject",), recorded=False,
        notes=("Their formulas, choices and error rates stand in the guide of the software.",),
    )  # fmt: skip
