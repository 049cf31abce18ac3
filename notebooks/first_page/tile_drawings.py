"""The small drawings of the first page's tiles: how large, how many, how sure; and the criteria in their zones."""

from collections.abc import Sequence
from textwrap import wrap

from notebooks.first_page.could_it_be_done import Feasible
from notebooks.first_page.how_sure import HowSure
from notebooks.first_page.main_result import MainResult, Span
from notebooks.first_page.people_passed import Passed, Share
from notebooks.first_page.svg_marks import (
    GROUPS,
    Axis,
    cross,
    diamond,
    dot,
    drawing,
    interval,
    line,
    rectangle,
    shape,
    tick_text,
    words,
)
from notebooks.show.names import unit_words, with_unit
from notebooks.show.numbers import number, short
from notebooks.show.texts import escaped

WIDTH, LEFT, ROW = 345, 104, 30
IN_ROW = 20  # people drawn side by side
LABEL = 15  # characters of a label at the left
IN_STRIP = 19  # the same, in the smaller letters of the strips


def how_large(result: MainResult, labels: dict[str, str], thresholds: Sequence[Passed]) -> str:
    """Improvement of each group at the visit spoken of, and the difference, beside the sizes the plan names."""
    changes, differences = result.at(result.visit), result.compared(result.visit)
    rows: list[tuple[str, Span, int]] = [(labels[one.group.id], one.span, one.group.place) for one in changes]
    several = len(differences) > 1
    rows += [
        (f"{cut(labels[one.group.id], 12)}, diff." if several else "Difference", one.span, -1) for one in differences
    ]
    drawn = [one for one in thresholds if one.unit == result.unit][:2]
    values = [0.0, *(one.value for one in drawn)]
    values += [end for _, span, _ in rows for end in (span.estimate, span.low, span.high) if end is not None]
    axis = Axis(values, LEFT + 8, WIDTH - 8)
    top, bottom = 24, 24 + ROW * len(rows)
    parts = _grid(axis, top, bottom)
    places = [axis.at(one.value) for one in drawn]
    close = len(places) == 2 and abs(places[0] - places[1]) < 26
    for place, (one, at) in enumerate(zip(drawn, places, strict=True)):
        anchor = ("end" if at == min(places) else "start") if close else "middle"
        parts += [
            line(at, top - 6, at, bottom, f"limit d{place}"),
            words(at, top - 10, short(one.value), anchor, "s"),
        ]
    if drawn:
        parts.append(
            words(0, top - 10, drawn[0].kind if len({one.kind for one in drawn}) == 1 else "limits", kind="m s")
        )
    for k, (label, span, place) in enumerate(rows):
        y = top + ROW * (k + 0.5)
        if place < 0 and k == len(changes):
            parts.append(line(0, y - ROW / 2, WIDTH, y - ROW / 2, "rule"))
        kind = f"g{place % GROUPS}" if place >= 0 else "whole"
        parts += [
            *_label(label, y, f"{kind} s" + (" strong" if place < 0 else "")),
            interval(axis, y, span.low, span.high, f"{kind} span"),
            shape(place, axis.at(span.estimate), y) if place >= 0 else diamond(axis.at(span.estimate), y),
        ]
    parts += _scale(
        axis, bottom, unit_words(result.unit) + (" of improvement" if unit_words(result.unit) else "improvement")
    )
    says = "; ".join(f"{label} {_told(span, result.decimals)}" for label, span, _ in rows)
    return drawing(parts, WIDTH, bottom + 36, f"{with_unit('Improvement', result.unit)}: {says}", "tile")


