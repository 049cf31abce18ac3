"""Findings on a command line: grouped by kind, the severity in front, and at the end what stands in the way."""

import pandas as pd

from outcomes import Study
from outcomes.findings import SEVERITIES, Findings, paragraph

PER_KIND = 3
VALUES = {"items": "value", "totals": "value", "trials": "value", "angles": "degrees"}  # table -> its measured column
FILL_IN = (
    "No data yet. Fill in, in this order:",
    "  1. study.toml: arms, visits with their days, outcomes, the primary one and its visit ([estimand] visit).",
    "  2. {participants}: one row a person, with a code, the arm and the affected side.",
    "  3. {measured}: one row a measured value, with the participant and the visit; the others stay empty.",
    "  4. Then run this command again: what is wrong with the data can be said once there are some.",
)


def finding_lines(findings: Findings, study: Study | None = None) -> list[str]:
    """Lines to print. study: where it has no data at all, what to fill in comes instead of what is missing."""
    if study is not None and is_empty(study):
        counts = findings.count()
        frame = findings.frame()
        plan = frame[(frame["file"] == "study.toml") & (frame["rule"] != "outcome without data")]
        so_far = f"{_counted(counts)} so far, most because nothing is filled in yet."
        return [*_to_fill_in(study), *_grouped(plan), so_far]
    return [*_grouped(findings.frame()), _last(findings)]


def is_empty(study: Study) -> bool:
    """Whether nothing was measured in this study yet."""
    typed = [study.table(name).get(column) for name, column in VALUES.items()]
    return len(study.series) == 0 and not any(
        values is not None and (values.notna() & (values.astype(str).str.strip() != "")).any() for values in typed
    )


def _to_fill_in(study: Study) -> list[str]:
    files = [study.files[name].replace("study.xlsx, sheet ", "") for name in VALUES if name in study.files]
    measured = ", ".join(files) or "items, totals or trials"
    people = study.files.get("participants", "participants")
    return [line.format(participants=people, measured=measured) for line in FILL_IN]


def _grouped(frame: pd.DataFrame) -> list[str]:
    lines = []
    for (severity, rule, file), own in frame.groupby(["severity", "rule", "file"], sort=False):
        head = f"{severity:<8} {rule}" + (f" ({len(own)})" if len(own) > 1 else "")
        lines.append(f"{head}: {paragraph(own.iloc[0].to_dict())}")
        lines += [f"{'':<8} {paragraph(record)}" for record in own.iloc[1:PER_KIND].to_dict("records")]
        if len(own) > PER_KIND:
            lines.append(f"{'':<8} ... and {len(own) - PER_KIND} more of this kind{f' in {file}' if file else ''}.")
    return lines


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(f"{counts[name]} {name}{'' if counts[name] == 1 else 's'}" for name in SEVERITIES)


def _last(findings: Findings) -> str:
    frame = findings.frame()
    errors = frame[frame["severity"] == "error"]
    if errors.empty:
        return f"{_counted(findings.count())}. Nothing blocks the analysis."
    kinds = ", ".join(f"{rule} ({count})" for rule, count in errors["rule"].value_counts(sort=False).items())
    return f"{_counted(findings.count())}. Blocked by: {kinds}. Correct these, then run the command again."
