"""Responders of a crossover: counted inside periods, by treatment, and compared inside people."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from stats.change.period_changes import period_changes
from stats.errors import FitError
from stats.estimates import NAN, Estimate, check_level
from stats.proportions.paired_proportions import paired_risk_difference
from stats.responders.between_arms import UNIFORM_SHIFT
from stats.responders.count import count_responders
from stats.responders.published_criteria import Beyond, ThresholdLike
from stats.responders.responder_counts import ResponderCounts
from stats.result import Result
from stats.selection import Selected, selection_of


@dataclass(frozen=True)
class PairedShare:
    """One treatment against the reference at one threshold, in people with a change under both.

    both, first, second, neither: people who passed under both, under the treatment only, under the reference only,
    under neither. difference: of the two shares; None where nobody has both.
    """

    treatment: str
    reference: str
    threshold: str
    both: int
    first: int
    second: int
    neither: int
    difference: Estimate | None


@dataclass(frozen=True)
class CrossoverCounts(Result):
    """Counts by treatment (`by_treatment`, its arms are the treatments) and the comparisons inside people (`pairs`)."""

    by_treatment: ResponderCounts
    pairs: tuple[PairedShare, ...]
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per treatment against the reference and threshold: pairs of answers, difference, interval."""
        level = check_level(level)
        rows = []
        for pair in self.pairs:
            low, high = pair.difference.limits(level) if pair.difference else (NAN, NAN)
            rows.append(
                {"treatment": pair.treatment, "reference": pair.reference, "threshold": pair.threshold,
                 "both": pair.both, "first_only": pair.first, "second_only": pair.second, "neither": pair.neither,
                 "estimate": pair.difference.estimate if pair.difference else NAN, "conf_low": low, "conf_high": high,
                 "n": pair.both + pair.first + pair.second + pair.neither}
            )  # fmt: skip
        return pd.DataFrame(rows)

    def sentence(self, level: float = 0.95) -> str:
        """Counts under each treatment, then the difference inside people."""
        level = check_level(level)
        told = []
        for pair in self.pairs:
            n = pair.both + pair.first + pair.second + pair.neither
            text = f"{pair.threshold}: {pair.both + pair.first} of {n} under {pair.treatment}, "
            text += f"{pair.both + pair.second} of {n} under {pair.reference}"
            if pair.difference is not None:
                low, high = pair.difference.limits(level)
                text += f", difference inside people {pair.difference.estimate:.0%} ({level:.0%} interval "
                text += f"{low:.0%} to {high:.0%}; {pair.difference.method})"
            told.append(text)
        return f"{self.by_treatment.outcome}, change inside a period. {'. '.join(told)}. {UNIFORM_SHIFT}"


def count_in_periods(
    scores: pd.DataFrame,
    threshold: ThresholdLike | Beyond | Sequence[ThresholdLike | Beyond],
    *,
    design: Protocol,
    outcome: Selected | None = None,
    participants: pd.DataFrame | None = None,
    reference: str | None = None,
    source: str | None = None,
) -> CrossoverCounts:
    """Count who improved by a threshold inside a period, by treatment, and compare the treatments inside people.

    scores: frame of `outcomes.score`. threshold, participants, source: as in `count_responders`. design: the protocol
    with its periods. outcome: the primary one where not named. reference: the treatment compared against; where not
    named, what the reference sequence got first. The difference is Newcombe's of paired shares, in people with a change
    under both treatments; periods are not modelled in it, the model of `fit_crossover` is the primary comparison.
    Raises FitError and InstrumentError as `count_responders` and `period_changes`. Source: Newcombe 1998 (Stat Med
    17:2635-2650) for the difference; the count is a definition.
    """
    selection = selection_of(outcome or design.primary)
    table = period_changes(scores, selection, design=design, participants=participants)
    counted = count_responders(
        table, threshold, select=selection, participants=participants, design=design, source=source
    )
    treatments = sorted(table[c.ARM].unique())
    chosen = reference or design.periods[0].treatments.get(design.reference_arm or "", treatments[-1])
    if chosen not in treatments:
        raise FitError(f"Reference treatment {chosen!r}: allowed {', '.join(treatments)}.")
    pairs = [
        _paired(counted.people, label, treatment, chosen)
        for label in dict.fromkeys(count.threshold for count in counted.counts)
        for treatment in treatments
        if treatment != chosen
    ]
    people = int(table[c.PARTICIPANT].nunique())
    notes = (
        "Counted inside periods, by treatment: from the start to the end of the period it was given in.",
        "Periods are not modelled in the comparison of shares; carry-over is assumed absent.",
        *counted.notes,
    )
    counted = replace(counted, n_participants=people, notes=notes)
    return CrossoverCounts(counted, tuple(pairs), counted.unit, people, counted.n_rows, notes)


def _paired(people: pd.DataFrame, threshold: str, treatment: str, reference: str) -> PairedShare:
    own = people[(people["threshold"] == threshold) & (people["class"] != "missing")]
    passed = own.assign(passed=own["class"] == "improved").pivot(index=c.PARTICIPANT, columns=c.ARM, values="passed")
    passed = passed.reindex(columns=[treatment, reference]).dropna().astype(bool)
    one, two = passed[treatment], passed[reference]
    table = (int((one & two).sum()), int((one & ~two).sum()), int((~one & two).sum()), int((~one & ~two).sum()))
    return PairedShare(
        treatment, reference, threshold, *table, difference=paired_risk_difference(*table) if sum(table) else None
    )
