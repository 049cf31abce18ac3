"""The order of a reader: which exhibits stand open in the report, which are folded, and what is left for the appendix.

A section names exhibits by kind and name; "{primary}" is the primary outcome's id, a star any ending. Whatever no
section names goes to the appendix, in the order of the notebooks.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

import pandas as pd

from notebooks.report.record import cell_contents
from notebooks.report.run import ANSWER, Run
from notebooks.show.plain_words import in_plain_words
from notebooks.show.tables import Table, from_content

BY_ARM = ("between_arms", "changes", "change", "trajectories/*", "trajectories/{primary}")  # no answer of a crossover
PRIMARY, HEADLINE, MAIN, SERIOUS = "primary outcome", "visit spoken of", "the plan's model", "errors and warnings"
ROWS = 12  # of a table that stands open; the others are in its file


@dataclass(frozen=True)
class Part:
    """One exhibit, or several of a kind. only: which rows of a table, or paragraphs, stand in the report."""

    kind: str
    name: str
    folded: bool = False
    only: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()  # headings printed; all where none is named
    rows: int = ROWS


@dataclass(frozen=True)
class Section:
    """One section of the report: its anchor, heading, a line under it, and its exhibits in order."""

    anchor: str
    title: str
    about: str
    parts: tuple[Part, ...]
    in_document: bool = True  # whether the word-processor document has it


def _table(name: str, *only: str, folded: bool = False, columns: Sequence[str] = (), rows: int = ROWS) -> Part:
    return Part("table", name, folded, only, tuple(columns), rows)


def _figure(name: str, folded: bool = False) -> Part:
    return Part("figure", name, folded)


def _prose(name: str, *only: str, folded: bool = False) -> Part:
    return Part("prose", name, folded, only)


SECTIONS = (
    Section("primary", "The primary outcome", "Means of the mixed model, which uses every visit of everybody.", (
        _table("crossover"), _prose("crossover", PRIMARY),
        _figure("trajectories/{primary}"), _prose("change", PRIMARY), _figure("difference/{primary}"),
        _table("between_arms", PRIMARY, MAIN, columns=(
            "Difference", "To visit", "Estimate (interval)", "p", "Unit", "n")),
        _table("changes", PRIMARY, MAIN, columns=("Arm", "To visit", "Estimate (interval)", "Unit", "n")),
        _table("models", PRIMARY, folded=True),
    )),
    Section("people", "Who passed", "A count of people past a size of change is no count of people helped.", (
        _figure("ordered_changes/{primary}"), _figure("responder_shares/{primary}"),
        _table("responders_planned", PRIMARY, HEADLINE, columns=(
            "Arm", "Threshold", "Source", "Improved", "% of observed (interval)", "% of enrolled (interval)",
            "Missing")),
        _figure("cumulative_change/{primary}", folded=True), _figure("floor_ceiling*", folded=True),
        _figure("change_by_baseline*", folded=True),
    )),
    Section("choices", "What if other choices had been made",
            "Each changes one choice and shows how far the answer depends on it; none may be picked for its result.", (
        _figure("every_assumption/*"), _prose("every assumption", folded=True), _figure("what_if/*"),
        _figure("tipping_point", folded=True),
        _table("what_if", folded=True, rows=60), _figure("what_if_shares/*", folded=True),
        _table("what_if_shares", folded=True, rows=60), _table("missing_visits", PRIMARY, folded=True, rows=60),
    )),
    Section("outcomes", "Every outcome", "In units of the SD at baseline, so that outcomes can stand together.", (
        _figure("effect_sizes/from_the_model"), _table("model_effect_sizes", columns=(
            "Outcome", "What", "Effect (interval)", "Improvement", "n", "Why not")),
        _figure("effect_sizes/inside_people*"), _figure("trajectories/*", folded=True),
    )),
    Section("feasibility", "Feasibility and safety", "Described, not compared: pilots are too small to show that "
            "an intervention is safe.", (
        _table("progression"), _figure("participant_flow"), _table("adverse_events", rows=24),
        _figure("adherence", folded=True),
        _figure("adherence_change*", folded=True), _table("participant_flow", folded=True, rows=60),
    )),
    Section("device", "With the device, and what went wrong", "Levels are the study's own; with and "
            "without the device are never pooled.", (
        _prose("device_answers"), _figure("levels/*"), _table("levels_reached"),
        _table("levels_reached_inside", folded=True, rows=40), _figure("stretches/*"),
        _table("first_to_last_repetition", folded=True, rows=40), _table("stiffness_grades", folded=True, rows=40),
        _figure("motion_grades"), _table("motion_grades", folded=True, rows=40), _figure("days_of_wear"),
        _table("wear", folded=True, rows=60), _figure("wear_and_score"), _prose("wear_and_score_words"),
        _figure("ease_of_use"), _table("ease_of_use", folded=True, rows=40), _table("would_continue", folded=True),
        _figure("device_deficiencies"), _table("device_deficiencies", rows=20), _table("harm", rows=20),
        _figure("skin"), _table("skin", folded=True), _table("deficiency_list", folded=True, rows=60),
        _table("event_details", folded=True, rows=60),
    )),
    Section("movement", "Movement and force over time", "Measures of recordings, modelled like every other outcome; "
            "compare only what was measured alike.", (
        _prose("movement in words"), _table("movement_motions", rows=40), _table("movement_by_visit", rows=40),
        _table("movement_sessions", rows=20), _table("movement_repeatability", folded=True, rows=20),
        _figure("one_recording/*", folded=True), _figure("overlaid_repetitions/*", folded=True),
        _table("movement_measures", folded=True, rows=40), _table("recordings", folded=True, rows=40),
    )),
    Section("participants", "The people", "Described, not tested.", (_table("baseline", rows=40),)),
    Section("next-trial", "The next trial", "The effect seen in this pilot plays no part in the plan.", (
        _prose("plan"), _figure("power_curve"), _table("plan_inputs"), _table("plan_band", folded=True),
        _table("plan_working", folded=True, rows=40), _table("plan_visits", folded=True),
    )),
    Section("methods", "Methods to paste", "Read every sentence before you use it: it says what was done, not what "
            "was meant.", (
        _prose("lock"), _table("departures"), _prose("blinded"), _prose("hidden"), _prose("could unmask", folded=True),
        _prose("methods"), _table("estimand"), _table("checklist", folded=True, rows=60),
    )),
    Section("data", "Data and checks", "The checks know ranges, dates and codes; they cannot know whether a plausible "
            "number is the right one.", (
        _table("findings", SERIOUS, columns=("Severity", "Participant", "Visit", "What", "Found", "Allowed")),
        _figure("missing_map", folded=True), _table("completeness", PRIMARY, folded=True, rows=60),
        _table("files_read", folded=True, rows=60),
    ), in_document=False),
)  # fmt: skip


@dataclass(frozen=True)
class Exhibit:
    """An exhibit as a notebook showed it: its content for machines and the data of the output it stands in."""

    content: dict
    data: Mapping
    run: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is known by: notebook, kind and name."""
        return self.run, self.content["kind"], self.content["name"]


