"""The responder part of a what-if: shares, or their difference between arms, over the published thresholds."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pandas as pd

from outcomes.errors import InstrumentError
from outcomes.protocol.trial import Protocol
from stats.errors import FitError
from stats.estimates import Estimate
from stats.proportions.one_proportion import proportion_interval
from stats.proportions.two_proportions import risk_difference
from stats.responders.count import count_responders
from stats.responders.crossover_counts import count_in_periods
from stats.responders.responder_counts import ArmCount, ResponderCounts
from stats.selection import Selection

THRESHOLD, MISSING = "threshold", "missing values in the share"
SHARE, SHARE_DIFFERENCE = "share improved", "difference in share improved"
OBSERVED, ENROLLED = "people with both values", "everyone enrolled, the missing as not improved"


def share_rows(
    scores: pd.DataFrame,
    outcome: str,
    design: Protocol,
    participants: pd.DataFrame | None,
    visit: str,
    thresholds: Sequence[str],
) -> tuple[list[dict], tuple[str, ...]]:
    """Rows for `WhatIfRow`, and why there are none: each threshold on the observed, the protocol's also on everyone.

    thresholds: the keys wanted; where none is named, every published one of the outcome, and the protocol's.
    """
    if design.design == "crossover" and not design.periods:
        return [], ("Responder shares: the sequences of a crossover are no treatments to compare.",)
    own = (*design.thresholds.get(outcome, ()), *(entry.key for entry in design.own_thresholds.get(outcome, ())))
    records = design.own_thresholds.get(outcome, ())
    if design.periods:
        return _inside_people(scores, outcome, design, participants, [*thresholds] or ["all", *records], own)
    try:
        counted = count_responders(
            scores,
            [*thresholds] or ["all", *records],
            select=Selection(outcome, visit or None, design.baseline.id),
            participants=participants,
        )
    except InstrumentError:
        return [], (f"Responder shares: {outcome} is a total of the study's own, no published threshold is known.",)
    except FitError as refused:
        return [], (f"Responder shares: {refused}",)
    rows: list[dict] = []
    for key in dict.fromkeys(count.threshold for count in counted.counts):
        rows += list(_asked(counted, key, "observed", THRESHOLD, key, key in own, design))
    for key in dict.fromkeys(count.threshold for count in counted.counts):
        if key in own:
            rows += list(_asked(counted, key, "observed", MISSING, f"{key}: {OBSERVED}", True, design))
            rows += list(_asked(counted, key, "enrolled", MISSING, f"{key}: {ENROLLED}", False, design))
    left_out = (
        () if own else ("study.toml names no threshold of this outcome: no row of the shares is the protocol's.",)
    )
    return rows, left_out


def _inside_people(
    scores: pd.DataFrame,
    outcome: str,
    design: Protocol,
    participants: pd.DataFrame | None,
    asked: Sequence,
    own: Sequence[str],
) -> tuple[list[dict], tuple[str, ...]]:
    """A crossover: the shares under the treatments in the same people, counted inside periods."""
    try:
        counted = count_in_periods(scores, asked, design=design, outcome=outcome, participants=participants)
    except (FitError, InstrumentError) as refused:
        return [], (f"Responder shares: {refused}",)
    told = {
        one.threshold: f"{one.quantity} {one.rule} {one.unit}, {one.source}." for one in counted.by_treatment.counts
    }
    rows = [
        {
            "choice": THRESHOLD,
            "option": pair.threshold,
            "comparison": f"{pair.treatment} - {pair.reference}",
            "quantity": SHARE_DIFFERENCE,
            "is_protocol": pair.threshold in own,
            "unit": "share",
            "n": pair.both + pair.first + pair.second + pair.neither,
            "made": pair.difference,
            "notes": (told[pair.threshold],),
            "reason": "" if pair.difference else "Nobody has a change under both treatments.",
        }
        for pair in counted.pairs
    ]
    return rows, ()


def _asked(
    counted: ResponderCounts, key: str, denominator: str, choice: str, option: str, is_protocol: bool, design: Protocol
) -> Iterator[dict]:
    counts = {count.arm: count for count in counted.counts if count.threshold == key}
    arms = [arm for arm in counts if arm != design.reference_arm]
    several = len(counts) > 1 and design.reference_arm in counts
    for arm in arms if several else counts:
        pair = (counts[arm], counts[str(design.reference_arm)]) if several else (counts[arm],)
        sizes = [getattr(count, denominator) for count in pair]
        yield {
            "choice": choice,
            "option": option,
            "comparison": " - ".join(count.arm for count in pair if count.arm),
            "quantity": SHARE_DIFFERENCE if several else SHARE,
            "is_protocol": is_protocol,
            "unit": "share",
            "n": sum(sizes),
            "made": _estimate(pair, sizes) if min(sizes) else None,
            "notes": (f"{pair[0].quantity} {pair[0].rule} {pair[0].unit}, {pair[0].source}.",),
            "reason": "" if min(sizes) else "An arm has nobody with both values.",
        }


def _estimate(pair: tuple[ArmCount, ...], sizes: Sequence[int]) -> Estimate:
    """Newcombe's difference of two shares, or Wilson's interval of one."""
    if len(pair) == 2:
        return risk_difference(pair[0].improved, sizes[0], pair[1].improved, sizes[1])
    return replace(proportion_interval(pair[0].improved, sizes[0], method="wilson"), term=SHARE)
