"""What went wrong with people and with devices: adverse events, deficiencies, looks at the skin."""

from collections.abc import Iterable

import pandas as pd

from notebooks.figures.device.fault_counts import fault_counts
from notebooks.figures.device.skin_findings import skin_findings
from notebooks.show.exhibits import Exhibits, Prose, gather, together
from notebooks.show.names import Names
from notebooks.show.numbers import number
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from outcomes.device_sheets import CATEGORIES
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.one_rate import rate_interval

NO_FAULTS = (
    "device deficiencies: there is no sheet of them, or it is empty; nothing written down is not nothing broken."
)
NO_SKIN = "looks at the skin: there is no sheet of them, or it is empty."
NO_LIST = (
    "Single events and deficiencies are not listed: study.toml does not allow it ([safety] event_list = true does). In "
    "a small trial a row can point to a person."
)
NOT_RELATED = ("", "no", "none", "unrelated", "not related")


def hours_worn(study: Study) -> float:
    """Hours the device was worn, as far as the log says."""
    return float(study.wear_log["minutes_worn"].sum() / 60)


def faults_table(study: Study) -> Exhibits | Table:
    """Deficiencies by category of ISO 14155: number, people concerned with exact interval, rate per 100 hours worn."""
    faults = study.device_deficiencies
    if faults.empty:
        return gather((), (NO_FAULTS,))
    level, enrolled, hours = study.protocol.level, len(study.participants), hours_worn(study)
    kinds = {"Any": pd.Series(True, index=faults.index)}
    kinds |= {
        name: faults["category"].eq(name) for name in CATEGORIES.values() if name and faults["category"].eq(name).any()
    }
    kinds |= {f"Cause: {name}": faults["cause"].eq(name) for name in sorted(set(faults["cause"]) - {""})}
    kinds["Could have led to a serious event"] = faults["could_have_been_serious"].eq("yes")
    kinds["Led to an adverse event"] = faults["event"].ne("")
    made = []
    for kind, chosen in kinds.items():
        own = faults[chosen]
        people = own.loc[own["participant"] != "", "participant"].nunique()
        share = proportion_interval(people, enrolled, method="clopper-pearson", level=level)
        row = {"kind": kind, "count": len(own), "people": people, "n": enrolled,
               "devices": own.loc[own["device"] != "", "device"].nunique(), "share": 100 * share.estimate,
               "share_low": 100 * share.conf_low, "share_high": 100 * share.conf_high,
               "minutes_lost": own["minutes_lost"].sum()}  # fmt: skip
        if hours > 0:
            rate = rate_interval(len(own), hours, per=100, level=level)
            row |= {"rate": rate.estimate, "rate_low": rate.conf_low, "rate_high": rate.conf_high}
        made.append(row)
    rates = {"Per 100 h worn (interval)": "{rate} ({rate_low} to {rate_high})"} if hours > 0 else {}
    return Table(
        "device_deficiencies",
        "Device deficiencies",
        pd.DataFrame(made),
        {"Deficiency": "{kind}", "Number": "{count}", "People": "{people} of {n}", "Devices": "{devices}",
         "% of people (interval)": "{share} ({share_low} to {share_high})", **rates,
         "Minutes lost": "{minutes_lost}"},
        keys=("kind",),
        notes=(
            f"With or without harm. People: exact (Clopper-Pearson) intervals, rates: exact Poisson, both at "
            f"{level:.0%}; a rate takes deficiencies as independent, and one device that fails again and again makes "
            "its interval too narrow.",
            "Categories: terms of ISO 14155:2020 as regulatory pages give them.",
        ),
    )  # fmt: skip


def faults_figure(study: Study):
    """Number of deficiencies by category and cause."""
    return fault_counts(study.device_deficiencies, hours_worn(study))


