"""Notebook files of format 4 as the report needs them: read, built, written.

Written against the published format (nbformat 4.5, JSON). The library of that name is not loaded here: its `reads`
without the schema is as fast as this, but importing it brings the grammars its schemas ask for, 2.2 s of processor
time beside 0.6 s for pandas in the same minute. The tests read what is written here with that library.
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path


class NotebookNode(dict):
    """A part of a notebook: a mapping whose keys are attributes too."""

    def __getattr__(self, name: str):
        try:
            return self[name]
        except KeyError:
            raise AttributeError(name) from None

    def __setattr__(self, name: str, value: object) -> None:
        self[name] = value


def parsed(text: str | bytes) -> NotebookNode:
    """A notebook, or a part of one, from its JSON text."""
    return json.loads(text, object_hook=NotebookNode)


def read(path: Path) -> NotebookNode:
    """A notebook file. Texts that are kept line by line are joined, of cells and of what they show."""
    return joined(parsed(path.read_text(encoding="utf-8")))


def joined(notebook: NotebookNode) -> NotebookNode:
    """The notebook with every text in one piece."""
    for cell in notebook.cells:
        cell.source = _text(cell.source)
        for output in cell.get("outputs", []):
            if "text" in output:
                output.text = _text(output.text)
            data = output.get("data", {})
            for kind, value in data.items():
                if isinstance(value, list) and not kind.endswith("json"):
                    data[kind] = _text(value)
    return notebook


def new_notebook(cells: Sequence[NotebookNode]) -> NotebookNode:
    """A notebook of these cells."""
    return NotebookNode(cells=list(cells), metadata=NotebookNode(), nbformat=4, nbformat_minor=5)


def markdown_cell(source: str, name: str) -> NotebookNode:
    """A cell of text. name: its id, letters, digits and hyphens."""
    return NotebookNode(id=name, cell_type="markdown", source=source, metadata=NotebookNode())


def code_cell(source: str, name: str, outputs: Sequence = (), tags: Sequence[str] = ()) -> NotebookNode:
    """A cell of code with what it showed."""
    metadata = NotebookNode(tags=list(tags)) if tags else NotebookNode()
    return NotebookNode(
        id=name, cell_type="code", metadata=metadata, execution_count=None, source=source, outputs=list(outputs)
    )


def shown(data: Mapping, metadata: Mapping | None = None) -> NotebookNode:
    """What a cell showed: data by MIME type."""
    return NotebookNode(output_type="display_data", data=NotebookNode(data), metadata=NotebookNode(metadata or {}))


def printed(stream: str, text: str) -> NotebookNode:
    """What a cell printed. stream: "stdout" or "stderr"."""
    return NotebookNode(output_type="stream", name=stream, text=text)


def _text(source: str | Sequence[str]) -> str:
    return source if isinstance(source, str) else "".join(source)
