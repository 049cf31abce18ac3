"""How an instrument answers to ability: item curves, read from `curves.toml`.

Graded response model in its normal-ogive form (Samejima 1969, from memory): an item reaches level k when
ability + noise passes the k-th step. `discrimination` is 1 / SD of that noise. A share `specific` of its variance
belongs to one person and item and stays from visit to visit; the rest is new at every visit.
Where the steps lie is invented, in the order the literature gives where `curves.toml` says so.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument, Item
from outcomes.library.registry import instrument as load_instrument
from synthetic_cohort.design import CONSTRUCTS

GOLDEN = (5**0.5 - 1) / 2  # multiples of it modulo 1 are even at any length: difficulties mixed over a form's items


@dataclass(frozen=True)
class ItemCurve:
    """One item's curve. levels and steps: graded items; middle and slope: measured ones, per latent unit.

    form: "graded" (levels), "change" (levels of change since the first visit), "count" and "angle" (linear in ability),
    "time" (log-linear), "force" (a share of a healthy hand). hand: "left" or "right" where the item names its side.
    """

    item: Item
    form: str
    construct: int
    direction: float
    noise: float  # SD of the item's own noise, latent units
    specific: float  # share of its variance that stays with person and item
    levels: NDArray[np.float64]
    steps: NDArray[np.float64]
    middle: float = 0.0
    slope: float = 0.0
    grain: float = 1.0  # a measured value is read to this
    hand: str = ""


@dataclass(frozen=True)
class Bank:
    """All curves of one instrument, in the order its items are asked."""

    instrument: Instrument
    curves: tuple[ItemCurve, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        """Item ids in order."""
        return tuple(curve.item.id for curve in self.curves)


@cache
def settings() -> dict[str, dict[str, Any]]:
    """The whole of `curves.toml`."""
    return tomllib.loads(files("synthetic_cohort.forms").joinpath("curves.toml").read_text(encoding="utf-8"))


def bank(instrument_id: str, scales: Sequence[str] = (), items: Sequence[str] = ()) -> Bank:
    """Curves of an instrument; `scales` limits it to the items of those scales, `items` to those items.

    Raises InstrumentError where `curves.toml` has no entry for the instrument.
    """
    return _bank(instrument_id, tuple(scales), tuple(items))


@cache
def _bank(instrument_id: str, scales: tuple[str, ...], only: tuple[str, ...]) -> Bank:
    if instrument_id not in settings():
        raise InstrumentError(
            f"no answer curves for instrument {instrument_id!r}; curves.toml has {', '.join(sorted(settings()))}."
        )
    setting = settings()[instrument_id]
    instrument = load_instrument(instrument_id)
    wanted = scales or tuple(setting.get("scales", ()))
    asked = [scale for scale in instrument.scales if not wanted or scale.id in wanted]
    ids = {item for scale in asked for item in scale.items}
    items = [item for item in instrument.items if (not ids or item.id in ids) and (not only or item.id in only)]
    groups = _groups(instrument, setting)
    curves = []
    for group, own in groups:
        members = [item for item in items if item.id in group]
        locations = _locations(members, own, instrument)
        curves += [_curve(item, own, place) for item, place in zip(members, locations, strict=True)]
    order = {item.id: number for number, item in enumerate(items)}
    return Bank(instrument, tuple(sorted(curves, key=lambda curve: order[curve.item.id])))


def _groups(instrument: Instrument, setting: Mapping[str, Any]) -> list[tuple[set[str], dict[str, Any]]]:
    """Parts of a form with settings of their own (a sensation part answers to sensation), then the rest."""
    common = {key: value for key, value in setting.items() if key != "part"}
    groups: list[tuple[set[str], dict[str, Any]]] = []
    taken: set[str] = set()
    for scale_id, own in setting.get("part", {}).items():
        members = {item for scale in instrument.scales if scale.id == scale_id for item in scale.items}
        groups.append((members - taken, {**common, **own}))
        taken |= members
    groups.append(({item.id for item in instrument.items} - taken, common))
    return groups


def _locations(items: Sequence[Item], own: Mapping[str, Any], instrument: Instrument) -> NDArray[np.float64]:
    """Difficulty of each item: even between easiest and hardest, mixed over the form, named ones at the ends.

    A part with a skip rule begins with its hardest and its easiest item, as the form says.
    """
    skipping = [scale.items for scale in instrument.scales if scale.kind == "skip-rule"]
    own = {
        **own,
        "hard": [*own.get("hard", ()), *(part[0] for part in skipping)],
        "easy": [*own.get("easy", ()), *(part[1] for part in skipping)],
    }
    count = len(items)
    rank = np.array([(number * GOLDEN) % 1 for number in range(count)])
    for end, names in ((2.0, own.get("hard", ())), (-1.0, own.get("easy", ()))):
        for place, item in enumerate(items):
            if item.id in names:
                # The first named is the most extreme; within a block the order of the list holds.
                rank[place] = end + (1 if end < 0 else -1) * names.index(item.id) / (len(names) + 1)
    even = np.argsort(np.argsort(rank, kind="stable"), kind="stable") / max(count - 1, 1)
    return own.get("easiest", -1.5) + even * (own.get("hardest", 1.5) - own.get("easiest", -1.5))


def _curve(item: Item, own: Mapping[str, Any], location: float) -> ItemCurve:
    """Curve of one item from the form's settings and the item's own."""
    own = {**own, **own.get("item", {}).get(item.id, {})}
    form = own.get("form", "graded" if item.levels else "count")
    levels = np.array(sorted(item.levels), dtype=float)
    count = max(len(levels) - 1, 1)
    spread = own.get("spread", 1.0)
    steps = location + spread * ((np.arange(count) + 0.5) / count - 0.5) * (2.0 if count > 1 else 0.0)
    construct = own["construct"]
    # An item answers upwards with ability where more of it is better; spasticity is the one construct that is worse.
    upwards = (item.better == "higher") != (construct == "spasticity") or form == "time"
    side, _, _ = item.id.partition("_")
    return ItemCurve(
        item=item,
        form=form,
        construct=CONSTRUCTS.index(construct),
        direction=1.0 if upwards else -1.0,
        noise=1.0 / own.get("discrimination", 2.0),
        specific=own.get("specific", 0.5),
        levels=levels,
        steps=steps,
        middle=own.get("middle", 0.0),
        slope=own.get("slope", 0.0),
        grain=own.get("grain", 1.0),
        hand=side if side in ("left", "right") else "",
    )
