"""Whether the analysis of a shared data set gives the numbers of the study it was made from; what differs is named."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.report.record import numbers as of_content
from notebooks.sections.passing import count_passing
from notebooks.sections.who_took_part import baseline_table, events_table, flow_table
from outcomes import InstrumentError, read_study
from outcomes.sharing.data_set import SharedStudy
from stats.effects import model_effects
from stats.errors import FitError

SAME = 1e-9  # relative: another order of the same people changes the last digits of a sum


@dataclass(frozen=True)
class SameNumbers:
    """How many numbers were compared, and those that are not the same: name, of the study, of the copy."""

    compared: int
    changed: tuple[tuple[str, object, object], ...]

    @property
    def sentence(self) -> str:
        """In one line."""
        if not self.changed:
            return f"The analysis of the copy gives the same {self.compared} numbers as that of the study."
        return f"Of {self.compared} numbers of the analysis {len(self.changed)} are not those of the study."


def same_numbers(shared: SharedStudy) -> SameNumbers:
    """Run the analysis of the study and of its copy, and compare: who took part, models of change, effects, responders.

    `outcomes rerun REPORT --study COPY` compares every number of a whole report in the same way.
    """
    before, after = (Analysis(read_study(folder)) for folder in (shared.source, shared.folder))
    old, new = dict(analysis_numbers(before)), dict(analysis_numbers(after))
    renewed = {**shared.texts, **{text: code for codes in shared.codes.values() for text, code in codes.items()}}
    old = {_translated(name, renewed): value for name, value in old.items()}
    changed = [
        (name, old.get(name), new.get(name))
        for name in dict.fromkeys((*old, *new))
        if not _alike(old.get(name), new.get(name)) or (name in old) != (name in new)
    ]
    return SameNumbers(len({*old, *new}), tuple(changed))


def analysis_numbers(analysis: Analysis) -> Iterator[tuple[str, object]]:
    """Name and value of the numbers of an analysis."""
    study = analysis.study
    for table in (baseline_table(analysis.scores, study), flow_table(analysis.scores, study), events_table(study)):
        content = table.content()
        if content["kind"] == "table":
            content = content | {"frame": dict(content["frame"])}
            yield from ((entry["name"], entry["value"]) for entry in of_content(content, "", {}))
    for outcome in study.protocol.outcomes:
        try:
            yield from _frame(f"{outcome}/fit", analysis.main_fit(outcome).frame(study.protocol.level))
            fit = analysis.fit(outcome)
            yield from _frame(f"{outcome}/fixed", fit.fixed(level=study.protocol.level))
            yield from _frame(f"{outcome}/changes", fit.changes().frame(study.protocol.level))
            yield f"{outcome}/loglik", fit.loglik
        except FitError as refusal:
            yield f"{outcome}/fit", str(refusal)
    try:
        effects = model_effects(
            analysis.scores, design=study.protocol, participants=study.participants, fitted=analysis.main_fit
        )
        yield from _frame("effects", effects.frame(study.protocol.level))
    except (FitError, InstrumentError) as refusal:
        yield "effects", str(refusal)
    passing = count_passing(analysis)
    for counted in (*passing.planned, *passing.published):
        name = f"responders/{counted.outcome}/{counted.to_visit}"
        yield from _frame(name, counted.frame(study.protocol.level))


def _frame(prefix: str, frame: pd.DataFrame) -> Iterator[tuple[str, object]]:
    numeric = [name for name in frame if pd.api.types.is_numeric_dtype(frame[name])]
    keys = [name for name in frame if name not in numeric]
    for place, row in enumerate(frame.to_dict("records")):
        label = " | ".join(str(row[name]) for name in keys) or str(place)
        for name in numeric:
            yield f"{prefix}/{label}/{name}", row[name]


def _translated(name: str, renewed: Mapping[str, str]) -> str:
    for old, new in renewed.items():
        if old and old in name:
            name = re.sub(rf"(?<!\w){re.escape(old)}(?!\w)", new, name)
    return name


def _alike(before: object, after: object) -> bool:
    if isinstance(before, (int, float)) and isinstance(after, (int, float)):
        if math.isnan(before) or math.isnan(after):
            return math.isnan(before) and math.isnan(after)
        return math.isclose(before, after, rel_tol=SAME, abs_tol=SAME)
    return before == after


def lines(same: SameNumbers, most: int = 20) -> list[str]:
    """The comparison for a terminal."""
    shown = [f"  {name}: {_short(old)} became {_short(new)}" for name, old, new in same.changed[:most]]
    more = len(same.changed) - most
    return [same.sentence, *shown, *([f"  ... and {more} more."] if more > 0 else [])]


def _short(value: object) -> str:
    return f"{value:.7g}" if isinstance(value, float) else "nothing" if value is None else str(value)
