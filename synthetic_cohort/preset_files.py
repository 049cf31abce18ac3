"""The cohorts that come with the package: one TOML each in `presets/`."""

from functools import cache
from importlib.resources import files

from outcomes.errors import StudyError
from synthetic_cohort.design import CohortDesign


def presets() -> tuple[str, ...]:
    """Names of the cohorts that come with the package."""
    folder = files("synthetic_cohort").joinpath("presets")
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


@cache
def preset(name: str) -> CohortDesign:
    """The design of a preset. Raises StudyError for a name that is none."""
    if name not in presets():
        raise StudyError(f"no cohort preset {name!r}; allowed {', '.join(presets())}.")
    text = files("synthetic_cohort").joinpath("presets", f"{name}.toml").read_text(encoding="utf-8")
    return CohortDesign.from_toml(text)
