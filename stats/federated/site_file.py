"""From a study folder to the file of its sums."""

from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import Protocol
from outcomes.scoring.score import score
from outcomes.study import Study
from stats.errors import FitError
from stats.federated.counted import baseline_counts, responder_counts
from stats.federated.guard import MINIMUM, Ledger, refuse_small, small_groups
from stats.federated.moments_file import to_plain, write_file
from stats.federated.outcome_sums import SiteTable, outcome_sums


def site_file(
    study: Study, to: Path, *, plan: Path | None = None, minimum: int = MINIMUM, leave_out: bool = False
) -> dict:
    """Write the sums of a study to a file and return what it holds.

    plan: a study.toml whose analysis all sites follow (default: the study's own; the study's own always says how its
    tables are read). minimum: least number of people alike; 1 turns the guard off, for tests. leave_out: leave people
    in smaller groups out instead of refusing.
    Raises FitError where the guard or the ledger of earlier files refuses (see `guard`).
    """
    design = study.protocol if plan is None else read_protocol(Path(plan))
    if design.blinded and study.masked:
        raise FitError("The study is blinded: its arms are letters, which differ between sites. Unblind it first.")
    if minimum < 1:
        raise FitError(f"minimum = {minimum}: allowed are whole numbers from 1.")
    scores = score(study)
    left: set = set()
    while True:
        tables = {outcome: outcome_sums(scores, outcome, design, study.participants, leave_out=left)
                  for outcome in planned(design)}  # fmt: skip
        small = small_groups({name: table.profile for name, table in tables.items()}, minimum)
        if not small or not leave_out:
            break
        left |= {person for people in small.values() for person in people}
    refuse_small(small, minimum)
    ledger = Ledger.of(study.folder)
    entry = ledger.entry(
        {name: table.profile for name, table in tables.items()}, {name: table.content for name, table in tables.items()}
    )
    if minimum > 1:
        ledger.refuse_difference(entry, minimum)
    source = Path(plan) if plan is not None else study.folder / "study.toml"
    content = _content(scores, tables, design, study.participants, minimum, left)
    content["study_toml"] = source.read_text(encoding="utf-8")
    write_file(to, content)
    if minimum > 1:
        ledger.add(entry, to.name, minimum)
    return content


def planned(design: Protocol) -> tuple[str, ...]:
    """Outcomes of the plan, the primary one first."""
    return tuple(dict.fromkeys([design.primary, *design.outcomes]))


def _content(
    scores: pd.DataFrame, tables: dict[str, SiteTable], design: Protocol, participants: pd.DataFrame, minimum: int,
    left: set,
) -> dict:  # fmt: skip
    plan = plan_of(replace(design, departures=()))
    enrolled = participants["participant"].nunique()
    responders, without = responder_counts(scores, design, participants, minimum, left)
    return {
        "plan_sha256": plan_digest(plan), "plan": plan, "minimum": minimum, "people": int(enrolled),
        "left_out": len(left), "outcomes": {name: to_plain(table.sums) for name, table in tables.items()},
        "responders": responders, "not_counted": without,
        "at_baseline": baseline_counts(scores, design, participants, minimum, left),
    }  # fmt: skip
