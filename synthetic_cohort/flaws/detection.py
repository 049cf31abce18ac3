"""Planted against found: how well the checks do on a cohort whose errors are known."""

import pandas as pd

# What follows for the study as a whole when a cell is wrong.
CONSEQUENCES = ("cannot be scored", "outcome without data", "arm with too few participants")

# A wrong value at one visit shows again when the next visit is compared with it.
NEXT_VISIT = ("jump between visits",)


def detection_table(ledger: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """Planted, found and missed errors by kind.

    ledger: a cohort's ledger. findings: the frame of `outcomes.check`.
    Returns columns kind, detectable, planted, found, missed (one row per kind, in the order planted).
    """
    rows = []
    for kind, entries in ledger.groupby("kind", sort=False):
        errors = entries.groupby("number", sort=False)
        found = sum(any(_reported(entry, findings) for entry in error.itertuples()) for _, error in errors)
        rows.append(
            {
                "kind": kind,
                "detectable": bool((entries["rules"] != "").all()),
                "planted": len(errors),
                "found": found,
                "missed": len(errors) - found,
            }
        )
    return pd.DataFrame(rows, columns=["kind", "detectable", "planted", "found", "missed"])


def false_alarms(ledger: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """Findings that no planted error explains.

    An error explains its own finding and those that follow from it: findings at the same participant and visit (or at
    the participant, where either names no visit), and findings about a file or the study as a whole.
    What sensors lose belongs to a design's recordings, not to the ledger: findings about their files are no false
    alarms.
    """
    people = set(ledger["participant"])
    whole_person = set(ledger.loc[ledger["visit"] == "", "participant"])
    pairs = set(zip(ledger["participant"], ledger["visit"], strict=True))
    places = set(zip(ledger["file"], ledger["row"], strict=True))
    rules = {rule for text in ledger["rules"] for rule in text.split("; ")}
    explained = [
        row.file.startswith("series/")
        or (row.participant, row.visit) in pairs
        or (row.file, row.row) in places
        or row.participant in whole_person - {""}
        or (row.participant in people - {""} and (row.visit == "" or row.rule in NEXT_VISIT))
        or (row.participant == "" and row.rule in {*rules, *CONSEQUENCES})
        for row in findings.itertuples()
    ]
    return findings[~pd.Series(explained, index=findings.index, dtype=bool)]


def _reported(entry, findings: pd.DataFrame) -> bool:
    """True where a finding of one of the entry's rules points at its row, or at its participant and visit."""
    near = findings[findings["rule"].isin(entry.rules.split("; "))]
    same_row = (near["file"] == entry.file) & (near["row"] == entry.row)
    visit = (near["visit"] == entry.visit) | (near["visit"] == "") | (entry.visit == "")
    same_visit = (near["participant"] == entry.participant) & visit
    whole_file = (near["file"] == entry.file) & near["row"].isna() & (near["participant"] == "")
    return bool((same_row | same_visit | whole_file).any())
