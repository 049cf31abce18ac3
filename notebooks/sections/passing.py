"""Question 4: how many people changed by more than a published threshold, and how sure is that?"""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go

from notebooks.analysis import Analysis
from notebooks.figures.people.baseline_change import change_by_baseline
from notebooks.figures.people.cumulative_changes import cumulative_change
from notebooks.figures.people.floor_ceiling import Ends, floor_and_ceiling
from notebooks.figures.people.ordered_changes import Counted, ordered_changes
from notebooks.figures.people.passed_shares import responder_shares
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.flags import flagged_in, flagged_values
from notebooks.show.names import Names, source_words
from notebooks.show.numbers import at_least
from notebooks.show.spoken import spoken
from notebooks.show.tables import Table
from outcomes import Study, threshold, thresholds
from outcomes import columns as c
from outcomes.library.known import find_instrument, find_measure
from outcomes.onset import with_onset_days
from stats.change.period_changes import END
from stats.errors import FitError
from stats.estimates import Estimate
from stats.measurement.rank_correlation import rank_correlation
from stats.responders.between_arms import compare_responders
from stats.responders.count import count_responders
from stats.responders.responder_counts import ResponderCounts
from stats.selection import Selection, rows

CAUTION = (
    "A count of people past a threshold says nothing of who responded to the treatment: a shift of everyone by the "
    "same amount, natural recovery and measurement error also make people pass. Read it beside the mean difference."
)


@dataclass(frozen=True)
class Passing:
    """Responder counts of every outcome and later visit; what could not be counted has its reason."""

    analysis: Analysis
    planned: tuple[ResponderCounts, ...]  # at the thresholds of the protocol
    published: tuple[ResponderCounts, ...]  # at every published threshold
    left_out: tuple[str, ...]

    @property
    def study(self) -> Study:
        """The study that was counted."""
        return self.analysis.study

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)


def count_passing(analysis: Analysis) -> Passing:
    """Count at the protocol's thresholds and at every published one, from baseline to each later visit."""
    planned: list[ResponderCounts] = []
    published: list[ResponderCounts] = []
    left_out: list[str] = []
    study, names = analysis.study, Names(analysis.study.protocol)
    people = with_onset_days(study)
    for outcome in study.protocol.outcomes:
        keys = list(study.protocol.chosen_thresholds(outcome))
        known, why = _has_published(outcome, study)
        if why:
            left_out.append(f"{names.outcome(outcome)}: {why}")
        for visit in _measured(analysis, outcome) if not study.protocol.periods else [END]:
            for asked, into in ((keys, planned), (["all"] if known else [], published)):
                if not asked:
                    continue
                try:
                    into.append(
                        count_responders(
                            analysis.period_changes(outcome) if visit == END else analysis.changes(outcome, visit),
                            asked,
                            select=Selection(outcome),
                            participants=people,
                        )
                    )
                except FitError as refused:
                    left_out.append(f"{names.outcome(outcome)}: {refused}")
        if not keys:
            left_out.append(f"{names.outcome(outcome)}: study.toml names no threshold for it.")
    return Passing(analysis, tuple(planned), tuple(published), tuple(dict.fromkeys(left_out)))


def _has_published(outcome: str, study: Study) -> tuple[bool, str]:
    """Whether any threshold of an outcome is published; if not, why not."""
    name, _, scale = outcome.partition(".")
    if find_measure(study.protocol, name, scale) is not None or find_instrument(name) is None:
        return False, "a total of the study's own, no published threshold is known to the kit."
    known = thresholds(outcome)
    return (not known.empty), str(known.attrs.get("reason", "")) if known.empty else ""


def _later(study: Study) -> list[str]:
    base = study.protocol.baseline
    return [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day) if visit.id != base.id]


def _measured(analysis: Analysis, outcome: str) -> list[str]:
    """Later visits at which an outcome was measured."""
    scores = analysis.after_events.counts
    present = scores.loc[(scores[c.OUTCOME] == outcome) & scores[c.VALUE].notna(), c.VISIT].unique()
    return [visit for visit in _later(analysis.study) if visit in present]


