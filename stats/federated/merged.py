"""Files of several sites together: the model of change of everybody, exactly as from all rows in one place."""

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.lock.analysis_plan import plan_changes, plan_digest, plan_of
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.change_fit import ChangeFit
from stats.change.ladder import Rung, ladder
from stats.change.model_rows import COMMON, DAYS, ChangeRows
from stats.change.site_rules import EACH, FEW
from stats.errors import FitError
from stats.federated.counted import together
from stats.federated.moments_file import read_file
from stats.federated.outcome_sums import Column, OutcomeSums, plan_rows
from stats.mixed.fit import fit_moments
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_rows import SiteEffects
from stats.mixed.model.site_sums import FirstSums


@dataclass(frozen=True)
class Merged:
    """What the files of all sites give: a fit per outcome, responders, baseline, and what each file was.

    fits: outcome -> model of change; failed: outcome -> why there is none. files: file, people, left_out, minimum.
    """

    design: Protocol
    fits: Mapping[str, ChangeFit]
    failed: Mapping[str, str]
    responders: pd.DataFrame
    baseline: pd.DataFrame
    files: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class MergedRows(ChangeRows):
    """Rows that are not here: counts of what the rules of models ask."""

    without: int = field(default=0)

    @property
    def n_participants(self) -> int:
        """Participants with a value."""
        return self.everyone

    def later_without_baseline(self) -> tuple[str, ...]:
        """One word for each participant with a later value but no baseline."""
        return ("not named",) * self.without


def merge_files(paths: Sequence[Path]) -> Merged:
    """Fit the plan's model of every outcome to the files of all sites.

    Raises FitError where files do not belong together (another plan, version or set of columns).
    """
    if not paths:
        raise FitError("No file of moments was given.")
    contents = [read_file(Path(path)) for path in paths]
    design = _plan(contents, paths)
    fits, failed = {}, {}
    for outcome in contents[0]["outcomes"]:
        absent = [
            str(path) for path, content in zip(paths, contents, strict=True) if outcome not in content["outcomes"]
        ]
        if absent:
            raise FitError(f"{outcome} is not in {', '.join(absent)}. Ask those sites to write their files again.")
        try:
            fits[outcome] = fit_sums(together_sums([content["outcomes"][outcome] for content in contents]), design)
        except FitError as error:
            failed[outcome] = str(error)
    files = pd.DataFrame({
        "file": [Path(path).name for path in paths], "people": [c["people"] for c in contents],
        "left_out": [c.get("left_out", 0) for c in contents], "minimum": [c["minimum"] for c in contents],
    })  # fmt: skip
    notes = [f"{int(files['people'].sum())} people in {len(files)} files; no row was here."]
    if files["left_out"].sum():
        notes.append(f"{int(files['left_out'].sum())} people were left out by their sites: groups too small to leave.")
    responders = together([c["responders"] for c in contents], ("outcome", "threshold", "value", "unit", "arm"))
    baseline = together([c["at_baseline"] for c in contents], ("arm", "what"))
    return Merged(design, fits, failed, responders, baseline, files, tuple(notes))


def _plan(contents: list[dict], paths: Sequence[Path]) -> Protocol:
    """The one plan of all files."""
    designs = []
    for content, path in zip(contents, paths, strict=True):
        with tempfile.TemporaryDirectory() as folder:
            source = Path(folder) / "study.toml"
            source.write_text(str(content["study_toml"]), encoding="utf-8")
            design = read_protocol(source)
        if plan_digest(plan_of(replace(design, departures=()))) != content["plan_sha256"]:
            raise FitError(
                f"{path}: the hash of its plan is not that of the plan in it. Ask the site to write it again."
            )
        designs.append(design)
    first = plan_of(replace(designs[0], departures=()))
    for design, path in zip(designs[1:], paths[1:], strict=True):
        changes = plan_changes(first, plan_of(replace(design, departures=())))
        if changes:
            told = "; ".join(f"{c.key}: {c.was} in {paths[0]}, {c.now} in {path}" for c in changes[:5])
            raise FitError(
                f"The files follow different plans ({len(changes)} differences: {told}). Give every site the same "
                "plan: outcomes moments FOLDER --plan study.toml --to FILE."
            )
    return designs[0]


