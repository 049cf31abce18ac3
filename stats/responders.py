"""Who improved by at least a threshold: counts with the threshold's source, the missing and those without room."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TypeAlias

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes import registry
from outcomes.errors import InstrumentError
from outcomes.instrument import Threshold
from stats.change_table import CHANGE_COLUMNS, DEFAULT_HANDS, better_sign, change_table
from stats.criteria import Criterion, ThresholdLike, all_published, criterion, outcomes_of, published
from stats.errors import FitError
from stats.estimates import check_level
from stats.proportions import METHODS
from stats.responder_counts import ArmCount, ResponderCounts, arm_counts

Changes: TypeAlias = pd.DataFrame | pd.Series | np.ndarray | Sequence[float]


def count_responders(
    scores: Changes,
    threshold: ThresholdLike | Sequence[ThresholdLike] = "all",
    *,
    outcome: str | None = None,
    visit: str | None = None,
    baseline: str | None = None,
    hand: str | Collection[str] = DEFAULT_HANDS,
    condition: str = "unassisted",
    participants: pd.DataFrame | None = None,
    source: str | None = None,
    quantity: str | None = None,
    rule: str | None = None,
    unit: str = "",
    better: str | None = None,
    low: float | None = None,
    high: float | None = None,
    tolerance: float | None = None,
    method: str = "wilson",
    level: float = 0.95,
) -> ResponderCounts:
    """Count improved, unchanged and worsened by arm, at one threshold or at several side by side.

    scores: the scores frame, a frame of `change_table`, or the improvements themselves (positive is better).
    threshold: key of a published threshold, a `Threshold`, a number (then `source=` is required), a pair
    `{"dominant": key, "non-dominant": key}` chosen per person (then `participants=` is required), a list of these, or
    "all" published ones of the outcome. Reaching an MCID counts (>=); a detectable change must be exceeded (>).
    Worsened: worse by the same size. Cannot reach: not improved, not worsened, and baseline nearer to the end of the
    scale than the threshold (`low`, `high`; the instrument's own limits where it is in the catalogue).
    tolerance: changes this near count as equal to the threshold (0.05 kgf for forces, rounding error otherwise).
    method: interval of the share, as in `proportion_interval`.
    Returns `ResponderCounts`; its five classes add up to the enrolled in each arm.
    Raises FitError for a number without source, an unknown outcome or visit, unknown hands for a hand-specific
    threshold, a unit that differs.
    A count says nothing of who responded to the treatment: a shift of everyone by the same amount also makes
    "responders" (Senn 2004). Print the mean difference beside it.

    >>> counted = count_responders([3, 2, 9, 7, 17], threshold=7.25, source="worked example")
    >>> int(counted["improved"]), int(counted["enrolled"])
    (2, 5)
    """
    if method not in METHODS:
        raise FitError(f"Interval method {method!r} for a proportion: allowed {', '.join(METHODS)}.")
    asked = _as_list(threshold)
    outcome = outcome or _outcome(scores, asked)
    table = _changes(scores, outcome, unit, better, visit=visit, baseline=baseline, hand=hand, condition=condition,
                     participants=participants)  # fmt: skip
    outcome, unit = table[c.OUTCOME].iloc[0], table["unit"].iloc[0]
    notes: list[str] = []
    if asked == ["all"]:
        asked, left_out = all_published(outcome, participants)
        notes += left_out
    given = {"source": source, "quantity": quantity, "rule": rule, "tolerance": tolerance}
    criteria = [criterion(one, outcome=outcome, unit=unit, participants=participants, **given) for one in asked]  # type: ignore[arg-type]
    low, high, step = _scale_ends(outcome, low, high)
    arms = sorted(table[c.ARM].unique())
    counts: list[ArmCount] = []
    people = []
    for rule_ in criteria:
        classed = classify(table, rule_, low, high)
        people.append(classed)
        counts += arm_counts(classed, arms, threshold=rule_.label, value=rule_.value, unit=rule_.unit,
                             quantity=rule_.quantity, rule=rule_.rule, source=rule_.source)  # fmt: skip
        notes += [*rule_.notes, *_count_notes(classed, rule_, step)]
    if low is None and high is None:
        notes.append("The ends of the scale are not known: who could not reach the threshold was not assessed.")
    return ResponderCounts(
        counts=tuple(counts),
        outcome=outcome,
        from_visit=table["from_visit"].iloc[0],
        to_visit=table["to_visit"].iloc[0],
        method=method,
        level=check_level(level),
        unit=unit,
        n_subjects=len(table),
        n_rows=int((table["missing"] == "").sum()),
        notes=tuple(dict.fromkeys(notes)),
        people=pd.concat(people, ignore_index=True),
    )


def classify(table: pd.DataFrame, rule: Criterion, low: float | None, high: float | None) -> pd.DataFrame:
    """The change table with `threshold`, `needed`, `class` and `limited` (no room for an improvement that size)."""
    needed = rule.values(table[c.PARTICIPANT].astype(str))
    unknown = table.loc[needed.isna(), c.PARTICIPANT].astype(str).tolist()
    if unknown:
        raise FitError(f"No threshold for {', '.join(unknown)}: not in participants=. Add them with both sides.")
    improvement = table["improvement"]
    higher = better_sign(table["better"].iloc[0]) > 0
    end = high if higher else low
    improved = rule.passed(improvement, needed)
    limited = pd.Series(False, index=table.index)
    if end is not None:
        room = (end - table["before"]) if higher else (table["before"] - end)
        limited = room.notna() & ~rule.passed(room, needed) & ~improved
    classes = pd.Series("unchanged", index=table.index, dtype=object)
    classes[limited] = "cannot_reach"
    classes[improved] = "improved"
    classes[rule.passed(-improvement, needed)] = "worsened"
    classes[table["missing"] != ""] = "missing"
    return table.assign(threshold=rule.label, needed=needed, limited=limited, **{"class": classes})


def _as_list(threshold: object) -> list:
    single = isinstance(threshold, str | Threshold | Mapping | int | float | np.integer | np.floating)
    return [threshold] if single or not isinstance(threshold, Iterable) else list(threshold)


def _outcome(scores: Changes, asked: list) -> str | None:
    """The outcome from the thresholds named, else the only one in the frame."""
    first = asked[0]
    if isinstance(first, Mapping):
        first = next(iter(first.values()))
    if isinstance(first, Threshold) or (isinstance(first, str) and first != "all"):
        owners = outcomes_of(published(first))
        if isinstance(scores, pd.DataFrame) and c.OUTCOME in scores:
            present = [owner for owner in owners if owner in set(scores[c.OUTCOME])]
            owners = present or owners
        if len(owners) == 1:
            return owners[0]
    if isinstance(scores, pd.DataFrame) and c.OUTCOME in scores:
        known = scores[c.OUTCOME].unique()
        if len(known) == 1:
            return str(known[0])
        raise FitError(f"Which outcome? Found {', '.join(map(str, known))}. Name one: outcome=.")
    return None


def _changes(scores: Changes, outcome: str | None, unit: str, better: str | None, **selection) -> pd.DataFrame:
    if isinstance(scores, pd.DataFrame) and c.VALUE in scores:
        if outcome is None:
            raise FitError("Which outcome? Name one: outcome=.")
        return change_table(scores, outcome, **selection)
    if isinstance(scores, pd.DataFrame):
        return _completed(scores.copy(), outcome, unit, better)
    improvements = pd.Series(np.asarray(scores, dtype=float))
    if improvements.empty:
        raise FitError("No changes to count: the list is empty.")
    people = pd.Series([f"{i + 1}" for i in range(len(improvements))])
    return _completed(pd.DataFrame({c.PARTICIPANT: people, "improvement": improvements}), outcome, unit, better)


def _completed(table: pd.DataFrame, outcome: str | None, unit: str, better: str | None) -> pd.DataFrame:
    """A change frame of any origin with every column of CHANGE_COLUMNS."""
    if "better" not in table:
        table["better"] = better or "higher"
        if better is None and "improvement" not in table:
            raise FitError("A frame of raw changes needs the direction: better='higher' or 'lower'.")
    sign = better_sign(table["better"].iloc[0])
    if "improvement" not in table:
        if "change" not in table:
            raise FitError("The frame has neither `improvement` nor `change`. Pass a scores or a change frame.")
        table["improvement"] = table["change"] * sign
    if "change" not in table:
        table["change"] = table["improvement"] * sign
    blank = {c.ARM: "", c.OUTCOME: outcome or "change", "from_visit": "before", "to_visit": "after", "unit": unit}
    for name, value in (blank | {"before": np.nan, "after": np.nan}).items():
        if name not in table:
            table[name] = value
    if "missing" not in table:
        table["missing"] = np.where(table["improvement"].isna(), "change", "")
    return table[list(CHANGE_COLUMNS)]


def _scale_ends(outcome: str, low: float | None, high: float | None) -> tuple[float | None, float | None, float | None]:
    """Ends and step of the scale: as given, else from the catalogue."""
    if low is not None or high is not None:
        return low, high, None
    try:
        _, scale = registry.outcome_scale(outcome)
    except InstrumentError:
        return None, None, None  # a total the study brought itself, or bare numbers
    return scale.low, scale.high, scale.step


def _count_notes(classed: pd.DataFrame, rule: Criterion, step: float | None) -> list[str]:
    notes = []
    present = classed[classed["class"] != "missing"]
    limited = present[present["limited"]]
    worse = int((limited["class"] == "worsened").sum())
    if worse:
        notes.append(
            f"{rule.label}: {worse} of the {len(limited)} without room to reach it worsened and are counted there."
        )
    if step and not rule.by_person:
        reached = registry.next_reachable(rule.value, step, strict=rule.strict)
        if reached != rule.value:
            notes.append(
                f"{rule.label}: the scale moves in steps of {step}, so {reached} is the smallest change that counts."
            )
    if present.empty:
        notes.append(f"{rule.label}: no participant has both values, so there is no share of the observed.")
    elif len(limited) == len(present):
        notes.append(f"{rule.label}: nobody had room to improve by this much; the count says nothing of the treatment.")
    return notes
