"""`outcomes application`: figure, table, paragraph, and one printable page for a panel, in one folder."""

from dataclasses import dataclass
from pathlib import Path

from notebooks.analysis import Analysis
from notebooks.application import panel_words
from notebooks.application.documents import Part, folder_for, write_documents, write_first_page
from notebooks.application.economic_checklist import economic_table
from notebooks.application.gathered import Application, Wanted, gather_application
from notebooks.application.published_forest import published_forest
from notebooks.figures.power_curves import power_figure
from notebooks.report.make import checked_study
from notebooks.sections.next_trial import power_lines
from stats.errors import PlanError

MARK = "application.html"
SHEET = "panel.pdf"  # the first page alone, exactly one A4 sheet
CAUTION = (
    "Research software for groups of participants; not for decisions about one person. A planning document: read every "
    "sentence before it is used."
)


@dataclass(frozen=True)
class Written:
    """What was written and what could not be."""

    application: Application
    files: tuple[Path, ...]
    missing: tuple[str, ...]


def write_application(folder: str | Path, to: str | Path, wanted: Wanted | None = None) -> Written:
    """The application of a study folder into `to`: page, document, panel.pdf, paragraph.txt, tables, figures."""
    target = folder_for(Path(to), Path(folder), MARK)
    found = gather_application(checked_study(folder), wanted)
    return write_gathered(found, target)


def write_gathered(found: Application, target: Path) -> Written:
    """The same from what was gathered already."""
    title = f"{found.study.protocol.title}: the next trial"
    said = panel_words.paragraph(found)
    parts = parts_of(found)
    files, missing = write_documents(parts, target, "application", title=title, lead=(), caution=CAUTION)
    sheet, no_sheet = write_first_page(parts, target, SHEET, title=title, lead=(), caution=CAUTION)
    files, missing = [*files, *sheet], [*missing, *no_sheet]
    text = target / "paragraph.txt"
    text.write_text("\n\n".join((title, *said.paragraphs)) + "\n", encoding="utf-8")
    if found.plan is not None:
        curve = target / "tables" / "power_at_every_size.csv"
        panel_words.curve_frame(found).to_csv(curve, index=False)
        files.append(curve)
    return Written(found, (*files, text), tuple(missing))


def parts_of(found: Application) -> list[Part]:
    """One page for the panel, then everything behind it."""
    first: list = [published_forest(found), panel_words.short_words(found)]
    sizes = panel_words.size_table(found)
    first += [sizes] if sizes is not None else []
    parts = [Part("", tuple(first), first_page=True)]
    parts.append(Part("For the application", (panel_words.paragraph(found),)))
    behind = (
        ("Published trials", (panel_words.effects_table(found), panel_words.leave_one_out_table(found))),
        ("The next trial", (*_curve(found), panel_words.working_table(found), panel_words.safeguards(found))),
        (
            "The price",
            (
                panel_words.costs_table(found),
                panel_words.value_table(found),
                panel_words.worth_table(found),
                economic_table(found),
            ),
        ),
        ("Not here", (panel_words.left_out(found),)),
        ("References, as typed", (panel_words.reference_list(found),)),
    )
    parts += [Part(heading, kept) for heading, made in behind if (kept := tuple(x for x in made if x is not None))]
    return parts


def _curve(found: Application) -> tuple:
    if found.plan is None:
        return ()
    try:
        return (power_figure(power_lines(found.plan), found.plan),)
    except PlanError:  # a limit of the pilot at which no size is enough
        return ()


def show_application(analysis: Analysis, wanted: Wanted | None = None) -> Application:
    """What the notebook asks for: the application of the study, gathered."""
    return gather_application(analysis.cleared(), wanted)
