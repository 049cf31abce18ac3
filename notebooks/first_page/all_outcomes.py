"""Every outcome in one line: difference (or change) with interval, in units of the SD at baseline, people, missing."""

from dataclasses import dataclass

from notebooks.analysis import Analysis
from notebooks.first_page.main_result import MainResult, Span, improvement
from notebooks.show.names import Names
from outcomes import columns as c
from stats.change.crossover import CrossoverFit
from stats.choices.choice_grid import usable_df
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import EffectRow
from stats.errors import FitError

SHOWN = 10  # lines of the first page


@dataclass(frozen=True)
class OutcomeLine:
    """One outcome against the reference. scored: people with a score at the visit; size: in SD, where it is known."""

    outcome: str
    compared: str  # arms or treatments, where there is more than one comparison
    unit: str
    decimals: int
    span: Span | None
    size: Span | None
    n: int
    scored: int
    visit: str
    reason: str = ""


def outcome_lines(analysis: Analysis, result: MainResult) -> tuple[tuple[OutcomeLine, ...], int]:
    """The lines, the primary outcome first, and how many outcomes are left for the report."""
    protocol = analysis.study.protocol
    order = [protocol.primary, *(one for one in protocol.outcomes if one != protocol.primary)]
    if result.kind == "pooled":
        return (), len(order)
    several = len(result.differences) > 0 and len(result.compared(result.visit)) > 1
    lines: list[OutcomeLine] = []
    for outcome in order[:SHOWN]:
        lines += _lines(analysis, outcome, result.kind, several)
    return tuple(lines), max(0, len(order) - SHOWN)


def _lines(analysis: Analysis, outcome: str, kind: str, several: bool) -> list[OutcomeLine]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    scored = analysis.scores[(analysis.scores[c.OUTCOME] == outcome) & analysis.scores[c.VALUE].notna()]
    unit = str(analysis.scores.loc[analysis.scores[c.OUTCOME] == outcome, "unit"].iloc[0]) if len(scored) else ""
    visit = analysis.headline_visit(outcome) or ""
    people = int(scored.loc[scored[c.VISIT].astype(str) == visit, c.PARTICIPANT].nunique())
    try:
        fit = analysis.main_fit(outcome)
        if isinstance(fit, CrossoverFit):
            better = str(scored["better"].iloc[0])
            told, people, visit = improvement(fit.effect(), better, protocol.level), fit.n_participants, ""
        else:
            asked = (
                fit.between(df=usable_df(fit.choice)) if kind == "between" else fit.changes(df=usable_df(fit.choice))
            )
            told = [pair for pair in improvement(asked, fit.better, protocol.level) if pair[0]["visit"] == visit]
        sizes = _sizes(analysis, outcome, visit or None)
    except FitError as refused:
        return [OutcomeLine(outcome, "", unit, names.decimals(outcome), None, None, 0, people, visit, str(refused))]
    lines = []
    for row, span in told:
        arms = [str(row[key]) for key in ("arm", "treatment", "reference") if row.get(key)]
        size = next((one for one in sizes if one.arm in ("", " - ".join(arms)) or len(sizes) == 1), None)
        lines.append(
            OutcomeLine(outcome, names.compared(" - ".join(arms)) if several else "", unit, names.decimals(outcome),
                        span, _size_span(size, protocol.level), fit.n_participants, people, visit)
        )  # fmt: skip
    return lines or [
        OutcomeLine(outcome, "", unit, names.decimals(outcome), None, None, fit.n_participants, people, visit,
                    "no estimate at this visit")
    ]  # fmt: skip


def _sizes(analysis: Analysis, outcome: str, visit: str | None) -> list[EffectRow]:
    made = model_effects(
        analysis.scores, [outcome], design=analysis.study.protocol, participants=analysis.study.participants,
        fitted=analysis.main_fit, visit=visit,
    )  # fmt: skip
    return [row for row in made.rows if row.size is not None]


def _size_span(row: EffectRow | None, level: float) -> Span | None:
    if row is None or row.size is None:
        return None
    low, high = row.size.limits(level)
    return Span(row.size.estimate, low if low == low else None, high if high == high else None)
