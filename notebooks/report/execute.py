"""One notebook, run cell by cell in an IPython shell of this process: for the worker processes of a report."""

import gc
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from IPython.core.displayhook import DisplayHook
from IPython.core.interactiveshell import InteractiveShell
from IPython.display import publish_display_data
from IPython.utils.capture import capture_output
from plotly.basedatatypes import BaseFigure
from plotly.io import to_json
from traitlets import Type
from traitlets.config import Config

from notebooks.analysis import Analysis, hand_over
from notebooks.report.notebook_file import NotebookNode, printed, shown
from notebooks.report.place.ending import end_with_parent
from notebooks.report.record import PLOTLY
from outcomes.text_storage import set_texts_of


class NotebookError(RuntimeError):
    """A notebook stopped before its last cell."""


class _Shown(DisplayHook):
    """The value of a cell goes where its other outputs go."""

    def write_output_prompt(self) -> None:
        pass

    def write_format_data(self, format_dict, md_dict=None) -> None:
        _Shell.instance().display_pub.publish(format_dict, md_dict)

    def finish_displayhook(self) -> None:
        pass


class _Shell(InteractiveShell):
    displayhook_class = Type(_Shown)


def begin(cwd: Path, scratch: Path, folder: str, analysis: Analysis) -> None:
    """Make this process ready to run notebooks in `cwd`, where the study folder is called `folder`."""
    end_with_parent()
    gc.freeze()  # what a worker begins with stays: no collection, and each notebook ends in one, looks at it again
    os.chdir(cwd)
    settings = Config({"HistoryManager": {"enabled": False}})
    shell = _Shell.instance(config=settings, ipython_dir=str(scratch))
    assert shell.display_formatter is not None
    shell.display_formatter.ipython_display_formatter.for_type(BaseFigure, _figure_as_data)
    set_texts_of(analysis.study)
    hand_over(folder, analysis)


def _figure_as_data(figure: BaseFigure) -> None:
    """Show a figure as data, which the page draws; plotly's own way to do so loads the checks of notebook files."""
    content = to_json(figure.to_dict(), validate=False, remove_uids=False)
    publish_display_data({PLOTLY: json.loads(content)})


def execute(name: str, notebook: NotebookNode, known: Mapping[str, list]) -> NotebookNode:
    """The notebook with its outputs. Its names are its own: those of a notebook before it are gone.

    known: by the id of a cell, what it shows; such a cell is not run.

    Raises NotebookError naming the cell that stopped.
    """
    shell = _Shell.instance()
    shell.reset(new_session=True)
    count = 0
    for place, cell in enumerate(notebook.cells, 1):
        if cell.cell_type != "code":
            continue
        count += 1
        cell.execution_count = count
        if cell.id in known:
            cell.outputs = known[cell.id]
            continue
        with capture_output() as captured:
            done = shell.run_cell(cell.source, store_history=True)
        error = done.error_before_exec or done.error_in_exec
        if error is not None:
            raise NotebookError(f"Notebook {name} stopped at cell {place}: {error} ({type(error).__name__})")
        cell.outputs = list(_outputs(captured))
    return notebook


def _outputs(captured) -> Iterator[NotebookNode]:
    for stream in ("stdout", "stderr"):
        if text := getattr(captured, stream):
            yield printed(stream, text)
    for output in captured.outputs:
        data = json.loads(json.dumps(output.data, default=str))
        yield shown(data, output.metadata)
