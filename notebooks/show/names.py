"""What people call things: labels of outcomes, arms and visits, and the decimals an outcome is printed with."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from outcomes import columns as c
from outcomes.library.known import find_instrument, find_measure
from outcomes.library.registry import references
from outcomes.protocol.trial import Protocol

EVERYONE = "All participants"
RATES = {"pegs/s": 3}  # units whose usual values are far below 1
# Decimals of measures of movement over time, by unit; one otherwise.
OF_RECORDINGS = {
    "s": 3,
    "%": 2,
    "ratio": 3,
    "coefficient": 3,
    "arc length": 3,
    "log jerk": 2,
    "N m/degree": 4,
    "N m s/degree": 4,
}


TIMED = re.compile(r"(day|week|month|year)s?\b", re.IGNORECASE)
WHOLE = re.compile(r"Total|Sum\b|Motor score|Time$|Rating|Disability and|Arm, sum|Units|Items passed|Both sides")


def unit_words(unit: str) -> str:
    """The unit in a sentence; a ratio or a coefficient has none worth saying."""
    return {"ratio": "", "coefficient": "", "grade": "grades", "rank": "ranks"}.get(unit, unit)


def with_unit(words: str, unit: str) -> str:
    """The name of an axis with its unit, where there is one worth saying."""
    return ", ".join(part for part in (words, unit_words(unit)) if part)


def uncapped(text: str) -> str:
    """A label inside a sentence: its first letter small, unless it is an abbreviation or a single letter."""
    return text if len(text) < 2 or not text[1].islower() else text[0].lower() + text[1:]


def source_words(key: str, citation: str = "") -> str:
    """A source as "Author year", from the list of references; what the study itself wrote stays as it is."""
    known = references().get(key)
    return known["short"] if known and "short" in known else citation or key


@dataclass(frozen=True)
class Names:
    """Labels of one study. Ids stay in frames and in the record; labels are for tables, figures and sentences."""

    protocol: Protocol

    def outcome(self, outcome: str) -> str:
        """ "fma_ue.motor" -> "Fugl-Meyer upper limb": for titles, tables and the beginning of a sentence."""
        told = self._told(outcome, "everyday")
        return told if len(told) < 2 or not told[1].islower() else told[0].upper() + told[1:]

    def whole_name(self, outcome: str) -> str:
        """Instrument and scale by their full names, once, in the methods."""
        name, _, scale_id = outcome.partition(".")
        measure = find_measure(self.protocol, name, scale_id)
        if measure is not None:
            return measure.label
        instrument = find_instrument(name)
        scale = instrument.scale(scale_id) if instrument else None
        if instrument is None or scale is None:
            return outcome
        return f"{instrument.name}, {scale.label}" if len(instrument.scales) > 1 else instrument.name

    def everyday(self, outcome: str) -> str:
        """What people call an outcome in a sentence: "Fugl-Meyer upper limb"."""
        return self._told(outcome, "everyday")

    def short(self, outcome: str) -> str:
        """The usual abbreviation: "FMA-UE", for tables and after the first use; the longer name where there is none."""
        return self._told(outcome, "short")

    def _told(self, outcome: str, which: str) -> str:
        name, _, scale_id = outcome.partition(".")
        instrument = find_instrument(name)
        scale = instrument.scale(scale_id) if instrument else None
        if find_measure(self.protocol, name, scale_id) is not None or instrument is None or scale is None:
            return self.whole_name(outcome)
        told = str(getattr(instrument, which) or instrument.name)
        whole = scale is instrument.main_scale and (len(instrument.scales) == 1 or WHOLE.match(scale.label))
        return told if whole else f"{told}, {uncapped(scale.label)}"

    def abbreviation(self, outcome: str) -> str:
        """The abbreviation of the instrument alone; blank for a total of the study's own."""
        instrument = find_instrument(outcome.partition(".")[0])
        own = find_measure(self.protocol, *outcome.split(".", 1)) if "." in outcome else None
        return instrument.short if instrument is not None and own is None else ""

    def range(self, outcome: str) -> str:
        """ "0 to 66 points, higher is better", as far as the ends are known."""
        name, _, scale_id = outcome.partition(".")
        instrument = find_instrument(name)
        scale = find_measure(self.protocol, name, scale_id) or (instrument.scale(scale_id) if instrument else None)
        if scale is None:
            return ""
        unit = unit_words(scale.unit)
        ends = f"{scale.low:g} to {scale.high:g} {unit}".rstrip() if None not in (scale.low, scale.high) else unit
        return ", ".join(part for part in (ends, f"{scale.better} is better") if part)

    def visit_words(self, visit: str) -> str:
        """A visit inside a sentence: "week 16" for "Follow-up, week 16"; lower case in front."""
        label = self.visit(visit)
        last = label.rpartition(",")[2].strip()
        return uncapped(last if TIMED.match(last) else label)

    def arm_words(self, arm: str) -> str:
        """An arm inside a sentence: lower case in front."""
        return uncapped(self.arm(arm))

    def arm(self, arm: str) -> str:
        """Label of an arm; everyone where there are no arms."""
        return next((known.label for known in self.protocol.arms if known.id == arm), arm or EVERYONE)

    def compared(self, text: str) -> str:
        """Labels of a comparison: "a - b" -> "A minus B"; treatments of a crossover are words already."""
        return " minus ".join(self.arm(part) for part in text.split(" - ") if part)

    def visit(self, visit: str) -> str:
        """Label of a planned visit."""
        return next((known.label for known in self.protocol.visits if known.id == visit), visit)

    def arms(self, present: Iterable[str]) -> list[str]:
        """Arms in the order of the protocol, the reference last."""
        order = [arm.id for arm in sorted(self.protocol.arms, key=lambda arm: arm.reference)]
        return sorted(set(present), key=lambda arm: (order.index(arm) if arm in order else len(order), arm))

    def people(self, codes: Iterable[str]) -> list[str]:
        """Codes of participants in the order a person would list them: P2 before P10."""
        return sorted(set(codes), key=lambda code: [(int(part), "") if part.isdigit() else (0, part)
                                                    for part in re.split(r"(\d+)", code)])  # fmt: skip

    def visits(self, present: Iterable[str]) -> list[str]:
        """Visits by planned day."""
        days = {visit.id: visit.day for visit in self.protocol.visits}
        return sorted(set(present), key=lambda visit: (days.get(visit, float("inf")), visit))

    def ends(self, outcome: str) -> tuple[float | None, float | None]:
        """Lowest and highest value of an outcome's scale; None where there is no such end."""
        name, _, scale_id = outcome.partition(".")
        measure, instrument = find_measure(self.protocol, name, scale_id), find_instrument(name)
        scale = measure or (instrument.scale(scale_id) if instrument else None)
        return (scale.low, scale.high) if scale is not None else (None, None)

    def decimals(self, outcome: str) -> int:
        """Decimals of a mean: one more than the steps of the scale, one for a measured value."""
        taken = next((one for one in self.protocol.series_outcomes if one.id == outcome), None)
        if taken is not None:
            return OF_RECORDINGS.get(taken.unit, 1)
        name, _, scale_id = outcome.partition(".")
        instrument = find_instrument(name)
        scale = instrument.scale(scale_id) if instrument else None
        if scale is None or scale.step is None or scale.step >= 1:
            return RATES.get(scale.unit, 1) if scale else 1
        return len(f"{scale.step:.6f}".rstrip("0").partition(".")[2]) + 1

    def labelled(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame with `outcome_label`, `arm_label`, `visit_label` and `decimals` for the columns it has."""
        frame = frame.reset_index(drop=True)
        if c.OUTCOME in frame:
            frame["outcome_label"] = frame[c.OUTCOME].map(self.outcome).astype(object)
            frame["decimals"] = frame[c.OUTCOME].map(self.decimals)
        if c.ARM in frame:
            frame["arm_label"] = frame[c.ARM].map(self.arm).astype(object)
        if c.VISIT in frame:
            frame["visit_label"] = frame[c.VISIT].map(self.visit).astype(object)
        return frame
