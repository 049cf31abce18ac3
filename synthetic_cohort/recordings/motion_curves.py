"""Curves of movement and force over time, in closed form: what a perfect sensor would read."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def wheel_turn(seconds: Array, amplitude: Array | float, frequency_hz: float, phase: Array | float = 0.0) -> Array:
    """A wheel turned to and fro, not quite regularly: a wave and a smaller one 1.6 times as fast, degrees about 0."""
    turn = 2 * np.pi * frequency_hz * seconds
    return amplitude * (np.sin(turn + phase) + 0.2 * np.sin(1.6 * turn + 2 * np.asarray(phase)))


def finger_bend(seconds: Array, reach: Array | float, frequency_hz: float, pause: float = 0.2) -> Array:
    """A joint bent and straightened by minimum-jerk movements (Flash & Hogan 1985, J Neurosci 5:1688), with rests.

    reach: degrees. pause: share of a cycle spent at rest, half of it bent and half of it straight.
    """
    part = (seconds * frequency_hz) % 1.0
    move = (1 - pause) / 2
    out = _smooth_step(part / move)
    back = _smooth_step((part - move - pause / 2) / move)
    return reach * (out - back)


def _smooth_step(u: Array) -> Array:
    u = np.clip(u, 0.0, 1.0)
    return u**3 * (10 - 15 * u + 6 * u**2)


def force_hold_curve(seconds: Array, level: Array | float, rest_s: float, rise_s: float, let_go_s: float) -> Array:
    """A force that comes up as 1 - exp(-t / rise_s) after `rest_s` and falls within 0.3 s from `let_go_s` on,
    newtons."""
    up = 1 - np.exp(-np.maximum(seconds - rest_s, 0.0) / rise_s)
    down = np.clip((let_go_s + 0.3 - seconds) / 0.3, 0.0, 1.0)
    return level * up * down
