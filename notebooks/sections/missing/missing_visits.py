"""What is missing of the primary outcome, and how bad it would have to be for the answer to change."""

from dataclasses import replace

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.tipping_shift import tipping_figure
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from outcomes.sheets import SHEETS
from stats.errors import FitError
from stats.missing.estimand import POLICY, IntercurrentEvent, apply_strategies, estimand_of, events_of
from stats.missing.imputation import impute
from stats.missing.patterns import FIXED, MissingVisits, describe_missing
from stats.missing.tipping import tipping_point
from stats.missing.visit_table import VisitTable, visit_table

CAUTION = "Nothing in the data tells what the missing values were: assumptions can be compared here, not tested."


def missing_exhibits(analysis: Analysis) -> Exhibits | Prose:
    """Missing values by arm and visit, what goes with leaving, the tipping point; in words where nothing is missing."""
    study, scores = analysis.study, analysis.scores
    protocol, names = study.protocol, Names(study.protocol)
    outcome = protocol.primary
    known = scores[(scores[c.OUTCOME] == outcome) & scores[c.VALUE].notna()]
    visits = [one.id for one in protocol.visits_of(outcome) if one.id in set(known[c.VISIT])]
    try:
        table = visit_table(scores, outcome, visits=visits, participants=study.participants)
        found = describe_missing(table, attendance=study.visits, covariates=_described(study))
    except FitError as refused:
        return Prose("missing visits", (f"Missing values cannot be described: {refused}",))
    asked = protocol.headline_visit(set(visits))
    if asked is not None and asked != visits[-1]:
        visits = visits[: visits.index(asked) + 1]
        table = visit_table(scores, outcome, visits=visits, participants=study.participants)
    figure, left_out = _tipping(table, protocol.reference_arm, protocol.seed, names)
    events, why = _strategies(table, analysis, names)
    made = [figure, events, by_visit(found, names), leaving(found, names), assumptions(found)]
    return gather(made, (*left_out, *why))


def _described(study: Study) -> pd.DataFrame:
    """What is known of people; while blinded without columns of the study's own, whose names may tell an arm."""
    if not study.masked:
        return study.participants
    usual = {column.name for column in SHEETS["participants"].columns}
    return study.participants[[name for name in study.participants if name in usual]]


def _tipping(table: VisitTable, reference: str | None, seed: int, names: Names):
    if reference is None or len(table.arms) < 2:
        return None, ("Tipping point: it is asked of a difference between arms.",)
    try:
        return tipping_figure(tipping_point(table, reference=reference, seed=seed), table.outcome, names), ()
    except FitError as refused:
        return None, (f"Tipping point: {refused}",)


def _strategies(table: VisitTable, analysis: Analysis, names: Names) -> tuple[Table | None, tuple[str, ...]]:
    """The difference at the last visit under the protocol's strategies, and with each event's values kept instead."""
    study = analysis.study
    reference = study.protocol.reference_arm
    if not study.protocol.events:
        return None, ("Strategies for intercurrent events: study.toml names no [[events]].",)
    if reference is None or len(table.arms) < 2:
        return None, ("Strategies for intercurrent events: they are shown for a difference between arms.",)
    events = events_of(study.protocol)
    tables = {"adverse_events": study.adverse_events, "visits": study.visits}
    question = estimand_of(study.protocol, str(table.visits[-1]))
    rows, notes = [], list(question.unanswered("means"))
    for told, asked in _asked(events):
        try:
            done = apply_strategies(table, asked, tables, study.visits)
            found = (
                impute(done.table, seed=study.protocol.seed, reference=reference)
                .difference()
                .frame(study.protocol.level)
            )
        except FitError as refused:
            return None, (f"Strategies for intercurrent events: {refused}",)
        notes += [note for note in done.notes if note not in notes]
        rows += [row | {"answer": told} for row in found.to_dict("records")]
        if asked is events:
            notes += [f"{row.event}: {row.people} people, {row.values_after} values after it. {row.does}."
                      for row in done.accounting.itertuples()]  # fmt: skip
    frame = pd.DataFrame(rows).assign(outcome=table.outcome)
    frame["compared"] = frame["term"].map(names.compared)
    return Table(
        "strategies",
        f"{names.outcome(table.outcome)}, {names.visit(str(table.visits[-1]))}: the difference by strategy for events",
        frame,
        {"Question": "{answer}", "Compared": "{compared}",
         "Estimate (interval)": "{estimate} ({conf_low} to {conf_high})",
         "df": "{df}", "Unit": "{unit}"},
        keys=(c.OUTCOME, "answer", "term"),
        decimals=names.decimals(table.outcome),
        notes=tuple(notes),
    ), ()  # fmt: skip


