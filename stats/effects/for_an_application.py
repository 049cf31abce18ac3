"""The application's figure in one call: effect sizes of all outcomes with intervals, responder shares beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Unpack

import pandas as pd

from outcomes import columns as c
from outcomes.errors import InstrumentError
from outcomes.protocol.trial import Protocol
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import BETWEEN, EffectSizes, effect_sizes, outcomes_wanted
from stats.effects.standardisers import same_standardiser
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.responders.count import count_responders
from stats.responders.published_criteria import ThresholdLike
from stats.responders.responder_counts import ArmCount, ResponderCounts
from stats.result import Result
from stats.selection import Narrowed, Selection, selection_of

CAUTION = (
    "A pilot's effect size is too uncertain to size the next trial with; its interval, the smallest important change "
    "and the spread are what the plan needs."
)

FEW = 3  # thresholds per arm up to which each gets its interval in the sentence


@dataclass(frozen=True)
class GrantSummary(Result):
    """Effect sizes and responder shares of every outcome, side by side."""

    effects: EffectSizes
    responders: tuple[ResponderCounts, ...]
    others: tuple[tuple[str, Estimate], ...]
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The figure's rows: `what` is "effect size", "published effect" (arm: the study's name) or "responders".

        Columns outcome, arm, from_visit, to_visit, what, name (kind or threshold), estimate, conf_low, conf_high,
        count, n, enrolled, unit, source (standardiser, or the threshold's source), citation, rule, reason.
        """
        level = check_level(level)
        sizes = self.effects.frame(level).rename(columns={"kind": "name", "standardiser": "source"})
        sizes = sizes.assign(what="effect size", count=float("nan"), rule="", citation="", unit="SD")
        parts = [sizes]
        for name, size in self.others:
            ends = dict(zip(("conf_low", "conf_high"), size.limits(level), strict=True))
            row: dict[str, object] = {
                "outcome": "other studies",
                "arm": name,
                "what": "published effect",
                "name": size.term,
            }
            row |= {
                "unit": "SD",
                "estimate": size.estimate,
                "n": size.n_participants,
                "source": dict(size.extra).get("standardiser", ""),
            }
            parts.append(pd.DataFrame([row | ends]))
        for counted in self.responders:
            shares = counted.frame(level).rename(columns={"threshold": "name", "improved": "count", "observed": "n"})
            parts.append(
                shares.assign(
                    what="responders", from_visit=counted.from_visit, to_visit=counted.to_visit, unit="share", reason=""
                )
            )
        columns = [c.OUTCOME, c.ARM, "from_visit", "to_visit", "what", "name", "estimate", "conf_low", "conf_high",
                   "count", "n", "enrolled", "unit", "source", "citation", "rule", "reason"]  # fmt: skip
        joined = pd.concat(parts, ignore_index=True)[columns]
        order = {outcome: k for k, outcome in enumerate(dict.fromkeys(joined[c.OUTCOME]))}
        return joined.sort_values(c.OUTCOME, key=lambda column: column.map(order), kind="stable", ignore_index=True)

    def sentence(self, level: float = 0.95) -> str:
        """The sentence for the application; many thresholds are put in one line from the smallest to the largest."""
        level = check_level(level)
        parts = [self.effects.sentence(level)]
        for counted in self.responders:
            by_arm: dict[str, list[ArmCount]] = {}
            for count in counted.counts:
                by_arm.setdefault(count.arm, []).append(count)
            if max(map(len, by_arm.values())) <= FEW:
                parts.append(counted.sentence(level))
                continue
            for arm, counts in by_arm.items():
                ordered = sorted(counts, key=lambda one: one.value)
                shown = ", ".join(f"{one.improved} ({one.rule} {one.unit}, {one.source})" for one in ordered)
                where = f"{counted.outcome}{', ' + arm if arm else ''}, {counted.from_visit} to {counted.to_visit}"
                parts.append(f"{where}: of {ordered[0].observed} observed, improved by threshold {shown}.")
        for name, size in self.others:
            low, high = size.limits(level)
            parts.append(
                f"{name}: {size.term} {size.estimate:.2f} ({low:.2f} to {high:.2f}; n = {size.n_participants})."
            )
        return " ".join([*parts, CAUTION])