def harm_table(study: Study) -> Exhibits | Table:
    """Adverse events by what makes them worth reporting: serious, criterion, expected, related, lasting."""
    events = study.adverse_events
    if study.masked:
        return gather((), ("Adverse events are left out while the study is blinded.",))
    if events.empty:
        return gather((), ("adverse events: there is no sheet of them, or it is empty.",))
    arms = _arms(study)
    names = Names(study.protocol)
    made = []
    for kind, chosen in _kinds(events).items():
        for arm in names.arms(arms):
            n = int((arms == arm).sum())
            own = events[chosen & (events[c.PARTICIPANT].map(arms).fillna("") == arm)]
            people = own[c.PARTICIPANT].nunique()
            share = proportion_interval(people, n, method="clopper-pearson", level=study.protocol.level)
            sessions = int((study.sessions[c.PARTICIPANT].map(arms) == arm).sum())
            row = {"kind": kind, "arm": arm, "events": len(own), "people": people, "n": n,
                   "share": 100 * share.estimate, "share_low": 100 * share.conf_low,
                   "share_high": 100 * share.conf_high}  # fmt: skip
            if sessions:
                rate = rate_interval(len(own), sessions, per=100, level=study.protocol.level)
                row |= {"rate": rate.estimate, "rate_low": rate.conf_low, "rate_high": rate.conf_high}
            made.append(row)
    frame = names.labelled(pd.DataFrame(made))
    rates = {"Per 100 sessions (interval)": "{rate} ({rate_low} to {rate_high})"} if "rate" in frame else {}
    return Table(
        "harm",
        "Adverse events in detail",
        frame,
        {"Events": "{kind}", "Arm": "{arm_label}", "Number": "{events}", "People": "{people} of {n}",
         "% of people (interval)": "{share} ({share_low} to {share_high})", **rates},
        keys=("kind", c.ARM),
        group="Events",
        notes=(f"Exact intervals at {study.protocol.level:.0%} (people: Clopper-Pearson, rates: Poisson). Severity is "
               "intensity, not seriousness. Described, not compared.",),
    )  # fmt: skip


def _kinds(events: pd.DataFrame) -> dict[str, pd.Series]:
    device = events["related_device"].where(events["related_device"] != "", events["related"]).str.casefold()
    to_device = ~device.isin(NOT_RELATED)
    serious = events["serious"].eq("yes")
    kinds = {"Any": pd.Series(True, index=events.index), "Serious": serious}
    kinds |= {f"Criterion: {name}": events["criterion"].eq(name) for name in sorted(set(events["criterion"]) - {""})}
    kinds["Related to the device"] = to_device
    kinds["Related to the device and serious"] = to_device & serious
    kinds["... and not expected"] = to_device & serious & events["expected"].eq("no")
    kinds |= {f"Action: {name}": events["action"].eq(name) for name in sorted(set(events["action"]) - {""})}
    kinds["No end date"] = events["end_date"].isna()
    return kinds


def _arms(study: Study) -> pd.Series:
    people = study.participants.drop_duplicates(c.PARTICIPANT).set_index(c.PARTICIPANT)
    return people[c.ARM].astype(str) if c.ARM in people else pd.Series("", index=people.index)


def lists(study: Study) -> Exhibits | Prose:
    """Every deficiency and the details of every event, where the protocol allows it."""
    if not study.protocol.event_list:
        return Prose("no_event_list", (NO_LIST,))
    made = []
    if len(study.device_deficiencies):
        made.append(
            Table(
                "deficiency_list",
                "Every deficiency",
                study.device_deficiencies,
                {
                    "No.": "{deficiency}",
                    "Date": "{date}",
                    "Device": "{device}",
                    "Participant": "{participant}",
                    "Category": "{category}",
                    "Cause": "{cause}",
                    "Part": "{part}",
                    "What happened": "{description}",
                    "Event": "{event}",
                    "Action": "{action}",
                    "Put right": "{resolved}",
                },
                recorded=False,
                limit=60,
            )
        )
    if len(study.adverse_events):
        made.append(
            Table(
                "event_details",
                "Every adverse event in detail",
                study.adverse_events,
                {
                    "No.": "{event}",
                    "Participant": "{participant}",
                    "Start": "{date}",
                    "End": "{end_date}",
                    "Event": "{term}",
                    "Severity": "{severity}",
                    "Serious": "{serious}",
                    "Criterion": "{criterion}",
                    "Expected": "{expected}",
                    "Action": "{action}",
                    "Device": "{related_device}",
                    "Outcome": "{outcome}",
                },
                recorded=False,
                limit=60,
            )
        )
    return gather(made)


