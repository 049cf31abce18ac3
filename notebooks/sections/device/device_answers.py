"""What a trial of a device is asked first: with and without it, what stayed, who reached the level, wear, what went
wrong."""

from collections.abc import Iterable

from notebooks.analysis import Analysis
from notebooks.sections.device.faults_and_harm import told_of_harm
from notebooks.sections.device.home_use import told_of_wear
from notebooks.sections.device.levels_reached import counted
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from stats.change.within_visit import compare_within_visit
from stats.errors import FitError
from stats.responders.reaching import COUNT, PAIRED

CAUTION = (
    "A count of what happened in a few people: no proof that the device is safe, and no basis for watching over people "
    "while a trial runs."
)


def first_answers(analysis: Analysis) -> Prose:
    """Five answers in words; the tables below hold every visit."""
    study = analysis.study
    lines = [
        *_with_and_without(analysis),
        *_what_stayed(analysis),
        *_levels(analysis),
        *told_of_wear(study),
        *told_of_harm(study),
    ]
    if not lines:
        lines = ["This study has no device, no levels to reach and no repeated motion."]
    return Prose("device_answers", (*lines, CAUTION), heading="In short")


def _with_and_without(analysis: Analysis) -> Iterable[str]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    for outcome in protocol.outcomes:
        try:
            found = compare_within_visit(analysis.scores, outcome, participants=analysis.study.participants)
        except FitError:
            continue
        digits = names.decimals(outcome)
        visit = analysis.headline_visit(outcome)
        frame = found.frame(protocol.level)
        for row in frame[(frame["what"] == "difference") & (frame["visit"] == visit) & (frame["n"] > 0)].to_dict(
            "records"
        ):
            arm = f", {names.arm(row['arm'])}" if len(protocol.arms) > 1 else ""
            yield (
                f"With the device on, {names.outcome(outcome)} at {names.visit(row['visit'])}{arm}: "
                f"{number(row['mean_first'], digits)}, without it {number(row['mean_second'], digits)} {row['unit']}; "
                f"advantage {_interval(row, digits)} (n = {row['n']})."
            )
        return  # the first outcome measured both ways; the table of pairs has the others


def _what_stayed(analysis: Analysis) -> Iterable[str]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    try:
        frame = analysis.main_fit(protocol.primary).changes().frame(protocol.level)
    except (FitError, AttributeError):
        return
    digits = names.decimals(protocol.primary)
    told = [
        f"{names.arm(row['arm']) + ', ' if len(protocol.arms) > 1 and row.get('arm') else ''}"
        f"{names.visit(row['visit'])} {_interval(row, digits)} {row['unit']}"
        for row in frame.to_dict("records")
        if "visit" in row
    ]
    if told:
        yield (
            f"Without the device, change of {names.outcome(protocol.primary)} since "
            f"{names.visit(protocol.baseline.id)}: "
            f"{'; '.join(told)}. What is left of it at the last visit is what stayed without the device; with one arm "
            "it cannot be told from recovery, practice of the test or regression to the mean."
        )


def _levels(analysis: Analysis) -> Iterable[str]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    for level, found in counted(analysis):
        frame = found.frame(protocol.level)
        visit = analysis.headline_visit(level.outcome)
        counts = frame[(frame["what"] == COUNT) & (frame["visit"] == visit) & (frame["measured"] > 0)]
        pairs = frame[(frame["what"] == PAIRED) & (frame["visit"] == visit)]
        pairs = pairs[pairs["condition"].isin(("assisted - unassisted", "assisted - unpowered"))]
        told = [
            f"{row['condition']} {row['reached']} of {row['measured']} ({_share(row)})"
            for row in counts.to_dict("records")
        ]
        differences = [
            f" Inside people, {number(100 * row['estimate'], 0)} percentage points more with it "
            f"({number(100 * row['conf_low'], 0)} to {number(100 * row['conf_high'], 0)}; "
            f"{row['first_only']} people only with it, {row['second_only']} only without)."
            for row in pairs.astype({"first_only": int, "second_only": int}).to_dict("records")
        ]
        yield (
            f"{level.label} ({short(level.value)} {level.unit}: {level.reason}), people who reached it at "
            f"{names.visit(str(visit))}: {'; '.join(told) or 'nobody was measured'}.{''.join(differences)}"
        )


def _interval(row: dict, digits: int) -> str:
    return (
        f"{number(row['estimate'], digits)} ({number(row['conf_low'], digits)} to {number(row['conf_high'], digits)})"
    )


def _share(row: dict) -> str:
    return f"{number(100 * row['conf_low'], 0)} to {number(100 * row['conf_high'], 0)} %"