def how_many(passed: Passed, labels: dict[str, str]) -> str:
    """One mark a person: filled passed, open did not, cross missing; under it the difference in percentage points.

    Where a group has too many people for that, one bar: filled, open, and a line for the missing.
    """
    parts, y, says = [], 14.0, []
    for share in passed.shares:
        kind = f"g{share.group.place % GROUPS}"
        label = labels[share.group.id]
        says.append(f"{label}: {share.passed} of {share.observed} passed, {share.missing} missing")
        if passed.crowded:
            parts += _label(label, y, f"{kind} s")
            parts += _in_one_bar(share, y, kind)
            y += 30
            continue
        people = ["passed"] * share.passed + ["not"] * (share.observed - share.passed) + ["missing"] * share.missing
        lines = [people[k : k + IN_ROW] for k in range(0, len(people), IN_ROW)] or [[]]
        step = min(11.5, (WIDTH - LEFT - 4) / min(IN_ROW, max(map(len, lines), default=1) or 1))
        parts += _label(label, y, f"{kind} s")
        two_lines = len(wrap(label, LABEL)) > 1
        for own in lines:
            for k, state in enumerate(own):
                x = LEFT + step * (k + 0.5)
                parts.append(cross(x, y) if state == "missing" else dot(x, y, min(4.2, step / 2.5), f"{kind} {state}"))
            y += 14
        y += 14 if two_lines and len(lines) == 1 else 5
    if passed.differences:
        parts.append(line(0, y - 4, WIDTH, y - 4, "rule"))
        spans: list[tuple[str, Span, str]] = []
        for one in passed.differences:
            of = f", {cut(labels[one.group.id], 9)}" if len(passed.differences) > 1 else ""
            spans.append((f"Difference{of}", one.span, "whole"))
            if one.enrolled is not None and len(passed.differences) == 1:
                spans.append(("missing = did not", one.enrolled, "second"))
        axis = Axis([0, *(end for _, span, _ in spans for end in (span.low, span.high))], LEFT + 8, WIDTH - 10, 4)
        top, bottom = y, y + 20 * len(spans)
        parts += _grid(axis, top, bottom)
        for k, (label, span, kind) in enumerate(spans):
            at = top + 20 * (k + 0.5)
            parts += [
                words(0, at + 4, escaped(label), kind="s strong" if kind == "whole" else "m s"),
                interval(axis, at, span.low, span.high, f"{kind} span"),
                diamond(axis.at(span.estimate), at, 6 if kind == "whole" else 5, kind),
            ]
            says.append(f"{label} {_told(span, 0)} percentage points")
        parts += _scale(axis, bottom, "percentage points more")
        y = bottom + 36
    return drawing(parts, WIDTH, y + 2, ". ".join(says), "tile")


def _in_one_bar(share: Share, y: float, kind: str) -> list[str]:
    per_person = (WIDTH - LEFT - 6) / max(share.observed + share.missing, 1)
    passed, seen = per_person * share.passed, per_person * share.observed
    parts = [
        rectangle(LEFT, y - 6, passed, 12, f"{kind} passed"),
        rectangle(LEFT + passed, y - 6, seen - passed, 12, f"{kind} not"),
    ]
    if share.missing:
        parts.append(line(LEFT + seen + 1, y, LEFT + seen + per_person * share.missing, y, "missing"))
    return parts


def how_sure_drawing(sure: HowSure, unit: str, decimals: int) -> str:
    """Every other choice a dot, by kind; the dashed line is the plan's answer."""
    axis = Axis([0, sure.by_plan, *sure.answers], LEFT + 18, WIDTH - 8)
    parts, y, top = [], 10.0, 4.0
    marks = []
    for strip in sure.strips:
        columns: dict[int, int] = {}
        height = 1
        for value in sorted(strip.answers):
            column = round(axis.at(value) / 5)
            columns[column] = columns.get(column, 0) + 1
            height = max(height, columns[column])
            layer = (columns[column] - 1) % 5
            marks.append(dot(axis.at(value), y + 5 * layer, 2.3, "answer"))
        label = wrap(strip.choice[:1].upper() + strip.choice[1:], IN_STRIP)
        parts += [words(0, y + 4 + 12 * k, escaped(text), kind="s") for k, text in enumerate(label)]
        y += max(15 + 5 * (min(height, 5) - 1), 15 + 12 * (len(label) - 1))
    bottom = y - 4
    parts += _grid(axis, top, bottom)
    parts += marks
    at = axis.at(sure.by_plan)
    parts.append(line(at, top - 4, at, bottom, "limit d1"))
    parts += _scale(axis, bottom, f"{unit}; dashed: by the plan".removeprefix("; "))
    ends = f"{number(min(sure.answers), decimals)} to {number(max(sure.answers), decimals)}"
    return drawing(parts, WIDTH, bottom + 34, f"{len(sure.answers)} other choices give {ends} {unit}", "tile")