def skin_table(study: Study) -> Exhibits | Table:
    """Looks at the skin by visit: findings, people with one, and exact intervals."""
    looks = study.skin_checks
    if looks.empty:
        return gather((), (NO_SKIN,))
    names, made = Names(study.protocol), []
    for (visit, when), own in looks.groupby(["visit", "when"], sort=False):
        looked = own[c.PARTICIPANT].nunique()
        seen = own[~own["finding"].isin(("", "none"))]
        people = seen[c.PARTICIPANT].nunique()
        share = proportion_interval(people, looked, method="clopper-pearson", level=study.protocol.level)
        counts = seen["finding"].value_counts()
        made.append(
            {"visit": visit, "when": when, "looks": len(own), "people": people, "n": looked,
             "share": 100 * share.estimate, "share_low": 100 * share.conf_low, "share_high": 100 * share.conf_high,
             "longest": seen["minutes_to_clear"].max(),
             "found": "; ".join(f"{name} ({count})" for name, count in counts.items())}
        )  # fmt: skip
    frame = pd.DataFrame(made)
    order = {visit: place for place, visit in enumerate(names.visits(frame["visit"]))}
    frame = frame.sort_values("visit", key=lambda column: column.map(order), kind="stable")
    return Table(
        "skin",
        "Looks at the skin",
        names.labelled(frame),
        {"Visit": "{visit_label}", "Wear": "{when}", "Looks": "{looks}", "People with a finding": "{people} of {n}",
         "% (interval)": "{share} ({share_low} to {share_high})", "Found": "{found}",
         "Longest to clear, min": "{longest}"},
        keys=("visit", "when"),
        decimals=0,
        notes=(f"Exact intervals at {study.protocol.level:.0%}, of the people looked at.",),
    )  # fmt: skip


def skin_figure(study: Study):
    """Findings by site."""
    return skin_findings(study.skin_checks)


def told_of_harm(study: Study) -> Iterable[str]:
    """Two sentences: people, and devices."""
    events, faults, enrolled = study.adverse_events, study.device_deficiencies, len(study.participants)
    if len(events):
        kinds = _kinds(events)
        people = events[c.PARTICIPANT].nunique()
        share = proportion_interval(people, enrolled, method="clopper-pearson", level=study.protocol.level)
        yield (
            f"People: {len(events)} adverse events in {people} of {enrolled} "
            f"({number(100 * share.conf_low, 0)} to {number(100 * share.conf_high, 0)} %), "
            f"{int(kinds['Serious'].sum())} serious, "
            f"{int(kinds['Related to the device'].sum())} related to the device, "
            f"of these {int(kinds['Related to the device and serious'].sum())} serious."
        )
    if len(study.skin_checks):
        seen = study.skin_checks[~study.skin_checks["finding"].isin(("", "none"))]
        yield (
            f"Skin: something was seen at {len(seen)} of {len(study.skin_checks)} looks, in "
            f"{seen[c.PARTICIPANT].nunique()} people."
        )
    if len(faults):
        could = int(faults["could_have_been_serious"].eq("yes").sum())
        hours = hours_worn(study)
        told = ""
        if hours > 0:
            rate = rate_interval(len(faults), hours, per=100)
            low, high = rate.limits(study.protocol.level)
            told = f", {number(rate.estimate, 1)} per 100 hours worn ({number(low, 1)} to {number(high, 1)})"
        yield (
            f"Devices: {len(faults)} deficiencies{told}, most often {faults['category'].mode().iloc[0]}; {could} could "
            f"have led to a serious event, {int(faults['event'].ne('').sum())} led to an adverse event."
        )


def faults(study: Study) -> Exhibits:
    """The figure and the table of deficiencies."""
    return together(faults_figure(study), faults_table(study))


def harm(study: Study) -> Exhibits:
    """Adverse events in detail, and the lists where the protocol allows them."""
    return together(harm_table(study), lists(study))


def skin(study: Study) -> Exhibits:
    """The figure and the table of looks at the skin."""
    return together(skin_figure(study), skin_table(study))
