"""A study too large to read at once, analysed part by part: every part adds its sums, as a site would.

Rows are read, checked and scored a part at a time (`outcomes.reading.study_parts`); what stays of a part are its
findings, the sums of its models and its counts. Nothing leaves the house here, so nothing is guarded.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from outcomes.checks.grouping import among
from outcomes.checks.joined_findings import OF_EVERYBODY, OF_THE_REST, FindingsInParts
from outcomes.checks.people.enrolment import never_measured
from outcomes.checks.register import check
from outcomes.findings import Findings
from outcomes.protocol.trial import Protocol
from outcomes.reading.study_parts import ROWS, study_parts
from outcomes.scoring.score import score
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study
from stats.change.change_fit import ChangeFit
from stats.errors import FitError
from stats.federated.added_sums import together_sums
from stats.federated.counted import baseline_counts, responder_counts, together
from stats.federated.outcome_sums import OutcomeSums, outcome_sums
from stats.federated.site_file import planned
from stats.federated.sums_fit import fit_sums


@dataclass(frozen=True)
class InParts:
    """What the parts give together.

    findings: of all rows. fits: outcome -> model of change; failed: outcome -> why there is none. responders, baseline:
    as those of merged sites. rows: of totals read; parts: how many; people: enrolled.
    """

    design: Protocol
    findings: Findings
    fits: Mapping[str, ChangeFit]
    failed: Mapping[str, str]
    responders: pd.DataFrame
    baseline: pd.DataFrame
    rows: int
    parts: int
    people: int
    notes: tuple[str, ...]


def analyse_in_parts(
    path: str | Path,
    *,
    rows: int = ROWS,
    outcomes: Sequence[str] | None = None,
    progress: Callable[[int], None] | None = None,
) -> InParts:
    """Check, score, model and count a study folder part by part.

    rows: of totals in a part, about; a part has to fit in memory several times. outcomes: ids of those to model
    (default: all of the plan). progress: called with the rows done; what it raises stops the work.
    Raises StudyError where the folder cannot be read in parts; a model that cannot be fitted is in `failed`. Findings
    that block an analysis are told like all others: ask `findings.blocking`.
    InstrumentError where an answer depends on an option that study.toml does not give. Source: as `fit_change` and
    `count_responders`; the parts add up to the same sums.
    """
    findings, done, parts = FindingsInParts(), 0, 0
    sums: dict[str, OutcomeSums | None] = {}  # of all parts so far
    without: dict[str, str] = {}
    counts: list[list[dict]] = []
    baseline: list[list[dict]] = []
    not_counted: dict[tuple[str, str], str] = {}
    design: Protocol | None = None
    everybody, never, scores = pd.DataFrame(), pd.DataFrame(), pd.DataFrame()
    last: Study | None = None
    for study in study_parts(path, rows=rows):
        last = study
        scores = score(study)
        findings.add(check(study, scores, but=OF_THE_REST if design is None else (*OF_EVERYBODY, *OF_THE_REST)))
        if design is None:
            design, everybody = study.protocol, study.participants.drop_duplicates("participant")
            never = everybody
        here = study.totals["participant"]
        people, never = everybody[among(everybody["participant"], here)], never[~among(never["participant"], here)]
        for outcome in planned(design) if outcomes is None else outcomes:
            if not ((scores["outcome"] == outcome) & scores["value"].notna()).any():
                sums.setdefault(outcome, None)
                continue
            try:
                made = outcome_sums(scores, outcome, design, people, profiles=False)
                before = sums.get(outcome)
                sums[outcome] = made.sums if before is None else together_sums([before, made.sums])
            except FitError as error:  # a part of the people is no answer about all
                without.setdefault(outcome, str(error))
        counted, uncounted = responder_counts(scores, design, people, 1, set())
        counts.append(counted)
        not_counted |= {(entry["outcome"], entry["threshold"]): entry["why"] for entry in uncounted}
        baseline.append(baseline_counts(scores, design, people, 1, set()))
        done, parts = done + len(study.totals), parts + 1
        if progress is not None:
            progress(done)
    assert design is not None  # `study_parts` has one part, or raises
    if last is not None:
        nothing: dict[str, pd.DataFrame] = {name: last.table(name).iloc[:0] for name in MEASUREMENTS}
        left = last.participants[among(last.participants["participant"], never["participant"])]
        findings.told(never_measured(replace(last, participants=left, **nothing)))
    if len(never):
        baseline.append(baseline_counts(scores.iloc[:0], design, never, 1, set()))
        counts.append(_never_seen(counts, never))
    fits, failed = _fits(design, sums, without)
    notes = tuple(f"{outcome} by {key} was not counted in every part: {why}" for (outcome, key), why in
                  not_counted.items())  # fmt: skip
    responders = together(counts, ("outcome", "threshold", "value", "unit", "arm"))
    return InParts(design, findings.total(), fits, failed, responders, together(baseline, ("arm", "what")), done,
                   parts, len(everybody), notes)  # fmt: skip


def _fits(
    design: Protocol, sums: Mapping[str, OutcomeSums | None], without: Mapping[str, str]
) -> tuple[dict[str, ChangeFit], dict[str, str]]:
    fits, failed = {}, {}
    for outcome in {**sums, **without}:
        total = sums.get(outcome)
        if outcome in without or total is None:
            failed[outcome] = without.get(outcome, f"{outcome} has no value at any visit: there is nothing to model.")
            continue
        try:
            fits[outcome] = fit_sums(total, design)
        except FitError as error:
            failed[outcome] = str(error)
    return fits, failed


def _never_seen(counts: list[list[dict]], never: pd.DataFrame) -> list[dict]:
    """Entries of enrolled people without any row: missing, by every threshold and arm that was counted."""
    arms: dict[str, int] = never["arm"].astype(str).value_counts().to_dict() if "arm" in never else {}
    made = {}
    for entry in (entry for part in counts for entry in part):
        key = (entry["outcome"], entry["threshold"], entry["value"], entry["unit"], entry["arm"])
        n = int(arms.get(entry["arm"], 0))
        if n:
            made[key] = entry | {"enrolled": n, "counts": dict.fromkeys(entry["counts"], 0) | {"missing": n}}
    return list(made.values())
