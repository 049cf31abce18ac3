"""The section on the lock of the analysis plan: what has departed from it. It stands in every report, whole or part."""

import pandas as pd

from notebooks.report.run import Run, section
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.lock.lock_file import LOCKED

TITLE = "Departures from the locked plan"
NOT_LOCKED = (
    "The plan was not locked. Nothing here can show which choices were made before the outcomes were known; the "
    "command 'outcomes lock' freezes a plan before unblinding."
)
ABOUT = """# Departures from the locked plan

**Question:** was the analysis decided before the outcomes were known, and what has been changed since?

A departure can be right. Readers must see it and its reason; only an earlier date on someone else's desk proves that
the lock was not made later."""
CODE = "departures.locked_plan(study)"


def locked_plan(study: Study) -> Exhibits:
    """The locks in words, and every key of the plan that changed since the first of them."""
    return gather((lock_sentences(study), departures_table(study)))


def lock_sentences(study: Study) -> Prose:
    """When the plan was locked and unblinded, with which hash, and how many keys differ now."""
    if study.lock is None:
        return Prose("lock", (NOT_LOCKED,))
    lines = []
    for event in study.lock.events:
        if event.event == LOCKED:
            again = f" again ({study.shown_text(event.reason)})" if event.reason else ""
            people = len(event.participants)
            had = f"{people} participants were in the folder" if people else "no data could be read yet"
            lines.append(f"The plan was locked{again} on {event.day}, when {had}; SHA-256 {event.plan_sha256}.")
        else:
            told = f" In the blinded reports {event.reason}." if event.reason else ""
            lines.append(f"The study was unblinded on {event.day}, after the lock {event.before[:12]}.{told}")
    unexplained = sum(not each.explained for each in study.departures)
    count = len(study.departures)
    told = f"{count}; without a reason: {unexplained or 'none'}" if count else "none"
    lines.append(f"Departures from the locked plan: {told}.")
    return Prose("lock", tuple(lines), items=("CONSORT pilot 3b", "CONSORT pilot 6b"))


def departures_table(study: Study) -> Table | None:
    """Every key that changed: as locked, now, since when, why."""
    if not study.departures:
        return None
    frame = pd.DataFrame(
        [
            {"step": each.step, "key": each.key, "locked": each.locked, "now": each.now, "date": each.date,
             "reason": each.reason}
            for each in study.departures
        ]
    )  # fmt: skip
    return Table(
        "departures",
        TITLE,
        frame,
        {"Key of study.toml": "{key}", "As locked": "{locked}", "Now": "{now}", "When": "{step}", "Dated": "{date}",
         "Reason": "{reason}"},
        keys=("step", "key"),
        notes=("Date and reason as study.toml gives them under [[departures]]; nothing checks that they are true.",),
    )  # fmt: skip


def departures_run(study: Study) -> Run:
    """The section of the report."""
    return section("departures", ABOUT, CODE, locked_plan(study))


def recorded_plan(study: Study) -> dict:
    """The plan in the record: its hash, every lock, and every departure."""
    events = study.lock.events if study.lock else ()
    return {
        "sha256": study.plan_sha256,
        "locked": bool(events),
        "events": [
            {"event": event.event, "date": event.date, "plan_sha256": event.plan_sha256,
             "reason": study.shown_text(event.reason),
             "sha256": event.sha256}
            for event in events
        ],
        "departures": [
            {"step": each.step, "key": each.key, "locked": each.locked, "now": each.now, "date": each.date,
             "reason": each.reason}
            for each in study.departures
        ],
    }  # fmt: skip
