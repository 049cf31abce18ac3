"""The force of a healthy hand of the same age, sex and side: the yardstick of every simulated grip and pinch."""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.dynamometry.force import convert_force

# Pinch as a share of grip: invented, of the size seen in adults.
PINCH_SHARE = {"grip": 1.0, "pinch_tip": 0.16, "pinch_key": 0.23, "pinch_palmar": 0.22}
YOUNGEST, BAND_YEARS = 20, 5


def healthy_force(instrument: str, people: dict[str, NDArray], hands: Sequence[str]) -> NDArray[np.float64]:
    """Mean force (kgf) of a healthy hand for each person and tested hand, from the norms that `outcomes` ships.

    people: arrays (R, N) with age (years), woman, affected_left. hands: "affected" or "other". Returns (R, N, H).
    """
    norms = _norms()
    band = np.clip((people["age"].astype(int) - YOUNGEST) // BAND_YEARS, 0, norms.shape[-1] - 1)
    woman = people["woman"].astype(int)
    right = [people["affected_left"] if hand == "other" else ~people["affected_left"] for hand in hands]
    grip = np.stack([norms[woman, side.astype(int), band] for side in right], axis=-1)
    return grip * PINCH_SHARE[instrument]


@cache
def _norms() -> NDArray[np.float64]:
    """Mean grip in kgf by sex (man, woman), side (left, right) and band of five years; the last is 75 and over."""
    with (
        files("outcomes.dynamometry").joinpath("norms_data", "grip_mathiowetz_1985.csv").open(encoding="utf-8") as text
    ):
        frame = pd.read_csv(text)
    bands = list(dict.fromkeys(frame["age_band"]))
    means = frame.set_index(["sex", "hand", "age_band"])["mean_lbf"]
    table = [[[means[sex, hand, band] for band in bands] for hand in "LR"] for sex in "MF"]
    return convert_force(np.array(table, dtype=float), "lbf", "kgf")
