"""Question 2: who took part, who stayed, how much was done, and what went wrong?"""

from math import sqrt

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.people.adherence import Dose, adherence_figure
from notebooks.figures.people.flow import flow_figure
from notebooks.sections.people.flow_numbers import arms_of, flow, participant_flow
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.numbers import number
from notebooks.show.tables import Table
from outcomes import Study, threshold
from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from outcomes.reading.cells import dates, numbers
from stats.errors import FitError
from stats.measurement.rank_correlation import rank_correlation
from stats.proportions.one_proportion import proportion_interval
from stats.selection import Selection, rows

DAYS_PER_MONTH = 30.4375
CATEGORIES = {
    "sex": "Sex",
    "affected_side": "Affected side",
    "dominant_side": "Dominant hand",
    "diagnosis": "Diagnosis",
}


def flow_table(scores: pd.DataFrame, study: Study) -> Table:
    """Participants by arm and visit."""
    return Table(
        "participant_flow",
        "Participants by visit",
        flow(scores, study),
        {"Arm": "{arm_label}", "Visit": "{visit_label}", "Attended": "{attended} of {enrolled}", "Missed": "{missed}",
         "Withdrawn": "{withdrawn}", "Not known": "{unknown}", "Reasons": "{reasons}"},
        keys=(c.ARM, c.VISIT),
        group="Arm",
        notes=(
            *_screening(study.protocol),
        ),
    )  # fmt: skip


def _screening(protocol: Protocol) -> tuple[str, ...]:
    """What is known of people before they were enrolled."""
    given = protocol.randomisation
    if given.assessed is None:
        return ("People approached and screened are not in a study folder: take those counts from the screening log.",)
    told = "; ".join(f"{why}: {count}" for why, count in given.excluded.items())
    return (f"{given.assessed} people were assessed for eligibility{f'; not enrolled: {told}' if told else ''}.",)


def flow_diagram(scores: pd.DataFrame, study: Study, analysis: Analysis | None = None):
    """The same as a diagram, with who was analysed where the analysis is given."""
    return flow_figure(participant_flow(scores, study, analysis), Names(study.protocol))


def months_since_onset(study: Study) -> pd.Series:
    """Months from onset to the baseline visit, from months as typed or from two dates; NaN where neither is known."""
    people = study.participants.set_index(c.PARTICIPANT)
    typed = people["onset"].fillna("").astype(str)
    onset = dates(typed)["value"]  # any order of day and month, as the checks read and report it
    months = numbers(typed)["value"].where(onset.isna())
    at_baseline = study.visits[study.visits[c.VISIT] == study.protocol.baseline.id].drop_duplicates(c.PARTICIPANT)
    if len(at_baseline):
        start = pd.to_datetime(at_baseline.set_index(c.PARTICIPANT)["date"], errors="coerce").reindex(people.index)
        months = months.fillna((start - onset).dt.days / DAYS_PER_MONTH)
    return months


def _differences(protocol: Protocol, arms: int) -> tuple[str, ...]:
    """What a difference between arms at baseline is, and what it comes from."""
    if arms < 2:
        return ()
    what = "Standardised difference: difference from the reference arm in units of the pooled SD."
    if protocol.randomisation.randomised is None:
        return (f"{what} Described, not tested: it is chance alone only where the arms were randomised.",)
    if not protocol.randomisation.randomised:
        return (f"{what} The arms were not randomised: such a difference may explain a result. Described, not tested.",)
    return (f"{what} The arms were randomised: differences come from chance, so they are described and not tested.",)


def baseline_table(scores: pd.DataFrame, study: Study) -> Table:
    """Baseline by arm: mean (SD) or count (%), and the standardised difference from the reference; no p values."""
    names, arms = Names(study.protocol), arms_of(study)
    order = names.arms(arms)
    people = study.participants.set_index(c.PARTICIPANT)
    rows: list[dict] = []
    numeric = {"Age, years": (people["age"].astype(float), 1), "Months since onset": (months_since_onset(study), 1)}
    for outcome in study.protocol.outcomes:
        values = _at_baseline(scores, outcome, study)
        if values is not None:
            label = f"{names.outcome(outcome)}, {values.attrs['unit']}"
            numeric[label] = (values.reindex(people.index), names.decimals(outcome))
    for label, (values, decimals) in numeric.items():
        if values.notna().any():
            rows.append(_numeric_row(label, values, decimals, arms, order, names))
    for column, label in CATEGORIES.items():
        rows += _category_rows(label, people[column].fillna("").astype(str), arms, order, names)
    frame = pd.DataFrame(rows)
    headings = {f"{names.arm(arm)} (n = {(arms == arm).sum()})": f"{{text {arm}}}" for arm in order}
    compared = [arm for arm in order if arm != study.protocol.reference_arm]
    differences = (
        {f"Std. difference, {names.arm(arm)}": f"{{effect {arm}}}" for arm in compared} if len(order) > 1 else {}
    )
    return Table(
        "baseline",
        "Participants at baseline",
        frame,
        {"Characteristic": "{label}"} | headings | differences,
        keys=("label",),
        notes=(
            "Mean (SD), n in brackets where values are missing; or count (%).",
            *_differences(study.protocol, len(order)),
        ),
    )  # fmt: skip


