"""Tables of sites: counts against pandas' own, standard deviations against the same model by `fit_mixed`."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from notebooks.sections.sites_apart import sites_exhibits
from notebooks.show.names import Names
from notebooks.show.tables import to_text
from outcomes.protocol.trial import ModelChoice
from stats import fit_change, fit_mixed
from tests.stats.change.test_site_rules import a_study


def test_who_is_where_and_how_far_sites_differ() -> None:
    scores, people, design = a_study(6)
    apart = people.assign(difference=np.random.default_rng(2).normal(0, 4, 6).repeat(8))
    apart = apart.set_index("participant")["difference"]
    scores["value"] += scores["participant"].map(apart) * (scores["arm"] == "active") * (scores["day"] > 0)
    scores = scores[(scores["participant"] != "P003") | (scores["visit"] != "end")].reset_index(drop=True)
    fit = fit_change(scores, "made.total", design=design, participants=people)
    fits = SimpleNamespace(
        study=SimpleNamespace(protocol=design, participants=people), scores=scores, names=Names(design),
        main=(SimpleNamespace(outcome="made.total", fit=fit),),
    )  # fmt: skip
    who, apart_table = sites_exhibits(fits)
    counts = who.frame.set_index(["site", "arm"])
    expected = pd.crosstab(people["clinic"], people["arm"]).stack()
    assert counts["people"].to_dict() == expected.to_dict()
    at_end = scores[scores["visit"] == "end"].merge(people[["participant", "clinic"]], on="participant")
    assert counts["seen"].to_dict() == at_end.groupby(["clinic", "arm"]).size().to_dict()
    assert counts["seen"].sum() == len(people) - 1
    rows = fit.rows
    frame = pd.DataFrame({name: rows[name] for name in ("participant", "arm", "visit", "value", "site")})
    start = scores[scores["visit"] == "start"].set_index("participant")["value"]
    frame["baseline"] = frame["participant"].astype(str).map(start).to_numpy()
    frame = frame.astype({"arm": "str", "visit": "str"})
    again = fit_mixed(
        frame, "value ~ arm * visit + visit:baseline",
        participant="participant", visit="visit", covariance=fit.choice.covariance or "unstructured", site="site",
        site_random="1 + arm",
    ).variances()  # fmt: skip
    variances = again.set_index(["component", "name"])["value"]
    made = apart_table.frame.iloc[0]
    assert made["of_differences"] == pytest.approx(np.sqrt(variances["site", "var(arm)"]), rel=1e-5)
    assert made["of_means"] == pytest.approx(np.sqrt(variances["site", "var(Intercept)"]), rel=1e-5)
    assert made["sites"] == 6
    assert "SD of the difference between arms" in to_text(apart_table)
    fits.study.protocol = replace(design, model=ModelChoice())
    assert not len(sites_exhibits(fits))
