"""The list of checks and the one function that runs them."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import pandas as pd

from outcomes.findings import Findings, rules
from outcomes.study import Study

Check = Callable[[Study], Iterable[pd.DataFrame]]


@dataclass(frozen=True)
class Registered:
    """A check and the rules it may report."""

    rules: tuple[str, ...]
    run: Check


CHECKS: list[Registered] = []


def reports(*names: str) -> Callable[[Check], Check]:
    """Registers a check under the rules it may report (all of them in `rules.toml`)."""
    unknown = [name for name in names if name not in rules()]
    if unknown:
        raise KeyError(f"no such rule in rules.toml: {', '.join(unknown)}")

    def register(run: Check) -> Check:
        CHECKS.append(Registered(names, run))
        return run

    return register


def check(study: Study) -> Findings:
    """Everything that is wrong, doubtful or was converted in a study, errors first.

    Returns:
        Findings: `.frame()` has one row per finding; `.blocking` is True where one of them is an error.
    """
    found = [study.findings.frame()]
    for registered in CHECKS:
        found += list(registered.run(study))
    return Findings(found)