def together_sums(parts: Sequence[OutcomeSums]) -> OutcomeSums:
    """Sums of several sites added; columns of levels that a site does not have are zero there."""
    columns = tuple(dict.fromkeys(column for part in parts for column in part.columns))
    kinds = {name: kind for part in parts for kind, name, *_ in part.columns if kind in ("number", "level")}
    for part in parts:
        for kind, name, *_ in part.columns:
            if kind in ("number", "level") and kinds[name] != kind:
                raise FitError(
                    f"{part.outcome}: {name} is a number at one site and words at another. Correct it there."
                )
        if part.unit != parts[0].unit:
            raise FitError(f"{part.outcome}: the units differ, {parts[0].unit} and {part.unit}. Convert them first.")
    columns = _ordered(columns)
    moments = reduce(lambda a, b: a + b, [_widened(part, columns) for part in parts])
    arms = {arm for part in parts for arm in part.baseline}
    sites: dict[str, tuple[str, ...]] = {}
    for part in parts:
        for site, there in part.arms_of_sites.items():
            sites[site] = tuple(sorted({*sites.get(site, ()), *there}))
    return OutcomeSums(
        parts[0].outcome, parts[0].unit, parts[0].better, columns, moments, sum(part.people for part in parts),
        sum(part.without_baseline for part in parts),
        {arm: (sum(part.baseline.get(arm, (0, 0.0))[0] for part in parts),
               sum(part.baseline.get(arm, (0, 0.0))[1] for part in parts)) for arm in sorted(arms)},
        {name: tuple(sorted({level for part in parts for level in part.levels.get(name, ())}))
         for name in dict.fromkeys(name for part in parts for name in part.levels)},
        sites,
    )  # fmt: skip


