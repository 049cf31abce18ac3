"""From a study folder to a finished report: run the notebooks, write page, figures, tables and record."""

import contextlib
import csv
import datetime
import html
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path

from notebooks.analysis import Analysis
from notebooks.plain_page.plain_story import write_plain
from notebooks.report import record as records
from notebooks.report.drawn_letters import letters_drawn
from notebooks.report.kept import Kept, question
from notebooks.report.page import CAUTION, pairs_html, write_page
from notebooks.report.pictures import FORMATS, IN_COLUMN, Pictures
from notebooks.report.place.draft import MARK, SHEET, placed, refuse
from notebooks.report.place.ending import ends_cleanly
from notebooks.report.place.scratch import own_scratch
from notebooks.report.proof import file_hashes
from notebooks.report.proof.environment import requirements_text
from notebooks.report.proof.primary_result import primary_result
from notebooks.report.proof.protocol_keys import protocol_keys
from notebooks.report.reader.summary_sheet import answer_of, printed, sheet_html
from notebooks.report.released import NOT_SHARED, release_of, released
from notebooks.report.run import Run, asked_for, code_digest, run_notebooks, shipped
from notebooks.sections.blinded_report import NO_COPY, blinding_run
from notebooks.sections.plan_departures import departures_run, recorded_plan
from notebooks.sections.writing_up import writing_run
from notebooks.show.instrument_appendix import instruments_html, instruments_markdown, used_instruments
from notebooks.show.tables import identifier
from outcomes import Study, StudyError, read_study
from outcomes.sharing.masked_identifiers import NO_COPY as NOT_WITH_IDENTIFIERS
from outcomes.spreadsheet_cells import safe_rows
from outcomes.text_storage import by_size, texts_of
from stats.errors import FitError

Say = Callable[[str], None]
NEAR = 2  # steps up from the report that a study folder may be away to be found again by a rerun
ABOUT = """Written by the command 'outcomes report', which writes it anew each time: keep nothing of your own in here.

report.html   the report, to open in any browser; its first page is the answer
appendix.html what the report leaves out, and the code of every step
plain.html    the result in plain words, with blanks only the study team can fill
summary.pdf   that first page on one sheet, without anybody's code
report.docx   the same for a word processor
record.json   every reported number with its name, unit, n and notes; inputs, versions and seed; 'hashes' holds the
              SHA-256 of every file here, and of this record without them (its JSON with sorted keys and no blanks)
requirements.txt  the exact version of every package the report was computed with
tables        each table as CSV with all digits
figures       each figure as pictures, 183 mm wide and (_89mm) for one column, its caption as text, its numbers as CSV
notebooks     the executed notebooks
kept          results that the next report takes over where nothing changed, sealed; may be deleted
inputs        a copy of the data the report was computed from: handle it as the study's data are handled (none while the
              study is blinded)

The command 'outcomes rerun' says whether a file was changed, computes everything again and compares it.
"""


class Blocked(Exception):  # noqa: N818 - the study is at fault, not the program
    """The study has findings that block the analysis; `findings` holds all of them."""

    def __init__(self, findings):
        super().__init__("The study has findings that block the analysis.")
        self.findings = findings


@dataclass(frozen=True)
class Report:
    """What was written: the record, the page, what is missing and why, and how long it took."""

    folder: Path
    record: dict
    missing: tuple[str, ...]
    seconds: float

    @property
    def page(self) -> Path:
        """The page to open in a browser."""
        return self.folder / "report.html"


