"""Run notebooks headless: several processes at a time that share one analysis; only what changed is run again."""

import hashlib
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path

from notebooks.analysis import Analysis
from notebooks.report.execute import NotebookError, begin, execute
from notebooks.report.kept import Kept, question
from notebooks.report.notebook_file import NotebookNode, code_cell, markdown_cell, new_notebook, parsed, read, shown
from notebooks.report.proof.environment import versions
from notebooks.report.proof.file_hashes import file_digest
from notebooks.report.released import release_of, released
from outcomes import Study
from outcomes.device_sheets import DEVICE_TABLES
from outcomes.sheets import MEASUREMENTS

SOURCE = Path(__file__).resolve().parents[1]  # where the notebooks lie
ANSWER = "0_the_answer"  # the notebook of the first page
FOLDER = "../inputs"  # what a notebook of a report calls its study folder
ALONE = {"PYTHONHASHSEED": "0", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
OF_PRIMARY = "of-the-primary-outcome"  # tag of a cell that shows what the data of the primary outcome alone decide
Say = Callable[[str], None]


@dataclass(frozen=True)
class Run:
    """One executed notebook: `seconds` is 0 and `reused` is true where nothing had changed since the last run."""

    name: str
    notebook: NotebookNode
    seconds: float
    reused: bool


def section(name: str, about: str, code: str, exhibits: Iterable) -> Run:
    """A section of every report as an executed notebook, made without running one so that no report is without it."""
    outputs = [shown(exhibit._repr_mimebundle_()) for exhibit in exhibits]
    cells = [
        markdown_cell(about, f"{name}-00"),
        code_cell(code, f"{name}-01", outputs),
    ]
    return Run(name, new_notebook(cells), 0.0, False)


def shipped() -> dict[str, Path]:
    """The notebooks of a report, in their order; one that works on a finished report, or beside it, is none of them."""
    paths = sorted(SOURCE.glob("[0-9]*_*.ipynb"), key=lambda path: int(path.stem.partition("_")[0]))
    apart = ("on_a_finished_report", "beside_the_report")
    return {path.stem: path for path in paths if not any(read(path).metadata.get(key) for key in apart)}


def asked_for(path: Path, study: Study) -> bool:
    """Whether a study has what a notebook is about; most are about every study."""
    return read(path).metadata.get("only_with") != "device" or _tries_a_device(study)


def _tries_a_device(study: Study) -> bool:
    """Whether a study writes down anything the chapter on devices is about."""
    written = any(len(study.table(name)) for name in DEVICE_TABLES)
    return bool(written or study.protocol.levels or study.angles["repetition"].notna().any())


def run_notebooks(
    paths: Iterable[Path],
    to: Path,
    analysis: Analysis,
    *,
    kept: Kept | None = None,
    processes: int | None = None,
    say: Say = lambda line: None,
    running: Callable[[], None] = lambda: None,
    ready: Callable[[Run], None] = lambda run: None,
    cwd: Path | None = None,
) -> list[Run]:
    """Run notebooks on one analysis and write the executed copies into `to`; the results are in the order of `paths`.

    kept: hashes of the copies as they were written, for the text, data, plan, code and libraries they came from; a copy
    in `to` that has its hash is taken as it is, any other is run again. running: told when the first one runs, from
    when on this process may have threads; ready: of each as it is done. cwd: where the notebooks run, `to` where not
    named. Raises NotebookError naming the notebook and the cell that stopped.
    """
    to.mkdir(parents=True, exist_ok=True)
    chosen = {path.stem: prepared(path, {"folder": FOLDER}) for path in paths}
    for old in to.glob("*.ipynb"):
        if old.stem not in chosen:
            old.unlink()
    seen = [what_is_seen(analysis), code_digest(), repr(versions()), repr(release_of(analysis))]
    runs: dict[str, Run] = {}
    known: dict[str, dict[str, list]] = {name: {} for name in chosen}

    def done(run: Run, asked: str) -> None:
        run = released(run, release_of(analysis))
        runs[run.name] = run
        if not run.reused:
            text = json.dumps(run.notebook, ensure_ascii=False, separators=(",", ":")).encode()
            (to / f"{run.name}.ipynb").write_bytes(text)
            if kept is not None:
                kept.keep(asked, hashlib.sha256(text).hexdigest())
                for cell in run.notebook.cells:
                    if cell.id in cells[run.name] and cell.id not in known[run.name]:
                        kept.keep(cells[run.name][cell.id], cell.outputs)
        ready(run)

    waiting = {}
    cells = {name: _cells_of_primary(notebook, analysis, seen[1:]) for name, notebook in chosen.items()}
    for name, notebook in chosen.items():
        asked = question("notebook", json.dumps(notebook, sort_keys=True), *seen)
        if kept is not None:
            for of_cell in cells[name].values():
                kept.still(of_cell)
        found = _taken(to / f"{name}.ipynb", kept.take(asked) if kept is not None else None)
        if found is None:
            waiting[name] = asked
        else:
            say(f"{name}: unchanged, taken from the last run")
            done(Run(name, found, 0.0, True), asked)
    if waiting:
        if len(waiting) > 1:  # one notebook makes what it asks for, and no more
            analysis.prepare()
        if kept is not None:
            for name in waiting:
                taken = {place: kept.take(of_cell) for place, of_cell in cells[name].items()}
                known[name] |= {place: outputs for place, outputs in taken.items() if outputs is not None}
        tasks = [(name, chosen[name], known[name]) for name in waiting]
        for run in _run_all(tasks, analysis, processes or os.cpu_count() or 1, say, running, cwd or to):
            done(run, waiting[run.name])
    return [runs[name] for name in chosen]


def _taken(copy: Path, digest: str | None) -> NotebookNode | None:
    """The executed copy, where its bytes are those that were written."""
    if digest is None or not copy.is_file():
        return None
    text = copy.read_bytes()
    return parsed(text) if hashlib.sha256(text).hexdigest() == digest else None


def _run_all(
    tasks: Sequence[tuple], analysis: Analysis, processes: int, say: Say, running: Callable[[], None] | None, cwd: Path
) -> Iterator[Run]:
    """Each of `processes` workers takes the next notebook when it has done one."""
    queue = list(tasks)
    at_work: dict[Future, str] = {}
    with tempfile.TemporaryDirectory(prefix="ok-", ignore_cleanup_errors=True) as scratch:
        before = set(multiprocessing.active_children())
        pool = _pool(min(processes, len(queue)), (cwd.resolve(), Path(scratch), FOLDER, analysis))
        try:
            while queue or at_work:
                while queue and len(at_work) < processes:
                    name, notebook, known = queue.pop(0)
                    say(f"{name}: running" + (f", {len(known)} of its cells are from the last run" if known else ""))
                    at_work[pool.submit(_timed, name, notebook, known)] = name
                if running is not None:  # all workers are forked with the first task
                    running()
                    running = None
                for future in wait(at_work, return_when=FIRST_COMPLETED).done:
                    name = at_work.pop(future)
                    run = _result(future, name)
                    say(f"{name}: done in {run.seconds:.1f} s")
                    yield run
        except BaseException:  # whoever stops a report waits for no notebook
            for process in set(multiprocessing.active_children()) - before:
                process.terminate()
            raise
        finally:
            if isinstance(pool, ProcessPoolExecutor):
                pool.shutdown(wait=True, cancel_futures=True)
            else:
                # The pool of new processes has this keyword, the class they share does not.
                pool.shutdown(kill_workers=sys.exc_info()[0] is not None)  # type: ignore[call-arg]


def _timed(name: str, notebook: NotebookNode, known: Mapping[str, list]) -> tuple[NotebookNode, float]:
    start = time.perf_counter()
    return execute(name, notebook, known), time.perf_counter() - start


def _result(future: Future, name: str) -> Run:
    try:
        notebook, seconds = future.result()
    except BrokenProcessPool as error:
        raise NotebookError(
            f"Notebook {name} stopped: its process ended, most often for want of memory. Try --processes 1."
        ) from error
    return Run(name, notebook, seconds, False)


def _pool(processes: int, given: tuple) -> Executor:
    """Workers that hold the analysis. A fork has everything in memory; where that is not safe, new processes."""
    if _one_thread():
        return ProcessPoolExecutor(
            processes, mp_context=multiprocessing.get_context("fork"), initializer=begin, initargs=given
        )
    from loky import ProcessPoolExecutor as NewProcesses  # does not run the caller's script again, as spawning does

    path = os.pathsep.join(filter(None, [str(SOURCE.parent), os.environ.get("PYTHONPATH")]))
    return NewProcesses(processes, env=ALONE | {"PYTHONPATH": path}, initializer=begin, initargs=given)


def _one_thread() -> bool:
    """Whether this is a Linux process of a single thread: only such a one can be forked without danger of a deadlock.

    The allocator under pyarrow has a thread of its own, which it stops and starts again around a fork.
    """
    names = Path("/proc/self/task").glob("*/comm") if sys.platform == "linux" else []
    others = [name for path in names if (name := path.read_text().strip()) != "jemalloc_bg_thd"]
    return len(others) == 1


def prepared(path: Path, parameters: Mapping[str, object]) -> NotebookNode:
    """The notebook with a cell of this run's parameters after its parameter cell.

    Raises NotebookError where it has no cell tagged `parameters`.
    """
    notebook = read(path)
    tagged = [place for place, cell in enumerate(notebook.cells) if "parameters" in cell.metadata.get("tags", [])]
    if not tagged:
        raise NotebookError(f"Notebook {path.name} has no cell tagged 'parameters'. Tag its first code cell so.")
    source = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
    cell = code_cell(source, "parameters-of-this-run", tags=["injected-parameters"])
    notebook.cells.insert(tagged[0] + 1, cell)
    return notebook


def what_is_seen(analysis: Analysis) -> str:
    """Hash of all that a notebook can see of a study: every data file, the protocol but its title, lock and findings.

    The title is on the page only, so that a better one costs no run.
    """
    study = analysis.study
    return question(
        *(f"{name} {digest}" for name, digest in sorted(study.hashes.items()) if name != "study.toml"),
        repr(replace(study.protocol, title="")),
        repr((study.plan_sha256, study.lock, study.departures, study.masked, study.hidden)),
        repr((dict(study.files), {table: dict(names) for table, names in study.headers.items()})),
        analysis.findings.frame().to_csv(),
        _arms(study),
    )


def what_is_seen_of_primary(analysis: Analysis) -> str:
    """Hash of all that an analysis of the primary outcome can see: its scores, people, visits, events, the protocol.

    Other outcomes are measured in files of their own or in rows of the same: of those, the scores alone count.
    """
    study = analysis.study
    measured = {study.files.get(table, "") for table in MEASUREMENTS}
    scores = analysis.scores
    return question(
        *(f"{name} {digest}" for name, digest in sorted(study.hashes.items()) if name not in ("study.toml", *measured)),
        repr(replace(study.protocol, title="")),
        repr((study.plan_sha256, study.lock, study.departures, study.masked, study.hidden)),
        scores[(scores["outcome"] == study.protocol.primary).to_numpy()].to_csv(),
        _arms(study),
    )


def _cells_of_primary(notebook: NotebookNode, analysis: Analysis, made_with: Sequence[str]) -> dict[str, str]:
    """The questions of the cells tagged as of the primary outcome only, by the id of the cell.

    Such a cell defines no name for others (a test sees to it) and is answered by the code before it and those data.
    """
    sources, found = [], {}
    for cell in notebook.cells:
        if cell.cell_type == "code":
            sources.append(cell.source)
            if OF_PRIMARY in cell.metadata.get("tags", []):
                found[cell.id] = question("cell", *sources, what_is_seen_of_primary(analysis), *made_with)
    return found


def _arms(study: Study) -> str:
    """Who is in which arm: the letters of a blinded study are drawn, and stand in no data file."""
    return study.participants[[name for name in ("participant", "arm") if name in study.participants]].to_csv()


def code_digest() -> str:
    """Digest of the kit's own code and data files: a change of one line runs every notebook again."""
    files = [
        path
        for package in ("outcomes", "stats", "notebooks")
        for path in sorted((SOURCE.parent / package).rglob("*"))
        if path.suffix in {".py", ".toml", ".csv", ".j2", ".css"}
    ]
    return _digest([path.relative_to(SOURCE.parent).as_posix() + file_digest(path) for path in files])


def _digest(parts: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
