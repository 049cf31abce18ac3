"""Question 1: what is in the folder, what is wrong with it, and what are the scores?"""

import numpy as np
import pandas as pd

from notebooks.figures.people.planned_scores import missing_map
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Findings, Study
from outcomes import columns as c

GROUP = (c.OUTCOME, c.HAND, c.CONDITION, c.ARM, c.VISIT)


def files_table(study: Study) -> Table:
    """Files read and their rows."""
    rows = [
        {"table": name, "file": study.files.get(name, ""), "rows": count} for name, count in study.rows_read.items()
    ]
    frame = pd.DataFrame(rows, columns=["table", "file", "rows"])
    return Table(
        "files_read",
        "What was read",
        frame,
        {"Table": "{table}", "File": "{file}", "Rows": "{rows}"},
        keys=("table",),
        notes=("No row is dropped: each is scored, or reported below with its reason.",),
    )


def finding_counts(findings: Findings) -> Table:
    """Number of findings by kind and file."""
    frame = findings.summary()
    return Table(
        "finding_counts",
        "Findings by kind",
        frame[["severity", "rule", "file", "column", "count", "first"]],
        {"Severity": "{severity}", "Finding": "{rule}", "File": "{file}", "Column": "{column}", "Number": "{count}",
         "The first of them": "{first}"},
        keys=("severity", "rule", "file", "column"),
        notes=("Errors block the analysis; warnings want a look; notes say how something was read.",),
    )  # fmt: skip


def findings_table(findings: Findings) -> Table:
    """Every finding: where, what, what to do."""
    frame = findings.frame()
    frame["where"] = [
        ", ".join(part for part in (file, "" if pd.isna(row) else f"row {row:.0f}", column) if part)
        for file, row, column in zip(frame["file"], frame["row"], frame["column"], strict=True)
    ]
    return Table(
        "findings",
        "All findings",
        frame,
        {"Severity": "{severity}", "Where": "{where}", "Participant": "{participant}", "Visit": "{visit}",
         "Finding": "{rule}", "Found": "{found}", "Allowed": "{allowed}", "What to do": "{advice}"},
        recorded=False,
        limit=40,
    )  # fmt: skip


def scores_table(scores: pd.DataFrame, study: Study) -> Table:
    """Every score of the study's outcomes, one row per participant, visit, hand and condition."""
    frame = Names(study.protocol).labelled(scores[scores[c.OUTCOME].isin(study.protocol.outcomes)])
    frame["decimals"] = frame["decimals"] - 1
    return Table(
        "scores",
        "Scores",
        frame,
        {"Outcome": "{outcome_label}", "Participant": "{participant}", "Arm": "{arm_label}", "Visit": "{visit_label}",
         "Hand": "{hand}", "Condition": "{condition}", "Score": "{value}", "Unit": "{unit}",
         "Answered": "{answered} of {items}", "Reason where there is none": "{reason}"},
        keys=(c.OUTCOME, c.PARTICIPANT, c.VISIT, c.SIDE, c.CONDITION),
        group="Outcome",
        decimals="decimals",
        limit=15,
        notes=("A total needs every one of its items, unless a published rule allows some to be missing.",),
    )  # fmt: skip


def describe_scores(scores: pd.DataFrame, study: Study) -> Table:
    """Mean, SD, median and range of each outcome by hand, condition, arm and visit."""
    names = Names(study.protocol)
    rows = scores[scores[c.OUTCOME].isin(study.protocol.outcomes)]
    grouped = rows.groupby(list(GROUP), sort=False, dropna=False)
    frame = grouped[c.VALUE].agg(["count", "mean", "std", "median", "min", "max"]).reset_index()
    frame = frame.rename(columns={"count": "n", "std": "sd", "min": "lowest", "max": "highest"})
    frame["without_score"] = (grouped[c.VALUE].size().to_numpy() - frame["n"]).astype(int)
    frame["unit"] = grouped["unit"].first().to_numpy()
    frame = names.labelled(_in_order(frame, study, names))
    hand = frame[c.HAND].astype(str).str.cat(frame[c.CONDITION].astype(str), sep=", ").str.strip(", ")
    frame["where"] = hand.where(hand != "unassisted", "")
    return Table(
        "scores_by_visit",
        "Scores by visit",
        frame,
        {"Outcome": "{outcome_label}", "Hand, condition": "{where}", "Arm": "{arm_label}", "Visit": "{visit_label}",
         "n": "{n}", "No score": "{without_score}", "Mean (SD)": "{mean} ({sd})", "Median": "{median}",
         "Range": "{lowest} to {highest}", "Unit": "{unit}"},
        keys=GROUP,
        group="Outcome",
        decimals="decimals",
        notes=(
            "SD with n \N{MINUS SIGN} 1. Everyone with a score at that visit; where scores are missing, people differ "
            "between visits.",
        ),
    )  # fmt: skip


