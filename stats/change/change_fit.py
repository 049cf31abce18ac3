"""From a study's scores and protocol to a model of change, with the reason for each choice."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from html import escape
from typing import Unpack

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.ladder import Rung, ladder
from stats.change.model_rows import COMMON, ChangeRows, model_rows
from stats.change.re_randomisation import PermutationTest, permutation_test
from stats.change.site_rules import SITE
from stats.change.term_columns import random_part
from stats.change.visit_days import DAYS
from stats.errors import FitError
from stats.mixed.fit import MixedFit, fit_mixed
from stats.mixed.inference.fit_estimates import Estimates, JointTest
from stats.mixed.inference.resampling import Bootstrap, bootstrap
from stats.mixed.inference.robust import robust_estimates, robust_test
from stats.mixed.model.contrasts import combination
from stats.result import Result
from stats.selection import Narrowed, Selected, selection_of


@dataclass(frozen=True)
class ChangeFit(Result):
    """A model of change of one outcome.

    fit: the mixed model. baseline_visit: the visit change is counted from. `cells` says which coefficient combination
    is the mean of which arm and visit: a frame with columns arm, visit, day and the weights in `weights` (rows, q).
    `entry` holds everybody's value at the first visit, also of those the model leaves out: participant, arm, value.
    `choice` is the model as fitted (nothing left to "auto"), `notes` the reasons for it, in order.
    """

    outcome: str
    label: str
    fit: MixedFit
    choice: ModelChoice
    arms: tuple[str, ...]
    reference: str
    baseline_visit: str
    better: str
    notes: tuple[str, ...]
    rows: pd.DataFrame = field(repr=False)
    cells: pd.DataFrame = field(repr=False)
    weights: np.ndarray = field(repr=False)
    entry: pd.DataFrame = field(repr=False)
    offset: np.ndarray | None = field(default=None, repr=False)  # by cell: mean baseline that is no response
    adjusted: tuple[str, ...] = ()  # columns of strata and of sites as fixed effects

    def _repr_html_(self) -> str:
        head = f"{self.outcome}: model '{self.label}', {self.n_participants} participants, {self.n_rows} scores"
        return f"<p>{escape(head)}</p>{self.changes()._repr_html_()}"

    @property
    def loglik(self) -> float:
        """Maximised (restricted) log-likelihood."""
        return self.fit.loglik

    @property
    def n_participants(self) -> int:
        """Participants in the model."""
        return self.fit.n_participants

    @property
    def n_rows(self) -> int:
        """Observations in the model."""
        return self.fit.n_rows

    @property
    def unit(self) -> str:
        """Unit of the outcome."""
        return self.fit.unit

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """The answer: `between()`, with columns arm reference visit day; with one arm `changes()`, without
        reference."""
        return self._answer().frame(level)

    def sentence(self, level: float = 0.95) -> str:
        """The answer in words: `between()`, or `changes()` with one arm."""
        return f"{self.outcome}. {self._answer().sentence(level)}"

    def _answer(self) -> Estimates:
        return self.between() if len(self.arms) > 1 else self.changes()

    @property
    def without_baseline(self) -> int:
        """Participants in the model whose baseline is missing."""
        return int(self.rows.loc[~self.rows["participant"].isin(self.entry["participant"]), "participant"].nunique())

    def fixed(self, df: str | None = None, level: float = 0.95) -> pd.DataFrame:
        """Coefficients of the model (see `MixedFit.fixed`)."""
        return self.fit.fixed(df=self._df(df), level=level)

    def _df(self, df: str | None) -> str:
        """A named method, else the one of the model's choice."""
        return self.choice.df if df in (None, "auto") else df  # type: ignore[return-value]  # not None past the test

    def means(self, df: str | None = None) -> Estimates:
        """Estimated means per arm and visit: keys arm, visit, day.

        With baseline as covariate at its mean; where the change is the response, the mean baseline of the arm is added
        as a known number.
        """
        made = self._estimates(self.weights, self.cells, df)
        if self.choice.baseline == "change" and self.offset is not None:
            made = replace(made, estimate=made.estimate + self.offset)
        return made

    def changes(self, df: str | None = None) -> Estimates:
        """Change from baseline (later - earlier, raw sign) per arm and later visit: keys arm, visit, day."""
        keys, L = self._changes()
        made = self._estimates(L, keys, df)
        if self.choice.baseline == "covariate" and self.offset is not None:
            made = replace(made, estimate=made.estimate - self.offset[0])
        return made

    def between(self, df: str | None = None) -> Estimates:
        """Change in each arm minus change in the reference arm, per later visit: keys arm, reference, visit, day.

        Raises FitError with one arm, or where no later visit was attended in both.
        """
        if len(self.arms) < 2:
            raise FitError("This study has one arm: there is no difference between arms to estimate.")
        keys, L = self._changes()
        rows, weights = [], []
        told = keys[["arm", "visit", "day"]].to_dict("records")
        others = {key["visit"]: k for k, key in reversed([*enumerate(told)]) if key["arm"] == self.reference}
        for k, key in enumerate(told):
            if key["arm"] != self.reference and key["visit"] in others:
                rows.append({"arm": key["arm"], "reference": self.reference, "visit": key["visit"], "day": key["day"]})
                weights.append(L[k] - L[others[key["visit"]]])
        if not rows:
            raise FitError("No later visit was attended in both arms: no difference in change can be estimated.")
        return self._estimates(np.array(weights), pd.DataFrame(rows), df)

    def slopes(self, df: str | None = None) -> Estimates:
        """Change per unit of time in each arm (linear time only): keys arm.

        Raises FitError for a model with a mean for every visit.
        """
        if self.choice.time != "linear":
            raise FitError(
                "The model has a mean for every visit, so no slope. Ask for changes(), or fit time='linear'."
            )
        rows, weights = [], []
        for arm in self.arms or ("",):
            at = self.cells.index[self.cells["arm"] == arm]
            first, last = at[0], at[-1]
            span = (self.cells["day"][last] - self.cells["day"][first]) / DAYS[self.choice.time_unit]
            rows.append({"arm": arm})
            weights.append((self.weights[last] - self.weights[first]) / span)
        made = self._estimates(np.array(weights), pd.DataFrame(rows), df)
        return replace(made, unit=f"{self.unit} per {self.choice.time_unit}")

    def joint(self, df: str | None = None) -> JointTest:
        """Arm x time: all differences in change are zero. With one arm: all changes are zero."""
        L, label = self._joint_rows()
        return self.fit.test(L, df=self._df(df), label=label)

    def robust(self) -> Estimates:
        """`between()` (one arm: `changes()`) with cluster-robust CR2 standard errors and Satterthwaite df.

        Valid where the covariance of the model is wrong, at the price of few df (see `stats.mixed.inference.robust`).
        Raises FitError where therapists tie all participants together.
        """
        asked = self._answer()
        made = robust_estimates(self.fit, asked.weights, asked.term)
        return replace(made, estimate=asked.estimate, keys=asked.keys)

    def robust_joint(self) -> JointTest:
        """`joint()` with the cluster-robust covariance, by an approximate Hotelling T-squared.

        Raises FitError as `robust`.
        """
        return robust_test(self.fit, *self._joint_rows())

    def permute(
        self, rng: np.random.Generator, *, deals: int = 4999, strata: pd.Series | None = None
    ) -> PermutationTest:
        """Re-randomisation test of the differences between arms: exact whatever the covariance (see `permutation`).

        Raises FitError in a study with one arm.
        """
        return permutation_test(self, rng, deals=deals, strata=strata)

    def bootstrap(self, rng: np.random.Generator, *, kind: str = "parametric", replicates: int = 999) -> Bootstrap:
        """Bootstrap-t of `between()` (one arm: of `changes()`); kind "parametric", "case" or "wild".

        Raises FitError for an unknown kind, sites or therapists with any but "parametric", or too few fits that
        converge.
        """
        asked = self._answer()
        return bootstrap(self.fit, asked.weights, rng, labels=asked.term, kind=kind, replicates=replicates)

    def contrast(self, text: str, by: str | None = None, df: str | None = None) -> Estimates:
        """A combination of visits ("week8 - baseline"), in each arm with by="arm", else averaged over arms.

        Raises FitError for a text that names no visits, or another column in by=.
        """
        modelled = list(dict.fromkeys(self.cells["visit"]))
        visits = list(dict.fromkeys([self.baseline_visit, *modelled]))
        wanted = combination(text, visits)
        if wanted is None:
            raise FitError(f"Contrast '{text}' does not name visits. Visits: {', '.join(visits)}.")
        if by not in (None, "arm"):
            raise FitError(f"by='{by}' is not a column of this model. Use by='arm' or leave it out.")
        rows, weights, known = [], [], []
        for arm in dict.fromkeys(self.cells["arm"]):
            at = self.cells.index[(self.cells["arm"] == arm) | (self.cells["arm"] == COMMON)]
            named = {self.cells["visit"][k]: self.weights[k] for k in at}
            first = self._baseline_weights(str(arm))
            if first is not None:
                named.setdefault(self.baseline_visit, first)
            if all(weight == 0 or visit in named for visit, weight in zip(visits, wanted, strict=True)):
                rows.append({"arm": arm})
                pairs = zip(visits, wanted, strict=True)
                weights.append(sum(weight * named[visit] for visit, weight in pairs if weight != 0))
                known.append(self._known(wanted, at))
        rows, weights, known = _without_common(rows, weights, known)
        if by == "arm":
            made = self._estimates(np.array(weights), pd.DataFrame(rows), df, lead=text)
            return replace(made, estimate=made.estimate + np.array(known))
        all_arms = pd.DataFrame([{"arm": "all"}])
        made = self._estimates(np.mean(weights, axis=0, keepdims=True), all_arms, df, lead=text)
        return replace(made, estimate=made.estimate + np.mean(known))

    def _known(self, wanted: np.ndarray, at: pd.Index) -> float:
        """What a combination of visits (baseline first) holds of a baseline that is no response: a known number."""
        if self.offset is None:
            return 0.0
        share = wanted.sum() if self.choice.baseline == "change" else wanted[0]
        return float(share * self.offset[at[0]])

    def _joint_rows(self) -> tuple[np.ndarray, str]:
        """Rows of L and the label of the joint test."""
        if len(self.arms) > 1:
            return self.between("residual").weights, "arm x time"  # rows are the same whatever the df
        if self.choice.baseline == "covariate":
            raise FitError("With baseline as covariate a single arm has no joint test of change; use another baseline.")
        return self._changes()[1], "change over visits"

    def _changes(self) -> tuple[pd.DataFrame, np.ndarray]:
        rows, weights = [], []
        firsts = {str(arm): self._baseline_weights(str(arm)) for arm in self.cells["arm"].unique()}
        for k, key in zip(self.cells.index, self.cells.to_dict("records"), strict=True):
            if key["visit"] == self.baseline_visit:
                continue
            first = firsts[str(key["arm"])]
            if first is not None:
                rows.append(key)
                weights.append(self.weights[k] - first)
        if not rows:
            raise FitError("No arm has both a baseline and a later visit: no change can be estimated.")
        return pd.DataFrame(rows), np.array(weights)

    def _baseline_weights(self, arm: str) -> np.ndarray | None:
        if self.choice.baseline in ("covariate", "change"):
            return np.zeros(self.weights.shape[1])
        cells = self.cells
        at = cells.index[(cells["visit"] == self.baseline_visit) & cells["arm"].isin([arm, COMMON])]
        return self.weights[at[0]] if len(at) else None

    def _estimates(self, L: np.ndarray, keys: pd.DataFrame, df: str | None, lead: str = "") -> Estimates:
        shown = [
            [str(key[name]) for name in ("arm", "visit") if name in keys and key[name] != ""]
            for key in keys.to_dict("records")
        ]
        labels = [", ".join(filter(None, [lead, *parts])) for parts in shown]
        made = self.fit.estimates(L, labels, df=self._df(df), keys=keys)
        return replace(made, notes=(*self.notes, *(note for note in made.notes if note not in self.notes)))