def make_report(
    folder: str | Path,
    to: str | Path,
    *,
    only: Sequence[str] = (),
    processes: int | None = None,
    pictures: Sequence[str] = FORMATS,
    say: Say = lambda line: None,
    shareable: bool = False,
) -> Report:
    """Run the notebooks on a study folder and write the report into `to`.

    only: first characters of the notebooks wanted ("3" or "3_change"); empty means all.
    processes: notebooks run at a time; None means one per processor core. pictures: formats of the picture files.
    Raises Blocked where the checks find errors, StudyError where the folder cannot be read or `to` cannot be used.
    """
    start = time.perf_counter()
    refuse(Path(to), Path(folder))
    letters_drawn(folder, say)
    analysis = checked_study(folder, shareable)
    title = analysis.study.protocol.title
    with ends_cleanly(), placed(Path(to), Path(folder), say, written_by_the_kit) as (draft, target), own_scratch():
        kept = Kept(draft / "kept")
        with Pictures(draft / "figures", pictures, kept, say) as drawn:
            runs, record = compute(
                analysis,
                draft,
                kept,
                only=only,
                processes=processes,
                say=say,
                running=partial(while_they_run, drawn, analysis),
                ready=partial(draw_figures, drawn, draft / SHEET, title),
            )
            record["study"]["folder"] = "" if shareable else _way(Path(folder), target)
            record["missing"] = [] if pictures else ["No picture files were asked for."]
            say("writing tables and pages")
            write_parts(runs, draft, pictures)
            write_pages(analysis.study, runs, record, draft, kept)
        if drawn.missing:  # which the pages say
            record["missing"] += drawn.missing
            write_pages(analysis.study, runs, record, draft, kept)
        if not pictures or answer_of(runs) is None:
            (draft / SHEET).unlink(missing_ok=True)  # that of an earlier report
        say("writing the document and the record")
        write_word(analysis.study, runs, record, draft)
        seconds = time.perf_counter() - start
        record["times"]["whole report"] = seconds
        kept.sweep()
        record["hashes"] = file_hashes.hashes(draft, record)
        records.write(record, draft / file_hashes.RECORD)
        say(f"putting the report into its place, {target.name}")
    return Report(Path(to), record, tuple(record["missing"]), seconds)


@by_size
def write_pages(study: Study, runs: Sequence[Run], record: dict, to: Path, kept: Kept | None = None) -> None:
    """The pages and what stands beside them, from the runs and the record alone; no picture file is needed.

    kept: the pages of all instruments are the same until the code changes.
    """
    title = study.protocol.title
    subtitle = f"Outcome measures of a {study.protocol.design} study, {len(study.participants)} participants."
    (to / MARK).write_text(ABOUT, encoding="utf-8")
    (to / "requirements.txt").write_text(requirements_text(record["code"]), encoding="utf-8")
    (to / "instruments.md").write_text(_all_instruments(record["code"], kept), encoding="utf-8")
    appendix = instruments_html(used_instruments(study))
    made = _made_html(_made(record), record) + appendix
    write_page(runs, to / "report.html", title=title, subtitle=subtitle, made=made)
    write_plain(study, runs, to / "plain.html")


@by_size
def write_word(study: Study, runs: Sequence[Run], record: dict, to: Path) -> None:
    """The document, with the pictures that are there."""
    from notebooks.report.word_processor import write_document  # loaded while the notebooks run

    title, made = study.protocol.title, _made(record)
    write_document(runs, to / "report.docx", to / "figures", title=title, caution=CAUTION, made=made)


def _all_instruments(code: str, kept: Kept | None) -> str:
    asked = question("instruments", code)
    text = kept.take(asked) if kept is not None else None
    if text is None:
        text = instruments_markdown()
        if kept is not None:
            kept.keep(asked, text)
    return text


def written_by_the_kit(report: Path) -> set[str]:
    """The files and folders of a report that its record names: they give way to those of the next report."""
    try:
        named = json.loads((report / file_hashes.RECORD).read_text(encoding="utf-8"))["hashes"]
        return {Path(name).parts[0] for name in named if Path(name).parts}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()


def checked_study(folder: str | Path, shareable: bool = False) -> Analysis:
    """The analysis of a study folder. Raises Blocked where the checks find errors."""
    analysis = Analysis(read_study(folder), shareable=shareable)
    if analysis.findings.blocking:
        raise Blocked(analysis.findings)
    return analysis