def _counts_frame(counts: Sequence[ResponderCounts], passing: Passing) -> pd.DataFrame:
    columns = ["outcome", "arm", "visit", "threshold", "value", "quantity", "rule", "source", "improved", "unchanged",
               "worsened", "cannot_reach", "missing", "enrolled", "n"]  # fmt: skip
    rows = []
    for counted in counts:
        for row in counted.frame(passing.study.protocol.level).to_dict("records"):
            kept = {name: row[name] for name in columns if name in row}
            shares = {
                f"share{end}{suffix}": 100 * row[f"{column}{suffix}"]
                for suffix in ("", "_enrolled", "_could_reach")
                for column, end in (("estimate", ""), ("conf_low", "_low"), ("conf_high", "_high"))
            }
            rows.append(kept | {"visit": counted.to_visit, "n": row["observed"], "unit": row["unit"]} | shares)
            rows[-1]["needed"] = at_least(row["rule"], row["unit"])
            rows[-1]["cited"] = source_words(row["source"])
    frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*columns, "unit", "needed", "cited", "share"])
    return passing.names.labelled(frame)


def _headline(counts: Sequence[ResponderCounts], study: Study) -> dict[str, ResponderCounts]:
    """Of each outcome the count at the visit the study speaks of."""
    visits: dict[str, dict[str, ResponderCounts]] = {}
    for counted in counts:
        visits.setdefault(counted.outcome, {})[counted.to_visit] = counted
    chosen = {outcome: study.protocol.headline_visit(list(own)) for outcome, own in visits.items()}
    return {outcome: own[chosen[outcome] or next(reversed(own))] for outcome, own in visits.items()}


def _counts_table(
    name: str, caption: str, counts: Sequence[ResponderCounts], passing: Passing, headline_only: bool = False
) -> Table:
    frame = _counts_frame(counts, passing)
    spoken_of = {outcome: counted.to_visit for outcome, counted in _headline(counts, passing.study).items()}
    frame["printed"] = frame[c.VISIT] == frame[c.OUTCOME].map(spoken_of) if headline_only else True
    notes = tuple(dict.fromkeys(note for counted in counts for note in counted.notes))
    method = {counted.method for counted in counts}
    return Table(
        name,
        caption,
        frame,
        {"Outcome": "{outcome_label}", "To visit": "{visit_label}", "Arm": "{arm_label}",
         "Threshold": "{needed} ({quantity})", "Source": "{cited}", "Improved": "{improved} of {n}",
         "% of observed (interval)": "{share} ({share_low} to {share_high})",
         "% of enrolled (interval)": "{share_enrolled} ({share_low_enrolled} to {share_high_enrolled})",
         "Worsened": "{worsened}", "No room": "{cannot_reach}", "Missing": "{missing}"},
        keys=(c.OUTCOME, c.VISIT, c.ARM, "threshold"),
        group="Outcome",
        notes=(
            *(f"Interval: {one}, level {passing.study.protocol.level:.0%}." for one in sorted(method)),
            "Enrolled: people without a value count as not improved. No room: the baseline is too near the end of the "
            "scale to improve by the threshold. Worsened: worse by the same size.",
            CAUTION,
            *notes,
        ),
        where="printed",
    )  # fmt: skip


def planned_counts(passing: Passing) -> Table:
    """Counts at the thresholds named in the protocol."""
    caption = "Participants who passed the thresholds named in the protocol"
    return _counts_table("responders_planned", caption, passing.planned, passing)


def published_counts(passing: Passing) -> Table:
    """Counts at every published threshold of each outcome; printed at the visit the study speaks of, filed at all."""
    caption = "Participants who passed each published threshold"
    return _counts_table("responders_published", caption, passing.published, passing, headline_only=True)


def change_figures(passing: Passing, visit: str | None = None) -> Exhibits:
    """Per outcome: the change of each person in order, and the cumulative distribution.

    visit: the one the study speaks of where none is named.
    """
    study, made, left_out = passing.study, [], []
    flags = flagged_values(passing.analysis.findings, study)
    for outcome in study.protocol.outcomes:
        try:
            changes = _changes_drawn(passing.analysis, outcome, visit)
        except FitError as refused:
            left_out.append(f"{passing.names.outcome(outcome)}: {refused}")
            continue
        counted = _counted(passing, changes)
        scores = rows(passing.analysis.scores, Selection(outcome))
        scores = scores[scores[c.VISIT].isin([changes["from_visit"].iloc[0], changes["to_visit"].iloc[0]])]
        doubted = {person for person, _ in flagged_in(scores, flags)}
        made += [
            ordered_changes(changes, counted, passing.names, doubted),
            cumulative_change(changes, counted, passing.names),
        ]
        if outcome == study.protocol.primary:
            made.append(change_by_baseline(changes, _correlation(changes), passing.names))
    return gather(made, left_out)


def _changes_drawn(analysis: Analysis, outcome: str, visit: str | None) -> pd.DataFrame:
    """The changes to draw: of a crossover those inside periods, each person once under each treatment."""
    if not analysis.study.protocol.periods:
        return analysis.changes(outcome, visit)
    changes = analysis.period_changes(outcome)
    return changes.assign(**{c.PARTICIPANT: _twice(changes)})


