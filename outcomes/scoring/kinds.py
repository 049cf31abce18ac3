"""The scoring kinds. Each turns the answers of one scale, over all administrations at once, into scores.

A kind never mentions an instrument: what differs between instruments sits in the scale's `rule`.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from outcomes.library.instrument import Scale
from outcomes.scoring.answers import BLANK, CODE_NOT_DONE, CODE_UNABLE, DROPPED, NUMBER, OVERRULED, Bools, Floats, Sheet
from outcomes.scoring.options import PRORATE, Options
from outcomes.scoring.score_notes import Note, Scored, counted_note, missing_note, said, unable_note


def total(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Sum of the items.

    Rule: `weights` = {item = weight}, 1 for the others; `reversed` = items; `rescale` = [low, high]; `at_least` = the
    smallest possible value of a difference, `below` = what it means to be below it; `plus` = a constant that the
    published score adds; `stop` = {option, when, failures}: how many failures in a row end the test, the rest counting
    the lowest.
    """
    sheet, stopped = _stopped(scale, sheet, options)
    values = _recoded(scale, sheet, options)
    weights = np.array([scale.rule.get("weights", {}).get(item.id, 1.0) for item in sheet.items])
    whole, by_rule, on_request, notes = _enough(scale, sheet, options)
    notes.append(stopped)
    counted = sheet.counted
    # A sum of fewer items stands on another range than it is printed against.
    shorter = whole & np.isin(sheet.codes, DROPPED).any(axis=1)
    notes.append(said(shorter, "no sum with an item left out"))
    whole = whole & ~shorter
    value = np.where(sheet.known, values, 0.0) @ weights
    with np.errstate(invalid="ignore", divide="ignore"):
        # A sum over fewer items stands for their mean, times the number of items asked for.
        value = np.where(whole, value, value / counted * len(sheet.items))
    value = np.where(whole | by_rule | on_request, value, np.nan)
    at_least = scale.rule.get("at_least", -np.inf)
    impossible = value < at_least - 1e-9  # angles in thirds of a degree must not miss 0 by their binary representation
    notes.append(said(impossible, f"no score: {scale.rule.get('below', '')}"))
    value = np.where(impossible, np.nan, np.maximum(value, at_least)) + scale.rule.get("plus", 0.0)
    full = np.full(len(value), len(sheet.items))
    return Scored(_rescaled(scale, sheet, value, len(sheet.items)), sheet.answered, full, whole & ~impossible, notes)