def _at_baseline(scores: pd.DataFrame, outcome: str, study: Study) -> pd.Series | None:
    try:
        at = rows(scores, Selection(outcome, baseline=study.protocol.baseline.id))
    except FitError:
        return None
    at = at[at[c.VISIT] == study.protocol.baseline.id]
    values = at.set_index(c.PARTICIPANT)[c.VALUE]
    values.attrs["unit"] = at["unit"].iloc[0]
    return values


def _numeric_row(label: str, values: pd.Series, decimals: int, arms: pd.Series, order: list[str], names: Names) -> dict:
    row: dict = {"label": label}
    parts = {arm: values[arms == arm] for arm in order}
    for arm, own in parts.items():
        n, mean, sd = int(own.notna().sum()), own.mean(), own.std(ddof=1)
        short = f" [{n}]" if n < len(own) else ""
        row[f"text {arm}"] = f"{number(mean, decimals)} ({number(sd, decimals)}){short}" if n else "\N{EN DASH}"
        row |= {f"mean {arm}": mean, f"sd {arm}": sd, f"n {arm}": n}
    reference = names.protocol.reference_arm
    for arm in order if reference in parts else ():
        if arm != reference:
            spread = sqrt((row[f"sd {arm}"] ** 2 + row[f"sd {reference}"] ** 2) / 2)
            row[f"effect {arm}"] = (row[f"mean {arm}"] - row[f"mean {reference}"]) / spread if spread > 0 else None
    return row


def _category_rows(label: str, values: pd.Series, arms: pd.Series, order: list[str], names: Names) -> list[dict]:
    levels = sorted(set(values) - {""})
    if not levels or len(levels) > 8:
        return []
    rows = []
    reference = names.protocol.reference_arm
    for level in [*levels, *([""] if (values == "").any() else [])]:
        row: dict = {"label": f"{label}: {level or 'not recorded'}"}
        shares = {}
        for arm in order:
            own = values[arms == arm]
            count = int((own == level).sum())
            shares[arm] = count / len(own)
            row[f"text {arm}"] = f"{count} ({number(100 * shares[arm], 0)} %)"
            row |= {f"count {arm}": count, f"percent {arm}": 100 * shares[arm]}
        for arm in order:
            if reference is not None and reference in shares and arm != reference:
                spread = sqrt((shares[arm] * (1 - shares[arm]) + shares[reference] * (1 - shares[reference])) / 2)
                row[f"effect {arm}"] = (shares[arm] - shares[reference]) / spread if spread > 0 else None
        rows.append(row)
    return rows


def adherence(study: Study) -> pd.DataFrame:
    """One row per participant with sessions: sessions, minutes prescribed and performed, repetitions, adherence (%).

    Adherence above 100 % stays as it is; a session without performed minutes is not a session of zero minutes.
    """
    grouped = study.sessions.groupby(c.PARTICIPANT, sort=False)
    frame = grouped.agg(
        sessions=("session", "size"),
        logged=("minutes_performed", "count"),
        minutes_prescribed=("minutes_prescribed", lambda values: values.sum(min_count=1)),
        minutes_performed=("minutes_performed", lambda values: values.sum(min_count=1)),
        repetitions=("repetitions", lambda values: values.sum(min_count=1)),
    ).reset_index()
    frame["percent"] = 100 * frame["minutes_performed"] / frame["minutes_prescribed"]
    frame[c.ARM] = frame[c.PARTICIPANT].map(arms_of(study)).fillna("")
    return Names(study.protocol).labelled(frame.sort_values([c.ARM, c.PARTICIPANT], kind="stable"))


def dose_table(study: Study) -> Table | Prose:
    """Training by participant."""
    if study.masked:
        return Prose("dose", ("Dose and adherence are left out while the study is blinded.",))
    if study.sessions.empty:
        return Prose("dose", ("There is no sessions sheet: dose and adherence are not described.",))
    return Table(
        "dose",
        "Training by participant",
        adherence(study),
        {"Arm": "{arm_label}", "Participant": "{participant}", "Sessions": "{sessions}", "Logged": "{logged}",
         "Minutes done of prescribed": "{minutes_performed} of {minutes_prescribed}", "%": "{percent}",
         "Repetitions": "{repetitions}"},
        keys=(c.PARTICIPANT,),
        group="Arm",
        decimals=0,
        limit=60,
        notes=(
            "Logged: sessions with performed minutes entered; one without is not one of zero minutes. Sessions are "
            "those in the sheet, whether or not more were planned.",
        ),
    )  # fmt: skip


