"""The first page of a report: the answer, how sure it is, and what is doubtful, on one sheet.

Three layers: facts (`main_result` and its neighbours, from `stats`), words with named numbers, and HTML with static
drawings that needs no script. The version follows the study: arms compared, one group, a crossover, a blinded study,
and one that has no answer yet.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from jinja2 import Environment, FileSystemLoader

from notebooks.analysis import Analysis
from notebooks.first_page import answer_words as say
from notebooks.first_page.all_outcomes import outcome_lines
from notebooks.first_page.doubtful_data import Doubts, doubts, plainly
from notebooks.first_page.how_sure import HowSure, how_sure
from notebooks.first_page.main_result import MainResult, main_result
from notebooks.first_page.named_numbers import NO_BREAK, NamedNumbers
from notebooks.first_page.page_panels import panels_of
from notebooks.first_page.page_rows import feasible_cells, outcome_rows
from notebooks.first_page.people_passed import Passed, people_passed
from notebooks.first_page.tile_drawings import how_large, how_many, how_sure_drawing
from notebooks.show.content import MIME, plain
from notebooks.show.names import Names, unit_words
from notebooks.show.numbers import short
from notebooks.show.texts import escaped
from outcomes import columns as c
from outcomes.library.registry import references, threshold
from stats.errors import FitError

NAME = "answer"
LINKS_PLACE = "<!-- links -->"  # where the page of a report puts the links to its sections
TEMPLATES = Path(__file__).parent / "templates"
NOTES_ONLY = "No error and no warning. The notes stand under Data and checks."
FOOT = (
    "For groups in research: not for decisions about one person, not for safety monitoring. Every number here stands "
    "with its unit and n in the record of the report."
)


@dataclass(frozen=True)
class Tile:
    """One reading of the answer: a question, a large number, a drawing, a note."""

    title: str
    big: str
    drawing: str
    note: str


@dataclass(frozen=True)
class FirstPage:
    """The texts and drawings of the page; texts hold marks for the numbers (`NamedNumbers`)."""

    numbers: NamedNumbers
    about: list[str]
    badges: list[tuple[str, bool]]
    answer: list[str]
    caution: str
    doubts: Doubts
    tiles: list[Tile] = field(default_factory=list)
    panels: list[dict] = field(default_factory=list)
    caption: str = ""
    lines: list[dict] = field(default_factory=list)
    lines_words: dict = field(default_factory=dict)
    cells: list[dict] = field(default_factory=list)
    cells_about: str = ""
    told_about: dict = field(default_factory=dict)  # the primary outcome and the visit spoken of, for the report

    @cached_property
    def doubts_about(self) -> str:
        """How many findings there are, and how many touch the answer."""
        counts, numbers = self.doubts.counts, self.numbers
        told = [
            f"{numbers.count(f'findings, {kind}s', count).value} {kind}{'s' if count != 1 else ''}"
            for kind, count in counts.items()
            if count
        ]
        if not told:
            return "nothing was found wrong or doubtful"
        touching = self.doubts.touching
        return f"{', '.join(told)}" + (
            f"; {numbers.count('findings that touch the answer', touching).value} touch the answer" if touching else ""
        )

    @cached_property
    def doubt_rows(self) -> list[dict]:
        """The first few findings in words."""
        rows: list[dict] = []
        put: dict[str, str] = {}  # a person may have several findings, and is left out once
        for one in self.doubts.shown:
            text, person = one.text, one.participant
            if one.without is not None:
                if person not in put:
                    put[person] = self.numbers.put(f"without {person}", one.without, **self._like_the_answer).value
                text += f" Without {person} the answer is {put[person]}."
            rows.append({"who": one.participant or "\N{EN DASH}", "when": one.visit, "text": text})
        return rows

    @cached_property
    def _like_the_answer(self) -> dict:
        frame = self.numbers.frame()
        own = frame[frame["part"].str.startswith(("difference", "change"))]
        return {"unit": str(own["unit"].iloc[0]), "decimals": int(own["decimals"].iloc[0])} if len(own) else {}

    def html(self, codes: bool = True, links: str = "") -> str:
        """The page under its title. codes: whether people's codes may stand in it; links: to the rest of the report."""
        told = self.numbers
        about, rows = self.doubts_about, self.doubt_rows  # named before anything is written

        def text(words: str) -> str:
            return told.html(words, codes)

        page = {
            "about": [text(part) for part in self.about],
            "badges": [(escaped(words), strong) for words, strong in self.badges],
            "answer": [text(one) for one in self.answer],
            "caution": text(self.caution),
            "tiles": [
                {"title": text(one.title), "big": _big(text(one.big)), "drawing": one.drawing, "note": text(one.note)}
                for one in self.tiles
            ],
            "panels": self.panels,
            "caption": text(self.caption),
            "lines": [{key: text(value) if key in TOLD else value for key, value in row.items()} for row in self.lines],
            "cells": [{key: text(value) if key in TOLD else value for key, value in row.items()} for row in self.cells],
            "cells_about": text(self.cells_about),
            "doubts_about": text(about),
            "doubts": [{key: text(value) for key, value in row.items()} for row in rows] if codes else [],
            "doubts_left": "" if rows or not self.doubts.counts.get("note") else NOTES_ONLY,
            "links": links,
            "foot": FOOT,
        } | {key: text(value) if key == "lines_foot" else value for key, value in self.lines_words.items()}
        environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=False)
        return environment.get_template("answer.html.j2").render(page=page)

    def content(self) -> dict:
        """What the report and the record take: every number by name, the page, and its texts for a document."""
        page, sheet = self.html(links=LINKS_PLACE), self.html(codes=False)
        told = self.numbers.plain
        frame = self.numbers.frame()
        return {
            "kind": "answer",
            "name": NAME,
            "frame": plain(frame),
            "keys": ["part"],
            "caption": "The answer on one page",
            "notes": [],
            **self.told_about,
            "page": page,
            "sheet": sheet,
            "paragraphs": [told(text) for text in self.answer],
            "caution": told(self.caution),
            "about": [*map(told, self.about), *(text for text, _ in self.badges)],
            "tiles": [[told(one.title), _on_one_line(told(one.big)), told(one.note)] for one in self.tiles],
            "outcomes": [
                [told(row[key]) for key in ("label", "unit", "n", "scored", "estimate", "size")] for row in self.lines
            ],
            "feasible": [[row["label"], told(row["count"]), row["zone"]] for row in self.cells],
            "attention": told(self.doubts_about),
            "items": ["CONSORT pilot 17a"],
        }

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        content = self.content()
        css = (TEMPLATES / "answer.css").read_text(encoding="utf-8")
        text = " ".join([*content["paragraphs"], content["caution"]])
        return {
            "text/html": f'<style>{css}</style><div id="answer">{content["page"]}</div>',
            "text/plain": text,
            MIME: content,
        }


