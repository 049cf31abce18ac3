"""The two larger drawings of the first page: means over the visits, and every person in order; and the small forest."""

import itertools
from collections.abc import Sequence
from textwrap import wrap

import pandas as pd

from notebooks.first_page.all_outcomes import OutcomeLine
from notebooks.first_page.main_result import Group, MainResult, Span
from notebooks.first_page.named_numbers import NamedNumbers
from notebooks.first_page.people_passed import Passed
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
from notebooks.first_page.tile_drawings import cut
from notebooks.show.names import with_unit
from notebooks.show.numbers import number, short
from notebooks.show.texts import escaped

HEIGHT = 300
FOREST = 250
NARROW = 4  # px of a person, under which bars have no outline


def trajectory(
    result: MainResult, days: dict[str, float], short_visits: dict[str, str], labels: dict[str, str],
    numbers: NamedNumbers, width: int, named: dict[tuple[str, str], str], shown: str,
) -> str:  # fmt: skip
    """Mean improvement from baseline with intervals; people scored under the axis; the difference at the visit.

    named: (group, visit) -> mark of the number of people. days: planned day of every visit, the baseline first. shown:
    what the visit that is spoken of is called.
    """
    visits = [visit for visit in days if visit == next(iter(days)) or any(one.visit == visit for one in result.changes)]
    left, right, top = 58, 96 if width > 400 else 78, 22
    bottom = HEIGHT - 62 - 17 * len(result.groups) + 17
    x = Axis([days[visit] for visit in visits], left + 12, width - right - 12, pad=0.02)
    spread = [
        end for one in result.changes for end in (one.span.low, one.span.high, one.span.estimate, 0) if end is not None
    ]
    y = Axis(spread, bottom, top)
    parts = []
    if result.visit in days:
        at = x.at(days[result.visit])
        parts += [rectangle(at - 12, top, 24, bottom - top, "band")]
        parts.append(words(at, top - 6, shown, "middle", "m s"))
    for tick in y.ticks:
        parts.append(line(left, y.at(tick), width - right, y.at(tick), "zero" if abs(tick) < 1e-12 else "grid"))
        parts.append(words(left - 6, y.at(tick) + 4, tick_text(tick, y.ticks), "end", "m s"))
    shifts = _shifts(result.groups)
    for group in result.groups:
        own = [one for one in result.changes if one.group == group]
        points = [(x.at(days[next(iter(days))]), y.at(0))] + [
            (x.at(days[one.visit]) + shifts[group.id], y.at(one.span.estimate)) for one in own if one.visit in days
        ]
        kind = f"g{group.place % GROUPS}"
        path = " ".join(f"{'M' if k == 0 else 'L'}{px:.1f} {py:.1f}" for k, (px, py) in enumerate(points))
        parts.append(f'<path d="{path}" class="{kind} course d{group.place % GROUPS}"/>')
        for one in own:
            at = x.at(days[one.visit]) + shifts[group.id]
            if one.span.low is not None and one.span.high is not None:
                parts.append(line(at, y.at(one.span.low), at, y.at(one.span.high), f"{kind} thin"))
            parts.append(shape(group.place, at, y.at(one.span.estimate)))
    parts.append(dot(x.at(days[next(iter(days))]), y.at(0), 4.4, "whole"))
    parts += _at_the_ends(result, labels, y, width - right + 4)
    parts += _under(result, visits, x, days, short_visits, labels, numbers, named, bottom, width - right)
    axis_name = escaped(with_unit("Mean improvement", result.unit))
    parts.append(
        f'<text x="12" y="{(top + bottom) / 2:.0f}" class="s" text-anchor="middle" '
        f'transform="rotate(-90 12 {(top + bottom) / 2:.0f})">{axis_name}</text>'
    )
    says = "; ".join(
        f"{one.group.label}, {short_visits[one.visit]}: {number(one.span.estimate, result.decimals)}"
        for one in result.changes
    )
    return drawing(parts, width, HEIGHT, f"Mean improvement from baseline. {says}", "panel")


def _at_the_ends(result: MainResult, labels: dict[str, str], y: Axis, x: float) -> list[str]:
    """The name of each group beside the end of its line, in lines of a few words, moved apart where they would meet."""
    if len(result.groups) < 2:
        return []
    ends = []
    for group in result.groups:
        own = [one for one in result.changes if one.group == group]
        if own:
            ends.append((y.at(own[-1].span.estimate), group, wrap(labels[group.id], 13, break_long_words=False)[:3]))
    ends.sort(key=lambda end: end[0])
    parts, free = [], -1e9
    for at, group, lines in ends:
        first = max(at - 6.5 * (len(lines) - 1) + 4, free)
        for k, text in enumerate(lines):
            parts.append(words(x, first + 13 * k, escaped(text), kind=f"g{group.place % GROUPS} s strong"))
        free = first + 13 * len(lines) + 4
    return parts


