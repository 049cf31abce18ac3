"""Files of a user that bear a name of this kit and would be imported in its place.

The names of the packages are common words: a `stats.py` beside a notebook hides `stats`, and all that is seen is an
ImportError about some name inside. So each package looks, when it is imported, where the others would come from.
"""

from importlib.util import find_spec
from pathlib import Path

PACKAGES = ("outcomes", "stats", "synthetic_cohort", "notebooks")


def refuse_others(home: str) -> None:
    """ImportError that names the file, where one of the packages would not be found beside `home` (a package's folder).

    home: `__file__` of the package that asks.
    """
    folder = Path(home).resolve().parents[1]
    for name in PACKAGES:
        spec = find_spec(name)
        origin = spec.origin if spec is not None else None
        if origin and Path(origin).resolve().parents[1] != folder:
            raise ImportError(
                f"{origin} stands in the way: Python takes it for the package '{name}' of this kit, which lies in "
                f"{folder / name}. Rename that file or folder, or work in another folder."
            )
