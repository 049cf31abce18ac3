"""Check a finished report: are its files as they were written, and does computing everything again give the same?

Nothing of the report's folder is run. Its record, notebooks, page and document are data that may have been edited by
anyone; what computes is the installed kit, on the data of the study or on their copy in the report.
"""

import os
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.report.compare import NUMBERS, WORDS, Comparison, compare
from notebooks.report.execute import NotebookError
from notebooks.report.make import (
    NEAR,
    Blocked,
    checked_study,
    compute,
    draw_figures,
    write_pages,
    write_parts,
    write_word,
)
from notebooks.report.pictures import Pictures
from notebooks.report.place.draft import SHEET
from notebooks.report.place.ending import ends_cleanly
from notebooks.report.place.scratch import own_scratch
from notebooks.report.proof.drawn_again import PictureFinding, compared_pictures, formats_of
from notebooks.report.proof.environment import kit_version, pins_that_differ
from notebooks.report.proof.file_hashes import FileFinding, verify
from notebooks.report.proof.printed_texts import texts_that_differ
from notebooks.report.proof.recorded import read_record
from notebooks.report.proof.told_differences import comparison_exhibits
from notebooks.report.reader.summary_sheet import answer_of, sheet_html, write_sheet
from notebooks.report.run import shipped
from notebooks.show.exhibits import Exhibits, Prose
from outcomes import InstrumentError, StudyError
from stats.errors import FitError, PlanError

Say = Callable[[str], None]
OTHER_DATA = "Pictures: not compared, the data are not those of the report."
# How the lines begin with which a report says what it lacks: they are said again, not made again.
LACKS = re.compile(
    r"No picture files were |Pictures are missing: |A picture could not be written: |summary\.pdf was not "
)
NO_HASHES = "The record has no hashes: it was written by an earlier version of the kit, and edits of files do not show."


def rerun(
    report: str | Path,
    study: str | Path | None = None,
    *,
    processes: int | None = None,
    pictures: bool = True,
    say: Say = lambda line: None,
    tell: Say | None = None,
) -> Comparison:
    """Verify the hashes of a report, compute it again from its inputs, and compare the two. The report is not touched.

    study: a study folder, also one with other data; where it is not named, the folder the report was made from, and
    where that is not there, the copy inside the report. pictures: whether those of the report are drawn again and
    compared; without that, or without a browser, the result says that they were not. say: told of progress. tell: told
    what will be done, before anything is; `say` if not named. What cannot be computed again is in `refused` where files
    were edited. Raises StudyError where there is no report, and where no file was edited StudyError or Blocked for data
    that cannot be used.
    """
    folder = Path(report)
    recorded = read_record(folder)
    source = _source(folder, recorded, study)
    for line in plan_of_rerun(folder, source):
        (tell or say)(line)
    files = verify(folder, recorded) if recorded["hashes"] is not None else []
    say(f"{len(files) or 'no'} files of the report are not as they were written")
    try:
        compared = _again(folder, recorded, source, processes, pictures, say)
    except (StudyError, InstrumentError, FitError, PlanError, Blocked, NotebookError) as error:
        if not files:
            raise
        compared = _nothing(_reason(error))
    if recorded["hashes"] is None:
        compared = replace(compared, differences=(NO_HASHES, *compared.differences))
    return replace(compared, files=(*files, *_copies(folder, recorded, source, files)))


def plan_of_rerun(folder: Path, source: Path) -> list[str]:
    """What a rerun does, in words, before it does it."""
    return [
        f"1. Compare every file of {folder} with the hashes in its record. Nothing in that folder is run.",
        f"2. Compute everything again from the data in {source}, with the notebooks of the installed kit "
        f"({kit_version()}), in a temporary folder. The report is not touched.",
        "3. Compare values, n, units, level, notes, sentences, tables, pages, document and pictures.",
    ]