def _ordered(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Cells and baselines as they came, levels of a category in order."""
    kinds = {"cell": 0, "baseline": 1, "no baseline": 1, "number": 2, "level": 2, "stratum": 3}
    place = {c: k for k, c in enumerate(columns)}
    names = list(dict.fromkeys(c[1] for c in columns if kinds[c[0]] > 1))

    def rank(c: Column) -> tuple:
        if kinds[c[0]] < 2:
            return kinds[c[0]], place[c], ""
        return kinds[c[0]], names.index(c[1]), c[2] if len(c) > 2 else ""

    return tuple(sorted(columns, key=rank))


def _widened(part: OutcomeSums, columns: tuple[Column, ...]) -> Moments:
    """A site's sums with all columns."""
    spread = np.zeros((len(part.columns), len(columns)))
    spread[np.arange(len(part.columns)), [columns.index(c) for c in part.columns]] = 1.0
    return _mapped(part.moments, spread, tuple(" | ".join(c) for c in columns))


def _mapped(moments: Moments, basis: np.ndarray, terms: tuple[str, ...]) -> Moments:
    """Sums of X @ basis, any basis; responses in their own units (no shift)."""
    sites = moments.sites
    return replace(
        moments, A=basis.T @ moments.A @ basis, B=moments.B @ basis, shift=np.zeros((1, basis.shape[1])), terms=terms,
        sites=None if sites is None else sites.transformed(basis),
    )  # fmt: skip


def fit_sums(sums: OutcomeSums, design: Protocol) -> ChangeFit:
    """The model of change that the plan's rules take for everybody, fitted to the sums."""
    rows = _rows(sums, design)
    errors: list[str] = []
    for rung in ladder(rows, design.model):
        try:
            return _fit_rung(sums, rows, rung, design, errors)
        except FitError as error:
            errors.append(f"Not possible with {rung.name}: {error}")
    raise FitError(f"{sums.outcome}: no model of change can be fitted. {errors[-1]}")


def _rows(sums: OutcomeSums, design: Protocol) -> MergedRows:
    """What the rules ask of rows, from counts."""
    plan = plan_rows(design)
    people, total = (sum(pair[k] for pair in sums.baseline.values()) for k in (0, 1))
    visits = [v for v in plan.visits if v == plan.visits[0] or _count(sums, v) > 0]
    arms = tuple(arm for arm in plan.arms if any(_count(sums, v, arm) for v in plan.visits))
    values = {name: getattr(plan, name) for name in ("outcome", "columns", "person", "slot", "days", "randomised")}
    return MergedRows(
        **(values | {"outcome": sums.outcome}), arms=arms, reference=arms[0] if arms else "", visits=tuple(visits),
        unit=sums.unit, better=sums.better, everyone=sums.people, covariates=(), notes=(),
        baseline_mean=total / people if people else 0.0, without=sums.without_baseline,
    )  # fmt: skip


def _count(sums: OutcomeSums, visit: str, arm: str | None = None) -> float:
    """Rows at a visit (of an arm)."""
    total = 0.0
    for k, column in enumerate(sums.columns):
        if column[0] == "cell" and column[2] == visit and arm in (None, column[1]):
            total += float(np.einsum("pjj->", sums.moments.A[..., k, k]))
    return total


def _fit_rung(sums: OutcomeSums, rows: MergedRows, rung: Rung, design: Protocol, errors: list[str]) -> ChangeFit:
    choice = rung.choice
    made = _Model(sums, rows, choice)
    basis, terms, cells = made.basis()
    extra, extra_terms, notes, adjusted = made.categories(design)
    basis, terms = np.column_stack([basis, *extra]) if extra else basis, (*terms, *extra_terms)
    moments = _mapped(sums.moments, basis, terms)
    moments, site_notes, effect, adjusted = _with_sites(moments, sums, choice, adjusted)
    if effect:
        choice = replace(choice, site_effect=effect)
    moments = _with_effects(moments, rung.random, rows, choice)
    fit = fit_moments(moments, correlated=choice.correlated, covariance=rung.covariance, method=choice.method,
                      unit=sums.unit)  # fmt: skip
    rows = replace(rows, covariates=made.names)
    weights = rows.weights(choice, cells, fit.terms, made.stand_in(moments, terms))
    weights = _site_weights(weights, fit.terms)
    all_notes = tuple(dict.fromkeys([
        f"{sums.people} participants with a value, summed over their sites.", *rung.reasons, *notes, *site_notes,
        *errors, *fit.notes,
    ]))  # fmt: skip
    return ChangeFit(
        outcome=sums.outcome, label=choice.label, fit=replace(fit, notes=all_notes), choice=choice, arms=rows.arms,
        reference=rows.reference, baseline_visit=rows.baseline, better=sums.better, notes=all_notes,
        rows=pd.DataFrame({"participant": [], **{name: [] for name in rows.covariates}}), cells=cells,
        weights=weights, entry=pd.DataFrame({"participant": [], "arm": [], "value": []}),
        offset=made.offset(cells), adjusted=adjusted,
    )  # fmt: skip


@dataclass
class _Model:
    """The columns of a choice as combinations of the columns of the sums."""

    sums: OutcomeSums
    rows: MergedRows
    choice: ModelChoice

    def __post_init__(self) -> None:
        self.place = {column: k for k, column in enumerate(self.sums.columns)}
        self.size = len(self.place)
        self.names: tuple[str, ...] = ()

    def unit(self, *columns: Column) -> np.ndarray:
        """Sum of some columns (q,)."""
        out = np.zeros(self.size)
        for column in columns:
            if column in self.place:
                out[self.place[column]] += 1.0
        return out

    @property
    def modelled(self) -> list[str]:
        """Visits whose values are responses and which somebody attended."""
        return [v for v in self.rows.visits if any(c[0] == "cell" and c[2] == v for c in self.place)]

    def basis(self) -> tuple[np.ndarray, tuple[str, ...], pd.DataFrame]:
        """Columns of the means and the baseline (q, m), their names, and cells as `ChangeRows.design` gives them."""
        arms = self.rows.arms or ("",)
        cells = pd.DataFrame([(a, v, self.rows.days[v]) for a in arms for v in self.modelled],
                             columns=["arm", "visit", "day"])  # fmt: skip
        if self.choice.time == "visit":
            vectors, names, cells = self._means(cells)
        else:
            vectors, names = self._lines(arms)
        extra, more = self._baseline()
        return np.column_stack([*vectors, *extra]), (*names, *more), cells

    def _means(self, cells: pd.DataFrame) -> tuple[list[np.ndarray], list[str], pd.DataFrame]:
        several, first = len(self.rows.arms) > 1, self.rows.visits[0]
        there = [_count(self.sums, c.visit, c.arm if several else None) > 0 for c in cells.itertuples()]
        cells = cells[there].reset_index(drop=True)
        if several and self.choice.baseline == "constrained":
            at_first = cells["visit"] == first
            cells = pd.concat([cells[at_first].head(1).assign(arm=COMMON), cells[~at_first]], ignore_index=True)
        vectors, names = [], []
        for cell in cells.itertuples():
            own = self.rows.arms if cell.arm == COMMON else (cell.arm,)
            vectors.append(self.unit(*[("cell", arm, cell.visit) for arm in own]))
            names.append(f"cell[{cell.visit}, {cell.arm}]" if several else f"cell[{cell.visit}]")
        return vectors, names, cells

    def _lines(self, arms: tuple[str, ...]) -> tuple[list[np.ndarray], list[str]]:
        """Intercept and time, and knots, of everybody and beyond the reference."""
        days, unit = self.rows.days, DAYS[self.choice.time_unit]
        at = {v: days[v] / unit for v in self.modelled}
        shapes = {"Intercept": dict.fromkeys(at, 1.0), "time": at}
        if self.choice.time == "piecewise":
            shapes |= {f"np.maximum(time - {float(k)!r}, 0)": {v: max(t - k, 0.0) for v, t in at.items()}
                       for k in self.choice.knots}  # fmt: skip
        vectors, names = [], []
        for own in (None, *arms[1:]):
            for name, shape in shapes.items():
                if own is not None and name == "Intercept" and self.choice.baseline == "constrained":
                    continue
                arms_here = arms if own is None else (own,)
                vectors.append(sum(value * self.unit(*[("cell", arm, v) for arm in arms_here])
                                   for v, value in shape.items()))  # fmt: skip
                beyond = f"arm[T.{own}]"
                names.append(name if own is None else beyond if name == "Intercept" else f"{name}:{beyond}")
        return vectors, names  # type: ignore[return-value]

    def _baseline(self) -> tuple[list[np.ndarray], list[str]]:
        """The baseline as covariate about its mean, set to it where missing; and where it is missing."""
        if self.choice.baseline != "covariate":
            return [], []
        mean, arms = self.rows.baseline_mean, self.rows.arms or ("",)
        own = {}
        for visit in self.modelled:
            cells = self.unit(*[("cell", arm, visit) for arm in arms])
            own[visit] = self.unit(("baseline", visit)) - mean * (cells - self.unit(("no baseline", visit)))
        slopes = self._slope_per_visit(own)
        vectors = list(own.values()) if slopes else [sum(own.values())]
        names = [f"visit[{v}]:baseline" for v in own] if slopes else ["baseline"]
        gaps = self.unit(*[("no baseline", visit) for visit in self.modelled])
        if self.choice.missing_baseline == "mean-and-indicator" and self._square(gaps) > 0:
            vectors.append(gaps)
            names.append("no_baseline")
        return vectors, names  # type: ignore[return-value]

    def _slope_per_visit(self, own: Mapping[str, np.ndarray]) -> bool:
        """As `ChangeRows._slope_per_visit`: people enough at every later visit, and baselines that differ."""
        if self.choice.time != "visit" or len(own) < 2:
            return False
        enough = max(len(self.rows.arms), 1) + 3
        return all(_count(self.sums, v) >= enough and self._square(vector) > 1e-9 for v, vector in own.items())

    def _square(self, vector: np.ndarray) -> float:
        """Sum of squares of a column over the rows."""
        return float(vector @ np.einsum("pjjab->ab", self.sums.moments.A) @ vector)

    def categories(self, design: Protocol) -> tuple[list[np.ndarray], list[str], list[str], tuple[str, ...]]:
        """Covariates and strata: columns, names, notes and names of the strata's columns."""
        vectors: list[np.ndarray] = []
        names: list[str] = []
        for column in self.sums.columns:
            if column[0] == "number":
                vectors.append(self.unit(column))
                names.append(column[1])
                self.names = (*self.names, column[1])
        for name in dict.fromkeys(c[1] for c in self.sums.columns if c[0] == "level"):
            levels = [c for c in self.sums.columns if c[0] == "level" and c[1] == name and self._square(self.unit(c))]
            vectors += [self.unit(c) for c in levels[1:]]
            names += [f"{name}[T.{c[2]}]" for c in levels[1:]]
            self.names = (*self.names, name)
        strata = [n for n in design.randomisation.strata if any(c[:2] == ("stratum", n) for c in self.sums.columns)]
        wide = {n: self.sums.levels[n] for n in strata if len(self.sums.levels[n]) > 1}
        size = sum(len(levels) - 1 for levels in wide.values())
        if not wide:
            return vectors, names, [], ()
        named = ", ".join(strata)
        if size * EACH > self.sums.people:
            return vectors, names, [f"Strata of the randomisation ({named}) ask for {size} coefficients, {EACH} people "
                                    f"each; there are {self.sums.people}: they are not in the model."], ()  # fmt: skip
        adjusted = []
        for k, name in enumerate(design.randomisation.strata):
            levels = [c for c in self.sums.columns if c[:2] == ("stratum", name) and self._square(self.unit(c))]
            if name in wide and len(levels) > 1:
                vectors += [self.unit(c) for c in levels[1:]]
                names += [f"stratum_{k + 1}[T.{c[2]}]" for c in levels[1:]]
                adjusted.append(f"stratum_{k + 1}")
        self.names = (*self.names, *adjusted)
        return vectors, names, [f"Arms were dealt within strata ({named}): fixed effects of each."], tuple(adjusted)

    def stand_in(self, moments: Moments, terms: tuple[str, ...]) -> pd.DataFrame:
        """A frame whose means of numbers and counts of levels are those of the rows, for weights of means."""
        rows = float(moments.n_rows)
        total = np.einsum("pjjab->ab", self.sums.moments.A)
        ones = self.unit(*[c for c in self.place if c[0] == "cell"])
        columns = {}
        for name in self.names:
            levels = [t for t in terms if t.startswith(f"{name}[T.")]
            if levels:
                columns[name] = np.arange(1000) % (len(levels) + 1)
            else:
                columns[name] = np.full(1000, float(self.unit(("number", name)) @ total @ ones) / rows)
        return pd.DataFrame(columns)

    def offset(self, cells: pd.DataFrame) -> np.ndarray | None:
        """As `ChangeRows.offset`."""
        if self.choice.baseline == "covariate":
            return np.full(len(cells), self.rows.baseline_mean)
        if self.choice.baseline != "change":
            return None
        if len(self.rows.arms) < 2:
            return np.full(len(cells), self.rows.baseline_mean)
        return np.array([total / n for n, total in (self.sums.baseline[arm] for arm in cells["arm"])])


def _with_sites(
    moments: Moments, sums: OutcomeSums, choice: ModelChoice, adjusted: tuple[str, ...]
) -> tuple[Moments, list[str], str, tuple[str, ...]]:
    """Effects of sites by the rules of `site_rules`: random, or fixed ones made of the sums of each site."""
    sites = moments.sites
    if choice.site is None or not isinstance(sites, FirstSums):
        return replace(moments, sites=None), [], "", adjusted
    S = len(sites.blocks)
    if S < 2:
        return replace(moments, sites=None), [f"One {choice.site}: no effect of sites in the model."], "", adjusted
    effect = choice.site_effect
    if effect == "auto":
        effect = "fixed" if S < FEW else "random"
    notes = [f"{S} sites: {effect} effects."]
    if effect == "fixed":
        return _fixed_sites(moments, sites), notes, effect, (*adjusted, "site")
    several = len(sites.effects.names) > 1
    both = sum(len(arms) > 1 for arms in sums.arms_of_sites.values())
    if several and both < 2:
        notes.append("Each site holds one arm: the arms are compared between sites, on about as many df.")
        first = SiteEffects(sites.effects.names[:1], sites.effects.E[:1, :1, :1])
        sites = replace(sites, effects=first, Z=sites.Z[:, :, :1])
    elif several:
        notes.append("The effect of the arm may differ between sites: treatment by site, about as many df as sites.")
    return replace(moments, sites=sites), notes, effect, adjusted


def _fixed_sites(moments: Moments, sites: FirstSums) -> Moments:
    """Moments with a column for every site but the first (by name): sums over a site's people are its products."""
    order = sorted(range(len(sites.blocks)), key=lambda s: sites.blocks[s])[1:]
    P, T = moments.observed.shape
    q, k = moments.A.shape[-1], len(order)
    pair = moments.observed[:, :, None] & moments.observed[:, None, :]
    A = np.zeros((P, T, T, q + k, q + k))
    B = np.concatenate([moments.B, np.zeros((*moments.B.shape[:-1], k))], axis=-1)
    A[..., :q, :q] = moments.A
    for i, s in enumerate(order):
        A[..., q + i, q + i] = sites.n[s][:, None, None] * pair
        cross = sites.x[s][:, None, :, :] * moments.observed[:, :, None, None]  # [p, j, k]: site column at j, x at k
        A[..., q + i, :q] = cross
        A[..., :q, q + i] = np.swapaxes(cross, 1, 2)
        B[0, ..., q + i] = sites.y[0, s][:, None, :] * moments.observed[:, :, None]
    names = tuple(f"site[T.{sites.blocks[s]}]" for s in order)
    return replace(moments, A=A, B=B, shift=np.zeros((1, q + k)), terms=(*moments.terms, *names), sites=None)


def _site_weights(weights: np.ndarray, terms: tuple[str, ...]) -> np.ndarray:
    """Means over an equal mix of the sites, where they are fixed effects."""
    at = [k for k, term in enumerate(terms) if term.startswith("site[T.")]
    if at:
        weights[:, at] = 1.0 / (len(at) + 1)
    return weights


def _with_effects(moments: Moments, random: str | None, rows: MergedRows, choice: ModelChoice) -> Moments:
    """Moments with the columns of participants' random effects, which the planned times fix."""
    if random is None:
        return moments
    when = np.array([rows.days[v] / DAYS[choice.time_unit] for v in moments.slots])
    columns = [np.ones_like(when)] if random == "1" else [np.ones_like(when), when]
    Z = np.where(moments.observed[:, :, None], np.stack(columns, axis=1)[None], 0.0)
    return replace(moments, Z=Z, random_terms=("Intercept", "time")[: len(columns)])
