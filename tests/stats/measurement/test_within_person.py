"""Correlation inside people against its definition and the published example it was described with."""

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.formula.api as smf

from stats.errors import FitError
from stats.measurement.within_person import within_person_correlation


def test_the_published_example():
    """Bland & Altman 1995 (BMJ 310:446): intramural pH and PaCO2 of eight people, r = -0.51, P = 0.0008."""
    frame = pingouin.read_dataset("rm_corr")
    found = within_person_correlation(frame, participant="Subject", x="pH", y="PacO2")
    assert found.estimate == pytest.approx(-0.51, abs=0.005)
    assert found.p_value == pytest.approx(0.0008, abs=0.00005)
    assert (found.df, found.n_participants, found.n_rows) == (38, 8, 47)


def test_it_is_the_analysis_of_covariance_at_full_precision():
    frame = pingouin.read_dataset("rm_corr")
    full = smf.ols("PacO2 ~ C(Subject) + pH", frame).fit()
    without = smf.ols("PacO2 ~ C(Subject)", frame).fit()
    r = np.sign(full.params["pH"]) * np.sqrt(1 - full.ssr / without.ssr)
    found = within_person_correlation(frame, participant="Subject", x="pH", y="PacO2")
    assert found.estimate == pytest.approx(r, rel=1e-12)
    assert found.p_value == pytest.approx(full.pvalues["pH"], rel=1e-9)
    # the normal interval of atanh with df + 2 people, by hand
    assert found.conf_low == pytest.approx(np.tanh(np.arctanh(r) - 1.959963984540054 / np.sqrt(37)), rel=1e-12)
    narrower = within_person_correlation(frame, participant="Subject", x="pH", y="PacO2", level=0.8)
    assert found.conf_low < narrower.conf_low < narrower.conf_high < found.conf_high


def test_rows_without_use_are_counted_and_the_rest_refused():
    frame = pd.DataFrame({"p": list("aabbccd"), "x": [1, 2, 1, 3, 2, 5, 1.0], "y": [1, 2, 2, 3, 1, 4, 9.0]})
    found = within_person_correlation(frame, participant="p", x="x", y="y")
    assert (found.n_participants, found.n_rows) == (3, 6)
    assert found.notes == ("1 rows incomplete or alone in their person left out.",)
    with pytest.raises(FitError, match="never varies"):
        within_person_correlation(frame.assign(x=1.0), participant="p", x="x", y="y")
    with pytest.raises(FitError, match="2 people"):
        within_person_correlation(frame.head(4), participant="p", x="x", y="y")
    with pytest.raises(FitError, match="not in the frame: z"):
        within_person_correlation(frame, participant="p", x="z", y="y")