def compute(
    analysis: Analysis,
    work: Path,
    kept: Kept | None = None,
    *,
    only: Sequence[str] = (),
    processes: int | None = None,
    say: Say = lambda line: None,
    running: Callable[[], None] = lambda: None,
    ready: Callable[[Run], None] = lambda run: None,
) -> tuple[list[Run], dict]:
    """Copy the inputs into `work`, run the notebooks there, and collect every number: the runs and the record.

    kept: results of earlier runs; without it everything is computed. running: told when the first notebook runs, ready:
    of each one as it is done.
    """
    study = analysis.study
    began = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    paths = [path for path in _chosen(only) if asked_for(path, study)]
    with texts_of(study), _data(study, work, _why_no_copy(analysis)) as cwd:
        runs = run_notebooks(
            paths,
            work / "notebooks",
            analysis,
            kept=kept,
            processes=processes,
            say=say,
            running=running,
            ready=ready,
            cwd=cwd,
        )
        times = {"began": began} | {run.name: run.seconds for run in runs}
        runs = [*([blinding_run(study)] if study.masked else []), *runs, departures_run(study)]
        runs.append(writing_run(analysis, runs))
        runs = [released(run, release_of(analysis)) for run in runs]
    record = records.assemble(
        runs,
        study=_described(study),
        inputs={study.shown_name(name): digest for name, digest in sorted(study.hashes.items())},
        protocol=study.hashes["study.toml"],
        plan=recorded_plan(study),
        code=code_digest(),
        primary=primary_result(analysis, runs),
        keys=protocol_keys(study),
        options={"only": list(only), "seed": study.protocol.seed, "level": study.protocol.level}
        | ({"shareable": True} if analysis.shareable else {}),
        times=times,
    )
    return runs, record


def _chosen(only: Sequence[str]) -> list[Path]:
    paths = shipped()
    if not only:
        return list(paths.values())
    chosen = [path for name, path in paths.items() if any(name.startswith(start) for start in only)]
    if not chosen:
        raise StudyError(f"No notebook begins with {', '.join(only)}. There are: {', '.join(paths)}.")
    return chosen


def _why_no_copy(analysis: Analysis) -> str:
    """Why a report keeps no copy of the data, in words; "" where it keeps one."""
    if analysis.study.masked:
        return NO_COPY
    if analysis.shareable:
        return NOT_SHARED
    return NOT_WITH_IDENTIFIERS if analysis.study.identifiers else ""


@contextlib.contextmanager
def _data(study: Study, work: Path, no_copy: str = "") -> Iterator[Path]:
    """A copy of the data beside the report, so that it can be run again elsewhere; gives the folder to run in.

    The files of a blinded study name the arms: they are copied to a scratch folder for the run, and none is kept.
    """
    kept = work / "inputs"
    if kept.exists():
        shutil.rmtree(kept)
    kept.mkdir()
    if not no_copy:
        _copy_inputs(study, kept)
        (work / "notebooks").mkdir(exist_ok=True)
        yield work / "notebooks"
        return
    name = "left_out_while_blinded.txt" if study.masked else "left_out.txt"
    (kept / name).write_text(no_copy, encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="outcomes-", ignore_cleanup_errors=True) as scratch:
        for name in ("inputs", "notebooks"):
            (Path(scratch) / name).mkdir()
        _copy_inputs(study, Path(scratch) / "inputs")
        yield Path(scratch) / "notebooks"


def _copy_inputs(study: Study, to: Path) -> None:
    for name in study.hashes:
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(Path(study.folder) / name, to / name)


def _described(study: Study) -> dict:
    """The study in the record."""
    return {
        "title": study.protocol.title,
        "design": study.protocol.design,
        "participants": len(study.participants),
        "blinded": study.masked,
        "rows_read": dict(sorted(study.rows_read.items())),
    }


