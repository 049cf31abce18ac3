"""Whether one person's change exceeds measurement error, and the chance that it is real."""

from dataclasses import dataclass
from math import nan, sqrt

import pandas as pd
from scipy.stats import norm

from stats.errors import FitError
from stats.estimates import check_level
from stats.responders.true_change import NOT_FOR_ONE_PERSON
from stats.result import Result


@dataclass(frozen=True)
class ReliableChange(Result):
    """Per participant: change over its standard error, and chances that the true change is real or important."""

    people: pd.DataFrame
    error: float
    threshold: float
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The columns of `change_table`, those that `reliable_change` adds, and `beyond_error` (its size above the
        two-sided normal limit).
        """
        limit = float(norm.ppf((1 + check_level(level)) / 2))
        found = self.people["reliable_change"].abs() > limit
        return self.people.assign(beyond_error=found.where(self.people["reliable_change"].notna()))

    def sentence(self, level: float = 0.95) -> str:
        """How many improved and worsened by more than error."""
        frame = self.frame(level)
        beyond = frame["beyond_error"].eq(True)
        up = int((beyond & (frame["improvement"] > 0)).sum())
        down = int((beyond & (frame["improvement"] < 0)).sum())
        return (
            f"{up} of {self.n_rows} improved and {down} worsened by more than measurement error at {level:.0%} "
            f"(standard error of measurement {self.error:.3g} {self.unit}; "
            f"{self.n_participants - self.n_rows} missing)."
        )


def reliable_change(
    table: pd.DataFrame, *, error: float | None = None, sd: float | None = None, reliability: float | None = None,
    threshold: float = nan,
) -> ReliableChange:  # fmt: skip
    """Whether each person's change exceeds measurement error, and the chance that it is real.

    table: frame of `change_table`. error: standard error of measurement; or sd and reliability, error = sd
    sqrt(1 - reliability). Columns added: reliable_change = improvement / (sqrt(2) error); probability_real =
    Phi(reliable_change), the chance of a true improvement if nothing else were known; and, borrowing from the arm (its
    mean and the spread beyond error, so extreme changes are pulled in by regression to the mean): shrunken_change,
    probability_improved, probability_important (true improvement of `threshold` or more).
    Source: Jacobson & Truax 1991 (J Consult Clin Psychol 59:12-19); shrinkage: Kelley's formula, normal law.
    Raises FitError without a standard error of measurement above 0.
    """
    if error is None:
        if sd is None or reliability is None:
            raise FitError("Reliable change needs error=, or sd= and reliability=.")
        error = sd * sqrt(1 - reliability)
    if not error > 0:
        raise FitError(f"Standard error of measurement {error}: allowed above 0.")
    parts, notes = [], [NOT_FOR_ONE_PERSON]
    for arm, own in table.groupby("arm", sort=True):
        x = own["improvement"]
        present = x.dropna()
        noise = 2 * error**2
        true = max(0.0, float(present.var(ddof=1)) - noise) if len(present) > 1 else 0.0
        if true == 0:
            notes.append(
                f"{f'Arm {arm}' if arm else 'Everyone'}: no spread beyond error, shrunken changes equal the mean."
            )
        share = true / (true + noise)
        centre, spread = float(present.mean()) if len(present) else nan, sqrt(share * noise)
        shrunken = centre + share * (x - centre)
        column = {
            "reliable_change": x / sqrt(noise),
            "probability_real": norm.cdf(x / sqrt(noise)),
            "shrunken_change": shrunken,
            "probability_improved": norm.cdf(shrunken / spread) if spread else nan,
            "probability_important": norm.cdf((shrunken - threshold) / spread) if spread else nan,
        }
        parts.append(own.assign(**column))
    people = pd.concat(parts).sort_index()
    unit = str(table["unit"].iloc[0]) if "unit" in table and len(table) else ""
    return ReliableChange(people, error, threshold, unit, len(people), int(people["improvement"].notna().sum()),
                          tuple(dict.fromkeys(notes)))  # fmt: skip


@dataclass(frozen=True)
class ClinicalCutoffs(Result):
    """Where patients end and healthy people begin: the three cut-offs `a`, `b` and `c`."""

    a: float
    b: float
    c: float
    unit: str
    n_participants: int
    notes: tuple[str, ...]

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """Rows a, b, c with term, estimate, unit; `level` plays no part, the four numbers are taken as known."""
        return pd.DataFrame({"term": list("abc"), "estimate": [self.a, self.b, self.c], "unit": self.unit})

    def sentence(self, level: float = 0.95) -> str:
        """The three cut-offs."""
        shown = ", ".join(f"{name} {value:.3g}" for name, value in zip("abc", (self.a, self.b, self.c), strict=True))
        return f"Cut-offs between patients and healthy people (Jacobson & Truax): {shown} {self.unit}".strip() + "."


def clinical_cutoffs(
    mean_patients: float,
    sd_patients: float,
    mean_healthy: float,
    sd_healthy: float,
    *,
    unit: str = "",
    n_participants: int = 0,
) -> ClinicalCutoffs:
    """Cut-offs a, b and c of Jacobson & Truax 1991 between patients and healthy people.

    a: mean_patients ± 2 sd, b: mean_healthy ∓ 2 sd, c: (sd_healthy mean_patients + sd_patients mean_healthy) / sum of
    SDs. Needs a healthy sample of the same measure; with none, do not borrow one.
    All in the unit of the measure. Raises FitError for an SD of 0 or below.
    """
    if min(sd_patients, sd_healthy) <= 0:
        raise FitError(f"SDs {sd_patients}, {sd_healthy}: allowed above 0.")
    towards = 1 if mean_healthy >= mean_patients else -1
    between = (sd_healthy * mean_patients + sd_patients * mean_healthy) / (sd_patients + sd_healthy)
    return ClinicalCutoffs(
        a=mean_patients + towards * 2 * sd_patients,
        b=mean_healthy - towards * 2 * sd_healthy,
        c=between,
        unit=unit,
        n_participants=n_participants,
        notes=(NOT_FOR_ONE_PERSON, "The means and SDs are taken as known: the cut-offs have no interval."),
    )
