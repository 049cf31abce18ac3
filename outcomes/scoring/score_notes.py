"""What is said of a score: which items had no value and why, which rules were applied."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.scoring.answers import CODE_UNABLE, WHY, Bools, Floats, Sheet

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Note:
    """A remark on some administrations: `which` picks each one's text, and the first text is always ""."""

    which: Counts
    texts: tuple[str, ...]

    def at(self, rows: Bools | Counts) -> "Note":
        """The note of some administrations."""
        return Note(self.which[rows], self.texts)

    def about(self, name: str) -> "Note":
        """The note with the name of the part it is about in front."""
        return Note(self.which, ("", *(f"{name}: {text}" for text in self.texts[1:])))


@dataclass(frozen=True)
class Scored:
    """Scores of one scale over all administrations. The notes become the reason."""

    value: Floats
    answered: Counts
    items: Counts
    complete: Bools
    notes: list[Note] = field(default_factory=list)


def said(where: Bools, text: str) -> Note:
    """The same remark wherever the mask holds."""
    return Note(where.astype(np.int64), ("", text))


def reason(scored: Scored) -> Note:
    """All notes of every administration, joined by semicolons."""
    which = np.zeros(len(scored.value), dtype=np.int64)
    texts = [""]
    for note in scored.notes:
        rows = np.flatnonzero(note.which)
        if not len(rows):
            continue
        pairs, distinct = pd.factorize(which[rows] * len(note.texts) + note.which[rows])
        which[rows] = len(texts) + pairs
        for pair in distinct.tolist():
            before, now = divmod(pair, len(note.texts))
            texts.append("; ".join(part for part in (texts[before], note.texts[now]) if part))
    return Note(which, tuple(texts))


def missing_note(sheet: Sheet, known: Bools, whole: Bools, asked: Counts | None = None) -> Note:
    """What is missing and why, in words: "2 of 33 without a value (1 not done, 1 refused)".

    known: where there is a value. whole: administrations that lack nothing. asked: how many items (trials) each was
    asked for, where that is not all of them.
    """
    which = np.zeros(len(whole), dtype=np.int64)
    rows = np.flatnonzero(~whole)
    if not len(rows):
        return Note(which, ("",))
    full = sheet.values.shape[1]
    # One whole number says how often each reason occurs among the missing items: its digits to the base items + 1.
    base = full + 1
    digits = [0, *(base**place for place in range(len(WHY)))]
    why = np.where(known[rows], 0, sheet.codes[rows])
    code = np.array(digits[: len(WHY)], dtype=object if base > 100 else np.int64)[why].sum(axis=1)
    if asked is not None:
        code = code + asked[rows] * digits[len(WHY)]
    inverse, patterns = pd.factorize(code)
    which[rows] = inverse + 1
    return Note(which, ("", *(_in_words(pattern, base, full, asked is not None) for pattern in patterns.tolist())))


def _in_words(pattern: int, base: int, full: int, own_number: bool) -> str:
    counts = [pattern // base**place % base for place in range(len(WHY) - 1)]
    of = pattern // base ** (len(WHY) - 1) if own_number else full
    parts = ", ".join(f"{count} {word}" for count, word in zip(counts, WHY[1:], strict=True) if count)
    return f"{sum(counts)} of {of} without a value ({parts})" if parts else "no answer"


def counted_note(cells: Bools, text: str) -> Note:
    """ "3 items <text>" for every administration in which cells are marked."""
    if not cells.any():
        return Note(np.zeros(len(cells), dtype=np.int64), ("",))
    count = cells.sum(axis=1)
    texts = [f"{number} item{'s' * (number != 1)} {text}" for number in range(1, int(count.max()) + 1)]
    return Note(count, ("", *texts))


def unable_note(sheet: Sheet) -> Note:
    """Items that a person was unable to do and that count as the worst score."""
    return counted_note((sheet.codes == CODE_UNABLE) & sheet.known, "unable, counted as the worst score")


def joined(notes: Iterable[Note]) -> tuple[Counts, list[str]]:
    """Notes of several scales put end to end: each administration's place in one list of texts."""
    places, texts = [np.empty(0, dtype=np.int64)], [""]
    for note in notes:
        places.append(np.where(note.which > 0, note.which + len(texts) - 1, 0))
        texts += note.texts[1:]
    return np.concatenate(places), texts
