"""Scores from recordings: the repetitions of a measure become one row of a participant, visit, side and condition."""

import numpy as np
import pandas as pd

from outcomes.protocol.series_tables import SeriesOutcome
from outcomes.scoring.administrations import Keys
from outcomes.scoring.long_frame import Block
from outcomes.scoring.score_notes import Note, Scored
from outcomes.study import Study

GEOMETRIC = ("gain", "error-before", "error-after")
BY_FISHER_Z = ("concordance", "concordance-after")


def series_blocks(study: Study, keys: Keys) -> list[Block]:
    """One block per outcome of [[series_outcomes]] that has recordings; those of nobody are left to `check`."""
    blocks = []
    for outcome in study.protocol.series_outcomes:
        rows = study.series_values[study.series_values["outcome"] == outcome.id]
        condition = rows["motion"].where(rows["motion"] == "assisted", "unassisted")
        key = keys.of(rows.assign(condition=condition))
        rows, key = rows[key >= 0], key[key >= 0]
        if len(rows):
            blocks.append(_block(outcome, rows, key))
    return blocks


def one_score(outcome: SeriesOutcome, values: np.ndarray) -> float:
    """One number from the repetitions of a measure, in order; NaN where none, or not the one needed, is given.

    Means are geometric for gains and errors, over Fisher's z for concordances, plain otherwise.
    """
    known = values[np.isfinite(values)]
    if outcome.repeated == "first":
        return float(values[0]) if len(values) else np.nan
    if outcome.repeated == "first-minus-later":
        later = values[1:][np.isfinite(values[1:])]
        return float(values[0] - later.mean()) if len(later) else np.nan
    if not len(known):
        return np.nan
    if outcome.measure in GEOMETRIC and (known > 0).all():
        return float(np.exp(np.log(known).mean()))
    if outcome.measure in BY_FISHER_Z and (np.abs(known) < 1).all():
        return float(np.tanh(np.arctanh(known).mean()))
    return float(known.mean())


def _block(outcome: SeriesOutcome, rows: pd.DataFrame, key: np.ndarray) -> Block:
    order = np.lexsort((_numbers(rows["repetition"]), key))
    key, value = key[order], rows["value"].to_numpy(dtype=float)[order]
    reasons = rows["reason"].to_numpy(dtype=object)[order]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(key) != 0)))
    parts, why = np.split(value, starts[1:]), np.split(reasons, starts[1:])
    scores = np.array([one_score(outcome, part) for part in parts])
    given = np.array([int(np.isfinite(part).sum()) for part in parts])
    asked = np.array([len(part) for part in parts])
    texts, which = [""], np.zeros(len(parts), dtype=np.int64)
    for place, (part, number, score) in enumerate(zip(why, given.tolist(), scores.tolist(), strict=True)):
        text = _reason(outcome, part, number, np.isfinite(score))
        if text:
            texts.append(text)
            which[place] = len(texts) - 1
    complete = (given == asked) & np.isfinite(scores)
    scored = Scored(scores, given, asked, complete, [Note(which, tuple(texts))])
    return Block(outcome.id, outcome.unit, outcome.better, key[starts], scored)


def _reason(outcome: SeriesOutcome, why: np.ndarray, given: int, scored: bool) -> str:
    refused = dict.fromkeys(text for text in why.tolist() if text)
    if not refused and scored:
        return ""
    if not refused:
        return f"{outcome.repeated}: too few repetitions"
    number = len(why) - given
    head = "" if len(why) == 1 else f"{number} of {len(why)} repetitions refused: "
    return head + "; ".join(refused)


def _numbers(repetitions: pd.Series) -> np.ndarray:
    """Repetitions in the order of their numbers; those without one in the order of the text, after them."""
    numbers = pd.to_numeric(repetitions, errors="coerce")
    texts = pd.factorize(repetitions, sort=True)[0]
    return np.where(numbers.isna(), 1e9 + texts, numbers.fillna(0)).astype(float)
