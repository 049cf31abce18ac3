"""`outcomes plan`: the analysis plan as a page and a word-processor file, from study.toml, before any data."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import plotly.graph_objects as go

from notebooks.analysis import Analysis
from notebooks.application.documents import Part, folder_for, write_documents
from notebooks.plan_document import conduct_parts as conduct
from notebooks.plan_document import model_parts as model
from notebooks.plan_document import plan_parts as of
from notebooks.plan_document.invented_trial import invented_study
from notebooks.plan_document.plan_items import items_table
from notebooks.sections import change, passing
from notebooks.sections.who_took_part import baseline_table, flow_table
from notebooks.show.exhibits import Prose
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.errors import InstrumentError, StudyError
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.lock.lock_file import DamagedLock, read_lock
from outcomes.protocol.study_toml import read_protocol
from stats.errors import FitError, PlanError

MARK = "analysis_plan.html"
INVENTED = "Empty tables and figures"
CAUTION = (
    "Research software for groups of participants. Not for decisions about one person and not for safety monitoring."
)


@dataclass(frozen=True)
class WrittenPlan:
    """What was written, the hash printed on it, and what could not be made."""

    files: tuple[Path, ...]
    digest: str
    missing: tuple[str, ...]


def write_plan(folder: str | Path, to: str | Path) -> WrittenPlan:
    """analysis_plan.html and .docx of a study folder into `to`; only study.toml (and a lock, if any) is read.

    Raises StudyError where study.toml is missing or cannot be read.
    """
    home = Path(folder)
    if not home.is_dir():
        raise StudyError(f"{home}: there is no such study folder; allowed is a folder with study.toml. Correct it.")
    protocol = read_protocol(home / "study.toml")
    target = folder_for(Path(to), home, MARK)
    digest = plan_digest(plan_of(protocol))
    try:
        lock = read_lock(home)
    except DamagedLock:
        lock = None
    study = replace(invented_study(protocol, home), lock=lock)
    parts = plan_sections(study, digest)
    files, missing = write_documents(
        parts, target, "analysis_plan", title=f"Statistical analysis plan: {protocol.title}",
        lead=(f"SHA-256 of the plan: {digest}",), caution=CAUTION,
    )  # fmt: skip
    return WrittenPlan(tuple(files), digest, tuple(missing))


def plan_sections(study: Study, digest: str) -> list[Part]:
    """All sections in their order; `study` holds the protocol and invented people."""
    protocol = study.protocol
    planned = of.recruitment_target(protocol)
    size, precision = of.size_text(protocol, planned)
    made: list[tuple[str, tuple]] = [
        ("What this is", (of.this_is(study, digest), conduct.versions(study))),
        ("The question", (of.question(study),)),
        ("Design", (of.design_text(protocol),)),
        ("When", (conduct.timing_text(protocol), of.visits_table(protocol))),
        ("Outcomes", (of.outcomes_table(protocol), of.thresholds_table(protocol))),
        ("How many people", (size, precision)),
        ("Progression criteria", (of.criteria_table(protocol, planned),)),
        ("Who takes part", (conduct.taking_part(protocol),)),
        ("Adherence and deviations", (conduct.adherence_text(protocol),)),
        ("Who is analysed", (of.people_text(protocol),)),
        ("The model", (model.model_text(protocol), model.rules_table(protocol))),
        ("Missing values", (model.missing_text(protocol),)),
        ("Other choices, run beside the main one", (model.choices_table(protocol),)),
        ("Further analyses", (conduct.further_text(study),)),
        ("How results are stated", (of.statements(protocol),)),
        ("Harms", (of.harms_text(protocol),)),
        ("Software", (of.software_text(),)),
        ("References for methods", (conduct.methods_table(),)),
    ]
    parts = [Part(heading, tuple(item for item in shown if item is not None)) for heading, shown in made]
    parts.append(Part(INVENTED, tuple(_shells(study)), invented=True))
    headings = tuple(part.heading for part in parts)
    return [*parts, Part("Items of an analysis plan", (items_table(headings),))]


def _shells(study: Study) -> Iterator[Table | Prose | go.Figure]:
    """Tables and figures of the report, made from invented people without any effect, each marked."""
    study = _without_recordings(study)
    analysis = Analysis(study)
    yield Prose("shells", ("These are the tables and figures of the report as they will look. The people are "
    "invented, the "
                           "arms do not differ, the number of people is not the planned one.",))  # fmt: skip
    makers: tuple[Callable[[], object], ...] = (
        lambda: flow_table(analysis.scores, study),
        lambda: baseline_table(analysis.scores, study),
        lambda: change.changes_table(change.fit_outcomes(analysis)),
        lambda: change.between_table(change.fit_outcomes(analysis)),
        lambda: next(iter(change.trajectory_figures(change.fit_outcomes(analysis))), None),
        lambda: passing.planned_counts(passing.count_passing(analysis)),
    )
    for make in makers:
        try:
            shown = make()
        except (FitError, PlanError, InstrumentError, StudyError) as refused:
            yield Prose("shell", (f"Not shown with invented people: {refused}",))
            continue
        if isinstance(shown, Table) and len(shown.frame):
            yield replace(shown, name=f"invented_{shown.name}", caption=f"INVENTED PEOPLE. {shown.caption}", notes=())
        elif isinstance(shown, go.Figure):
            yield _marked(shown)


def _without_recordings(study: Study) -> Study:
    """Recordings are not invented: their outcomes are left out of the tables."""
    protocol = study.protocol
    recorded = {one.id for one in protocol.series_outcomes}
    kept = tuple(outcome for outcome in protocol.outcomes if outcome not in recorded)
    if not recorded or not kept:
        return study
    primary = protocol.primary if protocol.primary in kept else kept[0]
    return replace(study, protocol=replace(protocol, series_outcomes=(), outcomes=kept, primary=primary))


def _marked(figure: go.Figure) -> go.Figure:
    """The figure with the mark in its title, its caption and across it, so that it cannot be taken for a result."""
    meta = dict(figure.layout.meta)
    words = {key: f"INVENTED PEOPLE. {meta[key]}" for key in ("title", "caption", "alt")}
    column = dict(meta.get("column") or {})
    if "title" in column:
        column["title"] = dict(column["title"]) | {"text": f"INVENTED PEOPLE<br>{column['title'].get('text', '')}"}
    figure.update_layout(
        meta=meta | words | {"name": f"invented/{meta['name']}", "column": column},
        title={"text": f"INVENTED PEOPLE. {figure.layout.title.text}"},
    )
    return figure
