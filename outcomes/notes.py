"""What is said of a score: which items had no value and why, which rules were applied."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from outcomes.answers import CODE_UNABLE, WHY, Bools, Floats, Sheet

Counts = NDArray[np.int64]
Texts = NDArray[np.object_]
Note = tuple[Bools, str | Texts]  # which administrations, and one text for all or a text for each


@dataclass(frozen=True)
class Scored:
    """Scores of one scale. `notes` are (which administrations, what to say of them) and become the reason."""

    value: Floats
    answered: Counts
    items: Counts
    complete: Bools
    notes: list[Note] = field(default_factory=list)


def reasons(scored: Scored) -> Texts:
    """The notes of every administration, joined; "" where there is none."""
    texts: Texts = np.full(len(scored.value), "", dtype=object)
    for mask, text in scored.notes:
        rows = np.flatnonzero(mask)
        if len(rows):
            said = [text] * len(rows) if isinstance(text, str) else text[rows]
            pairs = zip(texts[rows], said, strict=True)
            texts[rows] = [f"{before}; {now}" if before and now else before or now for before, now in pairs]
    return texts


def missing_note(sheet: Sheet, known: Bools, whole: Bools, asked: Counts | None = None) -> Note:
    """What is missing and why, in words: "2 of 33 items without a value (1 not done, 1 refused)"."""
    said: Texts = np.full(len(whole), "", dtype=object)
    rows = np.flatnonzero(~whole)
    if len(rows) == 0:
        return np.zeros(len(whole), dtype=bool), said
    why = np.where(known[rows], 0, sheet.codes[rows])
    counts = np.stack([(why == code).sum(axis=1) for code in range(1, len(WHY))], axis=1)
    patterns, inverse = np.unique(counts, axis=0, return_inverse=True)
    full = sheet.values.shape[1]
    texts = []
    for pattern in patterns:
        parts = ", ".join(f"{count} {word}" for count, word in zip(pattern, WHY[1:], strict=True) if count)
        texts.append((int(pattern.sum()), parts))
    for row, place in zip(rows, inverse.ravel(), strict=True):
        count, parts = texts[place]
        of = full if asked is None else int(asked[row])
        said[row] = f"{count} of {of} without a value ({parts})" if count else "no answer"
    return ~whole, said


def counted_note(cells: Bools, text: str) -> Note:
    """ "3 items <text>" for every administration in which the cells are marked."""
    count = cells.sum(axis=1)
    said: Texts = np.full(len(count), "", dtype=object)
    rows = np.flatnonzero(count)
    said[rows] = [f"{number} item{'s' * (number != 1)} {text}" for number in count[rows].tolist()]
    return count > 0, said


def unable_note(sheet: Sheet) -> Note:
    return counted_note((sheet.codes == CODE_UNABLE) & sheet.known, "unable, counted as the worst score")


def named(name: str, text: str | Texts) -> str | Texts:
    if isinstance(text, str):
        return f"{name}: {text}"
    return np.array([f"{name}: {entry}" if entry else "" for entry in text], dtype=object)