def _in_order(frame: pd.DataFrame, study: Study, names: Names) -> pd.DataFrame:
    """Outcomes, arms and visits in the order of the protocol."""
    outcomes = {outcome: place for place, outcome in enumerate(study.protocol.outcomes)}
    arms = {arm: place for place, arm in enumerate(names.arms(frame[c.ARM]))}
    visits = {visit: place for place, visit in enumerate(names.visits(frame[c.VISIT]))}
    order = pd.DataFrame(
        {"o": frame[c.OUTCOME].map(outcomes), "h": frame[c.HAND], "k": frame[c.CONDITION],
         "a": frame[c.ARM].map(arms), "v": frame[c.VISIT].map(visits)}
    )  # fmt: skip
    return frame.loc[order.sort_values(list(order.columns), kind="stable").index]


def score_grid(scores: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Every planned score: one row per participant, visit and outcome with its `state`.

    State is "scored", else the reason: of the score, of the missed visit, or that nothing was entered.
    Affected hand (or no hand) and unassisted only. A visit at which the outcome is not planned has a row only where it
    was scored all the same.
    """
    kept = scores[scores[c.HAND].isin(["affected", ""]) & scores[c.CONDITION].isin(["unassisted", ""])]
    kept = kept.drop_duplicates([c.PARTICIPANT, c.VISIT, c.OUTCOME]).set_index([c.PARTICIPANT, c.VISIT, c.OUTCOME])
    people = study.participants[c.PARTICIPANT].astype(str).tolist()
    visits = [visit.id for visit in sorted(study.protocol.visits, key=lambda visit: visit.day)]
    levels = [people, visits, list(study.protocol.outcomes)]
    grid = kept[[c.VALUE, "reason"]].reindex(pd.MultiIndex.from_product(levels, names=kept.index.names)).reset_index()
    arms = study.participants.set_index(c.PARTICIPANT)[c.ARM] if c.ARM in study.participants else pd.Series(dtype=str)
    grid[c.ARM] = grid[c.PARTICIPANT].map(arms).fillna("")
    missed = _missed_visits(study)
    keys = pd.Series(list(zip(grid[c.PARTICIPANT], grid[c.VISIT], strict=True)))
    reason = grid["reason"].where(grid["reason"].fillna("") != "", keys.map(missed)).fillna("nothing entered")
    grid["state"] = reason.where(grid[c.VALUE].isna(), "scored").astype(object)
    planned = {
        (outcome, visit.id) for outcome in study.protocol.outcomes for visit in study.protocol.visits_of(outcome)
    }
    wanted = [key in planned for key in zip(grid[c.OUTCOME], grid[c.VISIT], strict=True)]
    return (
        grid[np.array(wanted, dtype=bool) | (grid["state"] == "scored")].drop(columns="reason").reset_index(drop=True)
    )


def _missed_visits(study: Study) -> dict[tuple[str, str], str]:
    """Participant and visit -> "missed: reason" or "withdrawn: reason" as the visits table says."""
    visits = study.visits
    if visits.empty or "status" not in visits:
        return {}
    away = visits[visits["status"].isin(["missed", "withdrawn"])]
    reasons = away["reason"].fillna("") if "reason" in away else pd.Series("", index=away.index)
    words = [
        f"{status}: {reason}" if reason else status for status, reason in zip(away["status"], reasons, strict=True)
    ]
    return dict(zip(zip(away[c.PARTICIPANT], away[c.VISIT], strict=True), words, strict=True))


def completeness_table(scores: pd.DataFrame, study: Study) -> Table:
    """How many of the planned scores there are, by outcome, arm and visit, and why the others are missing."""
    names = Names(study.protocol)
    grid = score_grid(scores, study)
    grouped = grid.groupby([c.OUTCOME, c.ARM, c.VISIT], sort=False)["state"]
    frame = grouped.agg(planned="size", n=lambda states: int((states == "scored").sum())).reset_index()
    frame["share"] = 100 * frame["n"] / frame["planned"]
    why = grouped.agg(_reasons).to_numpy()
    frame = frame.assign(reasons=why, **{c.HAND: "", c.CONDITION: ""})
    frame = names.labelled(_in_order(frame, study, names)).drop(columns=[c.HAND, c.CONDITION])
    return Table(
        "completeness",
        "Planned scores that were made",
        frame,
        {"Outcome": "{outcome_label}", "Arm": "{arm_label}", "Visit": "{visit_label}", "Scored": "{n} of {planned}",
         "%": "{share}", "Why not": "{reasons}"},
        keys=(c.OUTCOME, c.ARM, c.VISIT),
        group="Outcome",
        notes=("Affected hand, without assistance. A participant may have a score without any visit date entered.",),
    )  # fmt: skip


def _reasons(states: pd.Series) -> str:
    counts = states[states != "scored"].value_counts()
    return "; ".join(f"{state} ({count})" for state, count in counts.items())


def missing_figure(scores: pd.DataFrame, study: Study):
    """The map of the primary outcome's planned scores; the table above it counts all outcomes."""
    return missing_map(score_grid(scores, study), Names(study.protocol), study.protocol.primary)
