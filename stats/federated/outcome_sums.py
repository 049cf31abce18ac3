"""What one site knows of one outcome: sums from which the model of all sites is fitted exactly.

The model that `fit_change` takes depends on everybody (which visits were seen, how many people, the mean baseline), so
sites send sums of columns rich enough for any of them: a mean for every arm and visit, the baseline and its absence at
every visit, a column for each level of a category. What the model's own columns are is a linear map of these, made when
the sums are together (`merged`). The covariance is free: the sums are kept by pattern of visits (`stats.mixed`).
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.ladder import ladder
from stats.change.model_rows import ChangeRows, model_rows
from stats.change.site_rules import MISSING
from stats.change.visit_days import uses_days
from stats.errors import FitError
from stats.federated.memory_limit import patterns_of_people, within_memory
from stats.mixed.model.layout import Layout
from stats.mixed.model.moments import Moments, pool_layout
from stats.mixed.model.site_rows import SiteEffects, SiteRows
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
    choice, visits = design.model, visits_of(design)
    _can_travel(design, choice)
    if leave_out:
        scores = scores[~scores["participant"].isin(leave_out)]
    plain = replace(choice, site=None, strata=False, covariates=())
    rows = model_rows(scores, selection_of(outcome), design, plain, participants)
    start = next(iter(visits))
    table = participants.drop_duplicates("participant").set_index("participant")
    frame = pd.DataFrame({
        "participant": np.asarray(rows.columns["participant"]).astype(str), "value": rows.columns["value"],
        "arm": np.asarray(rows.columns["arm"]).astype(str),
        "visit": np.array(rows.visits, dtype=object)[rows.slot],
    })  # fmt: skip
    everybody = frame["participant"].nunique()
    if arms_of(design):
        other = frame.loc[~frame["arm"].isin(arms_of(design)), "participant"].unique()
        if len(other):
            raise FitError(
                f"{outcome}: {len(other)} participants are in no arm of the plan ({', '.join(other[:5])}). Everybody "
                "belongs to the arm they were given: correct it, or take those who never had one out and say so."
            )
    else:
        frame["arm"] = ""
    first = frame[frame["visit"] == start].set_index("participant")["value"]
    later = frame[frame["visit"] != start]
    has_later = first[first.index.isin(later["participant"])]
    arm_of = frame.drop_duplicates("participant").set_index("participant")["arm"]
    baseline = {
        arm: (int((arm_of[has_later.index] == arm).sum()), float(has_later[(arm_of[has_later.index] == arm)].sum()))
        for arm in (arms_of(design) or ("",))
    }
    missing = later.loc[~later["participant"].isin(first.index), "participant"].nunique()
    levels = _levels(frame, table, design, choice)
    kind = first_choice(design, choice).baseline
    used = frame if kind in ("constrained", "outcome") else later
    used = used.assign(first=used["participant"].map(first))
    if kind == "change" or (kind == "covariate" and choice.missing_baseline == "leave-out"):
        used = used[used["first"].notna()]
    if kind == "change":
        used = used.assign(value=used["value"] - used["first"])
    frame, columns, X = _columns(used, table, design, choice, kind, levels)
    if not len(frame):
        raise FitError(f"{outcome}: nobody here has the values that the plan's model uses.")
    layout, sites = _layout(frame, columns, X, table, design, choice)
    within_memory(outcome, patterns_of_people(layout), len(layout.slots), len(columns))
    sums = OutcomeSums(
        outcome, rows.unit, rows.better, columns, pool_layout(layout), everybody, int(missing), baseline, levels, sites
    )
    nobody = pd.Series(dtype=object)
    return SiteTable(sums, *(_profiles(layout, columns) if profiles else (nobody, nobody)))


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


def _levels(frame: pd.DataFrame, table: pd.DataFrame, design: Protocol, choice: ModelChoice) -> dict[str, tuple]:
    """Levels of strata and of covariates that are words, of the people with a value."""
    here = table[table.index.astype(str).isin(frame["participant"])]
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


def _columns(
    frame: pd.DataFrame, table: pd.DataFrame, design: Protocol, choice: ModelChoice, kind: str, levels: dict[str, tuple]
) -> tuple[pd.DataFrame, tuple[Column, ...], np.ndarray]:
    """Rows with every covariate, and the columns."""
    own = frame["participant"].map(pd.Series({str(k): k for k in table.index}))
    for name in choice.covariates:
        frame = frame[own.map(table[name]).notna()]
        own = own[frame.index]
    if choice.site is not None:
        if choice.site not in table:
            raise FitError(f"The plan's column of sites, {choice.site}, is not in the participants table.")
        site = own.map(table[choice.site]).astype("string")
        frame = frame[site.notna() & (site.str.strip() != "")]
        own = own[frame.index]
    frame = frame.assign(row=own.to_numpy())
    visits = list(visits_of(design))
    modelled = visits if kind in ("constrained", "outcome") else visits[1:]
    columns: list[Column] = []
    values: list[np.ndarray] = []
    for arm in arms_of(design) or ("",):
        for visit in modelled:
            columns.append(("cell", arm, visit))
            values.append(((frame["arm"] == arm) & (frame["visit"] == visit)).to_numpy(dtype=float))
    if kind == "covariate":
        first = frame["first"].to_numpy()
        for visit in modelled:
            at = (frame["visit"] == visit).to_numpy()
            columns += [("baseline", visit), ("no baseline", visit)]
            values += [np.where(at & ~np.isnan(first), np.nan_to_num(first), 0.0), (at & np.isnan(first)).astype(float)]
    for name in choice.covariates:
        column = frame["row"].map(table[name])
        if name not in levels:
            columns.append(("number", name))
            values.append(column.to_numpy(dtype=float))
        for level in levels.get(name, ()):
            columns.append(("level", name, level))
            values.append((column.astype(str) == level).to_numpy(dtype=float))
    for name in _strata(design, choice):
        column = frame["row"].map(table[name]).astype("string").fillna(MISSING)
        for level in levels[name]:
            columns.append(("stratum", name, level))
            values.append((column == level).to_numpy(dtype=float))
    return frame, tuple(columns), np.column_stack(values) if len(frame) else np.empty((0, len(columns)))


def _layout(
    frame: pd.DataFrame, columns: tuple[Column, ...], X: np.ndarray, table: pd.DataFrame, design: Protocol,
    choice: ModelChoice,
) -> tuple[Layout, dict[str, tuple[str, ...]]]:  # fmt: skip
    visits = [name for name in visits_of(design) if any(c[0] == "cell" and c[2] == name for c in columns)]
    code, people = pd.factorize(frame["participant"])
    slot = pd.Index(visits).get_indexer(frame["visit"])
    order = np.lexsort((slot, code))
    arms = arms_of(design) or ("",)
    arm = pd.Index(arms).get_indexer(frame["arm"])[order]
    by_arm = choice.by_arm and len(arms) > 1
    sites, both = None, {}
    if choice.site is not None:
        where = frame["row"].map(table[choice.site]).astype(str).to_numpy()[order]
        block, labels = pd.factorize(where, sort=True)
        U = [np.ones((len(where), 1))]
        names, owner = [("site", "var(Intercept)")], [0]
        if len(arms) > 1:
            k = len(arms)
            contrast = np.linalg.qr(np.eye(k) - 1 / k)[0][:, :-1] / np.sqrt(2)
            U.append(contrast[arm])
            names.append(("site", "var(arm)"))
            owner += [1] * (k - 1)
        E = np.stack([np.diag((np.array(owner) == k).astype(float)) for k in range(len(names))])
        sites = SiteRows(
            block=block, blocks=tuple(labels), U=np.column_stack(U), fixed=True,
            effects=SiteEffects(tuple(names), E), levels=np.array([[label] * len(owner) for label in labels], object),
            columns=tuple(("site", names[k][1]) for k in owner), notes=(),
        )  # fmt: skip
        both = {str(s): tuple(arms[a] for a in np.unique(arm[block == b])) for b, s in enumerate(labels)}
    layout = Layout(
        y=frame["value"].to_numpy(dtype=float)[order], X=X[order], Z=None, person=code[order], slot=slot[order],
        group=arm if by_arm else np.zeros(len(frame), dtype=int), persons=tuple(people), slots=tuple(visits),
        groups=arms if by_arm else ("all",), terms=tuple(" | ".join(c) for c in columns), term_columns={},
        random_terms=(), spec=None, frame=frame.iloc[order], response="value", notes=(), sites=sites,  # type: ignore[arg-type]
    )  # fmt: skip
    return layout, both


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