def zones(cell: Feasible) -> str:
    """A share with its interval on a bar of stop, amend and go; on a plain bar where nothing was set."""
    width, y = 270, 20
    ends = [cell.low, cell.high, cell.share]
    limits = [one for one in (cell.stop, cell.go) if one is not None]
    top_end = 100.0 if cell.better == "higher" else min(100.0, max(*ends, *limits) * 1.25 + 2)
    low_end = max(0.0, min(*ends, *limits) - 12) if cell.better == "higher" and limits else 0.0
    top_end = top_end if limits else 100.0
    axis = Axis([low_end, top_end], 0, width, pad=0)
    parts = []
    if cell.go is not None and cell.stop is not None:
        inner = sorted((cell.stop, cell.go))
        names = ("stop", "amend", "go") if cell.better == "higher" else ("go", "amend", "stop")
        edges = [low_end, *inner, top_end]
        for name, start, end in zip(names, edges[:-1], edges[1:], strict=True):
            parts.append(rectangle(axis.at(start), y - 6, axis.at(end) - axis.at(start), 12, f"zone {name}"))
            if axis.at(end) - axis.at(start) > 26:
                parts.append(words((axis.at(start) + axis.at(end)) / 2, y - 10, name, "middle", "m s"))
        parts += [
            line(axis.at(one), y - 8, axis.at(one), y + 8, "axis")
            + words(axis.at(one), y + 20, f"{one:g} %", "middle", "m s")
            for one in inner
        ]
    else:
        parts.append(rectangle(0, y - 6, width, 12, "zone go"))
        parts += [words(axis.at(one), y + 20, f"{one:g} %", anchor, "m s")
                  for one, anchor in ((axis.low, "start"), (axis.high, "end"))]  # fmt: skip
    parts += [interval(axis, y, cell.low, cell.high, "whole span"), dot(axis.at(cell.share), y, 4.6, "whole ringed")]
    says = f"{cell.label}: {number(cell.share, 0)} %, interval {number(cell.low, 0)} to {number(cell.high, 0)} %"
    return drawing(parts, width, 44, says, "cellbar")


def _label(text: str, y: float, kind: str) -> list[str]:
    """A label at the left of a row, in one or two lines."""
    lines = wrap(text, LABEL)
    if len(lines) > 2:
        lines = [lines[0], cut(" ".join(lines[1:]), LABEL)]
    first = y + 4 - 6.5 * (len(lines) - 1)
    return [words(0, first + 13 * k, escaped(line_), kind=kind) for k, line_ in enumerate(lines)]


def _grid(axis: Axis, top: float, bottom: float) -> list[str]:
    lines = [
        line(axis.at(tick), top, axis.at(tick), bottom, "zero" if abs(tick) < 1e-12 else "grid") for tick in axis.ticks
    ]
    return lines


def _scale(axis: Axis, bottom: float, title: str) -> list[str]:
    told = [words(axis.at(tick), bottom + 14, tick_text(tick, axis.ticks), "middle", "m s") for tick in axis.ticks]
    return [*told, words((axis.start + axis.end) / 2, bottom + 29, escaped(title), "middle", "m s")]


def _told(span: Span, decimals: int) -> str:
    if span.low is None:
        return number(span.estimate, decimals)
    return f"{number(span.estimate, decimals)} ({number(span.low, decimals)} to {number(span.high, decimals)})"


def cut(text: str, length: int) -> str:
    """A label cut to what there is room for, at a word where that is possible."""
    if len(text) <= length:
        return text
    head = text[: length - 1]
    stop = head.rfind(" ")
    return (head[:stop] if stop > length // 2 else head).rstrip(" ,") + "\N{HORIZONTAL ELLIPSIS}"