def grant_summary(
    scores: pd.DataFrame,
    outcomes: str | Sequence[str] | None = None,
    *,
    thresholds: Mapping[str, ThresholdLike | Sequence[ThresholdLike]] | None = None,
    kind: str | None = None,
    reference: str | None = None,
    design: Protocol | None = None,
    others: Mapping[str, Estimate] | None = None,
    select: Selection | None = None,
    participants: pd.DataFrame | None = None,
    source: str | None = None,
    **named: Unpack[Narrowed],
) -> GrantSummary:
    """Effect sizes of all outcomes with intervals, each outcome's responder shares, and the sentence.

    scores: frame of `outcomes.score`. outcomes: outcome ids, all in the frame where not named. thresholds: outcome ->
    threshold(s) as in `count_responders`; an outcome not in it is counted at every published threshold. kind: one
    effect size for every outcome, so that they share an axis. design: the study's protocol; with it, and without kind,
    the effect sizes are those of the model of change (`model_effects`), which hold where visits are missing at random.
    Without it: `g_av` in a single arm, `pre-post-control` where reference= names the reference arm, both of complete
    pairs. others: name -> effect of another study (`effect_size` of their published means, SDs and n), for the same
    axis; another standardiser than ours is refused. select: the rows of every outcome; visit, baseline, hand and
    condition narrow it. participants, source: as in `count_responders`.
    Returns `GrantSummary` (its frame is what the figure draws). An outcome without a threshold that can be counted has
    an effect size and a note.
    Raises FitError for thresholds of outcomes that are not there, standardisers that differ, or a baseline the model
    does not count from; InstrumentError for a threshold key that does not exist. Source: as `effect_size`,
    `model_effects` and `count_responders`.
    """
    selection = selection_of(select, **named)
    wanted = outcomes_wanted(scores, outcomes or selection.outcome)
    at = thresholds or {}
    strange = sorted(set(at) - set(wanted))
    if strange:
        raise FitError(f"Thresholds of {', '.join(strange)}: not among the outcomes {', '.join(wanted)}.")
    if kind is None and design is not None:
        if selection.baseline not in (None, design.baseline.id):
            raise FitError(
                f"Baseline {selection.baseline}: the model of change counts from {design.baseline.id}. Leave it out."
            )
        effects = model_effects(scores, wanted, design=design, select=selection, participants=participants)
    else:
        kind = kind or (BETWEEN if reference is not None else "g_av")
        effects = effect_sizes(
            scores,
            wanted,
            kinds=kind,
            reference=reference,
            design=design,
            select=selection,
            participants=participants,
        )
    counted, notes = [], [CAUTION, *effects.notes]
    ours = {dict(row.size.extra)["standardiser"] for row in effects.rows if row.size}
    for name, size in (others or {}).items():
        other = dict(size.extra).get("standardiser")
        if ours and same_standardiser(other) not in map(same_standardiser, ours):
            raise FitError(f"{name} is standardised by {other}, this study by {', '.join(sorted(map(str, ours)))}.")
    for outcome in wanted:
        try:
            counted.append(
                count_responders(
                    scores,
                    at.get(outcome, "all"),
                    select=replace(selection, outcome=outcome),
                    source=source,
                    participants=participants,
                )
            )
        except (FitError, InstrumentError) as refused:
            if outcome in at:
                raise
            why = "no published threshold in the library" if isinstance(refused, InstrumentError) else str(refused)
            notes.append(f"{outcome}: no responders counted, {why}.")
    notes += [note for one in counted for note in one.notes]
    people = int(scores[c.PARTICIPANT].nunique())
    return GrantSummary(effects, tuple(counted), tuple((others or {}).items()), "", people,
                        effects.n_rows, tuple(dict.fromkeys(notes)))  # fmt: skip
