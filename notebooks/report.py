"""From a study folder to a finished report: run the notebooks, write page, figures, tables and record."""

import csv
import datetime
import html
import os
import shutil
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from notebooks import record as records
from notebooks.page import pairs_html, write_page
from notebooks.runner import Run, code_digest, file_digest, run_notebooks, shipped
from notebooks.statics import write_figures
from notebooks.tables import identifier
from outcomes import Study, StudyError, check, read_study

Say = Callable[[str], None]


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
    pictures: Sequence[str] = ("svg", "png"),
    say: Say = lambda line: None,
) -> Report:
    """Run the notebooks on a study folder and write the report into `to`.

    only: first characters of the notebooks wanted ("3" or "3_change"); empty means all.
    processes: notebooks run at a time; None means one per processor core. pictures: formats of the picture files.
    Raises Blocked where the checks find errors, StudyError where the folder cannot be read or `to` cannot be used.
    """
    start = time.perf_counter()
    began = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    study = read_study(folder)
    findings = check(study)
    if findings.blocking:
        raise Blocked(findings)
    target = _target(Path(to), Path(folder))
    _copy_inputs(study, target / "inputs")
    runs = run_notebooks(
        _chosen(only),
        target / "notebooks",
        {"folder": "../inputs"},
        inputs=_inputs_key(study),
        processes=processes,
        say=say,
    )
    missing = _write_parts(runs, target, pictures, say)
    record = records.assemble(
        runs,
        study=_described(study, Path(folder), target),
        inputs=dict(sorted(study.hashes.items())),
        protocol=study.hashes["study.toml"],
        code=code_digest(),
        options={"only": list(only), "seed": study.protocol.seed, "level": study.protocol.level},
        times={"began": began} | {run.name: run.seconds for run in runs},
    )
    write_page(
        runs,
        target / "report.html",
        title=study.protocol.title,
        subtitle=f"Outcome measures of a {study.protocol.design} study, {len(study.participants)} participants.",
        made=_made(record, missing),
    )
    seconds = time.perf_counter() - start
    record["times"]["whole report"] = seconds
    records.write(record, target / "record.json")
    return Report(target, record, tuple(missing), seconds)


def _chosen(only: Sequence[str]) -> list[Path]:
    paths = shipped()
    if not only:
        return list(paths.values())
    chosen = [path for name, path in paths.items() if any(name.startswith(start) for start in only)]
    if not chosen:
        raise StudyError(f"No notebook begins with {', '.join(only)}. There are: {', '.join(paths)}.")
    return chosen


def _target(to: Path, folder: Path) -> Path:
    if to.exists() and not to.is_dir():
        raise StudyError(f"The report cannot be written to {to}: a file has that name. Name a folder after --to.")
    if to.resolve() == folder.resolve():
        raise StudyError(
            f"The report cannot be written into the study folder itself ({to}). Name another folder after --to."
        )
    others = [path.name for path in to.iterdir()] if to.exists() else []
    if others and "record.json" not in others and "inputs" not in others:
        raise StudyError(
            f"The folder {to} holds other files ({', '.join(sorted(others)[:3])}). "
            "Name an empty or a new folder after --to."
        )
    to.mkdir(parents=True, exist_ok=True)
    return to


def _copy_inputs(study: Study, to: Path) -> None:
    """A copy of the data beside the report, so that it can be run again elsewhere."""
    if to.exists():
        shutil.rmtree(to)
    to.mkdir()
    for name in study.hashes:
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(Path(study.folder) / name, to / name)


def _inputs_key(study: Study) -> str:
    return "\n".join(f"{name} {digest}" for name, digest in sorted(study.hashes.items()))


def _described(study: Study, folder: Path, target: Path) -> dict:
    """The study in the record: no path of this computer beyond the way from the report to the folder."""
    try:
        way = Path(os.path.relpath(folder.resolve(), target.resolve())).as_posix()
    except ValueError:  # another drive
        way = ""
    return {
        "title": study.protocol.title,
        "design": study.protocol.design,
        "participants": len(study.participants),
        "rows_read": dict(sorted(study.rows_read.items())),
        "folder": way,
    }


def _write_parts(runs: Iterable[Run], target: Path, pictures: Sequence[str], say: Say) -> list[str]:
    """Tables and the numbers of figures as CSV, figures as pictures. Returns what is missing and why."""
    for name in ("tables", "figures"):
        if (target / name).exists():
            shutil.rmtree(target / name)
        (target / name).mkdir()
    specs = {}
    for run in runs:
        for content in records.contents(run.notebook):
            name = identifier(content["name"])
            if content["kind"] == "table":
                _write_csv(content["frame"], target / "tables" / f"{name}.csv")
            elif content["kind"] == "figure":
                specs[name] = content["spec"]
                _write_csv(content["frame"], target / "figures" / f"{name}.csv")
    return write_figures(specs, target / "figures", pictures, say) if pictures else ["No picture files were asked for."]


def _write_csv(frame: dict[str, list], path: Path) -> None:
    kept = {column: values for column, values in frame.items() if column != "decimals"}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(kept)
        writer.writerows(zip(*kept.values(), strict=True))


def _made(record: dict, missing: Sequence[str]) -> str:
    """The last section of the page: inputs with their digests, versions, and what is missing."""
    lines = [
        f"Every number of this page, {len(record['numbers'])} in all, stands with name, unit, n and notes in the "
        "file record.json beside it. The command 'outcomes rerun' computes them again and says what changed.",
        "Tables and the numbers of the figures are in the folders 'tables' and 'figures', executed notebooks in "
        "'notebooks', a copy of the data in 'inputs'.",
        *missing,
        f"Seed {record['options']['seed']}; interval level {record['options']['level']}. "
        f"Made on {record['times']['began'][:10]}.",
    ]
    return (
        "".join(f"<p>{html.escape(line)}</p>" for line in lines)
        + pairs_html("Input files", ("File", "SHA-256"), record["inputs"])
        + pairs_html("Software", ("Package", "Version"), record["software"])
    )


def stored_files(folder: Path) -> dict[str, str]:
    """Digest of each file in a folder, by its name there."""
    return {
        path.relative_to(folder).as_posix(): file_digest(path) for path in sorted(folder.rglob("*")) if path.is_file()
    }
