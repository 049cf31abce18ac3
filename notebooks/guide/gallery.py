"""The gallery: each figure with its question, the cells of a notebook that make it, and what a reviewer will ask."""

import json
import tomllib
from pathlib import Path

HERE = Path(__file__).parent
DRAWN = "drawn.json"  # beside the pictures: which figures the reports had


def gallery_page(pictures: Path | None = None) -> str:
    """The page. pictures: the folder with the figures of the invented studies, where they were drawn."""
    parts = [
        "# Gallery",
        "Each figure of the kit, drawn from the invented studies of this guide. The lines below it are those of the "
        "notebook named; `folder` is your study. Exported pictures carry no title: the finding and how to read it "
        "stand in a text file beside each.",
    ]
    drawn = json.loads((pictures / DRAWN).read_text(encoding="utf-8")) if pictures else []
    for name, entry in entries().items():
        picture = next((one for one in drawn if one.split("__")[0] == name and not one.endswith("_89mm")), None)
        shown = f"![{entry['title']}](pictures/{picture or name}.svg)"
        if drawn and picture is None:
            shown = "*No picture: the invented studies of this guide hold no such data.*"
        lines = "\n".join((*opening(entry["notebook"]), entry["makes"]))
        parts += [
            f"## {entry['title']}",
            f"*{entry['question']}*",
            shown,
            f"```{{code-block}} python\n{lines}\n```",
            f"**A reviewer asks:** {entry['asks']}",
        ]
    return "\n\n".join(parts) + "\n"


def entries() -> dict[str, dict[str, str]]:
    """Name of a figure's family -> title, question, notebook, makes, asks."""
    return tomllib.loads((HERE / "gallery.toml").read_text(encoding="utf-8"))


def code_cells(notebook: str) -> list[str]:
    """The code of a notebook's cells, in order."""
    content = json.loads((HERE.parent / f"{notebook}.ipynb").read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in content["cells"] if cell["cell_type"] == "code"]


def opening(notebook: str) -> list[str]:
    """The cell that opens a notebook: its imports, and what its figures are made of."""
    return code_cells(notebook)[1].splitlines()
