"""What one site knows of one outcome: sums from which the model of all sites is fitted exactly.

The model that `fit_change` takes depends on everybody (which visits were seen, how many people, the mean baseline), so
sites send sums of columns rich enough for any of them: a mean for every arm and visit, the baseline and its absence at
every visit, a column for each level of a category. What the model's own columns are is a linear map of these, made when
the sums are together (`merged`). The covariance is free: the sums are kept by pattern of visits (`stats.mixed`).
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.ladder import ladder
from stats.change.model_rows import ChangeRows, model_rows
from stats.change.site_rules import MISSING
from stats.change.visit_days import uses_days
from stats.errors import FitError
from stats.federated.memory_limit import within_memory
from stats.mixed.model.layout import Layout
from stats.mixed.model.moments import Moments, pattern_index
from stats.mixed.model.site_rows import SiteEffects, SiteRows
from stats.mixed.model.site_sums import FirstSums
from stats.selection import selection_of

Column = tuple[str, ...]  # ("cell", arm, visit), ("baseline", visit), ("no baseline", visit), ("number", covariate),
# ("level", covariate, level), ("stratum", name, level)


@dataclass(frozen=True)
class OutcomeSums:
    """Sums of one outcome at one site, or of several together.

    moments: of `columns`, response in its own units (no shift), by pattern of visits, and by site where the plan names
    sites. people: participants with a value; without_baseline: those of them with a later value and no baseline.
    baseline: arm -> people and sum of the baseline of those who have a later value. levels: names of strata -> levels.
    """

    outcome: str
    unit: str
    better: str
    columns: tuple[Column, ...]
    moments: Moments
    people: int
    without_baseline: int
    baseline: dict[str, tuple[int, float]]
    levels: dict[str, tuple[str, ...]]
    arms_of_sites: dict[str, tuple[str, ...]]


@dataclass(frozen=True)
class SiteTable:
    """The rows behind the sums: never leaves the site. profile: what makes people alike, one text each."""

    sums: OutcomeSums
    profile: pd.Series
    content: pd.Series


def arms_of(design: Protocol) -> tuple[str, ...]:
    """Arms of the plan, the reference first; empty in a single-arm study."""
    if design.design == "single-arm" or len(design.arms) < 2:
        return ()
    return tuple(arm.id for arm in sorted(design.arms, key=lambda arm: not arm.reference))


def first_choice(design: Protocol, choice: ModelChoice) -> ModelChoice:
    """The choice with its baseline decided, as the rules decide it for the plan."""
    return next(iter(ladder(plan_rows(design), choice))).choice


def plan_rows(design: Protocol) -> ChangeRows:
    """Rows of nobody, for rules that ask for arms and visits only."""
    visits = visits_of(design)
    person, slot = np.divmod(np.arange(1000 * len(visits)), len(visits))
    arms = arms_of(design)
    return ChangeRows(
        outcome="", columns={}, person=person, slot=slot, arms=arms, reference=arms[0] if arms else "",
        visits=tuple(visits), days=visits, unit="", better="higher", everyone=1000, covariates=(), notes=(),
        randomised=design.randomised and len(arms) > 1,
    )  # fmt: skip


def visits_of(design: Protocol) -> dict[str, float]:
    """Planned visits in order, with their days."""
    return {visit.id: float(visit.day) for visit in sorted(design.visits, key=lambda visit: visit.day)}


def outcome_sums(
    scores: pd.DataFrame, outcome: str, design: Protocol, participants: pd.DataFrame, *, leave_out: set | None = None,
    profiles: bool = True,
) -> SiteTable:  # fmt: skip
    """The sums of one outcome at this site by the plan's model; participants in `leave_out` play no part.

    profiles: whether to say who is alike, for the guards; not where the sums stay where the rows are.

    Raises FitError where the plan asks for what sums of sites cannot carry, or nobody has a value.
    """
    choice = design.model
    _can_travel(design, choice)
    if leave_out:
        scores = scores[~scores["participant"].isin(leave_out)]
    plain = replace(choice, site=None, strata=False, covariates=())
    rows = model_rows(scores, selection_of(outcome), design, plain, participants)
    table = participants.drop_duplicates("participant").set_index("participant")
    values = _values(rows, table, design, outcome)
    levels = _levels(values, table, design, choice)
    kind = first_choice(design, choice).baseline
    first, later = values.first, values.visit != 0
    missing = int((_of(values.person[later], values) & np.isnan(first)).sum())
    baseline = _baseline(values, design)
    used = np.ones(len(later), dtype=bool) if kind in ("constrained", "outcome") else later
    if kind == "change" or (kind == "covariate" and choice.missing_baseline == "leave-out"):
        used = used & ~np.isnan(first[values.person])
    shown = values.taken(used)
    if kind == "change":
        shown = replace(shown, value=shown.value - first[shown.person])
    shown, columns = _columns(shown, table, design, choice, kind, levels)
    if not len(shown.value):
        raise FitError(f"{outcome}: nobody here has the values that the plan's model uses.")
    place = _placed(shown, columns, table, design, choice)
    nobody = pd.Series(dtype=object)
    moments = _pooled(outcome, shown, columns, place, choice)
    alike = _profiles(_layout(shown, columns, place, choice), columns.names) if profiles else (nobody, nobody)
    sums = OutcomeSums(
        outcome, rows.unit, rows.better, columns.names, moments, len(values.names), missing, baseline, levels,
        place.arms_of_sites(shown),
    )  # fmt: skip
    return SiteTable(sums, *alike)


@dataclass(frozen=True)
class _Values:
    """Values of an outcome, one a row: person into `names`, visit and arm into those of the plan, value.

    Of each person: names; first, the value at the first visit or NaN; row, where they are in the participants table, -1
    where they are not.
    """

    person: np.ndarray
    visit: np.ndarray
    arm: np.ndarray
    value: np.ndarray
    names: np.ndarray
    first: np.ndarray
    row: np.ndarray

    def taken(self, kept: np.ndarray) -> "_Values":
        """Some of the rows."""
        rows = {name: getattr(self, name)[kept] for name in ("person", "visit", "arm", "value")}
        return replace(self, **rows)


def _values(rows: ChangeRows, table: pd.DataFrame, design: Protocol, outcome: str) -> _Values:
    """The rows of a model as codes. Raises FitError where somebody is in no arm of the plan."""
    value = np.asarray(rows.columns["value"], dtype=float)
    seen, at, person = np.unique(rows.person, return_index=True, return_inverse=True)
    names = np.asarray(rows.columns["participant"].take(at)).astype(str)
    given = pd.Categorical(rows.columns["arm"])
    arm = np.zeros(len(value), dtype=int)
    if arms_of(design):  # a missing arm is the last of these, and in no plan
        arm = np.append(pd.Index(arms_of(design)).get_indexer(given.categories.astype(str)), -1)[given.codes]
    if (arm < 0).any():
        other = names[np.unique(person[arm < 0])]
        raise FitError(
            f"{outcome}: {len(other)} participants are in no arm of the plan ({', '.join(other[:5])}). Everybody "
            "belongs to the arm they were given: correct it, or take those who never had one out and say so."
        )
    visit = pd.Index(list(visits_of(design))).get_indexer(pd.Index(rows.visits))[rows.slot]
    if (visit < 0).any():
        found = ", ".join(v for v in rows.visits if v not in visits_of(design))
        raise FitError(f"{outcome}: found values at {found}; allowed are visits of the plan. Correct study.toml.")
    first = np.full(len(seen), np.nan)
    first[person[visit == 0]] = value[visit == 0]
    row = pd.Index(table.index.astype(str)).get_indexer(pd.Index(names))
    return _Values(person, visit, arm, value, names, first, row)


def _of(people: np.ndarray, values: _Values) -> np.ndarray:
    """Which of all people are among some."""
    among = np.zeros(len(values.names), dtype=bool)
    among[people] = True
    return among


def _baseline(values: _Values, design: Protocol) -> dict[str, tuple[int, float]]:
    """People and sum of the baseline by arm, of those who have a later value."""
    arm_of = np.zeros(len(values.names), dtype=int)
    arm_of[values.person[::-1]] = values.arm[::-1]  # of everybody's first row
    both = _of(values.person[values.visit != 0], values) & ~np.isnan(values.first)
    made = {}
    for k, arm in enumerate(arms_of(design) or ("",)):
        own = both & (arm_of == k)
        made[arm] = int(own.sum()), float(values.first[own].sum())
    return made


def _can_travel(design: Protocol, choice: ModelChoice) -> None:
    problems = []
    if design.design == "crossover":
        problems.append("a crossover")
    if choice.random not in (None, "1", "1 + time"):
        problems.append(f'random = {choice.random!r} (allowed: "1" and "1 + time")')
    if choice.days == "actual" and uses_days(choice):
        problems.append('days = "actual": sums are by planned visit, and own days would tell who is who')
    spoken = [name for name in choice.covariates if "(" in name]
    if spoken:
        problems.append(f"covariates computed of columns ({', '.join(spoken)}): write them into the table instead")
    if problems:
        raise FitError(f"The plan asks for what cannot be merged from sums: {'; '.join(problems)}.")


def _levels(values: _Values, table: pd.DataFrame, design: Protocol, choice: ModelChoice) -> dict[str, tuple]:
    """Levels of strata and of covariates that are words, of the people with a value."""
    here = table.iloc[values.row[values.row >= 0]]
    made = {}
    for name in _strata(design, choice):
        made[name] = tuple(sorted(here[name].astype("string").fillna(MISSING).unique()))
    for name in choice.covariates:
        if name not in table:
            raise FitError(f"Covariate {name} is not in the participants table.")
        if table[name].dtype.kind not in "iufb":
            made[name] = tuple(sorted(here[name].dropna().astype(str).unique()))
    return made


def _strata(design: Protocol, choice: ModelChoice) -> tuple[str, ...]:
    if not (design.randomised and choice.strata):
        return ()
    return tuple(n for n in design.randomisation.strata if n != choice.site and n not in choice.covariates)


@dataclass(frozen=True)
class _Columns:
    """The columns of a model, said so that those of all rows need not be made.

    skipped: visits before the first that is modelled, of which there are `visits`; every row has a cell of its arm and
    visit. baseline: whether the baseline and its absence stand at every visit. of_people: what each person of the
    values has in the last columns, the same at every visit.
    """

    names: tuple[Column, ...]
    skipped: int
    visits: int
    baseline: bool
    of_people: np.ndarray

    def of_each(self, values: _Values) -> np.ndarray:
        """What each person has: one, the baseline and its absence, then `of_people`."""
        made = [np.ones((len(values.names), 1)), self.of_people]
        if self.baseline:
            made[1:1] = [np.nan_to_num(values.first)[:, None], np.isnan(values.first)[:, None]]
        return np.concatenate(made, axis=1)

    def by_visit(self, arm: np.ndarray) -> np.ndarray:
        """Which column each number of a person stands in (numbers, visits x columns); arm -1 where no visit is."""
        q, several = len(self.names), self.of_people.shape[1]
        D = np.zeros((1 + 2 * self.baseline + several, self.visits, q))
        seen = np.flatnonzero(arm >= 0)
        D[0, seen, arm[seen] * self.visits + seen] = 1.0
        if self.baseline:
            cells = sum(name[0] == "cell" for name in self.names)
            D[1, seen, cells + 2 * seen] = 1.0
            D[2, seen, cells + 2 * seen + 1] = 1.0
        for k in range(several):
            D[k - several, seen, q - several + k] = 1.0
        return D.reshape(len(D), -1)

    def of_rows(self, values: _Values) -> np.ndarray:
        """All columns of all rows."""
        at, visit = np.arange(len(values.value)), values.visit - self.skipped
        X = np.zeros((len(at), len(self.names)))
        X[at, values.arm * self.visits + visit] = 1.0
        if self.baseline:
            first, cells = values.first[values.person], sum(name[0] == "cell" for name in self.names)
            X[at, cells + 2 * visit] = np.nan_to_num(first)
            X[at, cells + 2 * visit + 1] = np.isnan(first)
        if self.of_people.shape[1]:
            X[:, -self.of_people.shape[1] :] = self.of_people[values.person]
        return X


def _columns(
    values: _Values, table: pd.DataFrame, design: Protocol, choice: ModelChoice, kind: str, levels: dict[str, tuple]
) -> tuple[_Values, _Columns]:
    """Rows with every covariate, and the columns."""
    known = np.ones(len(values.names), dtype=bool)
    for name in choice.covariates:
        known &= (values.row >= 0) & table[name].notna().to_numpy()[values.row]
    if choice.site is not None:
        if choice.site not in table:
            raise FitError(f"The plan's column of sites, {choice.site}, is not in the participants table.")
        site = table[choice.site].astype("string")
        named = (site.notna() & (site.str.strip() != "")).to_numpy(dtype=bool, na_value=False)
        known &= (values.row >= 0) & named[values.row]
    values = values.taken(known[values.person])
    visits = list(visits_of(design))
    skipped = 0 if kind in ("constrained", "outcome") else 1
    modelled, arms = visits[skipped:], arms_of(design) or ("",)
    columns: list[Column] = [("cell", arm, visit) for arm in arms for visit in modelled]
    if kind == "covariate":
        columns += [column for visit in modelled for column in (("baseline", visit), ("no baseline", visit))]
    made: list[np.ndarray] = []
    for name in choice.covariates:
        if name not in levels:
            columns.append(("number", name))
            made.append(table[name].to_numpy(dtype=float)[values.row])
        own = table[name].astype(str).to_numpy(dtype=object)[values.row]
        for level in levels.get(name, ()):
            columns.append(("level", name, level))
            made.append(own == level)
    for name in _strata(design, choice):
        own = table[name].astype("string").fillna(MISSING).to_numpy(dtype=object)
        own = np.where(values.row < 0, MISSING, own[values.row])
        for level in levels[name]:
            columns.append(("stratum", name, level))
            made.append(own == level)
    of_people = np.column_stack(made).astype(float) if made else np.zeros((len(values.names), 0))
    return values, _Columns(tuple(columns), skipped, len(modelled), kind == "covariate", of_people)


@dataclass(frozen=True)
class _Placed:
    """Rows sorted by person and visit, and what is above people.

    order, person, slot, arm (rows,): of sorted rows; person into `people`, positions among those of the values; slot
    into `slots`. site (people,) into `sites`, None where the plan names none; U (arms, r): a site's columns by arm.
    """

    order: np.ndarray
    person: np.ndarray
    people: np.ndarray
    slot: np.ndarray
    slots: tuple[str, ...]
    arm: np.ndarray
    arms: tuple[str, ...]
    site: np.ndarray | None
    sites: tuple
    U: np.ndarray
    owner: tuple[int, ...]
    effects: SiteEffects

    def arms_of_sites(self, values: _Values) -> dict[str, tuple[str, ...]]:
        """The arms that each site has."""
        if self.site is None:
            return {}
        there = np.zeros((len(self.sites), len(self.arms)), dtype=bool)
        there[self.site[self.person], self.arm] = True
        return {
            str(s): tuple(self.arms[a] for a in np.flatnonzero(row)) for s, row in zip(self.sites, there, strict=True)
        }


def _placed(values: _Values, columns: _Columns, table: pd.DataFrame, design: Protocol, choice: ModelChoice) -> _Placed:
    person, people = pd.factorize(values.person)
    slot, arms = values.visit - columns.skipped, arms_of(design) or ("",)
    order = np.lexsort((slot, person))
    site, sites = None, ()
    if choice.site is not None:
        text = table[choice.site].astype(str).to_numpy(dtype=object)
        site, labels = pd.factorize(text[values.row[people]], sort=True)
        sites = tuple(labels)
    k = len(arms)
    contrast = np.linalg.qr(np.eye(k) - 1 / k)[0][:, :-1] / np.sqrt(2)
    owner = (0, *[1] * (k - 1))
    names = [("site", "var(Intercept)"), ("site", "var(arm)")][: min(k, 2)]
    E = np.stack([np.diag((np.array(owner) == n).astype(float)) for n in range(len(names))])
    return _Placed(
        order, person[order], people, slot[order], tuple(visits_of(design))[columns.skipped :], values.arm[order], arms,
        site, sites, np.column_stack([np.ones(k), contrast]), owner, SiteEffects(tuple(names), E),
    )  # fmt: skip


def _layout(values: _Values, columns: _Columns, place: _Placed, choice: ModelChoice) -> Layout:
    by_arm, sites = choice.by_arm and len(place.arms) > 1, None
    if place.site is not None:
        kinds = place.effects.names
        sites = SiteRows(
            block=place.site[place.person], blocks=place.sites, U=place.U[place.arm], fixed=True,
            effects=place.effects, levels=np.array([[label] * len(place.owner) for label in place.sites], object),
            columns=tuple(("site", kinds[k][1]) for k in place.owner), notes=(),
        )  # fmt: skip
    return Layout(
        y=values.value[place.order], X=columns.of_rows(values)[place.order], Z=None, person=place.person,
        slot=place.slot, group=place.arm if by_arm else np.zeros(len(place.order), dtype=int),
        persons=tuple(values.names[place.people]), slots=place.slots, groups=place.arms if by_arm else ("all",),
        # Sums of sites have no formula, and so no spec of one.
        terms=tuple(" | ".join(c) for c in columns.names), term_columns={}, random_terms=(), spec=None,  # type: ignore[arg-type]
        frame=pd.DataFrame(), response="value", notes=(), sites=sites,
    )  # fmt: skip


def _pooled(outcome: str, values: _Values, columns: _Columns, place: _Placed, choice: ModelChoice) -> Moments:
    """The moments of `_layout`, without the columns of its rows.

    What a person has in the columns at visit t is sum_m z_m D_m[t]: z, of the person (one, the baseline, levels,
    numbers), D, fixed by arm and visit. So of people alike in visits and arm the second moments of z and y are enough:

        sum_i X_ia' X_ib = sum_mn (sum_i z_im z_in) D_ma' D_nb        sum_i X_ia' y_ib = sum_m (sum_i z_im y_ib) D_ma'
    """
    n, T, q, arms = len(place.people), len(place.slots), len(columns.names), len(place.arms)
    y, arm = np.zeros((n, T)), np.full((n, T), -1)
    y[place.person, place.slot], arm[place.person, place.slot] = values.value[place.order], place.arm
    alike = np.zeros(n, dtype=np.int64)
    for t in range(T):
        alike = pd.factorize(alike * (arms + 1) + arm[:, t] + 1)[0].astype(np.int64)
    order = np.argsort(alike, kind="stable")
    starts = np.append(np.flatnonzero(np.diff(alike[order], prepend=-1)), n)
    arm = arm[order[starts[:-1]]]  # (kinds of people, T)
    observed = arm >= 0
    group = np.zeros(len(arm), dtype=int)
    if by_arm := choice.by_arm and arms > 1:
        group = arm[np.arange(len(arm)), observed.argmax(axis=1)]
    U = None if place.site is None else np.where(observed[:, :, None], place.U[arm], 0.0)
    first, index = pattern_index(observed, U, group)
    P = len(first)
    within_memory(outcome, P, T, q)
    A, B, C = np.zeros((P, T * q, T * q)), np.zeros((1, P, T * q, T)), np.zeros((1, P, T, T))
    S, people = len(place.sites), np.zeros(P)
    at_sites, x_sites, y_sites = np.zeros((S, P)), np.zeros((S, P, T * q)), np.zeros((1, S, P, T))
    z = columns.of_each(values)[place.people]
    for kind, (start, end) in enumerate(pairwise(starts.tolist())):
        p, own = int(index[kind]), order[start:end]
        D, Z, Y = columns.by_visit(arm[kind]), z[own], y[own]
        live = np.flatnonzero(D.any(axis=0))  # of all columns at all visits few are those of one arm and one visit
        A[p][np.ix_(live, live)] += D[:, live].T @ (Z.T @ Z) @ D[:, live]
        B[0, p, live] += D[:, live].T @ (Z.T @ Y)
        C[0, p] += Y.T @ Y
        people[p] += len(own)
        if place.site is not None:
            codes, own_site = np.unique(place.site[own], return_inverse=True)
            member = np.zeros((len(codes), len(own)))
            member[own_site, np.arange(len(own))] = 1.0
            at_sites[codes, p] += member.sum(axis=1)
            x_sites[codes, p] += member @ Z @ D
            y_sites[0, codes, p] += member @ Y
    sites = None
    if U is not None:
        sites = FirstSums(place.effects, place.sites, U[first], at_sites, x_sites.reshape(S, P, T, q), y_sites)
    return Moments(
        n=people, observed=observed[first], Z=None, group=group[first], A=A.reshape(P, T, q, T, q).swapaxes(2, 3),
        B=B.reshape(1, P, T, q, T).swapaxes(3, 4), C=C, shift=np.zeros((1, q)), n_rows=len(place.order),
        n_participants=n, terms=tuple(" | ".join(c) for c in columns.names), slots=place.slots,
        groups=place.arms if by_arm else ("all",), random_terms=(), term_columns={}, response="value", sites=sites,
    )  # fmt: skip


def _profiles(layout: Layout, columns: tuple[Column, ...]) -> tuple[pd.Series, pd.Series]:
    """What makes people alike (visits, arm, site, levels), and a fingerprint of all they contribute, by participant."""
    kinds = np.array([c[0] not in ("baseline", "number") for c in columns])
    site = layout.sites.block if layout.sites is not None else np.zeros(layout.n_rows, dtype=int)
    starts, profile, content = layout.starts(), {}, {}
    for i, person in enumerate(layout.persons):
        rows = slice(int(starts[i]), int(starts[i + 1]))
        alike = (layout.slot[rows].tolist(), int(site[rows][0]), layout.X[rows][:, kinds].astype(int).tolist())
        profile[person] = repr(alike)
        content[person] = (layout.X[rows].tobytes() + layout.y[rows].tobytes() + repr(alike).encode()).hex()
    return pd.Series(profile, dtype=object), pd.Series(content, dtype=object)