def _again(folder: Path, recorded: dict, source: Path, processes: int | None, pictures: bool, say: Say) -> Comparison:
    analysis = checked_study(source, recorded["options"].get("shareable") is True)
    with ends_cleanly(), own_scratch(), tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as scratch:
        work = Path(scratch)
        formats = formats_of(folder) if pictures else ()
        with Pictures(work / "figures", formats, say=say) as drawn:
            draw = partial(draw_figures, drawn, work / SHEET, analysis.study.protocol.title)
            ready = draw if formats and _same_data(analysis, recorded) else lambda run: None
            runs, now = compute(
                analysis, work, only=_known(recorded["options"]["only"]), processes=processes, say=say, ready=ready
            )
        # What a report says of its making is said again, so that all else can be compared.
        now |= {"missing": recorded["missing"], "times": recorded["times"]}
        compared = compare(recorded, now, folders=(folder / "inputs", source))
        if recorded["inputs"] != now["inputs"] or recorded["hashes"] is None:
            return replace(compared, pictures=OTHER_DATA)
        say("comparing tables, pages, document and pictures")
        write_parts(runs, work, formats)
        write_pages(analysis.study, runs, now, work)
        write_word(analysis.study, runs, now, work)
        answer = answer_of(runs)
        if pictures and not formats and answer is not None and (folder / SHEET).is_file():  # a report without figures
            write_sheet(sheet_html(answer, analysis.study.protocol.title), work / SHEET)
        found, told = compared_pictures(folder, work if pictures else None)
        shown = [*texts_that_differ(folder, work, recorded, now), *map(_of_picture, found)]
    words = pd.concat([compared.words, pd.DataFrame(shown, columns=WORDS, dtype=object)], ignore_index=True)
    pins = pins_that_differ(folder, recorded)
    lacks = [f"The record says what no report says of itself: {line[:120]!r}." for line in _unheard(recorded)]
    return replace(compared, words=words, pictures=told, differences=(*compared.differences, *lacks, *pins))


def _unheard(recorded: dict) -> list[str]:
    return [line for line in recorded["missing"] if not LACKS.match(line)]


def _same_data(analysis: Analysis, recorded: dict) -> bool:
    """Whether the data are those of the report: pictures of others are not drawn."""
    study = analysis.study
    return recorded["inputs"] == {study.shown_name(name): digest for name, digest in study.hashes.items()}


def _of_picture(one: PictureFinding) -> dict:
    return {"section": one.name, "name": f"{one.name} {one.place}", "what": "picture"} | {
        "recorded": one.recorded, "now": one.now
    }  # fmt: skip


def _known(only: list[str]) -> list[str]:
    """The notebooks asked for then; all where a record names none that there is."""
    return [start for start in only if any(name.startswith(start) for name in shipped())]


def _nothing(why: str) -> Comparison:
    return Comparison(pd.DataFrame(columns=NUMBERS), pd.DataFrame(columns=WORDS, dtype=object), (), refused=why)


def _reason(error: Exception) -> str:
    return f"the data have errors.\n{error.findings}" if isinstance(error, Blocked) else str(error)


def _copies(folder: Path, recorded: dict, source: Path, known: list[FileFinding]) -> Iterator[FileFinding]:
    """Copies of the data that are not the recorded ones, or none of them, although the hashes say nothing of it."""
    from_folder = {name: digest for name, digest in recorded["inputs"].items() if (folder / "inputs" / name).is_file()}
    told = {finding.name for finding in known}
    for name, digest in from_folder.items():
        if f"inputs/{name}" not in told and (recorded["hashes"] or {}).get(f"inputs/{name}", digest) != digest:
            yield FileFinding(f"inputs/{name}", "changed")
    there = (path for path in sorted((folder / "inputs").rglob("*")) if path.is_symlink() or not path.is_dir())
    for name in (path.relative_to(folder / "inputs").as_posix() for path in there):
        if name not in recorded["inputs"] and f"inputs/{name}" not in told:
            yield FileFinding(f"inputs/{name}", "added")


def _source(folder: Path, recorded: dict, study: str | Path | None) -> Path:
    if study is not None:
        return Path(study)
    way = _near(recorded["study"].get("folder"))
    original = (folder / way).resolve() if way else folder / "inputs"
    if way and (original / "study.toml").is_file():
        return original
    if recorded["study"].get("blinded"):
        raise StudyError(
            f"The report in {folder} was made while the study was blinded, so it holds no copy of the data. Name the "
            "study folder: outcomes rerun DIR --study FOLDER."
        )
    if not (folder / "inputs" / "study.toml").is_file():
        raise StudyError(
            f"The report in {folder} holds no copy of the data: it is a shareable one, or the data held identifiers. "
            "Name the study folder: outcomes rerun DIR --study FOLDER."
        )
    return folder / "inputs"


def _near(way: object) -> str:
    """The recorded way to the study, if it is one the kit would have written: relative, and near the report."""
    if not isinstance(way, str) or "\0" in way or Path(way).is_absolute():
        return ""
    steps = Path(os.path.normpath(way)).parts
    return way if steps.count("..") <= NEAR and (".." not in steps or steps[0] == "..") else ""


def rerun_report(report: str | Path, study: str | Path | None = None) -> Exhibits | Prose:
    """For a notebook: the comparison, or in words that there is no report yet."""
    if not (Path(report) / "record.json").is_file():
        words = f"There is no report in {report}: make one with 'outcomes report' and name its folder above."
        return Prose("rerun", (words,))
    return comparison_exhibits(rerun(report, study, say=print))  # progress: it takes as long as the report did