def _asked(
    events: tuple[IntercurrentEvent, ...],
) -> list[tuple[str, tuple[IntercurrentEvent, ...]]]:
    """The questions of the table: as planned, without one strategy at a time where there are several, without any."""
    bearing = [one for one in events if one.strategy != POLICY]
    asked = [("as the protocol says", events)]
    for one in bearing if len(bearing) > 1 else ():
        others = tuple(replace(event, strategy=POLICY) if event is one else event for event in events)
        asked.append((f"values after \N{LEFT DOUBLE QUOTATION MARK}{one.label}\N{RIGHT DOUBLE QUOTATION MARK} kept, "
                      f"in place of {one.strategy}", others))  # fmt: skip
    return [*asked, ("values after every event kept (treatment policy)",
                     tuple(replace(one, strategy=POLICY) for one in events))]  # fmt: skip


def by_visit(found: MissingVisits, names: Names) -> Table:
    """Seen and missing values per arm and visit, with the reasons that were written down."""
    frame = found.frame()
    told = [name for name in frame if name not in FIXED]
    why = frame[told].apply(
        lambda row: "; ".join(f"{name}: {count}" for name, count in row.items() if count), axis=1
    ) if told else pd.Series("", index=frame.index)  # fmt: skip
    made = frame[list(FIXED)].assign(
        why=why, arm_label=frame["arm"].map(names.arm), visit_label=frame["visit"].map(names.visit),
        percent=100 * frame["share"], outcome=found.outcome,
    )  # fmt: skip
    return Table(
        "missing_visits",
        f"{names.outcome(found.outcome)}: values seen and missing",
        made,
        {"Arm": "{arm_label}", "Visit": "{visit_label}", "Enrolled": "{enrolled}", "Seen": "{seen}",
         "Missing": "{missing}", "%": "{percent}", "Reasons": "{why}"},
        keys=(c.OUTCOME, "arm", "visit"),
        group="Arm",
        decimals=0,
        notes=(*found.notes, CAUTION),
    )  # fmt: skip


def leaving(found: MissingVisits, names: Names) -> Table | None:
    """People who stayed to the last visit and people who left, compared; no test."""
    frame = found.leaving
    if frame.empty or not (frame["n_left"] > 0).any():
        return None
    return Table(
        "leaving",
        "People who left before the last visit beside those who stayed",
        frame.assign(outcome=found.outcome),
        {"Variable": "{variable}", "Mean of those who stayed": "{mean_stayed}", "Mean of those who left": "{mean_left}",
         "Difference, SD": "{difference_sd}", "Stayed": "{n_stayed}", "Left": "{n_left}"},
        keys=(c.OUTCOME, "variable"),
        decimals=2,
        notes=("With a dozen people in a group a difference of 0.4 SD is chance alone.",),
    )  # fmt: skip


def assumptions(found: MissingVisits) -> Table:
    """What each analysis assumes of the missing values."""
    return Table(
        "assumptions",
        "What each analysis assumes of the missing values",
        found.assumptions(),
        {"Analysis": "{analysis}", "Assumes": "{assumes}"},
        keys=("analysis",),
        recorded=False,
    )
