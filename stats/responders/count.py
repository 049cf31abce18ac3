"""Who improved by at least a threshold: counts with the threshold's source, the missing and those without room."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes import columns as c
from outcomes.errors import InstrumentError
from outcomes.library import registry
from outcomes.library.known import find_measure
from outcomes.protocol.trial import Protocol
from stats.change.person_changes import better_sign
from stats.errors import FitError
from stats.responders.criteria import Criterion
from stats.responders.improvements import Changes, as_list, changes_of, outcome_named
from stats.responders.published_criteria import Beyond, Setting, ThresholdLike, all_published, criteria_of
from stats.responders.responder_counts import ArmCount, ResponderCounts, ScaleEnds, arm_counts
from stats.selection import Selected, at_headline, selection_of


def count_responders(
    scores: Changes,
    threshold: ThresholdLike | Beyond | Sequence[ThresholdLike | Beyond] = "all",
    *,
    select: Selected | None = None,
    participants: pd.DataFrame | None = None,
    design: Protocol | None = None,
    better: str | None = None,
    unit: str | None = None,
    source: str | None = None,
) -> ResponderCounts:
    """Count improved, unchanged and worsened by arm, at one threshold or at several side by side.

    scores: the scores frame, a frame of `change_table`, or the improvements themselves (positive is better).
    threshold: key of a published threshold, a `Threshold`, a number (then `source=` is required), an `OwnThreshold`, a
    pair `{"dominant": key, "non-dominant": key}` chosen per person (then `participants=` is required), a `Beyond` (an
    important change and a detectable one, each alone and both at once), a list of these, or "all" published ones of
    the outcome. Reaching an MCID counts (>=); a detectable change must be exceeded (>).
    select: outcome, visits, hand, condition and people, as a `Selection` or the outcome's name; the outcome is that of
    the threshold, or the only one in the frame, where none is named.
    participants: a row for everyone enrolled, with sides for thresholds by hand; a threshold published for others gets
    a note: `diagnosis` by families; `phase` in words, or `onset_days` (or `onset` in months), against the phase it was
    published for (`outcomes.onset.with_onset_days` adds the days to a study's participants). design: the protocol, for
    the visits changes are counted between (its primary one, else the outcome's last, where none is named) and the
    limits of totals of the study's own. better, unit: of bare changes.
    Worsened: worse by the same size. Cannot reach: not improved, not worsened, and baseline nearer to the end of the
    scale than the threshold. The ends are the columns `low` and `high` of the frame where it has them, else the limits
    of the protocol's measure, else those of the catalogue.
    Returns `ResponderCounts`; its five classes add up to the enrolled in each arm. Its `by(method)` gives the shares
    another interval, `with_imputations` adds what multiple imputation says.
    Raises FitError for a number without source, an unknown outcome or visit, unknown hands for a hand-specific
    threshold, a unit that differs; InstrumentError for a threshold key or an outcome that does not exist.
    A count says nothing of who responded to the treatment: a shift of everyone by the same amount also makes
    "responders" (Senn 2004). Print the mean difference beside it.

    >>> counted = count_responders([3, 2, 9, 7, 17], threshold=7.25, source="worked example")
    >>> int(counted["improved"]), int(counted["enrolled"])
    (2, 5)
    """
    asked, selection = as_list(threshold), selection_of(select)
    if selection.outcome is None:
        selection = replace(selection, outcome=outcome_named(scores, asked))
    if design is not None and selection.baseline is None:
        selection = replace(selection, baseline=design.baseline.id)
    if isinstance(scores, pd.DataFrame):
        selection = at_headline(selection, scores, design)
    table = changes_of(scores, selection, participants=participants, unit=unit, better=better)
    outcome = str(table[c.OUTCOME].iloc[0])
    notes: list[str] = []
    setting = Setting(outcome, table["unit"].iloc[0], selection.hands, participants)
    own = [one for one in asked if not (isinstance(one, str) and one == "all")]
    criteria = criteria_of(own, setting, source) if own else []
    if len(own) < len(asked):
        try:
            known, left_out = all_published(setting)
        except (FitError, InstrumentError):  # a study's own thresholds are counted where none is published
            if not own:
                raise
            known, left_out = [], []
        criteria = [*(one for one in known if one.label not in {each.label for each in criteria}), *criteria]
        notes += left_out
    ends = _scale_ends(scores, outcome, design)
    arms = sorted(table[c.ARM].unique())
    counts: list[ArmCount] = []
    people = []
    for rule in criteria:
        classed = classify(table, rule, ends)
        people.append(classed)
        counts += arm_counts(classed, arms, rule)
        notes += [*rule.notes, *_count_notes(classed, rule, ends.step)]
    if participants is None and len(table):
        notes.append(
            "Enrolled: everyone in the frame given; people without any row are known through participants= only."
        )
    if ends.low is None and ends.high is None:
        notes.append("The ends of the scale are not known: who could not reach the threshold was not assessed.")
    return ResponderCounts(
        counts=tuple(counts),
        outcome=outcome,
        from_visit=table["from_visit"].iloc[0],
        to_visit=table["to_visit"].iloc[0],
        unit=setting.unit,
        n_participants=len(table),
        n_rows=int((table["missing"] == "").sum()),
        notes=tuple(dict.fromkeys(notes)),
        people=pd.concat(people, ignore_index=True),
        criteria=tuple(criteria),
        ends=ends,
    )


def with_imputations(
    counted: ResponderCounts, completed: Sequence[Changes], *, select: Selected | None = None
) -> ResponderCounts:
    """The same count with the shares over completed data sets (multiple imputation) beside it: `estimate_imputed`.

    completed: frames as `count_responders` takes them, of the same participants with every value. select: as there.
    Raises FitError where participants differ or values are still missing.
    Source: Rubin's rules, as `share_over_imputations`.
    """
    table = counted.people[counted.people["threshold"] == counted.counts[0].threshold]
    selection = replace(selection_of(select), outcome=counted.outcome, baseline=None, visit=None)
    if any(isinstance(one, pd.DataFrame) and c.VALUE in one for one in completed):
        selection = replace(selection, baseline=counted.from_visit, visit=counted.to_visit)
    everyone = table[[c.PARTICIPANT, c.ARM]]
    made = []
    for one in completed:
        filled = changes_of(
            one, selection, participants=everyone, unit=counted.unit, better=str(table["better"].iloc[0])
        )
        if set(filled[c.PARTICIPANT]) != set(table[c.PARTICIPANT]):
            raise FitError("A completed data set holds other participants than the observed one.")
        if (filled["missing"] != "").any():
            raise FitError("A completed data set still lacks values: every enrolled participant needs both visits.")
        made.append(filled)
    arms = sorted(table[c.ARM].unique())
    counts: list[ArmCount] = []
    for rule in counted.criteria:
        observed = counted.people[counted.people["threshold"] == rule.label]
        counts += arm_counts(observed, arms, rule, [classify(one, rule, counted.ends) for one in made])
    return replace(counted, counts=tuple(counts))


def classify(table: pd.DataFrame, rule: Criterion, ends: ScaleEnds) -> pd.DataFrame:
    """The change table with `threshold`, `needed`, `class` and `limited` (no room for an improvement that size)."""
    needed = rule.needed(table)
    unknown = table.loc[needed.isna() & (table["missing"] == ""), c.PARTICIPANT].astype(str).tolist()
    if unknown:
        raise FitError(f"No threshold for {', '.join(unknown)}: not in participants=. Add them with both sides.")
    improvement = table["improvement"]
    higher = better_sign(table["better"].iloc[0]) > 0
    end = ends.high if higher else ends.low
    improved = rule.passed(improvement, needed)
    limited = pd.Series(False, index=table.index)
    if end is not None:
        room = (end - table["before"]) if higher else (table["before"] - end)
        limited = room.notna() & ~rule.passed(room, needed) & ~improved
    last_to_first = (
        (table["missing"] != "", "missing"),
        (rule.passed(-improvement, needed), "worsened"),
        (improved, "improved"),
        (limited, "cannot_reach"),
    )
    where, words = zip(*((where.to_numpy(dtype=bool), word) for where, word in last_to_first), strict=True)
    classes = pd.Series(np.select(where, words, "unchanged").astype(object), index=table.index, dtype=object)
    return table.assign(threshold=rule.label, needed=needed, limited=limited, **{"class": classes})


def _scale_ends(scores: Changes, outcome: str, design: Protocol | None) -> ScaleEnds:
    """Ends and step of the scale: as the frame says, else the protocol's measure, else the catalogue."""
    if isinstance(scores, pd.DataFrame) and ("low" in scores or "high" in scores):
        own = scores[scores[c.OUTCOME] == outcome] if c.OUTCOME in scores else scores
        ends = own.reindex(columns=["low", "high"]).iloc[0].astype(float) if len(own) else pd.Series([], dtype=float)
        return ScaleEnds(**ends.dropna().to_dict())
    measure = find_measure(design, *outcome.split(".", 1)) if design is not None and "." in outcome else None
    if measure is not None:
        return ScaleEnds(measure.low, measure.high)
    try:
        _, scale = registry.outcome_scale(outcome)
    except InstrumentError:
        return ScaleEnds()  # a total the study brought itself, or bare numbers
    return ScaleEnds(scale.low, scale.high, scale.step)


def _count_notes(classed: pd.DataFrame, rule: Criterion, step: float | None) -> list[str]:
    notes = []
    present = classed[classed["class"] != "missing"]
    limited = present[present["limited"]]
    worse = int((limited["class"] == "worsened").sum())
    if worse:
        notes.append(
            f"{rule.label}: {worse} of the {len(limited)} without room to reach it worsened and are counted there."
        )
    # Means of raters or trials lie between the steps of one form.
    typed = present[["before", "after"]].to_numpy(dtype=float).ravel()
    on_steps = bool(step) and bool(((typed[~np.isnan(typed)] / step) % 1 == 0).all())
    if step and on_steps and not rule.by_person and not rule.percent:
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
