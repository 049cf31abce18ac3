"""Error rates of trials with sites: what the table says, and a small rerun of one condition."""

from pathlib import Path

import numpy as np
import pandas as pd

from tests.simulation.sites import study

KEYS = ["sites", "by_arm", "model"]
TABLE = pd.read_csv(Path(__file__).with_name("sites.csv")).set_index(KEYS)


def test_the_default_rules_keep_their_level() -> None:
    """4 to 6 % from 5 sites on; below, fixed effects: level only where the effect is the same at all sites."""
    assert (TABLE["trials"] == 2000).all()
    assert (TABLE["none"] == 0).all()
    for sites in (8, 20):
        for by_arm in (0.0, 3.0):
            assert 0.04 < TABLE.loc[(sites, by_arm, "default"), "rejection"] < 0.06
        assert TABLE.loc[(sites, 3.0, "site intercept only"), "rejection"] > 0.1
    assert 0.04 < TABLE.loc[(4, 0.0, "default"), "rejection"] < 0.06
    assert TABLE.loc[(4, 3.0, "default"), "rejection"] > 0.1  # named in the notes of a fit
    assert TABLE.loc[(4, 0.0, "random with treatment by site"), "rejection"] < 0.04
    assert TABLE.loc[(4, 3.0, "random with treatment by site"), "rejection"] < 0.06


def test_small_rerun() -> None:
    again = study(8, 3.0, designs=1, seed=99, draws=100).set_index(KEYS)
    for key in [(8, 3.0, "default"), (8, 3.0, "site intercept only")]:
        rate = TABLE.loc[key, "rejection"]
        error = np.sqrt(rate * (1 - rate) / 100)
        assert abs(again.loc[key, "rejection"] - rate) < 4 * np.sqrt(2) * error  # trials share one design
