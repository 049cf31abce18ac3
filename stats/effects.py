"""Effect sizes by name, each with its standardiser and an interval; from raw values or from published numbers."""

from stats.effect_kinds import PAIRED, TWO_GROUPS, Pieces
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.summaries import Paired, TwoGroups, Values, paired, paired_from_summary, two_groups

LABELS = {
    "d": "d, pooled SD",
    "g": "g, pooled SD",
    "control-sd": "difference / control SD",
    "d_av": "d_av",
    "g_av": "g_av",
    "d_z": "d_z",
    "g_z": "g_z",
    "srm": "standardised response mean",
    "d_rm": "d_rm",
    "g_rm": "g_rm",
    "baseline-sd": "change / baseline SD",
}


def effect_size(
    kind: str,
    x: Values | None = None,
    y: Values | None = None,
    *,
    mean1: float | None = None,
    sd1: float | None = None,
    n1: int | None = None,
    mean2: float | None = None,
    sd2: float | None = None,
    n2: int | None = None,
    r: float | None = None,
    sd_change: float | None = None,
    level: float = 0.95,
) -> Estimate:
    """One effect size, first minus second: treatment minus control, later minus earlier.

    kind, two independent groups: `d`, `g` (pooled SD), `control-sd` (SD of y). Two occasions of the same people:
    `d_z` and `srm` (SD of change), `d_rm`, `d_av` (mean of the two SDs), `baseline-sd` (SD of y, the earlier
    occasion); `g_z`, `g_rm`, `g_av` with the exact small-sample correction.
    x, y: values of the two groups, or of the same participants in the same order (incomplete pairs are left out and
    noted). Or mean1, sd1, n1, mean2, sd2, n2 from a publication; for two occasions n2 may be left out, and r
    (correlation) or sd_change is needed for the interval.
    Returns an `Estimate` with `estimate std_error conf_low conf_high standardiser standardiser_value`.
    There is no agreed interval for the indices of paired data; ours is the noncentral-t interval of the change scaled
    to the standardiser (see `effect_kinds`). Indices with different standardisers cannot be compared or pooled.
    Raises FitError for an unknown kind, fewer than two values, or a standardiser of 0.
    Source: Lakens 2013 (Front Psychol 4:863); Hedges 1981; Algina & Keselman 2003.

    >>> print(effect_size("d_av", [9, 7, 8, 9], [7, 7, 6, 8])["standardiser"])
    mean of the SDs before and after
    """
    check_level(level)
    summary: TwoGroups | Paired
    left_out = 0
    if kind in TWO_GROUPS:
        if x is not None and y is not None:
            summary, left_out = two_groups(x, y)
        else:
            summary = TwoGroups(*_given(kind, mean1=mean1, sd1=sd1, n1=n1, mean2=mean2, sd2=sd2, n2=n2))  # type: ignore[arg-type]
        made, people = TWO_GROUPS[kind](summary), summary.n1 + summary.n2
    elif kind in PAIRED:
        if x is not None and y is not None:
            summary, left_out = paired(x, y)
        else:
            n = _same_n(n1, n2)
            first, spread1, second, spread2 = _given(kind, mean1=mean1, sd1=sd1, mean2=mean2, sd2=sd2)
            summary = paired_from_summary(first, spread1, second, spread2, n, r, sd_change)
        made, people = PAIRED[kind](summary), summary.n
    else:
        raise FitError(f"Effect size {kind!r}: allowed {', '.join([*TWO_GROUPS, *PAIRED])}.")
    notes = made.notes
    if left_out:
        notes += (f"{left_out} missing or incomplete value(s) left out.",)
    return as_estimate(LABELS[kind], made, people, level, notes)


def as_estimate(term: str, made: Pieces, people: int, level: float, notes: tuple[str, ...]) -> Estimate:
    """An `Estimate` with the standardiser beside it."""
    return Estimate(
        term=term,
        estimate=float(made.estimate),
        limits=made.limits,
        method=f"standardiser: {made.standardiser_name}",
        unit="SD",
        std_error=float(made.std_error),
        df=made.df,
        n_subjects=people,
        n_rows=people,
        level=level,
        notes=notes,
        extra=(("standardiser", made.standardiser_name), ("standardiser_value", float(made.standardiser))),
    )


def _given(kind: str, **numbers: float | None) -> list[float]:
    absent = [name for name, value in numbers.items() if value is None]
    if absent:
        raise FitError(
            f"Effect size {kind!r} from published numbers: {', '.join(absent)} missing. Give them, or x and y."
        )
    found = [value for value in numbers.values() if value is not None]
    for name, value in numbers.items():
        if name.startswith("sd") and value is not None and value < 0:
            raise FitError(f"{name} = {value}: allowed 0 or more.")
        if name.startswith("n") and value is not None and value < 2:
            raise FitError(f"{name} = {value}: allowed 2 or more.")
    return found


def _same_n(n1: int | None, n2: int | None) -> int:
    n = n1 if n1 is not None else n2
    if n is None or (n1 is not None and n2 is not None and n1 != n2):
        raise FitError(f"Two occasions of the same people: n1 = {n1}, n2 = {n2}; allowed one n, 2 or more.")
    if n < 2:
        raise FitError(f"n1 = {n}: allowed 2 or more.")
    return n
