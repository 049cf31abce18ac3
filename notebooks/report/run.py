"""Run notebooks headless: several kernels at a time, progress on stderr, only what changed is run again."""

import asyncio
import contextlib
import hashlib
import os
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

SOURCE = Path(__file__).resolve().parents[1]  # where the notebooks lie
CELL_LIMIT_S = 1800
CLEAR = "get_ipython().reset(new_session=True)"
KEPT = "outcomes_kit"  # where an executed notebook keeps the key of what it was run on


class NotebookError(RuntimeError):
    """A notebook stopped before its last cell."""


@dataclass(frozen=True)
class Run:
    """One executed notebook: `seconds` is 0 and `reused` is true where nothing had changed since the last run."""

    name: str
    notebook: nbformat.NotebookNode
    seconds: float
    reused: bool


def section(name: str, about: str, code: str, exhibits: Iterable) -> Run:
    """A section of every report as an executed notebook, made without a kernel so that no report is without it."""
    outputs = [nbformat.v4.new_output("display_data", exhibit._repr_mimebundle_()) for exhibit in exhibits]
    cells = [
        nbformat.v4.new_markdown_cell(about, id=f"{name}-00"),
        nbformat.v4.new_code_cell(code, id=f"{name}-01", outputs=outputs),
    ]
    return Run(name, nbformat.v4.new_notebook(cells=cells), 0.0, False)