TOLD = ("label", "unit", "n", "scored", "estimate", "size", "reason", "count")


def _on_one_line(text: str) -> str:
    """A large text with its smaller part, for a document."""
    return text.replace("|", "")


def _big(text: str) -> str:
    """A large text whose part after the bar is smaller."""
    head, _, rest = text.partition("|")
    return f"{head}<span>{rest}</span>" if rest else head


def first_page(analysis: Analysis) -> FirstPage:
    """The first page of a study: the version its design, blinding and data allow."""
    study, numbers = analysis.study, NamedNumbers()
    try:
        result = main_result(analysis)
    except FitError as refused:
        return _without_answer(analysis, str(refused), numbers)
    labels = {one.id: one.label for one in result.groups}
    about = say.about(study, result, numbers)
    answer, said = say.headline(analysis, result, numbers)
    passed, why_not = people_passed(analysis, result)
    sure = how_sure(analysis, result)
    lines, left = outcome_lines(analysis, result)
    own = next((one.size for one in lines if one.outcome == result.outcome and one.size is not None), None)
    page = FirstPage(
        numbers=numbers,
        about=about,
        badges=say.badges(study),
        answer=answer,
        caution=say.caution(analysis, result, passed, numbers),
        doubts=doubts(analysis, result.visit, sure if isinstance(sure, HowSure) else None),
    )
    unit = unit_words(result.unit)
    tiles = [
        Tile(
            "How large is it?",
            f"{said[0].value}|{NO_BREAK}{unit} ({said[0].interval})",
            how_large(result, labels, passed),
            say.size_note(result, own, passed, numbers),
        ),
        _passed_tile(passed, why_not, result, labels, numbers),
        _sure_tile(analysis, sure, result, labels, numbers),
    ]
    panels, caption = panels_of(analysis, result, labels, passed, numbers)
    rows, words = outcome_rows(analysis, lines, left, result, numbers)
    cells, cells_about = feasible_cells(analysis, numbers)
    return replace(
        page, tiles=tiles, panels=panels, caption=caption, lines=rows, lines_words=words, cells=cells,
        cells_about=cells_about,
        told_about=_spoken_of(analysis, result.visit) | {"plain": _plain_facts(analysis, result, passed)},
    )  # fmt: skip


