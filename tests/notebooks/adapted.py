"""What the last part of each notebook, Adapt it, offers to copy: its lines, and the cells that must run before them."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import nbformat

HERE = Path(__file__).resolve().parents[2] / "notebooks"
FENCE = re.compile(r"```python\n(.*?)\n```", re.DOTALL)
LINES = 6
APART = "11_the_application"
ON_A_REPORT = "8_rerun_and_compare"


def notebooks() -> list[str]:
    """Names of the notebooks, in order; that of the application needs a sheet of published trials and is apart."""
    names = [path.stem for path in HERE.glob("[0-9]*_*.ipynb") if path.stem != APART]
    return sorted(names, key=lambda name: int(name.partition("_")[0]))


def offered(name: str) -> list[str]:
    """The pieces of code in the last part of a notebook."""
    last = nbformat.read(HERE / f"{name}.ipynb", 4).cells[-1]
    assert last.source.startswith("## Adapt it")
    return FENCE.findall(last.source)


def before(name: str, **parameters: Path) -> Iterator[str]:
    """The cell of parameters with these in place of its own, and the cell after it, which reads the study."""
    code = [cell for cell in nbformat.read(HERE / f"{name}.ipynb", 4).cells if cell.cell_type == "code"]
    yield code[0].source + "".join(f"\n{key} = {json.dumps(str(value))}" for key, value in parameters.items())
    if name != ON_A_REPORT:
        yield code[1].source
