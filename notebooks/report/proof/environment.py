"""What a report was computed with: the kit, Python, and every package the kit uses, directly or by way of others."""

import importlib.metadata
import platform
import re
from collections.abc import Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError
from pathlib import Path

from packaging.markers import UndefinedEnvironmentName
from packaging.requirements import InvalidRequirement, Requirement

KIT = "outcomes-kit"
# What computes the numbers; named in the methods text.
COMPUTING = ("numpy", "scipy", "pandas", "statsmodels", "formulaic", "pingouin", "plotly")
# Every dependency of the kit, as pyproject.toml names them; a test compares the two.
USED = (*COMPUTING, "choreographer", "great-tables", "ipython", "jinja2", "joblib", "jupyterlab", "lazy-loader",
        "loky", "mistune", "openpyxl", "packaging", "pillow", "platformdirs", "pyarrow", "pyreadstat",
        "python-docx", "rapidfuzz", "threadpoolctl", "tomlkit")  # fmt: skip
VERSION = re.compile(r"^Version:[ \t]*(\S+)", re.MULTILINE)
REQUIRED = re.compile(r"^Requires-Dist:[ \t]*(.+?)[ \t]*$", re.MULTILINE)
MOST_PINS = 1_000_000  # bytes of a requirements.txt that is read
PYPROJECT = Path(__file__).resolve().parents[3] / "pyproject.toml"


@cache
def software() -> dict[str, str]:
    """Versions of Python and of what computed the numbers."""
    return {"python": platform.python_version()} | {name: importlib.metadata.version(name) for name in COMPUTING}


@cache
def versions() -> dict[str, str]:
    """Versions of Python, of the kit and of every package that it uses directly."""
    used = {name: found for name in USED if (found := _version(name))}
    return {"python": platform.python_version(), KIT: kit_version()} | used


def kit_version() -> str:
    """The version of the kit, also where it is run from a folder without being installed."""
    found = _version(KIT)
    if found is None and PYPROJECT.is_file():
        named = re.search(r'^version = "([^"]+)"', PYPROJECT.read_text(encoding="utf-8"), re.MULTILINE)
        found = named[1] if named else None
    return found or "unknown"


@cache
def indirect_versions() -> dict[str, str]:
    """Versions of what those packages need in their turn, as far as it is installed here."""
    waiting = [(name, frozenset[str]()) for name in USED]
    seen, found = set(waiting), {}
    while waiting:
        name, extras = waiting.pop()
        try:
            package = importlib.metadata.distribution(name)
        except PackageNotFoundError:
            continue
        # The file is read as lines: the library takes it apart as a letter, once for each of the two.
        head = (package.read_text("METADATA") or "").partition("\n\n")[0]
        found[_plain(name)] = next(iter(VERSION.findall(head)), "") or package.version
        for line in REQUIRED.findall(head):
            needed = _needed(line, extras)
            if needed is not None and needed not in seen:
                seen.add(needed)
                waiting.append(needed)
    return {name: found[name] for name in sorted(found) if name not in USED}


def requirements_text(code: str) -> str:
    """The text of requirements.txt: exact versions, without addresses. code: digest of the kit's own code."""
    return _requirements(versions() | indirect_versions(), code)


def _requirements(used: Mapping[str, str], code: str) -> str:
    head = (
        f"# What this report was computed with, on Python {used.get('python')}.\n"
        f"# The kit itself: {KIT} {used.get(KIT)}, whose code has the digest {code} (record.json, 'code').\n"
    )
    return head + "".join(f"{name}=={used[name]}\n" for name in sorted(used) if name not in ("python", KIT))


def pins_that_differ(report: Path, record: Mapping) -> list[str]:
    """How a report's requirements.txt is not what its record names, line by line; [] without such a file."""
    path = report / "requirements.txt"
    if not path.is_file() or path.is_symlink() or path.stat().st_size > MOST_PINS:
        return []
    told = path.read_text(encoding="utf-8", errors="replace").splitlines()
    meant = _requirements(record["software"] | record["environment"], record["code"]).splitlines()
    more, less = ([line for line in one if line not in other] for one, other in ((told, meant), (meant, told)))
    return [
        *(f"requirements.txt has the line {line[:120]!r}, which does not follow from the record." for line in more),
        *(f"requirements.txt does not have the line {line[:120]!r}, which follows from the record." for line in less),
    ]


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except PackageNotFoundError:
        return None


def _needed(line: str, extras: frozenset[str]) -> tuple[str, frozenset[str]] | None:
    """The package a requirement names, with its extras; None where it is not for this Python or system."""
    try:
        needed = Requirement(line)
        wanted = needed.marker is None or any(needed.marker.evaluate({"extra": extra}) for extra in extras or {""})
    except (InvalidRequirement, UndefinedEnvironmentName):
        return None
    return (_plain(needed.name), frozenset(needed.extras)) if wanted else None


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()
