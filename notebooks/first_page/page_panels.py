"""The panels of the first page: means over the visits and every person; inside people for a crossover."""

import re
from dataclasses import replace

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.first_page.main_result import Group, MainResult, people_change
from notebooks.first_page.named_numbers import NO_BREAK, NamedNumbers
from notebooks.first_page.panel_drawings import each_person, inside_people, trajectory
from notebooks.first_page.people_passed import Passed
from notebooks.show.names import Names, uncapped
from notebooks.show.texts import escaped

WIDE, NARROW = 530, 420
COUNTED = re.compile(r"(day|week|month) (\d+)$")


def panels_of(
    analysis: Analysis, result: MainResult, labels: dict[str, str], passed: tuple[Passed, ...], numbers: NamedNumbers
) -> tuple[list[dict], str]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    people = people_change(analysis, result)
    measure, range_ = names.everyday(result.outcome), names.range(result.outcome)
    level = f"{100 * protocol.level:g}{NO_BREAK}% intervals"
    head = f"{measure[:1].upper()}{measure[1:]}, {range_}." if range_ else f"{measure[:1].upper()}{measure[1:]}."
    if result.kind == "within":
        drawn = {width: inside_people(people, result, labels, width) for width in (WIDE, NARROW)}
        panels = [_panel("a", "Each person under each treatment, change in a period", drawn)]
        gained = differences_inside(people, result)
        if len(gained):
            alone = replace(result, groups=(Group("", "Everybody", 2, len(gained)),))
            bars = {width: each_person(gained, alone, {"": ""}, (), width) for width in (WIDE, NARROW)}
            first, second = (uncapped(one.label) for one in (result.groups[0], result.groups[-1]))
            panels.append(_panel("b", f"Each person: {first} less {second}", bars))
        caption = f"{head} Thin lines: people; large marks: means of the model with {level}, periods accounted for."
        return panels, caption
    days = {one.id: one.day for one in sorted(protocol.visits, key=lambda one: one.day)}
    told, by = _ticks({visit: names.visit_words(visit) for visit in days}, protocol.baseline.id)
    named = {}
    for group in result.groups:
        entered = numbers.count(f"scored, {group.label}, {protocol.baseline.id}", result.entered.get(group.id, 0))
        named[(group.id, protocol.baseline.id)] = entered.value
    for one in result.changes:
        named[(one.group.id, one.visit)] = numbers.count(f"scored, {one.group.label}, {one.visit}", one.n).value
    primary = protocol.primary_visit is not None and protocol.primary_visit.id == result.visit
    shown = "primary visit" if primary else "visit shown"
    drawn = {w: trajectory(result, days, told, labels, numbers, w, named, shown) for w in (WIDE, NARROW)}
    panels = [_panel("a", f"Mean improvement from baseline{by}", drawn)]
    caption = f"{head} a: means of the model with {level}; n: people with a score."
    if len(people[people["missing"] == ""]) and result.kind != "pooled":
        persons = {w: each_person(people, result, labels, passed, w) for w in (WIDE, NARROW)}
        panels.append(_panel("b", f"Improvement of each person at {names.visit_words(result.visit)}", persons))
        caption += " b: every person in order" + (
            "; filled, passed the size of the plan (solid line)." if passed else "."
        )
        worse = int((people["improvement"] < 0).sum())
        if worse:
            caption += f" {numbers.count('people who got worse', worse).value} got worse."
    if result.better == "lower":
        caption += " Lower is better, so a fall is drawn as an improvement."
    return panels, caption


def differences_inside(people: pd.DataFrame, result: MainResult) -> pd.DataFrame:
    """Of everybody with both treatments the change under the first less that under the reference."""
    wide = people.pivot_table(index="participant", columns="group", values="improvement", aggfunc="mean")
    pair = [result.groups[0].id, result.groups[-1].id]
    both = wide.reindex(columns=pair).dropna()
    made = pd.DataFrame({"participant": both.index, "improvement": (both[pair[0]] - both[pair[1]]).to_numpy()})
    return made.assign(group="", missing="")


def _panel(letter: str, title: str, drawn: dict[int, str]) -> dict:
    return {"letter": letter, "title": escaped(title), "wide": drawn[WIDE], "narrow": drawn[NARROW]}


def _ticks(words: dict[str, str], baseline: str) -> tuple[dict[str, str], str]:
    """Visits under an axis: bare numbers where all later ones are weeks (days, months), else their words, short.

    With what the numbers are, for the title.
    """
    later = {visit: COUNTED.match(text) for visit, text in words.items() if visit != baseline}
    units = {found[1] if found else "" for found in later.values()}
    if len(units) == 1 and "" not in units:
        numbers = {visit: found[2] for visit, found in later.items() if found}
        return {visit: numbers.get(visit, "0") for visit in words}, f", by {next(iter(units))}"
    told = {visit: text if len(text) <= 12 else f"{text[:11]}\N{HORIZONTAL ELLIPSIS}" for visit, text in words.items()}
    return told, ""
