"""What the measures share: recordings as rows of a matrix, refusals with their reason, and work in pieces."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import StudyError

Floats = NDArray[np.float64]
# Bounds that the checks share with the measures; here, because the measures load filters and spectra.
LARGEST_ANGLE = 200.0  # degrees; beyond it an angle was not unwrapped, or is no joint angle
LOWEST_RATE = 50.0  # samples a second below which derivatives of hand movements are refused (judgement)
Bools = NDArray[np.bool_]
# Rows worked on at once: a piece of 1,000 samples then stays in the processor's cache.
_SAMPLES_AT_ONCE = 250_000


@dataclass(frozen=True)
class Measured:
    """One measure of one recording. A refused one is NaN and `reason` says why; `notes` hold every choice made."""

    value: float
    unit: str
    reason: str = ""
    notes: tuple[str, ...] = ()


@dataclass
class Measures:
    """Measures of many recordings: each column has one number per recording, NaN where `reasons` says why."""

    columns: dict[str, Floats]
    reasons: NDArray[np.object_]
    notes: tuple[str, ...] = ()
    partly: dict[str, NDArray[np.object_]] = field(default_factory=dict)  # column -> reasons of that column alone

    def reason(self, column: str) -> NDArray[np.object_]:
        """Why each recording has no number in this column."""
        return self.partly.get(column, self.reasons)


class Refusals:
    """The first reason found against each recording; "" where there is none."""

    def __init__(self, count: int):
        self.reasons = np.full(count, "", dtype=object)

    def where(self, mask: ArrayLike, text: str, *numbers: Floats) -> None:
        """Refuse the recordings of the mask; `{}` in the text are filled with that recording's numbers."""
        rows = np.flatnonzero(np.broadcast_to(mask, self.reasons.shape) & (self.reasons == ""))
        for row in rows.tolist():
            self.reasons[row] = text.format(
                *(float(np.broadcast_to(part, self.reasons.shape)[row]) for part in numbers)
            )

    @property
    def given(self) -> Bools:
        """Recordings nothing was found against."""
        return (self.reasons == "").astype(bool)

    def apply(self, *columns: Floats) -> tuple[Floats, ...]:
        """The columns with NaN where refused."""
        return tuple(np.where(self.given, column, np.nan) for column in columns)


def rows_of(series: ArrayLike, rate: float, what: str) -> tuple[Floats, Refusals]:
    """The recordings as rows of a matrix, with those refused that have a sample that is no number.

    Missing samples are 0 in the matrix, so that one bad recording does not stop the others.
    Raises StudyError for an impossible rate or shape: these are mistakes of the call, not of a recording.
    """
    values = np.atleast_2d(np.asarray(series, dtype=np.float64))
    if not (np.isfinite(rate) and rate > 0):
        raise StudyError(f"{what}: sampling rate {rate}, allowed a number of samples per second above 0.")
    if values.ndim != 2:
        raise StudyError(f"{what}: found an array of {values.ndim} dimensions, allowed one recording or rows of them.")
    refused = Refusals(len(values))
    if values.shape[1] == 0:
        refused.where(True, "no sample")
        return np.zeros((len(values), 1)), refused
    missing = ~np.isfinite(values)
    if missing.any():
        number = missing.sum(axis=1)
        refused.where(number > 0, "{:.0f} samples without a number; fill short gaps or cut the series there", number)
        values = np.where(missing, 0.0, values)
    return values, refused


def in_pieces(count: int, length: int) -> Iterator[slice]:
    """Slices over `count` recordings of `length` samples that are quick to work on."""
    step = max(1, _SAMPLES_AT_ONCE // max(length, 1))
    for start in range(0, count, step):
        yield slice(start, start + step)


def piecewise(work: Callable[..., Floats], *matrices: Floats) -> Floats:
    """`work` on matching pieces of the matrices, put together again."""
    parts = [work(*(matrix[piece] for matrix in matrices)) for piece in in_pieces(*matrices[0].shape)]
    return np.concatenate(parts) if parts else work(*matrices)


def one(measures: Measures, column: str, unit: str, notes: Sequence[str] = ()) -> Measured:
    """The record of a single recording."""
    value = float(measures.columns[column][0])
    return Measured(value, unit, str(measures.reason(column)[0]), (*measures.notes, *notes))
