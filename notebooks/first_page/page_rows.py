"""The rows of the first page: every outcome with the small forest, and the cells of feasibility."""

from notebooks.analysis import Analysis
from notebooks.first_page.all_outcomes import OutcomeLine
from notebooks.first_page.could_it_be_done import Feasible, feasibility
from notebooks.first_page.doubtful_data import plainly
from notebooks.first_page.main_result import MainResult
from notebooks.first_page.named_numbers import NO_BREAK, NamedNumbers
from notebooks.first_page.panel_drawings import forest_axis, forest_row, forest_scale
from notebooks.first_page.svg_marks import Axis
from notebooks.first_page.tile_drawings import zones
from notebooks.show.names import Names, uncapped, unit_words


def outcome_rows(
    analysis: Analysis, lines: tuple[OutcomeLine, ...], left: int, result: MainResult, numbers: NamedNumbers
) -> tuple[list[dict], dict]:
    names = Names(analysis.study.protocol)
    if not lines:
        return [], {}
    axis, rows = forest_axis(lines), []
    for one in lines:
        label = names.everyday(one.outcome)
        label = label[:1].upper() + label[1:]
        name = label + (f", {one.compared}" if one.compared else "")
        row: dict[str, object] = {
            "label": name,
            "unit": _unit_note(names.abbreviation(one.outcome), label, unit_words(one.unit)),
            "primary": one.outcome == result.outcome,
            "reason": "",
            "n": "",
            "scored": numbers.count(f"outcome scored, {name}, {one.unit}", one.scored).value,
            "estimate": "",
            "size": "",
            "forest": "",
        }
        if one.span is None:
            row["reason"] = "No difference or change: " + _plain_reason(one.reason, analysis)
        else:
            said = numbers.put(f"outcome, {name}, {one.unit}", one.span.estimate, one.span.low, one.span.high, n=one.n,
                               unit=one.unit, decimals=one.decimals)  # fmt: skip
            row["n"], row["estimate"] = said.n, f"*{said.value}* ({said.interval})"
            if one.size is not None:
                size = numbers.put(f"outcome in SD, {name}, {one.unit}", one.size.estimate, one.size.low, one.size.high,
                                   n=one.n, unit="SD", decimals=2)  # fmt: skip
                row["size"] = f"*{size.value}* ({size.interval})"
            row["forest"] = forest_row(axis, one.size, one.outcome == result.outcome)
        rows.append(row)
    return rows, _outcome_words(analysis, result, lines, left, axis, numbers)


def _outcome_words(
    analysis: Analysis, result: MainResult, lines: tuple[OutcomeLine, ...], left: int, axis: Axis, numbers: NamedNumbers
) -> dict:
    names = Names(analysis.study.protocol)
    two = result.kind in ("between", "within") and len(result.groups) == 2
    first, second = (result.groups[0].label, result.groups[-1].label) if two else ("", "")
    foot = "Positive is better in every row. SD: at baseline; n: people in the model; scored: people with a score then."
    outcomes = len({one.outcome for one in lines})
    if outcomes > 1:
        count = numbers.count("outcomes", outcomes).value
        foot += f" {count} outcomes, none corrected for the others: description, not tests."
    if left:
        foot += f" {numbers.count('outcomes left for the report', left).value} more in the report."
    head = {"between": "Difference", "within": "Effect inside people"}.get(result.kind, "Improvement")
    at = f" at {names.visit_words(result.visit)}" if result.visit else ""
    return {
        "lines_title": f"Every outcome{at}",
        "lines_head": f"{head} ({100 * analysis.study.protocol.level:g}{NO_BREAK}% interval)",
        "favours": (f"favours {uncapped(second)}", f"favours {uncapped(first)}") if two else ("worse", "better"),
        "lines_foot": foot,
        "forest_scale": forest_scale(axis),
    }


def _unit_note(short: str, label: str, unit: str) -> str:
    return ", ".join(part for part in (short if short.lower() != label.lower() else "", unit) if part)


def _plain_reason(reason: str, analysis: Analysis) -> str:
    return plainly(reason, analysis.study.protocol) + "."


def feasible_cells(analysis: Analysis, numbers: NamedNumbers) -> tuple[list[dict], str]:
    found, more, why = feasibility(analysis)
    cells = []
    for one in found:
        said = numbers.put(f"feasible, {one.label}", one.share, one.low, one.high, unit="%",
                           n=int(one.of) if one.of is not None else None)  # fmt: skip
        if one.count is not None and one.of is not None:
            count = numbers.count(f"feasible, {one.label}, count", one.count)
            of = numbers.count(f"feasible, {one.label}, of", one.of)
            text = f"{count.value} of {of.value}, {said.value}{NO_BREAK}% ({said.interval})"
        else:
            text = f"{said.value}{NO_BREAK}% in the middle (half of the people: {said.interval})"
        cells.append({"label": one.label, "zone": one.zone, "count": text, "drawing": zones(one)})
    return cells, _cells_about(found, more, why, numbers)


def _cells_about(found: tuple[Feasible, ...], more: int, why: str, numbers: NamedNumbers) -> str:
    if why:
        return f"The criteria could not be counted: {why}"
    if not any(one.zone for one in found):
        return "no criteria for going on were set; counted without any"
    kinds = [one.zone for one in found]
    told = ", ".join(
        f"{numbers.count(f'criteria in {kind}', kinds.count(kind)).value} in {kind}"
        for kind in ("go", "amend", "stop")
        if kind in kinds
    )
    left = f"; {numbers.count('criteria left for the report', more).value} more in the report" if more else ""
    return f"criteria set beforehand: {told}{left}"