def _twice(changes: pd.DataFrame) -> pd.Series:
    """Codes of people who stand in a figure once under each treatment."""
    return changes[c.PARTICIPANT].astype(str) + ", " + changes[c.ARM]


def _correlation(changes: pd.DataFrame) -> Estimate | None:
    """Rank correlation of baseline and change; None where there is none."""
    try:
        return rank_correlation(changes["before"], changes["improvement"])
    except FitError:
        return None


def _room(passing: Passing, visit: str | None) -> go.Figure | None:
    """How many stood at the ends of their scale, at the baseline and the visit the study speaks of."""
    protocol, names = passing.study.protocol, passing.names
    at = visit or passing.analysis.headline_visit(protocol.primary)
    frames, ends = [], []
    for outcome in protocol.outcomes:
        low, high = names.ends(outcome)
        try:
            own = rows(passing.analysis.scores, Selection(outcome))
        except FitError:
            continue
        if low is None or high is None or own.empty:
            continue
        frames.append(own)
        worst, best = (high, low) if str(own["better"].iloc[0]) == "lower" else (low, high)
        named = [threshold(one) if isinstance(one, str) else one for one in protocol.chosen_thresholds(outcome)]
        sizes = [one.value for one in named if one.quantity.startswith("MCID") and not one.unit.startswith("%")]
        ends.append(Ends(outcome, worst, best, min(sizes, default=None)))
    visits = list(dict.fromkeys([protocol.baseline.id, *([at] if at else [])]))
    return floor_and_ceiling(pd.concat(frames), ends, visits, names) if frames else None


def _counted(passing: Passing, changes: pd.DataFrame) -> Counted:
    """The counts at the protocol's thresholds of one outcome and visit, and who passed the first of them."""
    outcome, visit = changes[c.OUTCOME].iloc[0], changes["to_visit"].iloc[0]
    found = next((one for one in passing.planned if (one.outcome, one.to_visit) == (outcome, visit)), None)
    if found is None:
        return Counted(pd.DataFrame(), frozenset(changes.loc[changes["improvement"] > 0, c.PARTICIPANT]))
    people = found.people[found.people["threshold"] == found.criteria[0].label]
    improved = people[people["class"] == "improved"]
    codes = _twice(improved) if visit == END else improved[c.PARTICIPANT]
    return Counted(found.frame(), frozenset(codes))


def share_figures(passing: Passing, visit: str | None = None) -> Exhibits:
    """Per outcome: the share that improved at every published threshold, with intervals."""
    made, study = [], passing.study
    for outcome in study.protocol.outcomes:
        wanted = END if study.protocol.periods else visit or passing.analysis.headline_visit(outcome)
        counts = [one for one in passing.published if one.outcome == outcome and one.to_visit == wanted]
        if counts:
            made.append(
                responder_shares(
                    _counts_frame(counts, passing),
                    _differences(counts[0], study),
                    passing.names,
                    _groups(counts[0], study),
                )
            )
    return gather([*made, _room(passing, visit)])


def _differences(counted: ResponderCounts, study: Study) -> pd.DataFrame:
    """Differences of the shares of two arms; empty for other numbers of arms, and where arms are not compared."""
    reference = study.protocol.reference_arm
    if reference is None or study.masked or study.protocol.periods or len({one.arm for one in counted.counts}) != 2:
        return pd.DataFrame()
    return compare_responders(counted, reference).frame(study.protocol.level)


def _groups(counted: ResponderCounts, study: Study) -> dict[str, int]:
    """Threshold -> 0 named in the protocol, 1 published for people like these or mixed, 2 for others."""
    chosen = [size if isinstance(size, str) else size.key for size in study.protocol.chosen_thresholds(counted.outcome)]
    groups = {}
    for rule in counted.criteria:
        others = any(": outside its " in note for note in rule.notes)
        groups[rule.label] = 0 if set(rule.label.split(" / ")) & set(chosen) else 2 if others else 1
    return groups


def responder_sentences(passing: Passing) -> Prose:
    """One sentence per outcome at the protocol's thresholds, to the study's visit; the table holds the others."""
    chosen = _headline(passing.planned, passing.study).values()
    sentences = tuple(spoken(counted, passing.names).sentence(passing.study.protocol.level) for counted in chosen)
    return Prose("responders", (*sentences, CAUTION), items=("CONSORT pilot 17a",), heading="In words")


def left_out(passing: Passing) -> Exhibits:
    """What was not counted, and why."""
    return gather((), passing.left_out)