def exhibits(runs: Sequence[Run]) -> Iterator[Exhibit]:
    """Every exhibit of every notebook but the first page, in order."""
    for run in runs:
        if run.name == ANSWER:
            continue
        for place, cell in enumerate(run.notebook.cells):
            for output in cell.get("outputs", []):
                for content in cell_contents({"outputs": [output]}, place):
                    yield Exhibit(content, output["data"], run.name)


@dataclass(frozen=True)
class Placed:
    """An exhibit in its place: the part that names it, and its table cut to what the report prints."""

    part: Part
    exhibit: Exhibit
    table: Table | None = None
    paragraphs: tuple[str, ...] = ()


def in_order(runs: Sequence[Run], about: Mapping) -> list[tuple[Section, list[Placed]]]:
    """Sections with what they hold. about: primary (id), primary_label and visit, as the first page says them."""
    found, taken = list(exhibits(runs)), set()
    made = []
    for section in SECTIONS:
        placed = []
        for part in section.parts:
            if about["crossover"] and part.name in BY_ARM:
                continue
            pattern = part.name.replace("{primary}", glob_escaped(about["primary"]))
            for one in found:
                kind, name = one.content["kind"], one.content["name"]
                if kind != part.kind or one.key in taken or not fnmatchcase(name, pattern):
                    continue
                shown = _placed(part, one, about)
                if shown is not None:
                    taken.add(one.key)
                    placed.append(shown)
        if placed:
            made.append((section, placed))
    return made


