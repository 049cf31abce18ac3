"""Who improved by at least a threshold: counts with the threshold's source, the missing and those without room."""

from collections.abc import Collection, Sequence
from functools import partial

import pandas as pd

from outcomes import columns as c
from outcomes.errors import InstrumentError
from outcomes.library import registry
from stats.change.change_table import DEFAULT_HANDS, better_sign
from stats.errors import FitError
from stats.estimates import check_level
from stats.proportions.one_proportion import METHODS
from stats.responders.criteria import Criterion, both
from stats.responders.improvements import Changes, as_list, changes_of, completed_table, outcome_named
from stats.responders.published_criteria import Setting, ThresholdLike, all_published, criterion, paired_by_hand
from stats.responders.responder_counts import ArmCount, ResponderCounts, arm_counts


def count_responders(
    scores: Changes,
    threshold: ThresholdLike | Sequence[ThresholdLike] = "all",
    *,
    beyond: ThresholdLike | None = None,
    imputed: Sequence[Changes] = (),
    outcome: str | None = None,
    visit: str | None = None,
    baseline: str | None = None,
    hand: str | Collection[str] = DEFAULT_HANDS,
    condition: str = "unassisted",
    participants: pd.DataFrame | None = None,
    population: str | None = None,
    phase: str | None = None,
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
    beyond: a detectable change; then each threshold is counted alone, the detectable change alone, and both at once.
    imputed: completed data sets of the same participants (multiple imputation); adds the share `estimate_imputed`.
    population, phase: of this study, in words; a threshold published for others gets a note (diagnoses are taken from
    participants= where population is not given).
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
    asked = as_list(threshold)
    outcome = outcome or outcome_named(scores, asked)
    selection = {"visit": visit, "baseline": baseline, "hand": hand, "condition": condition}
    selection |= {"participants": participants}
    table = changes_of(scores, outcome, unit, better, selection)
    outcome, unit = table[c.OUTCOME].iloc[0], table["unit"].iloc[0]
    notes: list[str] = []
    setting = Setting(outcome, unit, hand, participants, population, phase)
    named = partial(criterion, setting=setting, source=source, quantity=quantity, rule=rule, tolerance=tolerance)
    if asked == ["all"]:
        criteria, left_out = all_published(setting, tolerance)
        notes += left_out
    else:
        criteria = [named(one) for one in paired_by_hand(asked)]
    if beyond is not None:
        detectable = named(beyond)
        criteria = [one for rule_ in criteria for one in (rule_, detectable, both(rule_, detectable))]
        criteria = list({one.label: one for one in criteria}.values())
    filled = [completed_table(one, table, outcome, selection) for one in imputed]
    low, high, step = _scale_ends(outcome, low, high)
    arms = sorted(table[c.ARM].unique())
    counts: list[ArmCount] = []
    people = []
    for rule_ in criteria:
        classed = classify(table, rule_, low, high)
        people.append(classed)
        completed = [classify(one, rule_, low, high) for one in filled]
        counts += arm_counts(classed, arms, rule_, completed)
        notes += [*rule_.notes, *_count_notes(classed, rule_, step)]
    if participants is None and len(table):
        notes.append(
            "Enrolled: everyone in the frame given; people without any row are known through participants= only."
        )
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
    needed = rule.needed(table)
    unknown = table.loc[needed.isna() & (table["missing"] == ""), c.PARTICIPANT].astype(str).tolist()
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
    if step and not rule.by_person and not rule.percent:
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
