"""What several commands print: findings, refusals, progress, a comparison as a file."""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path


def print_findings(findings, study=None) -> None:
    """Findings by kind, the ones that block first; at the end what blocks."""
    from notebooks.show.findings_lines import finding_lines

    print("\n".join(finding_lines(findings, study)))


def refused(message: str, status: int = 1) -> int:
    print(f"outcomes: {message}", file=sys.stderr)
    return status


def progress(options: argparse.Namespace) -> Callable[[str], None]:
    """Prints progress lines with the seconds since the start, on stderr."""
    start = time.perf_counter()

    def say(line: str) -> None:
        if not options.quiet:
            print(f"[{time.perf_counter() - start:6.1f} s] {line}", file=sys.stderr, flush=True)

    return say


def told(line: str) -> None:
    print(line, flush=True)


def write_comparison(compared, path: Path | None) -> None:
    if path is not None:
        from outcomes.spreadsheet_cells import safe_cell

        compared.frame().map(safe_cell).to_csv(path, index=False)