def _under(
    result: MainResult, visits: Sequence[str], x: Axis, days: dict[str, float], short_visits: dict[str, str],
    labels: dict[str, str], numbers: NamedNumbers, named: dict[tuple[str, str], str], bottom: float, right: float,
) -> list[str]:  # fmt: skip
    """Visits under the axis, and the people scored at each, by group."""
    parts = [line(x.start - 12, bottom, right, bottom, "axis")]
    shown = _apart(visits, x, days, short_visits)
    for visit in visits:
        at = x.at(days[visit])
        parts.append(line(at, bottom, at, bottom + 4, "axis"))
        if visit in shown:
            strong = " strong" if visit == result.visit else ""
            parts.append(words(at, bottom + 18, escaped(short_visits[visit]), "middle", f"s{strong}"))
    for row, group in enumerate(result.groups):
        y, kind = bottom + 36 + 17 * row, f"g{group.place % GROUPS}"
        parts += [shape(group.place, 6, y - 4, 4), words(16, y, "n", kind=f"{kind} s")]
        for visit in shown:
            mark = named.get((group.id, visit))
            if mark:
                parts.append(words(x.at(days[visit]), y, numbers.svg(mark), "middle", f"{kind} s"))
    return parts


def _apart(visits: Sequence[str], x: Axis, days: dict[str, float], told: dict[str, str]) -> list[str]:
    """Visits whose words have room: the last ones first among equals."""
    shown: list[str] = []
    end = float("inf")
    for visit in reversed(visits):
        half = 3.4 * len(told[visit]) + 4
        if x.at(days[visit]) + half <= end:
            shown.append(visit)
            end = x.at(days[visit]) - half
    return shown[::-1]


def _shifts(groups: Sequence[Group]) -> dict[str, float]:
    return {group.id: 5.0 * (k - (len(groups) - 1) / 2) for k, group in enumerate(groups)}


def each_person(
    people: pd.DataFrame, result: MainResult, labels: dict[str, str], thresholds: Sequence[Passed], width: int
) -> str:
    """The improvement of every person in order, by group; filled where it passed the first size of the plan."""
    drawn = [one for one in thresholds if one.unit == result.unit][:2]
    left, right, top, bottom = 58, 40, 50, HEIGHT - 30
    several = len(result.groups) > 1
    known = people[people["missing"] == ""]
    y = Axis([0, *known["improvement"], *(one.value for one in drawn)], bottom, top)
    parts = []
    for tick in y.ticks:
        parts.append(line(left, y.at(tick), width - right, y.at(tick), "zero" if abs(tick) < 1e-12 else "grid"))
        parts.append(words(left - 6, y.at(tick) + 4, tick_text(tick, y.ticks), "end", "m s"))
    heights = [y.at(one.value) for one in drawn]
    near = max(0.0, 12 - abs(heights[0] - heights[1])) / 2 if len(heights) == 2 else 0.0
    for place, (one, at) in enumerate(zip(drawn, heights, strict=True)):
        parts.append(line(left, at, width - right, at, f"limit d{place}"))
        apart = near if at == max(heights) else -near
        parts.append(words(width - right + 4, at + 4 + apart, short(one.value), kind="s"))
    room = (width - left - right - 10) / max(len(people) + 1.5 * (len(result.groups) - 1), 1)
    x, says = left + 4.0, []
    passing = {share.group.id: share for share in drawn[0].shares} if drawn else {}
    for group in result.groups:
        own = people[people["group"] == group.id]
        values = sorted(own.loc[own["missing"] == "", "improvement"], reverse=True)
        kind, share = f"g{group.place % GROUPS}", passing.get(group.id)
        count = share.passed if share else 0
        space = max(room * len(own), 1)
        head = wrap(labels[group.id], max(10, int(space / 6.6)), break_long_words=False)[:2] if several else []
        if share:
            head.append(f"{share.passed} of {share.observed} passed")
        for k, text in enumerate(head):
            parts.append(
                words(x, 12 + 13 * k, escaped(text), kind="s" if share and text == head[-1] else f"{kind} s strong")
            )
        for k, value in enumerate(values):
            at = x + room * k
            state = "passed" if k < count else "not"
            upper, lower = sorted((y.at(value), y.at(0)))
            if room > NARROW:
                parts.append(rectangle(at + 1, upper, room - 2, max(lower - upper, 1), f"{kind} bar {state}"))
            else:  # an outline would fill the bar: those who did not pass are pale instead
                parts.append(
                    rectangle(at, upper, room, max(lower - upper, 1), f"{kind} dense {'' if k < count else 'pale'}")
                )
        missing = len(own) - len(values)
        if room > NARROW:
            parts += [cross(x + room * (len(values) + k + 0.5), y.at(0) - 8) for k in range(missing)]
        elif missing:
            start = x + room * len(values)
            parts.append(line(start + 1, y.at(0) - 8, start + room * missing, y.at(0) - 8, "missing"))
        says.append(f"{group.label}: {len(values)} people, {count} passed, {len(own) - len(values)} missing")
        x += room * (len(own) + 1.5)
    middle = (top + bottom) / 2
    parts.append(
        f'<text x="12" y="{middle:.0f}" class="s" text-anchor="middle" transform="rotate(-90 12 {middle:.0f})">'
        f"{escaped(with_unit('Improvement', result.unit))}</text>"
    )
    sign = "\N{MULTIPLICATION SIGN}" if room > NARROW else "short line:"
    parts.append(words(left, HEIGHT - 8, f"one bar a person; {sign} missing", kind="m s"))
    return drawing(parts, width, HEIGHT, f"Improvement of each person. {'; '.join(says)}", "panel")