def glob_escaped(text: str) -> str:
    """A name in a pattern that stands for itself."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in text)


def _placed(part: Part, one: Exhibit, about: Mapping) -> Placed | None:
    if part.kind == "figure":
        return Placed(part, one)
    if part.kind == "prose":
        paragraphs = tuple(one.content["paragraphs"])
        if PRIMARY in part.only:
            own = tuple(text for text in paragraphs if text.startswith(tuple(about["primary_labels"])))
            paragraphs = own or paragraphs[:1]
        paragraphs = tuple(in_plain_words(text, about["words"]) for text in paragraphs)
        return Placed(part, one, paragraphs=paragraphs) if paragraphs else None
    table = plainly_worded(cut(from_content(one.content), part, about), about["words"])
    return Placed(part, one, table) if len(table.frame) else None


def plainly_worded(table: Table, words: Mapping[str, str]) -> Table:
    """The table with labels in place of ids in its texts; numbers are untouched."""
    frame = table.frame.copy()
    for column in frame:
        if not pd.api.types.is_numeric_dtype(frame[column]):
            frame[column] = [in_plain_words(cell, words) if isinstance(cell, str) else cell for cell in frame[column]]
    notes = tuple(in_plain_words(note, words) for note in table.notes)
    columns = {in_plain_words(heading, words): told for heading, told in table.columns.items()}
    group = None if table.group is None else in_plain_words(table.group, words)
    caption = in_plain_words(table.caption, words)
    return replace(table, frame=frame, notes=notes, caption=caption, columns=columns, group=group)


def cut(table: Table, part: Part, about: Mapping) -> Table:
    """The table with the rows and columns the report prints; the file holds all of them."""
    frame = table.frame if table.where is None else table.frame[table.frame[table.where].astype(bool)]
    if PRIMARY in part.only and "outcome" in frame:
        frame = frame[frame["outcome"] == about["primary"]]
    if MAIN in part.only and "model" in frame and len(frame):
        frame = frame[frame["model"] == frame["model"].iloc[0]]
    if HEADLINE in part.only and "visit" in frame and about["visit"]:
        frame = frame[frame["visit"] == about["visit"]]
    if SERIOUS in part.only:
        frame = frame[frame["severity"] != "note"]
    columns = {head: told for head, told in table.columns.items() if not part.columns or head in part.columns}
    notes = table.notes
    if len(frame) > part.rows:
        notes = (f"{part.rows} of {len(frame)} rows; all are in the tables beside this report.", *notes)
    shown = frame.head(part.rows) if part.rows else frame
    group = table.group if table.group in columns else None
    return replace(
        table, frame=pd.DataFrame(shown).reset_index(drop=True), columns=columns, notes=notes, group=group, limit=None,
        where=None,
    )  # fmt: skip


def left_for_the_appendix(runs: Sequence[Run], ordered: Sequence[tuple[Section, list[Placed]]]) -> set:
    """Keys of the exhibits that stand in the report whole, so that the appendix need not repeat them."""
    whole = set()
    for _, placed in ordered:
        for one in placed:
            if one.part.kind == "figure" or (one.part.kind == "prose" and not one.part.only):
                whole.add(one.exhibit.key)
    return whole
