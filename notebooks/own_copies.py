"""The notebooks copied into a folder of one's own: an installed kit has no clone to work in."""

import shutil
from pathlib import Path

from outcomes.errors import StudyError

HERE = Path(__file__).parent


def copy_notebooks(to: Path) -> list[Path]:
    """Copy every notebook of the kit into a folder. Raises StudyError where one of that name is there already."""
    notebooks = sorted(HERE.glob("[0-9]*_*.ipynb"), key=lambda path: int(path.stem.partition("_")[0]))
    if to.exists() and not to.is_dir():
        raise StudyError(f"The notebooks cannot be copied to {to}: a file has that name. Name a folder.")
    there = [path.name for path in notebooks if (to / path.name).exists()]
    if there:
        raise StudyError(
            f"The folder {to} holds {', '.join(there[:3])} already, perhaps changed by somebody. Name another folder."
        )
    to.mkdir(parents=True, exist_ok=True)
    return [Path(shutil.copyfile(path, to / path.name)) for path in notebooks]