class _ThisPython(KernelSpecManager):
    """Kernels run on the Python that runs this module, whatever kernels the computer has registered."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        return KernelSpec(argv=argv, display_name="Python 3", language="python")


def shipped() -> dict[str, Path]:
    """The notebooks of a report, in their order; one that works on a finished report is none of them."""
    paths = sorted(SOURCE.glob("[0-9]_*.ipynb"))
    return {path.stem: path for path in paths if not nbformat.read(path, 4).metadata.get("on_a_finished_report")}


def run_notebooks(
    paths: Iterable[Path],
    to: Path,
    parameters: Mapping[str, object],
    *,
    inputs: str,
    processes: int | None = None,
    say: Callable[[str], None] = lambda line: None,
    cwd: Path | None = None,
) -> list[Run]:
    """Run notebooks in `to` and keep the executed copies there; the results are in the order of `paths`.

    parameters: values for the parameter cell. inputs: a digest of the data; an executed copy made from the same
    notebook, parameters, data and code is taken as it is. cwd: where the kernels start, `to` where not named.
    Raises NotebookError naming the notebook and the cell that stopped.
    """
    to.mkdir(parents=True, exist_ok=True)
    chosen = list(paths)
    for old in to.glob("*.ipynb"):
        if old.name not in {path.name for path in chosen}:
            old.unlink()
    job = _run_all(chosen, to, parameters, inputs, processes or os.cpu_count() or 1, say, cwd or to)
    # In a thread of its own: a notebook that calls this has an event loop running already.
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, job).result()


async def _run_all(paths, to, parameters, inputs, processes, say, cwd) -> list[Run]:
    """Each of `processes` kernels takes the next notebook when it has done one: starting costs more than running."""
    code = code_digest()
    runs: dict[int, Run] = {}
    waiting: list[tuple[int, Path, nbformat.NotebookNode, str]] = []
    for place, path in enumerate(paths):
        notebook = prepared(path, parameters)
        key = _digest([nbformat.writes(notebook), inputs, code])
        kept = _kept(to / path.name, key)
        if kept is None:
            waiting.append((place, path, notebook, key))
        else:
            say(f"{path.stem}: unchanged, taken from the last run")
            runs[place] = Run(path.stem, kept, 0.0, True)

    async def work(scratch: Path) -> None:
        if not waiting:
            return
        async with _kernel(scratch, cwd) as manager:
            while waiting:
                place, path, notebook, key = waiting.pop(0)
                say(f"{path.stem}: running")
                start = time.perf_counter()
                await _execute(notebook, path.stem, manager)
                seconds = time.perf_counter() - start
                notebook.metadata[KEPT] = {"key": key}
                nbformat.write(notebook, to / path.name)
                say(f"{path.stem}: done in {seconds:.1f} s")
                runs[place] = Run(path.stem, notebook, seconds, False)

    with tempfile.TemporaryDirectory(prefix="ok-", ignore_cleanup_errors=True) as scratch:
        tasks = [asyncio.create_task(work(Path(scratch) / f"k{place}")) for place in range(processes)]
        try:
            await asyncio.gather(*tasks)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
    return [runs[place] for place in range(len(paths))]


@contextlib.asynccontextmanager
async def _kernel(scratch: Path, cwd: Path) -> AsyncIterator[AsyncKernelManager]:
    """A kernel of our own, ended whatever happens."""
    scratch.mkdir()
    manager = AsyncKernelManager(
        kernel_spec_manager=_ThisPython(),
        connection_file=str(scratch / "c.json"),
        transport="tcp" if os.name == "nt" else "ipc",  # a socket file: no open port, no warning about one
    )
    await manager.start_kernel(cwd=str(cwd), env=_environment(scratch))
    try:
        yield manager
    finally:
        await manager.shutdown_kernel(now=True)


async def _execute(notebook: nbformat.NotebookNode, name: str, manager: AsyncKernelManager) -> None:
    """Run one notebook in a kernel whose names were cleared, so that it sees nothing of the one before."""
    client = NotebookClient(notebook, km=manager, timeout=CELL_LIMIT_S, record_timing=False)
    await client.async_start_new_kernel_client()
    kernel: Any = client.kc  # an asynchronous client; the declared type is of the one that waits
    try:
        await kernel.execute(CLEAR, silent=True, reply=True, timeout=CELL_LIMIT_S)
        for place, cell in enumerate(notebook.cells):
            await client.async_execute_cell(cell, place)
    except CellExecutionError as error:
        raise NotebookError(_stopped(name, notebook, error)) from error
    except (CellTimeoutError, DeadKernelError) as error:
        raise NotebookError(f"Notebook {name} stopped: {error}") from error
    finally:
        kernel.stop_channels()


def _stopped(name: str, notebook: nbformat.NotebookNode, error: CellExecutionError) -> str:
    place = next(
        (
            number
            for number, cell in enumerate(notebook.cells, 1)
            if any(output.get("output_type") == "error" for output in cell.get("outputs", []))
        ),
        0,
    )
    return f"Notebook {name} stopped at cell {place}: {error.evalue} ({error.ename})"


def prepared(path: Path, parameters: Mapping[str, object]) -> nbformat.NotebookNode:
    """The notebook with a cell of this run's parameters after its parameter cell.

    Raises NotebookError where it has no cell tagged `parameters`.
    """
    notebook = nbformat.read(path, 4)
    tagged = [place for place, cell in enumerate(notebook.cells) if "parameters" in cell.metadata.get("tags", [])]
    if not tagged:
        raise NotebookError(f"Notebook {path.name} has no cell tagged 'parameters'. Tag its first code cell so.")
    source = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
    cell = nbformat.v4.new_code_cell(source, id="parameters-of-this-run", metadata={"tags": ["injected-parameters"]})
    notebook.cells.insert(tagged[0] + 1, cell)
    return notebook


def _environment(scratch: Path) -> dict[str, str]:
    """A kernel that finds the kit, keeps no history, and computes the same whichever kernels run beside it."""
    path = os.environ.get("PYTHONPATH")
    root = str(SOURCE.parent)
    return os.environ | {
        "PYTHONPATH": root if not path else os.pathsep.join([root, path]),
        "IPYTHONDIR": str(scratch / "ipython"),
        "PYTHONHASHSEED": "0",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "MKL_NUM_THREADS": "1",
        "PLOTLY_RENDERER": "plotly_mimetype",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    }


def _kept(target: Path, key: str) -> nbformat.NotebookNode | None:
    if not target.exists():
        return None
    try:
        notebook = nbformat.read(target, 4)
    except (ValueError, OSError, nbformat.ValidationError):
        return None  # a damaged copy is simply run again
    return notebook if notebook.metadata.get(KEPT, {}).get("key") == key else None


def code_digest() -> str:
    """Digest of the kit's own code and data files: a change of one line runs every notebook again."""
    files = [
        path
        for package in ("outcomes", "stats", "notebooks")
        for path in sorted((SOURCE.parent / package).rglob("*"))
        if path.suffix in {".py", ".toml", ".csv", ".j2", ".css"}
    ]
    return _digest([path.relative_to(SOURCE.parent).as_posix() + file_digest(path) for path in files])


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _digest(parts: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
