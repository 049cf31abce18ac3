"""The tests on every Python from 3.11 on that is found here, with the oldest, the pinned and the newest dependencies.

    python -m tests.dependencies.every_version --to FOLDER                      # everything; a virtual environment each
    python -m tests.dependencies.every_version --to FOLDER --only 3.11 oldest --tests tests/stats/mixed

Oldest: each dependency at the lower bound of pyproject.toml. Pinned: constraints.txt. Newest: what pip finds. Where a
bound has no files for a Python, or bounds contradict each other, pip's reason is printed and the exit status is 1.
Environments that are there are used again; the results go into FOLDER/results.csv.
"""

import argparse
import csv
import os
import re
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FIRST, LAST = 11, 30  # minor versions of Python 3 that are looked for
SETS = ("oldest", "pinned", "newest")
TESTS = ("tests/outcomes", "tests/stats", "tests/synthetic_cohort", "tests/structure")
PACKAGES = ("outcomes", "stats", "notebooks", "synthetic_cohort", "tests", "pyproject.toml", "README.md", "LICENSE")
BOUND = re.compile(r"^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?>=([0-9][0-9.]*)")


def pythons() -> dict[str, str]:
    """Minor version -> interpreter: on the path, or where a manager of versions keeps them."""
    found = {}
    kept = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    for minor in range(FIRST, LAST):
        name = f"python3.{minor}"
        places = [str(path) for path in sorted(kept.glob(f"3.{minor}.*/bin/python"))]
        for place in [*reversed(places), shutil.which(name)]:
            if place and _runs(place, minor):
                found[f"3.{minor}"] = place
                break
    return found


def _runs(interpreter: str, minor: int) -> bool:
    told = subprocess.run([interpreter, "-c", "import sys, venv; print(sys.version_info[1])"], capture_output=True)
    return told.returncode == 0 and told.stdout.strip() == str(minor).encode()


def lower_bounds() -> dict[str, str]:
    """Package -> the oldest version that pyproject.toml allows."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    found = [BOUND.match(line) for line in told]
    return {bound[1]: bound[2] for bound in found if bound is not None}


def constraints(which: str, folder: Path) -> list[str]:
    """Options of pip for a set of versions."""
    if which == "newest":
        return []
    if which == "pinned":
        return ["-c", str(ROOT / "constraints.txt")]
    path = folder / "oldest.txt"
    path.write_text("".join(f"{name}=={version}\n" for name, version in lower_bounds().items()), encoding="utf-8")
    return ["-c", str(path)]


def tried(python: str, interpreter: str, which: str, folder: Path, tests: Sequence[str]) -> dict[str, str]:
    """One environment: was it installed, and what did the tests say?"""
    start = time.perf_counter()
    place = folder / f"{python}-{which}"
    result = {"python": python, "dependencies": which, "installed": "yes", "tests": "", "seconds": ""}
    inside = place / "bin" / "python"
    if not (place / "installed").exists():
        subprocess.run([interpreter, "-m", "venv", "--clear", str(place)], check=True)
        # Only files of packages: an old version that has to be compiled here says nothing about the kit.
        asked = ["install", "-q", "--only-binary", ":all:", *constraints(which, folder), *_wanted()]
        done = subprocess.run([str(inside), "-m", "pip", *asked], capture_output=True, text=True)
        if done.returncode:
            return result | {"installed": _reason(done.stderr)}
        (place / "installed").touch()
    work = folder / "copy"  # tests write nothing into the repository
    shutil.rmtree(work, ignore_errors=True)
    for name in PACKAGES:
        source = ROOT / name
        copy = shutil.copytree if source.is_dir() else shutil.copyfile
        work.mkdir(exist_ok=True)
        copy(source, work / name)
    asked = ["-m", "pytest", "-q", "-x", "-p", "no:randomly", "-p", "no:cacheprovider", *tests]
    done = subprocess.run([str(inside), *asked], cwd=work, capture_output=True, text=True)
    last = (done.stdout.strip().splitlines() or [done.stderr.strip()[-200:]])[-1]
    return result | {"tests": last.strip("= "), "seconds": f"{time.perf_counter() - start:.0f}"}


def _wanted() -> list[str]:
    """What is installed: dependencies, and those of the tests, without the kit, which runs from its copy."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [*told["dependencies"], *_extra(told["optional-dependencies"], "test")]


def _extra(extras: dict[str, list[str]], name: str) -> Iterator[str]:
    """The packages of an extra; one that names others of the kit's is followed."""
    for line in extras[name]:
        own = re.fullmatch(r"outcomes-kit\[(.+)\]", line)
        if own is None:
            yield line
        for other in own[1].split(",") if own else ():
            yield from _extra(extras, other.strip())


def _reason(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if "conflict" in line.lower() or line.startswith("ERROR")]
    return " ".join(lines)[:400] or said.strip()[-200:]


def everything(folder: Path, only: Sequence[str], tests: Sequence[str]) -> Iterator[dict[str, str]]:
    """Every Python with every set, as far as `only` names them."""
    wanted = {part for part in SETS if part in only} or set(SETS)
    versions = {part for part in only if part not in SETS}
    for python, interpreter in pythons().items():
        for which in SETS:
            if which in wanted and (not versions or python in versions):
                yield tried(python, interpreter, which, folder, tests)


def main() -> int:
    """Install and run; exit status 1 where something could not be installed, or a test failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="where the environments go")
    parser.add_argument("--only", nargs="+", default=[], help="versions of Python, and oldest, pinned or newest")
    parser.add_argument("--tests", nargs="+", default=list(TESTS))
    options = parser.parse_args()
    options.to.mkdir(parents=True, exist_ok=True)
    folder = options.to.resolve()
    results = []
    for one in everything(folder, options.only, options.tests):
        results.append(one)
        print(" | ".join(one.values()), flush=True)
        with (folder / "results.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(one))
            writer.writeheader()
            writer.writerows(results)
    good = [one for one in results if one["installed"] == "yes" and " passed" in one["tests"]]
    failed = [one for one in results if one not in good or "failed" in one["tests"] or "error" in one["tests"]]
    return 1 if failed or not results else 0


if __name__ == "__main__":
    sys.exit(main())
