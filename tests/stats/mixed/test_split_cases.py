"""The reference cases of R, cut into 2 to 20 sites: sums merged and files of partitions are the fit of all rows.

The other side is `fit_mixed` on all rows, itself held against R by `test_reference_cases` and `test_sites`. Asked:
estimates to 1e-9 (of their standard error where they are near zero) and df to 1e-6. Least counts play no part here.
"""

from functools import reduce
from operator import add
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stats import fit_mixed, fit_moments, pool_moments
from stats.mixed.fit import MixedFit
from tests.stats.mixed.test_reference_cases import CASES, model_of
from tests.stats.mixed.test_sites import CASES as ABOVE
from tests.stats.mixed.test_sites import read_case

FIT = ("covariance", "correlated")  # keywords of the fit; the others are of the pooling
NAMES = (*CASES, *(name for name in ABOVE if "crossed" not in ABOVE[name]))  # a crossed factor ties the sites together


def case_of(name: str) -> tuple[pd.DataFrame, str, dict]:
    """Rows, formula and arguments; words and visits as categories, which all sites have to share."""
    if name in CASES:
        data, formula, model = model_of(name)
    else:
        (_, data), model = read_case(name), {"participant": "id", "visit": "visit", **ABOVE[name]}
        formula = model.pop("formula")
    if "covariance" not in model:
        model = {"random": "1"} | model  # what `fit_mixed` takes where neither is named
    planned = next((c for c in (model.get("visit"), "Days", "week", "visit", "age", "time") if c in data), None)
    if planned is not None:  # sites whose people came less often must know which visits there are
        data, model = data.assign(slot=data[planned].astype("category")), model | {"visit": "slot"}
    words = [c for c in data if c != model["participant"] and data[c].dtype.kind not in "iuf"]
    return data.assign(**{c: data[c].astype("category") for c in words}), formula, model


def agree(merged: MixedFit, whole: MixedFit) -> None:
    assert merged.loglik == pytest.approx(whole.loglik, abs=1e-8)
    for df in ("kenward-roger", "satterthwaite"):
        ours, theirs = merged.fixed(df), whole.fixed(df)
        assert list(ours["term"]) == list(theirs["term"])
        error = theirs["std_error"].min()
        np.testing.assert_allclose(ours["estimate"], theirs["estimate"], rtol=1e-9, atol=1e-9 * error)
        np.testing.assert_allclose(ours["std_error"], theirs["std_error"], rtol=1e-7)
        np.testing.assert_allclose(ours["df"], theirs["df"], rtol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_split_into_sites_and_files(name: str, tmp_path: Path) -> None:
    data, formula, model = case_of(name)
    pooling = {key: value for key, value in model.items() if key not in FIT}
    fitting = {key: model[key] for key in FIT if key in model}
    whole = fit_mixed(data, formula, **model)
    people = data[model["participant"]].unique()
    parts = min(2 + 7 * NAMES.index(name) % 19, len(people) // 2)
    order = np.random.default_rng(1).permutation(len(people))
    site = data[model["participant"]].map(dict(zip(people[order], np.arange(len(people)) % parts, strict=True)))
    sites = [data[site == k] for k in range(parts)]
    merged = reduce(add, [pool_moments(rows, formula, **pooling) for rows in sites])
    assert merged.n_participants == len(people)
    agree(fit_moments(merged, **fitting), whole)
    for k in range(min(3, parts)):  # files of several sites each
        pd.concat(sites[k::3]).to_parquet(tmp_path / f"part {k}.parquet", index=False)
    agree(fit_moments(pool_moments(tmp_path, formula, **pooling), **fitting), whole)