def _without_answer(analysis: Analysis, reason: str, numbers: NamedNumbers) -> FirstPage:
    """A study that cannot be answered yet: what stands in the way, what was entered, what needs a look."""
    study, names = analysis.study, Names(analysis.study.protocol)
    about = say.about(study, None, numbers)
    scores, primary = analysis.scores, study.protocol.primary
    own = scores[(scores[c.OUTCOME] == primary) & scores[c.VALUE].notna()]
    told = []
    for visit in names.visits(one.id for one in study.protocol.visits):
        people = own.loc[own[c.VISIT].astype(str) == visit, c.PARTICIPANT].nunique()
        told.append(f"{names.visit_words(visit)}: {numbers.count(f'scored, {visit}', people).value}")
    cells, cells_about = feasible_cells(analysis, numbers)
    return FirstPage(
        numbers=numbers,
        about=about,
        badges=say.badges(study),
        answer=[
            f"*No answer yet.* {plainly(reason, study.protocol)}.",
            f"People with a {names.everyday(primary)} score: {'; '.join(told)}.",
        ],
        caution="Nothing on this page says anything about the treatment. What follows is what was entered so far.",
        doubts=doubts(analysis, "", None),
        cells=cells,
        cells_about=cells_about,
        told_about=_spoken_of(analysis, "") | {"plain": {"kind": "none", "groups": [], "unit": "", "visit": ""}},
    )


def _plain_facts(analysis: Analysis, result: MainResult, passed: tuple[Passed, ...]) -> dict:
    """What a page in plain words says beside the numbers."""
    names = Names(analysis.study.protocol)
    size = ""
    if passed:
        unit = unit_words(passed[0].unit)
        more = passed[0].rule.startswith(">=")
        size = f"{short(passed[0].value)} {unit} or more" if more else f"more than {short(passed[0].value)} {unit}"
    return {
        "kind": result.kind,
        "groups": [one.label for one in result.groups],
        "measure": names.everyday(result.outcome),
        "range": names.range(result.outcome),
        "unit": unit_words(result.unit),
        "visit": names.visit_words(result.visit) if result.visit else "",
        "passed": size,
    }


def _spoken_of(analysis: Analysis, visit: str) -> dict:
    """What the report must know to put its sections in order, and the sources it cites."""
    protocol = analysis.study.protocol
    names, primary = Names(protocol), protocol.primary
    keys = [key for outcome in protocol.outcomes for key in protocol.thresholds.get(outcome, ())]
    cited = {found.source: references()[found.source] for found in map(threshold, keys)}
    return {
        "primary": primary,
        "primary_labels": [names.outcome(primary), names.everyday(primary)],
        "words": {one: names.everyday(one) for one in protocol.outcomes}
        | {one.id: names.visit_words(one.id) for one in protocol.visits},
        "crossover": bool(protocol.periods),
        "visit": visit or analysis.headline_visit(primary) or "",
        "references": [f"{one['short']}: {one['citation']}." for one in cited.values()],
    }


def _passed_tile(
    passed: tuple[Passed, ...], why_not: str, result: MainResult, labels: dict[str, str], numbers: NamedNumbers
) -> Tile:
    if not passed:
        return Tile("How many passed a size that matters?", "", "", f"Not counted. {why_not}".strip())
    first = passed[0]
    parts = []
    for share in first.shares:
        name = share.group.label
        count = numbers.count(f"passed, {name}", share.passed)
        of = numbers.count(f"observed, {name}", share.observed)
        numbers.count(f"missing pairs, {name}", share.missing)
        parts.append(f"{count.value} of {of.value}")
    big = "| against |".join(parts) if len(parts) == 2 else ", ".join(parts)
    big = big.replace("| against |", f"{NO_BREAK}against{NO_BREAK}")
    return Tile(
        say.passed_title(first, numbers),
        big,
        how_many(first, labels),
        say.passed_note(passed, result.kind, labels, numbers),
    )


def _sure_tile(
    analysis: Analysis, sure: HowSure | str, result: MainResult, labels: dict[str, str], numbers: NamedNumbers
) -> Tile:
    if isinstance(sure, str):
        return Tile("How sure is it?", "", "", sure)
    low = numbers.put("other choices, lowest", min(sure.answers), unit=result.unit, decimals=result.decimals)
    high = numbers.put("other choices, highest", max(sure.answers), unit=result.unit, decimals=result.decimals)
    count = numbers.count("other choices", len(sure.answers))
    missing: dict[str, int] = {}
    if result.kind in ("between", "single"):
        changes = analysis.changes(result.outcome, result.visit)
        lost = changes[changes["missing"] != ""]
        for group in result.groups:
            own = lost[lost[c.ARM].astype(str) == group.id] if result.kind == "between" else lost
            if len(own):
                missing[group.id] = len(own)
    return Tile(
        "How sure is it?",
        f"{low.value} to {high.value}|{NO_BREAK}over {count.value} other choices",
        how_sure_drawing(sure, unit_words(result.unit), result.decimals),
        say.sure_note(sure, result, missing, labels, numbers),
    )
