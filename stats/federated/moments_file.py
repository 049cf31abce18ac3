"""The file in which a site's sums travel: JSON, documented here, read strictly.

    schema "outcomes-moments", version 1
    plan_sha256 (hash of the analysis plan), plan (its canonical form), study_toml (the text it was read from)
    minimum, people, left_out
    outcomes: for each outcome
        unit, better, people, without_baseline
        baseline      arm -> [people, sum] of the first visit's value, of people with a later value
        levels        category -> its levels here
        arms_of_sites site -> arms with people there
        columns       what each column of X is: ["cell", arm, visit], ["baseline", visit], ["no baseline", visit],
                      ["number", covariate], ["level", covariate, level] or ["stratum", name, level]
        slots, groups visits modelled; groups of the covariance (arms, or "all")
        patterns      n (P), observed (P x T), group (P) and the sums over each pattern's people, visits j and k:
                      A (P x T x T x q x q) of x_j x_k', B (P x T x T x q) of x_j y_k, C (P x T x T) of y_j y_k
        sites         null, or labels (S), Z (P x T x r) the columns of site effects, n (S x P) people, and sums over
                      each site's people x (S x P x T x q) and y (S x P x T); effects [component, name], E (K x r x r)
        n_rows        values
    responders, at_baseline: counts and sums (`counted`), null where withheld
    not_counted   thresholds without counts here: outcome, threshold and why

Numbers are written so that they come back to the last bit. Nothing else is in the file: no ids, no dates, no rows.
"""

import json
from collections.abc import Mapping
from math import isfinite
from pathlib import Path

import numpy as np

from stats.errors import FitError
from stats.federated.outcome_sums import OutcomeSums
from stats.mixed.model.moments import Moments
from stats.mixed.model.site_rows import SiteEffects
from stats.mixed.model.site_sums import FirstSums

SCHEMA, VERSION = "outcomes-moments", 1


def to_plain(sums: OutcomeSums) -> dict:
    """An outcome's sums as lists and texts."""
    m, sites = sums.moments, None
    if isinstance(m.sites, FirstSums):
        s = m.sites
        sites = {
            "labels": [str(block) for block in s.blocks], "Z": s.Z.tolist(), "n": s.n.tolist(), "x": s.x.tolist(),
            "y": s.y[0].tolist(), "effects": [list(name) for name in s.effects.names], "E": s.effects.E.tolist(),
        }  # fmt: skip
    return {
        "unit": sums.unit, "better": sums.better, "people": sums.people, "without_baseline": sums.without_baseline,
        "baseline": {arm: list(pair) for arm, pair in sums.baseline.items()},
        "levels": {name: list(levels) for name, levels in sums.levels.items()},
        "arms_of_sites": {site: list(arms) for site, arms in sums.arms_of_sites.items()},
        "columns": [list(column) for column in sums.columns], "slots": list(m.slots), "groups": list(m.groups),
        "patterns": {
            "n": m.n.tolist(), "observed": m.observed.tolist(), "group": m.group.tolist(), "A": m.A.tolist(),
            "B": m.B[0].tolist(), "C": m.C[0].tolist(),
        },
        "sites": sites, "n_rows": m.n_rows,
    }  # fmt: skip


def from_plain(outcome: str, plain: Mapping) -> OutcomeSums:
    """The sums of `to_plain`, shapes checked."""
    columns, patterns = tuple(tuple(c) for c in plain["columns"]), plain["patterns"]
    n, T, q = np.array(patterns["n"], dtype=float), len(plain["slots"]), len(columns)
    P, sites = len(n), None
    if plain["sites"] is not None:
        s = plain["sites"]
        S, r = len(s["labels"]), len(s["E"][0])
        sites = FirstSums(
            SiteEffects(tuple(tuple(name) for name in s["effects"]), np.array(s["E"], dtype=float)),
            tuple(s["labels"]), _array(s["Z"], (P, T, r)), _array(s["n"], (S, P)), _array(s["x"], (S, P, T, q)),
            _array(s["y"], (S, P, T))[None],
        )  # fmt: skip
    moments = Moments(
        n=n, observed=_array(patterns["observed"], (P, T)).astype(bool), Z=None,
        group=_array(patterns["group"], (P,)).astype(int), A=_array(patterns["A"], (P, T, T, q, q)),
        B=_array(patterns["B"], (P, T, T, q))[None], C=_array(patterns["C"], (P, T, T))[None],
        shift=np.zeros((1, q)), n_rows=int(plain["n_rows"]), n_participants=int(n.sum()),
        terms=tuple(" | ".join(c) for c in columns), slots=tuple(plain["slots"]), groups=tuple(plain["groups"]),
        random_terms=(), term_columns={}, response="value", sites=sites,
    )  # fmt: skip
    return OutcomeSums(
        outcome, plain["unit"], plain["better"], columns, moments, int(plain["people"]),
        int(plain["without_baseline"]), {arm: (int(k), float(v)) for arm, (k, v) in plain["baseline"].items()},
        {name: tuple(levels) for name, levels in plain["levels"].items()},
        {site: tuple(arms) for site, arms in plain["arms_of_sites"].items()},
    )  # fmt: skip


def _array(values: list, shape: tuple[int, ...]) -> np.ndarray:
    return np.array(values, dtype=float).reshape(shape)


def _finite(text: str) -> float:
    """A number of the file; sums and counts are finite, whatever JSON readers allow."""
    number = float(text)
    if not isfinite(number):
        raise ValueError(f"{text} is no finite number")
    return number


def write_file(path: Path, content: Mapping) -> None:
    """Write a site's file."""
    text = json.dumps({"schema": SCHEMA, "version": VERSION, **content}, indent=1, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_file(path: Path) -> dict:
    """A site's file with its sums as `OutcomeSums`.

    Raises FitError where it is no such file, damaged, or of another version. Nothing is computed.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"), parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError) as error:
        raise FitError(f"{path} is not a file of moments: it is no JSON of finite numbers ({error}).") from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise FitError(f"{path} is not a file of moments: its schema is not '{SCHEMA}'. Make it with outcomes moments.")
    if content.get("version") != VERSION:
        raise FitError(f"{path}: version {content.get('version')} of the file, {VERSION} can be read. Write it again.")
    try:
        content["outcomes"] = {name: from_plain(name, plain) for name, plain in content["outcomes"].items()}
        missing = [key for key in ("plan_sha256", "study_toml", "minimum", "people", "responders", "at_baseline") if
                   key not in content]  # fmt: skip
        if missing:
            raise KeyError(", ".join(missing))
        content.setdefault("not_counted", [])  # files of earlier versions of the kit have none
    except (KeyError, ValueError, TypeError, IndexError, OverflowError) as error:
        raise FitError(f"{path} is damaged: {type(error).__name__} {error}. Ask the site to write it again.") from None
    return content
