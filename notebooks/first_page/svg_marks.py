"""Marks of the small static drawings of the first page. Colours are classes: dark mode and print have their own."""

import html
from collections.abc import Iterable, Sequence
from math import ceil, floor, log10

from notebooks.show.numbers import MINUS

GROUPS = 6  # colours and shapes there are; a seventh group begins again


def drawing(parts: Iterable[str], width: float, height: float, says: str, kind: str = "") -> str:
    """A whole drawing. says: what a reader who cannot see it should know; kind: classes of its own."""
    label = html.escape(says, quote=True)
    return (
        f'<svg class="{kind}" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{label}"'
        f' style="max-width:{width:g}px">{"".join(parts)}</svg>'
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str = "axis") -> str:
    """A straight line."""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def rectangle(x: float, y: float, width: float, height: float, kind: str) -> str:
    """A rectangle; a negative width or height is none."""
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0):.1f}" height="{max(height, 0):.1f}" class="{kind}"/>'


def words(x: float, y: float, text: str, anchor: str = "start", kind: str = "") -> str:
    """A text, already escaped (`NamedNumbers.svg`) where it holds numbers with names."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{kind}">{text}</text>'


def dot(x: float, y: float, radius: float, kind: str) -> str:
    """A circle."""
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" class="{kind}"/>'


def cross(x: float, y: float, size: float = 3.2) -> str:
    """A cross: a value that is missing."""
    return line(x - size, y - size, x + size, y + size, "missing") + line(
        x - size, y + size, x + size, y - size, "missing"
    )


def shape(place: int, x: float, y: float, size: float = 4.6) -> str:
    """The shape of the n-th group: told apart by form as well as by colour."""
    kind = f"g{place % GROUPS} mark"
    match place % 3:
        case 0:
            return dot(x, y, size, kind)
        case 1:
            return rectangle(x - size + 0.4, y - size + 0.4, 2 * size - 0.8, 2 * size - 0.8, f"{kind} open")
        case _:
            return _path(x, y - size - 0.6, ((size + 0.8, 2 * size), (-2 * size - 1.6, 0)), kind)


def diamond(x: float, y: float, size: float = 6.0, kind: str = "whole") -> str:
    """A diamond: a difference between groups."""
    return _path(x, y - size, ((size, size), (-size, size), (-size, -size)), kind)


def _path(x: float, y: float, steps: Iterable[tuple[float, float]], kind: str) -> str:
    """A closed form of straight steps from a point."""
    moved = "".join(f"l{dx:.1f} {dy:.1f}" for dx, dy in steps)
    return f'<path d="M{x:.1f} {y:.1f}{moved}z" class="{kind}"/>'


class Axis:
    """A linear axis from values to pixels, with round ticks."""

    def __init__(self, values: Iterable[float | None], start: float, end: float, ticks: int = 5, pad: float = 0.04):
        known = [value for value in values if value is not None and value == value and abs(value) != float("inf")]
        low, high = (min(known), max(known)) if known else (0.0, 1.0)
        if low == high:
            low, high = low - 1, high + 1
        room = pad * (high - low)
        self.low, self.high, self.start, self.end = low - room, high + room, start, end
        self.ticks = round_ticks(self.low, self.high, ticks)

    def at(self, value: float) -> float:
        """The pixel of a value, kept inside the axis."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    def inside(self, value: float) -> bool:
        """Whether a value lies on the axis."""
        return self.low <= value <= self.high


def round_ticks(low: float, high: float, wanted: int = 5) -> list[float]:
    """Round numbers between two ends, about as many as wanted."""
    raw = (high - low) / max(wanted, 1)
    base = 10.0 ** floor(log10(raw))
    step = next(base * size for size in (1, 2, 2.5, 5, 10) if base * size >= raw)
    return [k * step for k in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def tick_text(value: float, ticks: Sequence[float], sign: bool = True) -> str:
    """A tick with as many decimals as the step needs, with its sign."""
    step = abs(ticks[1] - ticks[0]) if len(ticks) > 1 else 1.0
    decimals = max(0, -floor(log10(step) + 1e-9)) if step < 1 else 0
    while decimals < 4 and abs(round(step, decimals) - step) > 1e-9 * step:
        decimals += 1
    told = f"{abs(value):.{decimals}f}"
    if float(told) == 0:
        return "0"
    return f"{MINUS if value < 0 else '+' if sign else ''}{told}"


def interval(axis: Axis, y: float, low: float | None, high: float | None, kind: str) -> str:
    """A horizontal interval; an end beyond the axis has an arrow's place at its edge."""
    if low is None or high is None or low != low or high != high:
        return ""
    return line(axis.at(low), y, axis.at(high), y, kind)
