"""How many people reach a level the protocol declares, with and without the device, at every visit?"""

from collections.abc import Iterator

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.device.people_reaching import people_reaching
from notebooks.show.exhibits import Exhibits, gather, together
from notebooks.show.names import Names
from notebooks.show.numbers import short
from notebooks.show.tables import Table
from outcomes.protocol.device_tables import Level
from stats.errors import FitError
from stats.responders.reaching import COUNT, PAIRED, LevelReached, count_reaching

SPLIT = ["both", "first_only", "second_only", "neither"]
NONE = "levels to reach: the protocol declares none ([[levels]], each with its reason; none is built in)."


def counted(analysis: Analysis) -> Iterator[tuple[Level, LevelReached]]:
    """Every declared level with its counts; one that cannot be counted is told by `level_tables`."""
    for level in analysis.study.protocol.levels:
        try:
            yield level, _count(analysis, level)
        except FitError:
            continue


def _count(analysis: Analysis, level: Level) -> LevelReached:
    return count_reaching(
        analysis.scores, level.outcome, value=level.value, unit=level.unit, participants=analysis.study.participants
    )


def level_tables(analysis: Analysis) -> Exhibits:
    """Counts by visit and condition, and differences inside people."""
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    if not protocol.levels:
        return gather((), (NONE,))
    parts, refused = [], []
    for level in protocol.levels:
        try:
            frame = _count(analysis, level).frame(protocol.level)
        except FitError as why:
            refused.append(f"{level.label}: {why}")
            continue
        parts.append(frame.assign(level=level.label, declared=f"{short(level.value)} {level.unit}", reason=level.reason,
                                  outcome=level.outcome))  # fmt: skip
    if not parts:
        return gather((), refused)
    frame = names.labelled(pd.concat(parts, ignore_index=True))
    for name in ("estimate", "conf_low", "conf_high"):
        frame[f"share_{name}"] = 100 * frame[name]
    frame["compared"] = [_compared(text, names) for text in frame["condition"]]
    frame = frame.rename(
        columns={"share_estimate": "share", "share_conf_low": "share_low", "share_conf_high": "share_high"}
    )
    reasons = tuple(f"{level.label}, {short(level.value)} {level.unit}: {level.reason}" for level in protocol.levels)
    counts = Table(
        "levels_reached",
        "People who reached the declared levels",
        frame[frame["what"] == COUNT].drop(columns=[*SPLIT, "p_value", "reason"]),
        {"Level": "{level}", "Arm": "{arm_label}", "Visit": "{visit_label}", "Condition": "{condition}",
         "Reached": "{reached} of {measured}", "Enrolled": "{enrolled}",
         "% (interval)": "{share} ({share_low} to {share_high})"},
        keys=("level", "arm", "visit", "condition"),
        group="Level",
        notes=(f"Of those measured; exact (Clopper-Pearson) intervals at {protocol.level:.0%}. Conditions are never "
               "pooled.", *reasons),
    )  # fmt: skip
    inside = Table(
        "levels_reached_inside",
        "Difference inside people",
        frame[frame["what"] == PAIRED].drop(columns=["reached", "enrolled", "reason"]),
        {"Level": "{level}", "Arm": "{arm_label}", "Visit": "{visit_label}", "Compared": "{compared}",
         "Both": "{both}", "First only": "{first_only}", "Second only": "{second_only}", "Neither": "{neither}",
         "Percentage points (interval)": "{share} ({share_low} to {share_high})", "p": "{p_value}",
         "Pairs": "{measured}"},
        keys=("level", "arm", "visit", "condition"),
        group="Level",
        notes=("Complete pairs; Newcombe's interval for pairs, exact McNemar p. With the device on at one visit it is "
               "the device; between visits without it, it is what stayed or came by itself.",),
    )  # fmt: skip
    return gather((counts, inside), refused)


def _compared(text: str, names: Names) -> str:
    """ "unassisted, v2 - unassisted, v0" -> "unassisted: Week 6 minus Entry"; conditions of one visit stay."""
    first, _, second = text.partition(" - ")
    condition, _, later = first.partition(", ")
    before = second.partition(", ")[2]
    return f"{condition}: {names.visit(later)} minus {names.visit(before)}" if later and before else text


def level_figures(analysis: Analysis) -> Exhibits:
    """Share of people who reached each level, by visit and condition."""
    protocol = analysis.study.protocol
    made = [
        people_reaching(found.frame(protocol.level), level, Names(protocol), protocol.level)
        for level, found in counted(analysis)
    ]
    return gather(made)


def levels(analysis: Analysis) -> Exhibits:
    """The figures and the tables."""
    return together(level_figures(analysis), level_tables(analysis))