def _way(folder: Path, target: Path) -> str:
    """The way from the report to a study folder near it; empty elsewhere, so that no record tells a computer's folders.

    Near: under the report's grandparent. A rerun without a way takes the copy of the data beside the report.
    """
    try:
        way = Path(os.path.relpath(folder.resolve(), target.resolve()))
    except ValueError:  # another drive
        return ""
    return way.as_posix() if way.parts.count("..") <= NEAR else ""


def while_they_run(pictures: Pictures, analysis: Analysis) -> None:
    """What this process can do before the first notebook is done: start the browser, load and fit what comes after."""
    pictures.start()
    import_module("notebooks.report.word_processor")
    for outcome in analysis.study.protocol.outcomes:
        for make in (analysis.main_fit, analysis.changes):
            with contextlib.suppress(FitError):  # remembered; the section that asks says so
                make(outcome)


def draw_figures(pictures: Pictures, sheet: Path, title: str, run: Run) -> None:
    """Have the figures of a notebook drawn, and the first page printed as a sheet, while the next one runs."""
    for content in records.contents(run.notebook):
        if content["kind"] == "figure":
            pictures.add(identifier(content["name"]), content["spec"])
    answer = answer_of([run])
    if answer is not None:
        pictures.print(sheet_html(answer, title), sheet, printed)


def write_parts(runs: Iterable[Run], target: Path, pictures: Sequence[str]) -> None:
    """Tables and the numbers of figures as CSV; what belongs to no figure of this report is removed."""
    if (target / "tables").exists():
        shutil.rmtree(target / "tables")
    for name in ("tables", "figures"):
        (target / name).mkdir(exist_ok=True)
    figures = set()
    for run in runs:
        for content in records.contents(run.notebook):
            name = identifier(content["name"])
            if content["kind"] == "table":
                _write_csv(content["frame"], target / "tables" / f"{name}.csv")
            elif content["kind"] == "figure":
                drawn = (f"{name}{part}.{end}" for part in ("", IN_COLUMN) for end in pictures)
                figures |= {f"{name}.csv", f"{name}.txt", *drawn}
                _write_csv(content["frame"], target / "figures" / f"{name}.csv")
                # The words of a picture, which holds none: journals set title and caption themselves.
                caption = f"{content['title']}\n\n{content['caption']}\n"
                (target / "figures" / f"{name}.txt").write_text(caption, encoding="utf-8")
    for path in (target / "figures").iterdir():
        if path.name not in figures and path.is_file():
            path.unlink()


def _write_csv(frame: dict[str, list], path: Path) -> None:
    kept = {column: values for column, values in frame.items() if column not in ("decimals", "printed")}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerows(safe_rows([kept, *zip(*kept.values(), strict=True)]))


def _made(record: dict) -> list[str]:
    """What the last section says: where the numbers are, what is missing, seed, level and date."""
    return [
        f"Every number of this report, {len(record['numbers'])} in all, stands with name, unit, n and notes in the "
        "file record.json beside it, with a hash of every file. The command 'outcomes rerun' says which file was "
        "changed since, computes everything again and compares it.",
        "Tables and the numbers of the figures are in the folders 'tables' and 'figures', executed notebooks in "
        f"'notebooks'{'' if record['study']['blinded'] else ', a copy of the data in inputs'}.",
        *record["missing"],
        f"Seed {record['options']['seed']}; interval level {record['options']['level']}. "
        f"Made on {record['times']['began'][:10]}.",
    ]


def _made_html(lines: Sequence[str], record: dict) -> str:
    return (
        "".join(f"<p>{html.escape(line)}</p>" for line in lines)
        + pairs_html("Input files", ("File", "SHA-256"), record["inputs"])
        + pairs_html("Software", ("Package", "Version"), record["software"])
    )
