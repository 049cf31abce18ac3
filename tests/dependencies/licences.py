"""The licence of every pinned dependency, from the metadata of what is installed; nothing is asked of a registry.

python -m tests.dependencies.licences --to tests/dependencies/licences.csv
"""

import argparse
import csv
import importlib.metadata
import re
from collections.abc import Iterator
from pathlib import Path

PINNED = Path(__file__).resolve().parents[2] / "constraints.txt"
HERE = Path(__file__).with_name("licences.csv")
COLUMNS = ("package", "version", "licence")
_LONGEST = 90  # characters; some packages put the whole text there


def pinned() -> dict[str, str]:
    """Package -> version, as constraints.txt pins them."""
    lines = PINNED.read_text(encoding="utf-8").splitlines()
    pairs = [line.split(";")[0].strip().split("==") for line in lines if "==" in line and not line.startswith("#")]
    return {re.sub(r"[-_.]+", "-", name.strip().lower()): version.strip() for name, version in pairs}


def licences() -> Iterator[tuple[str, str, str]]:
    """Package, version and licence: the SPDX expression, else the classifiers, else the first line of the field."""
    for name, version in sorted(pinned().items()):
        try:
            about = importlib.metadata.metadata(name)
        except importlib.metadata.PackageNotFoundError:
            yield name, version, "not installed here"
            continue
        classified = [
            text.split(" :: ")[-1] for text in about.get_all("Classifier") or () if text.startswith("License")
        ]
        stated = (about.get("License") or "").strip().splitlines()
        told = about.get("License-Expression") or "; ".join(classified) or (stated[0] if stated else "not stated")
        yield name, version, told[:_LONGEST]


def main() -> int:
    """Write the list."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--to", type=Path, default=HERE)
    with parser.parse_args().to.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *licences()])
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
