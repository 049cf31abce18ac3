"""Findings of a study that is checked part by part: what the checks of the whole would say.

A finding of a row or of a person is there where their rows are. What is said of everybody stands in every part alike
and is kept once. What is missing (`ABSENT`) is missing only where no part has it.

Not the same as at once: "jump between visits" asks what is far out among the changes of the people of a part, and "no
baseline" and "nothing after baseline" are told of a part in which anybody has the primary outcome.
"""

from collections.abc import Iterable

import pandas as pd

from outcomes.findings import Findings, gathered_of_parts, no_findings

ABSENT = ("outcome without data", "level of an outcome without data", "table without rows")
GATHERED = (  # said once of all their rows, whichever part they are in
    "side read as", "side assumed", "side unknown",
    "visit read as", "arm read as", "instrument read as", "item read as",
)  # fmt: skip
# What tables say that stand in every part alike: asked of the first part alone.
OF_EVERYBODY = ("participant codes alike", "duplicate participant", "cost of nobody")
# Asked of those only who are left when all parts were seen; of a part it would be nearly everybody.
OF_THE_REST = ("participant without measurements",)
# `allowed` tells what a part has
_SAME = ["severity", "file", "row", "column", "participant", "visit", "rule", "found"]


class FindingsInParts:
    """`add` the findings of every part (less OF_THE_REST, which are `told` at the end), then ask for the `total`."""

    def __init__(self) -> None:
        self._there: list[pd.DataFrame] = []
        self._absent: pd.DataFrame | None = None

    def add(self, findings: Findings) -> None:
        """One more part."""
        frame = findings.frame()
        lacking = frame["rule"].isin(ABSENT)
        absent = frame[lacking]
        if self._absent is None:
            self._absent = absent
        elif len(self._absent):
            self._absent = self._absent.merge(absent[_SAME].drop_duplicates(), on=_SAME, how="inner")
        self._there.append(frame[~lacking])
        if len(self._there) > 8:  # what every part says is not kept a hundred times
            self._there = [pd.concat(self._there, ignore_index=True).drop_duplicates()]

    def told(self, frames: Iterable[pd.DataFrame]) -> None:
        """What is said of all parts together."""
        self._there += frames

    def total(self) -> Findings:
        """All findings, errors first."""
        absent = [] if self._absent is None else [self._absent]
        there = pd.concat(self._there, ignore_index=True) if self._there else no_findings()
        many = there["rule"].isin(GATHERED)
        return Findings([there[~many], gathered_of_parts(there[many]), *absent])