def fit_change(
    scores: pd.DataFrame,
    outcome: Selected,
    *,
    design: Protocol | None = None,
    model: ModelChoice | None = None,
    participants: pd.DataFrame | None = None,
    days: str | None = None,
    **named: Unpack[Narrowed],
) -> ChangeFit:
    """Model change of `outcome` over the planned visits.

    scores: frame of `outcomes.score`. design: the study's protocol (arms, reference, visits); without it the arms are
    those found, the first by name is the reference. model: the choices, by default the protocol's; what it leaves to
    "auto" is decided by the written rules of `ladder` and `model_rows`, never by a p value, and noted.
    outcome: its name or a `Selection`; hand, condition and baseline narrow it (`stats.selection`). The model takes
    every visit from the baseline on; `fit_conditions` models both conditions.
    participants: covariates, one row per person.
    days: "planned" or "actual", in place of the model's: slopes on each participant's own days (`ModelChoice.days`).

    Rejection of a true null at nominal 5 % by the model the rules choose, a mean per visit, 10,000 trials a condition,
    every trial with its own baselines and gaps (tests/simulation/default_model.csv; Monte-Carlo error 0.2 points):

                                        last visit    middle visit    all jointly    lines (where asked for)
    normal errors, six truths           4.4-5.6       4.4-5.5         4.4-5.8        4.4-5.7 %
    lognormal errors, or a ceiling      4.1-6.2       4.1-6.0         3.0-6.0        4.0-6.1 %

    over 6, 10 and 15 per arm, 6 against 12, single arms of 8, 12 and 20, one, three and five later visits, with and
    without missing baselines. The truths: errors growing and shrinking over the visits, people's own lines, steeper
    ones, autoregressive, equal correlation. Of the conditions with normal errors 95 in 100 lie in 4.5-5.5 %; coverage
    of the intervals is one less rejection. Outside 4.5-5.5 %: the joint test of five visits under shrinking errors
    (5.6-5.8), the last visit under errors growing fivefold at 6 per arm (5.5-5.6). The joint test has no answer in
    0.7-0.8 % of single arms of 8 people over five visits (lognormal 1.2-1.8 %), and is too shy there under a ceiling
    (3.0 %); single arms with lognormal errors reject up to 6.2 %, as a t test of skewed changes does.
    `permute` needs no covariance and always has an answer: beside the joint test below 15 people per arm.

    Changes are in the outcome's own unit. Raises FitError where no model of change can be fitted, saying what to do.
    Source: as `fit_mixed`; baseline as covariate or constrained to be alike as in Liang & Zeger 2000 (Sankhya B
    62:134-148), from memory; the rules that choose are our own, with their error rates above.
    """
    choice = model or (design.model if design is not None else ModelChoice())
    if days is not None:
        choice = replace(choice, days=days)
    if choice.time_unit not in DAYS:
        raise FitError(f"time_unit '{choice.time_unit}' is not known. Choose one of: {', '.join(DAYS)}.")
    selection = selection_of(outcome, **named)
    rows = model_rows(scores, selection, design, choice, participants)
    errors: list[str] = []
    for rung in ladder(rows, choice):
        try:
            return _fit_rung(rows, rung, (*rows.notes, *rung.reasons, *rows.above.notes, *errors))
        except FitError as error:
            errors.append(f"Not possible with {rung.name}: {error}")
    raise FitError(f"{selection.outcome}: no model of change can be fitted. {errors[-1]}")


