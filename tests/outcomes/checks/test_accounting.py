"""Rows read = rows scored or kept + rows reported with a reason: on every bad folder, and on randomly damaged copies.

The rows of the files are counted here with the csv module, not with the program's own reader.
"""

import os

import numpy as np
import pandas as pd
import pytest

from outcomes import StudyError, check, read_study

COPIES = int(os.environ.get("DAMAGED_COPIES", "20"))  # 500 take some minutes: DAMAGED_COPIES=500 pytest ...
BATCHES = 4  # so that several workers share the copies
BLOWS = ("cell", "cell", "cell", "column", "swap", "repeat", "lose", "blank", "shuffle", "drop", "rename")
JUNK = (
    "", " ", "abc", "-1", "1e9", "999", "-99", "n/a", "refused", "unable", "3,5", "1,234", "0", "1", "2", "66", "151",
    "2025-02-31", "31.12.2024", "12/31/2024", "45000", "P01", "p1", "P99", "base", "Week 4", "w99", "left", "both",
    "affected", "assisted", "lbf", "kPa", "NaN", "inf", "1_000", "½", "ü", '"', "a,b", "x" * 300, "fma_ue", "FMA-UE",
    "arat", "nhpt", "withdrawn", "missed", "R9",
)  # fmt: skip


def random_damage(draft, rng: np.random.Generator) -> None:
    """One to eight blows: cells overwritten or swapped, rows repeated, lost, blanked or shuffled, columns lost."""
    for _ in range(int(rng.integers(1, 9))):
        name = str(rng.choice(list(draft.tables)))
        frame = draft.tables[name]
        if frame.empty or frame.shape[1] == 0:
            continue
        row = int(rng.integers(len(frame)))
        column = int(rng.integers(frame.shape[1]))
        blow = rng.choice(BLOWS)
        if blow == "cell":
            frame.iat[row, column] = str(rng.choice(JUNK))
        elif blow == "column":
            some = rng.random(len(frame)) < 0.1
            frame.loc[some, frame.columns[column]] = str(rng.choice(JUNK))
        elif blow == "swap":
            other = int(rng.integers(frame.shape[1]))
            frame.iat[row, column], frame.iat[row, other] = frame.iat[row, other], frame.iat[row, column]
        elif blow == "repeat":
            draft.tables[name] = pd.concat([frame, frame.iloc[[row]]], ignore_index=True)
        elif blow == "lose":
            draft.tables[name] = frame.drop(index=frame.index[row]).reset_index(drop=True)
        elif blow == "blank":
            frame.iloc[row] = ""
        elif blow == "shuffle":
            draft.tables[name] = frame.sample(frac=1, random_state=int(rng.integers(1 << 31))).reset_index(drop=True)
        elif blow == "drop":
            draft.tables[name] = frame.drop(columns=frame.columns[column])
        else:
            draft.tables[name] = frame.rename(
                columns={frame.columns[column]: str(rng.choice(["value", "note", "Patient"]))}
            )


@pytest.mark.parametrize("batch", range(BATCHES))
def test_no_row_is_lost_in_randomly_damaged_copies(batch, make_draft, assert_accounted, tmp_path):
    """Either the folder is refused with a readable message, or every row is accounted for; never another error."""
    whole = 0
    for copy in range(COPIES // BATCHES):
        draft = make_draft(small=True)
        random_damage(draft, np.random.default_rng([20251125, batch, copy]))
        folder = draft.write(tmp_path / str(copy))
        try:
            study = read_study(folder)
        except StudyError as refusal:
            message = str(refusal)
            assert all(part in message for part in ("found", "allowed")), message
            continue
        assert_accounted(study, check(study))
        whole += 1
    assert whole > 0.5 * (COPIES // BATCHES)