def dose_figure(study: Study, analysis: Analysis | None = None):
    """Adherence of each participant against the change of the primary outcome, where the analysis is given."""
    if study.sessions.empty:
        return None
    people, protocol = adherence(study), study.protocol
    try:
        changes = None if analysis is None else analysis.changes(protocol.primary)
    except FitError:
        changes = None
    if changes is None:
        gained, visit, better, unit = pd.Series(dtype=float), "", "higher", ""
    else:
        known = changes[changes["missing"] == ""].set_index(c.PARTICIPANT)["improvement"]
        gained, visit = known, str(changes["to_visit"].iloc[0])
        better, unit = str(changes["better"].iloc[0]), str(changes["unit"].iloc[0])
    people = people.assign(improvement=people[c.PARTICIPANT].map(gained))
    try:
        correlation = rank_correlation(people["percent"], people["improvement"])
    except FitError:
        correlation = None
    enough = next((one["at_least"] for one in protocol.criteria if one.get("measure") == "adherence"), None)
    named = [
        threshold(size) if isinstance(size, str) else size for size in protocol.chosen_thresholds(protocol.primary)
    ]
    size = next((one.value for one in named if not one.unit.startswith("%")), None)
    found = Dose(people, protocol.primary, unit, visit, better, correlation,
                 100 * float(str(enough)) if enough is not None else None, size)  # fmt: skip
    return adherence_figure(found, Names(protocol))


def events_table(study: Study) -> Table | Prose:
    """Adverse events by arm: events and people, with an exact interval for the share of people."""
    events = study.adverse_events
    if study.masked:
        return Prose("adverse events", ("Adverse events are left out while the study is blinded.",))
    if events.empty:
        words = "There is no adverse_events sheet, or it is empty. Nothing written down does not mean nothing happened."
        return Prose("adverse events", (words,))
    names, arms = Names(study.protocol), arms_of(study)
    events = events.assign(arm=events[c.PARTICIPANT].map(arms).fillna(""))
    kinds = {
        "Any event": pd.Series(True, index=events.index),
        "Serious": events["serious"].eq("yes"),
        "Device deficiency": events["device_deficiency"].eq("yes"),
    }
    kinds |= {f"Severity: {name}": events["severity"].eq(name) for name in sorted(set(events["severity"]) - {""})}
    kinds |= {f"Relation: {name}": events["related"].eq(name) for name in sorted(set(events["related"]) - {""})}
    rows = []
    for kind, chosen in kinds.items():
        for arm in names.arms(arms):
            own = events[chosen & (events["arm"] == arm)]
            people, n = own[c.PARTICIPANT].nunique(), int((arms == arm).sum())
            interval = proportion_interval(people, n, method="clopper-pearson", level=study.protocol.level)
            rows.append(
                {"kind": kind, "arm": arm, "events": len(own), "people": people, "n": n, "share": 100 * people / n,
                 "share_low": 100 * interval.conf_low, "share_high": 100 * interval.conf_high}
            )  # fmt: skip
    return Table(
        "adverse_events",
        "Adverse events",
        names.labelled(pd.DataFrame(rows)),
        {"Event": "{kind}", "Arm": "{arm_label}", "Events": "{events}", "People": "{people} of {n}",
         "% of people (interval)": "{share} ({share_low} to {share_high})"},
        keys=("kind", c.ARM),
        group="Event",
        notes=(f"Clopper-Pearson interval, level {study.protocol.level:.0%}. Described, not compared: pilots are too "
               "small to show that an intervention is safe.",),
    )  # fmt: skip


def events_list(study: Study) -> Table | Prose | None:
    """Every adverse event, where the protocol allows a list."""
    events = study.adverse_events
    if events.empty:
        return None
    if not study.protocol.event_list:
        words = "Single events are not listed: study.toml does not allow it ([safety] event_list = true does)."
        return Prose("no event list", (words,))
    return Table(
        "adverse_event_list",
        "Every adverse event",
        events.drop(columns=[name for name in ("file", "header") if name in events]),
        {"Participant": "{participant}", "Date": "{date}", "Event": "{term}", "Severity": "{severity}",
         "Serious": "{serious}", "Related": "{related}", "Device deficiency": "{device_deficiency}",
         "Outcome": "{outcome}"},
        recorded=False,
        limit=60,
    )  # fmt: skip
