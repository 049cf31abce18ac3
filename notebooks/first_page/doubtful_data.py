"""Data that need a look: findings that touch the answer first, in words without ids of the kit."""

import re
from dataclasses import dataclass

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.first_page.how_sure import HowSure
from notebooks.show.names import Names
from outcomes.protocol.trial import Protocol

SHOWN = 5
TOUCHING = {"no baseline", "nothing after baseline"}


@dataclass(frozen=True)
class Doubt:
    """One finding, or several of a kind. touches: it bears on the primary outcome at the visit spoken of."""

    participant: str
    visit: str
    text: str
    touches: bool
    without: float | None  # the answer without this person


@dataclass(frozen=True)
class Doubts:
    """How many findings there are by severity, how many touch the answer, and the first few."""

    counts: dict[str, int]
    touching: int
    shown: tuple[Doubt, ...]


def doubts(analysis: Analysis, visit: str, sure: HowSure | None) -> Doubts:
    """Errors, then findings that touch the answer, then the other warnings."""
    protocol, frame = analysis.study.protocol, analysis.findings.frame()
    names = Names(protocol)
    frame = frame[frame["severity"] != "note"].copy() if len(frame) else frame
    counts = analysis.findings.count()
    if frame.empty:
        return Doubts(counts, 0, ())
    primary = frame["found"].str.contains(protocol.primary, regex=False) | frame["rule"].isin(TOUCHING)
    at = frame["visit"].isin([visit, protocol.baseline.id])
    frame["touches"] = (primary & (at | frame["rule"].isin(TOUCHING))) | (
        (frame["visit"] == visit) & frame["rule"].str.contains("window|missed")
    )
    frame["rank"] = (frame["severity"] != "error").astype(int) * 2 + (~frame["touches"]).astype(int)
    grouped = []
    keys = ["participant", "visit", "rule"]
    for (code, when, rule), own in frame.sort_values("rank", kind="stable").groupby(keys, sort=False):
        text = _words(rule, list(own["found"]), names)
        touches = bool(own["touches"].any())
        without = sure.without.get(code) if sure is not None and touches else None
        grouped.append(Doubt(code, names.visit_words(when) if when else "", text, touches, without))
    return Doubts(counts, int(frame["touches"].sum()), _one_a_person(grouped))


def _one_a_person(grouped: list[Doubt]) -> tuple[Doubt, ...]:
    """The first few, no person twice while another one waits."""
    first: list[Doubt] = []
    later: list[Doubt] = []
    seen: set[str] = set()
    for one in grouped:
        (later if one.participant in seen else first).append(one)
        seen.add(one.participant)
    return tuple((first + later)[:SHOWN])


def _words(rule: str, found: list[str], names: Names) -> str:
    told = [plainly(text, names.protocol) for text in found if text]
    head = rule[:1].upper() + rule[1:]
    if not told:
        return f"{head}."
    more = f", and {len(told) - 1} more" if len(told) > 1 else ""
    return f"{head}: {told[0]}{more}."


def plainly(text: str, protocol: Protocol) -> str:
    """A finding's text with labels in place of ids; what is left of ids loses its underscores."""
    names = Names(protocol)
    for outcome in sorted(protocol.outcomes, key=len, reverse=True):
        text = text.replace(outcome, names.short(outcome))
    for visit in sorted(protocol.visits, key=lambda one: len(one.id), reverse=True):
        text = re.sub(rf"\b{re.escape(visit.id)}\b", names.visit_words(visit.id), text)
    return re.sub(r"(?<=\w)_(?=\w)", " ", text).rstrip(".")


def missing_at(analysis: Analysis, visit: str) -> pd.Series:
    """People without a primary score at the visit, by arm ("" where there is one)."""
    changes = analysis.changes(analysis.study.protocol.primary, visit or None)
    return changes[changes["missing"] != ""].groupby("arm").size()