def inside_people(people: pd.DataFrame, result: MainResult, labels: dict[str, str], width: int) -> str:
    """A crossover: each person's change under every treatment joined by a line, and the means with intervals."""
    left, right, top, bottom = 58, 30, 26, HEIGHT - 42
    y = Axis([0, *people["improvement"]], bottom, top)
    groups = list(reversed(result.groups))  # the reference at the left
    step = (width - left - right) / max(len(groups), 1)
    at = {group.id: left + step * (k + 0.5) for k, group in enumerate(groups)}
    parts = []
    for tick in y.ticks:
        parts.append(line(left, y.at(tick), width - right, y.at(tick), "zero" if abs(tick) < 1e-12 else "grid"))
        parts.append(words(left - 6, y.at(tick) + 4, tick_text(tick, y.ticks), "end", "m s"))
    wide = people.pivot_table(index="participant", columns="group", values="improvement", aggfunc="mean")
    for values in wide.to_dict("records"):
        points = [(at[one.id], y.at(values[one.id])) for one in groups if values.get(one.id) == values.get(one.id, 0)]
        for (x1, y1), (x2, y2) in itertools.pairwise(points):
            parts.append(line(x1, y1, x2, y2, "person"))
        parts += [dot(px, py, 2.4, "answer") for px, py in points]
    for one in result.changes:
        x = at[one.group.id] + 14
        if one.span.low is not None and one.span.high is not None:
            parts.append(line(x, y.at(one.span.low), x, y.at(one.span.high), f"g{one.group.place} span"))
        parts.append(shape(one.group.place, x, y.at(one.span.estimate), 5.4))
    for group in groups:
        kind = f"g{group.place % GROUPS} s strong"
        parts.append(words(at[group.id], bottom + 20, escaped(cut(labels[group.id], 26)), "middle", kind))
        parts.append(words(at[group.id], bottom + 36, f"n = {group.enrolled}", "middle", "s"))
    middle = (top + bottom) / 2
    parts.append(
        f'<text x="12" y="{middle:.0f}" class="s" text-anchor="middle" transform="rotate(-90 12 {middle:.0f})">'
        f"{escaped(with_unit('Improvement in a period', result.unit))}</text>"
    )
    return drawing(parts, width, HEIGHT, f"Change of each person under each treatment, {len(wide)} people", "panel")


def forest_axis(lines: Sequence[OutcomeLine]) -> Axis:
    """The axis all rows of the small forest share, in SD at baseline."""
    spans = [one.size for one in lines if one.size is not None]
    return Axis([0, *(end for span in spans for end in (span.low, span.high, span.estimate))], 6, FOREST - 6, 4)


def forest_row(axis: Axis, size: Span | None, primary: bool) -> str:
    """One row: estimate and interval; empty where there is none."""
    parts = [line(axis.at(tick), 0, axis.at(tick), 20, "zero" if abs(tick) < 1e-12 else "grid") for tick in axis.ticks]
    says = "no estimate"
    if size is not None:
        parts.append(interval(axis, 10, size.low, size.high, "whole span"))
        parts.append(diamond(axis.at(size.estimate), 10) if primary else dot(axis.at(size.estimate), 10, 4.4, "whole"))
        says = f"{number(size.estimate, 2)} SD"
        if size.low is not None:
            says += f", interval {number(size.low, 2)} to {number(size.high, 2)}"
    return drawing(parts, FOREST, 20, says, "mini")


def forest_scale(axis: Axis) -> str:
    """The ticks under the rows."""
    parts = [words(axis.at(tick), 12, tick_text(tick, axis.ticks), "middle", "m s") for tick in axis.ticks]
    return drawing(parts, FOREST, 16, "Scale in SD at baseline", "mini")