def _fit_rung(rows: ChangeRows, rung: Rung, notes: Sequence[str]) -> ChangeFit:
    choice = rung.choice
    frame, formula, cells = rows.design(choice)
    frame, random = random_part(frame, rung.random)
    fit = fit_mixed(
        frame, formula, participant="participant", visit="visit", random=random, correlated=choice.correlated,
        covariance=rung.covariance, by="arm" if choice.by_arm and len(rows.arms) > 1 else None, method=choice.method,
        unit=rows.unit, site=None if rows.above.site is None else SITE, site_random=rows.above.site_random,
        time="day" if (rung.covariance or "").endswith("exponential") else None,
    )  # fmt: skip
    if rows.above.effect:
        choice = replace(choice, site_effect=rows.above.effect)
    weights = rows.weights(choice, cells, fit.terms, frame)
    all_notes = tuple(dict.fromkeys([*notes, *fit.notes]))
    return ChangeFit(
        outcome=rows.outcome, label=choice.label, fit=replace(fit, notes=all_notes), choice=choice, arms=rows.arms,
        reference=rows.reference, baseline_visit=rows.baseline, better=rows.better,
        notes=all_notes, rows=frame, cells=cells, weights=weights,
        entry=rows.entry(),
        offset=rows.offset(choice, cells), adjusted=tuple(rows.above.fixed),
    )  # fmt: skip


def _without_common(rows: list[dict], *others: list) -> list[list]:
    """Leave out the pseudo-arm of a common baseline where real arms are there."""
    keep = [k for k, row in enumerate(rows) if row["arm"] != COMMON] or list(range(len(rows)))
    return [[each[k] for k in keep] for each in (rows, *others)]
