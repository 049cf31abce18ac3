"""The force of a healthy hand of the same age, sex and side: the yardstick of every simulated grip and pinch."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from outcomes.force import convert_force

# Mean grip in lbf by age band (20-24, 25-29, ... 70-74, 75 and over). Mathiowetz et al., Arch Phys Med Rehabil
# 1985;66:69-74, read in a secondary reprint; a test holds these equal to the norms that `outcomes` ships.
GRIP_LBF = {
    ("man", "right"): (121.0, 120.8, 121.8, 119.7, 116.8, 109.9, 113.6, 101.1, 89.7, 91.1, 75.3, 65.7),
    ("man", "left"): (104.5, 110.5, 110.4, 112.9, 112.8, 100.8, 101.9, 83.2, 76.8, 76.8, 64.8, 55.0),
    ("woman", "right"): (70.4, 74.5, 78.7, 74.1, 70.4, 62.2, 65.8, 57.3, 55.1, 49.6, 49.6, 42.6),
    ("woman", "left"): (61.0, 63.5, 68.0, 66.3, 62.3, 56.0, 57.3, 47.3, 45.7, 41.0, 41.5, 37.6),
}
# Pinch as a share of grip: invented, of the size seen in adults.
PINCH_SHARE = {"grip": 1.0, "pinch_tip": 0.16, "pinch_key": 0.23, "pinch_palmar": 0.22}


def healthy_force(instrument: str, people: dict[str, NDArray], hands: Sequence[str]) -> NDArray[np.float64]:
    """Mean force (kgf) of a healthy hand for each person and tested hand.

    people: arrays (R, N) with age (years), woman, affected_left. hands: "affected" or "other". Returns (R, N, H).
    """
    band = np.clip((people["age"].astype(int) - 20) // 5, 0, 11)
    table = np.array([[GRIP_LBF[sex, side] for side in ("left", "right")] for sex in ("man", "woman")])
    woman = people["woman"].astype(int)
    forces = []
    for hand in hands:
        right = people["affected_left"] if hand == "other" else ~people["affected_left"]
        forces.append(table[woman, right.astype(int), band])
    return convert_force(np.stack(forces, axis=-1) * PINCH_SHARE[instrument], "lbf", "kgf")