def average(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Mean of the answered items (`of = "median"`: their median), rescaled where the rule says so.

    Rule: `least` = how many answers the published rule wants (all of them otherwise), `reversed` = items,
    `weighted_by` = items that hold the weights and `weights_sum` = what they add up to, `ranks` = true or the option
    that chooses between ranks and numbers, `fill` = {option, when, value}: what a blank counts on request,
    `skip` = {item, at, says}: an answer after which the form skips the other items, which then count the same.
    """
    answered = sheet.answered
    sheet, filled = _filled(scale, sheet, options)
    weighted_by = scale.rule.get("weighted_by")
    sheet, skipped = _skipped(scale, sheet)
    values = _recoded(scale, sheet, options)
    if weighted_by is not None:
        count = len(weighted_by)
        values, weights = values[:, :count], values[:, count:]
    whole, by_rule, on_request, notes = _enough(scale, sheet, options)
    notes += [filled, skipped]
    scored = whole | by_rule | on_request
    value = np.full(len(values), np.nan)
    if scale.rule.get("of") == "median":
        value[scored] = np.nanmedian(values[scored], axis=1)
    elif weighted_by is not None:
        wrong = scored & (weights.sum(axis=1) != scale.rule["weights_sum"])
        notes.append(said(wrong, f"no score: the weights do not add up to {scale.rule['weights_sum']}"))
        whole = whole & ~wrong
        value[whole] = ((values * weights).sum(axis=1) / scale.rule["weights_sum"])[whole]
    else:
        sums = np.where(sheet.known, values, 0.0).sum(axis=1)
        value[scored] = sums[scored] / sheet.counted[scored]
    full = np.full(len(value), len(sheet.items))
    return Scored(_rescaled(scale, sheet, value, 1), answered, full, whole, notes)


def timed(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Times of tasks, with a limit for a task that was not done.

    Rule: `statistic` = "total", "median", "log mean" or "rate" (mean over the tasks of `per` times the number done,
    over the time); `limit` = the option that holds the seconds a task not done counts; `longest` = seconds after which
    a task counts as not done; `counted` = the item with the number done, `full` = that number when all is done;
    `rounding` = the option that may ask for whole seconds.
    """
    statistic = str(scale.rule["statistic"])
    limit = str(scale.rule["limit"])
    counted = scale.rule.get("counted")
    tasks = sheet.part([item.id for item in sheet.items if item.id != counted])
    times, unable = tasks.values, tasks.codes == CODE_UNABLE
    rounded = "rounding" in scale.rule and options.get(scale.rule["rounding"]) == "nearest second"
    if rounded:
        times = np.floor(times + 0.5)
    stopped: Bools = unable | (times > float(scale.rule.get("longest", options.number(limit))))
    done: Floats | float = 1.0
    if counted is not None:
        full = float(scale.rule["full"])
        number = sheet.part([str(counted)]).values
        # A time without a number done is the time of a completed test.
        done = np.where(unable, 0.0, np.where(np.isnan(number), full, number))
        stopped = stopped | (done < full)

    if statistic == "rate":
        # Nothing done is a rate of 0, whatever the time; something done in an unrecorded time needs the limit.
        nothing = (done == 0) if counted is not None else stopped
        unknown = stopped & ~nothing & np.isnan(times)
        seconds = options.number(
            limit, "a test was not completed and its time is not recorded" if unknown.any() else ""
        )
        cells = done * float(scale.rule.get("per", 1)) / np.where(unknown, seconds, times)
        cells = np.where(nothing, 0.0, cells)
        what = "not completed, number done over the time used" if counted is not None else "not completed, counted 0"
    else:
        seconds = options.number(limit, "a task was not completed" if stopped.any() else "")
        cells = np.where(stopped, seconds, times)
        what = f"not completed, counted at {seconds:g} s"
    known: Bools = ~np.isnan(cells)
    whole: Bools = np.logical_and.reduce(known, axis=1)
    value = np.full(len(whole), np.nan)
    value[whole] = _STATISTICS[statistic](cells[whole])
    notes: list[Note] = [missing_note(tasks, known, whole), counted_note(stopped & known, what)]
    notes.append(said(whole & rounded, "times rounded to the nearest second"))
    if statistic == "median":
        notes.append(said(whole & (value == seconds), "the median is at the limit (censored)"))
    return Scored(value, known.sum(axis=1), np.full(len(whole), known.shape[1]), whole, notes)


_STATISTICS: Mapping[str, Callable[[Floats], Floats]] = {
    "total": lambda cells: cells.sum(axis=1),
    "median": lambda cells: np.median(cells, axis=1),
    "log mean": lambda cells: np.log(cells).mean(axis=1),
    "rate": lambda cells: cells.mean(axis=1),
}


def trials(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Mean of the trials given, or the highest where option `summary` says so. Rule: `usual` = the usual number.

    A trial "unable" beside a measured one is left out; where all are, the value of "unable" stands.
    """
    given = (sheet.codes != BLANK).sum(axis=1)
    # "Unable" beside a force is a trial that was not done (pain, a slip); only where every trial is so is it no force.
    unable = sheet.codes == CODE_UNABLE
    measured: Bools = np.logical_or.reduce(sheet.known & ~unable, axis=1)
    beside: Bools = unable & measured[:, None]
    sheet = replace(sheet, values=np.where(beside, np.nan, sheet.values))
    counted = sheet.known.sum(axis=1)
    highest = options.get("summary") == "max"
    value = np.full(len(given), np.nan)
    some = counted > 0
    value[some] = (np.nanmax if highest else np.nanmean)(sheet.values[some], axis=1)
    # The usual mean of the usual number goes without saying.
    remark = np.where(some & (highest | (counted != scale.rule["usual"])), counted, 0)
    word = "highest" if highest else "mean"
    texts = [f"{word} of {number} trial{'s' * (number != 1)}" for number in range(1, int(counted.max(initial=0)) + 1)]
    whole = some & (counted == given)
    notes = [missing_note(sheet, sheet.known, whole, given), unable_note(sheet), Note(remark, ("", *texts))]
    alone: Bools = np.logical_or.reduce(beside, axis=1) & (counted < 2)
    notes.append(said(alone, "a single trial: the others were unable"))
    return Scored(value, counted, given, whole, notes)


def goals(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """T-score of goals: 50 + 10 S(w x) / sqrt((1 - r) S(w^2) + r (S w)^2) over the goals rated.

    x: attainment of a goal, 0 as expected; w: its weight, 1 where none is given. Rule: `goals` and `weights` = items in
    the same order, `correlation` = r.
    """
    rated = sheet.part(list(scale.rule["goals"]))
    own = sheet.part(list(scale.rule["weights"]))
    set_goals: np.ndarray = rated.known & ~np.isin(rated.codes, DROPPED)
    weight = np.where(set_goals, np.where(own.known, own.values, 1.0), 0.0)
    dropped = np.isin(rated.codes, DROPPED)
    open_goals = ~rated.known & ~dropped & ((rated.codes != BLANK) | own.known)
    whole = set_goals.any(axis=1) & ~open_goals.any(axis=1)
    r = float(scale.rule["correlation"])
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.sqrt((1 - r) * (weight**2).sum(axis=1) + r * weight.sum(axis=1) ** 2)
        value = 50 + 10 * (weight * np.where(set_goals, rated.values, 0.0)).sum(axis=1) / spread
    given = set_goals.sum(axis=1) + open_goals.sum(axis=1)
    notes = [
        said(~np.any(set_goals, axis=1), "no goal was rated"),
        counted_note(open_goals, "a goal without a rating: no score"),
        counted_note(dropped, "not applicable, left out"),
    ]
    return Scored(np.where(whole, value, np.nan), set_goals.sum(axis=1), given, whole, notes)


def skip_rule(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Sum with a skip rule: the first item is the hardest, the second the easiest.

    First at its highest: items not tested are credited their highest. Second at its lowest (first below its highest):
    items not tested are credited their lowest. Items that were tested always count as tested.
    Rule: `corner` = the option for a first item partly passed with the second at its lowest ("keep" or "zero").
    """
    low = np.array([item.low for item in sheet.items])
    high = np.array([item.high for item in sheet.items])
    first, second = sheet.values[:, 0], sheet.values[:, 1]
    top = first == high[0]
    bottom = (first < high[0]) & (second == low[1])
    absent = ~sheet.known & np.isin(sheet.codes, (BLANK, CODE_NOT_DONE))
    values = np.where(absent & top[:, None], high, np.where(absent & bottom[:, None], low, sheet.values))
    credited = absent & (top | bottom)[:, None]
    conflict = (top[:, None] & sheet.known & (sheet.values < high)) | (
        bottom[:, None] & sheet.known & (sheet.values > low) & (np.arange(len(low)) > 1)
    )
    value = values.sum(axis=1)
    corner = bottom & (first > low[0]) & ~np.logical_or.reduce(conflict, axis=1)
    counts_as = "the first item's score stands"
    if options.get(scale.rule["corner"]) == "zero":
        value, counts_as = np.where(corner, low.sum(), value), "counts 0"
    whole = ~np.isnan(value)
    notes: list[Note] = [
        missing_note(sheet, ~np.isnan(values), whole),
        unable_note(sheet),
        counted_note(credited, "credited by the skip rule, not tested"),
        said(corner, f"first item passed in part, second failed: {counts_as}"),
        said(np.logical_or.reduce(conflict, axis=1), "tested items disagree with the skip rule; they count as tested"),
    ]
    return Scored(value, sheet.answered, np.full(len(value), len(low)), whole, notes)


def profile(scale: Scale, sheet: Sheet, options: Options) -> Scored:
    """Answers written side by side as digits; with rule `value_set`, the value that table gives the profile.

    The table is either {item = [value lost at each level]} (the index is 1 minus the losses) or {profile = value}.
    """
    places = 10.0 ** np.arange(len(sheet.items) - 1, -1, -1)
    value = sheet.values @ places
    whole = ~np.isnan(value)
    option = scale.rule.get("value_set")
    if option is not None:
        table: Any = options.require(str(option), "an index needs a value set")
        if set(table) == {item.id for item in sheet.items}:
            levels = np.where(np.isnan(sheet.values), 1, sheet.values).astype(int) - 1
            lost = [np.asarray(table[item.id], dtype=float)[levels[:, place]] for place, item in enumerate(sheet.items)]
            value = np.where(whole, 1.0 - np.sum(lost, axis=0), np.nan)
        else:
            value = np.array([float(table.get(f"{digits:.0f}", np.nan)) for digits in value])
    notes: list[Note] = [
        missing_note(sheet, sheet.known, whole),
        said(whole & np.isnan(value), "the value set lacks this profile"),
    ]
    full = np.full(len(value), len(sheet.items))
    return Scored(value, sheet.answered, full, whole & ~np.isnan(value), notes)


def composite(scale: Scale, parts: Mapping[str, Scale], done: Mapping[str, Scored], options: Options) -> Scored:
    """Sum, or mean (`of = "mean"`), of other scales.

    Rule: `scales`, `reversed` (low + high - score), `least` = how many of them are enough (all otherwise): a number, or
    the option that may name a smaller one.
    """
    names: list[str] = list(scale.rule["scales"])
    turned = scale.rule.get("reversed", ())
    columns = []
    for name in names:
        part = parts[name]
        mirror = part.low + (part.high or 0.0)
        columns.append(mirror - done[name].value if name in turned else done[name].value)
    values = np.column_stack(columns)
    known = ~np.isnan(values)
    least = scale.rule.get("least", len(names))
    asked = options.get(least) or len(names) if isinstance(least, str) else least
    enough = known.sum(axis=1) >= asked
    value = np.full(len(values), np.nan)
    value[enough] = (np.nanmean if scale.rule.get("of") == "mean" else np.nansum)(values[enough], axis=1)
    notes = [said(~known[:, place], f"no score for {name}") for place, name in enumerate(names)]
    fewer = enough & ~known.all(axis=1)
    notes.append(said(fewer, f"from the scales there are, at least {asked}, on request (no published rule)"))
    for place, name in enumerate(names):
        # A part without a score has said so; what else is said of it would only repeat it.
        told = [Note(np.where(known[:, place], note.which, 0), note.texts) for note in done[name].notes]
        notes += [note.about(name) for note in told]
    answered = np.sum([done[name].answered for name in names], axis=0)
    items = np.sum([done[name].items for name in names], axis=0)
    return Scored(value, answered, items, np.all([done[name].complete for name in names], axis=0), notes)


KINDS: Mapping[str, Callable[[Scale, Sheet, Options], Scored]] = {
    "sum": total,
    "mean": average,
    "timed": timed,
    "trials": trials,
    "skip-rule": skip_rule,
    "goals": goals,
    "profile": profile,
}


def _enough(scale: Scale, sheet: Sheet, options: Options) -> tuple[Bools, Bools, Bools, list[Note]]:
    """Which administrations are complete, which a published rule lets through, which only a request does."""
    counted, dropped = sheet.counted, np.isin(sheet.codes, DROPPED)
    asked = len(sheet.items) - dropped.sum(axis=1) if dropped.any() else np.full(len(counted), len(sheet.items))
    whole = (counted == asked) & (asked > 0)
    least = scale.rule.get("least")
    # Where items are subtracted or weighted, a mean of some does not stand for the others.
    share = np.nan if {"weights", "weighted_by"} & set(scale.rule) else options.number(PRORATE.id)
    by_rule = ~whole & (counted >= least) if least is not None else np.zeros_like(whole)
    on_request = ~whole & ~by_rule & (counted > 0) & (counted >= share * asked)
    notes: list[Note] = [
        missing_note(sheet, sheet.known | dropped, whole),
        said(by_rule, "scored by the published rule for missing items"),
        said(on_request, f"prorated on request from {share:g} of the items or more (no published rule)"),
        counted_note(dropped & (sheet.codes != OVERRULED), "not applicable, left out"),
        counted_note(sheet.codes == OVERRULED, "recorded beside 'not applicable' of the same activity, left out"),
        unable_note(sheet),
        counted_note(sheet.credited & (sheet.codes != NUMBER), "credited by the gate, not scored"),
        counted_note(sheet.credited & (sheet.codes == NUMBER), "recorded against the closed gate, counted by its rule"),
    ]
    return whole, by_rule, on_request, notes


def _filled(scale: Scale, sheet: Sheet, options: Options) -> tuple[Sheet, Note]:
    """The sheet with a value in place of a blank, where the study asks for it."""
    fill = scale.rule.get("fill")
    if fill is None or options.get(fill["option"]) != fill["when"]:
        return sheet, said(np.zeros(len(sheet.values), dtype=bool), "")
    # A form with no answer at all stays without a score.
    blank = ~sheet.known & ~np.isin(sheet.codes, DROPPED) & (sheet.counted > 0)[:, None]
    values = np.where(blank, float(fill["value"]), sheet.values)
    text = f"blank, counted {fill['value']} on request (no published rule)"
    return replace(sheet, values=values), counted_note(blank, text)


def _stopped(scale: Scale, sheet: Sheet, options: Options) -> tuple[Sheet, Note]:
    """The sheet with items after so many failures in a row counted as failed, where the study stops there."""
    rule = scale.rule.get("stop")
    nowhere = said(np.zeros(len(sheet.values), dtype=bool), "")
    if rule is None:
        return sheet, nowhere
    low = np.array([item.low for item in sheet.items])
    failed = sheet.values == low
    run = np.all(np.lib.stride_tricks.sliding_window_view(failed, int(rule["failures"]), axis=1), axis=2)
    ended = np.full(len(failed), failed.shape[1])
    ended[run.any(axis=1)] = run.argmax(axis=1)[run.any(axis=1)] + int(rule["failures"])
    after: Bools = np.arange(failed.shape[1]) >= ended[:, None]
    untested: Bools = np.logical_and(after, np.isin(sheet.codes, (BLANK, CODE_NOT_DONE)))
    if not np.any(untested) or options.require(rule["option"], "items after failures were not given") != rule["when"]:
        return sheet, nowhere
    credited = replace(sheet, values=np.where(untested, low, sheet.values), credited=sheet.credited | untested)
    return credited, counted_note(untested, "after the stop, counted as failed")


def _skipped(scale: Scale, sheet: Sheet) -> tuple[Sheet, Note]:
    """The sheet with the items that the form told the person to skip, as its first answer has them."""
    skip = scale.rule.get("skip")
    if skip is None:
        return sheet, said(np.zeros(len(sheet.values), dtype=bool), "")
    own = sheet.position[skip["item"]]
    others = np.arange(len(sheet.items)) != own
    blank = np.isin(sheet.codes, (BLANK, CODE_NOT_DONE))
    where = (sheet.values[:, own] == skip["at"]) & blank[:, others].all(axis=1)
    values = np.where(where[:, None] & others, float(skip["at"]), sheet.values)
    return replace(sheet, values=values), said(where, skip["says"])


def _recoded(scale: Scale, sheet: Sheet, options: Options) -> Floats:
    """The values with reversed items turned round and, where the rule says so, levels replaced by their ranks."""
    values = sheet.values
    ranks = scale.rule.get("ranks")
    if isinstance(ranks, str):
        ranks = options.require(ranks, f"{scale.label} depends on how the grades are numbered") == "rank"
    if ranks:
        values = values.copy()
        for place, item in enumerate(sheet.items):
            known = sheet.known[:, place]
            values[known, place] = np.searchsorted(item.levels, values[known, place])
    turned = scale.rule.get("reversed", ())
    if turned:
        values = values.copy()
        for place, item in enumerate(sheet.items):
            if item.id in turned:
                values[:, place] = item.low + item.high - values[:, place]
    return values


def _rescaled(scale: Scale, sheet: Sheet, value: Floats, times: int) -> Floats:
    """From the range of the items (all of one range) to the range the rule names."""
    if "rescale" not in scale.rule:
        return value
    low, high = sheet.items[0].low * times, sheet.items[0].high * times
    to_low, to_high = scale.rule["rescale"]
    return to_low + (value - low) * ((to_high - to_low) / (high - low))
