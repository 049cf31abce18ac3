"""Rows read = rows scored or kept + rows reported with a reason: on every bad folder, and on randomly damaged copies.

The rows of the files are counted here with the csv module, not with the program's own reader.
"""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes import StudyError, check, read_study, score
from outcomes.checks.accounting import accounting
from outcomes.findings import Findings

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


# Rows of a good study of four people with three visits, as the draft writes them: 54 answers a visit (33 of the
# Fugl-Meyer, 19 of the ARAT, 2 of the pegs), two totals, three trials, 8 angles and 6 stretches.
GOOD = {
    "participants": 4, "visits": 12, "items": 12 * 54, "totals": 24, "trials": 36, "angles": 12 * 14, "sessions": 4,
    "adverse_events": 1, "device_deficiencies": 1, "wear_log": 8, "skin_checks": 4, "device_ratings": 12,
    "motion_grades": 12,
}  # fmt: skip
SCORED = {"items", "totals", "trials", "angles"}
FIRST = {"participant": "P01", "visit": "base"}


def _blank(draft):
    draft.tables["items"].iloc[0] = ""


def _of_first(table: str, column: str, value: str, **facts: str):
    def harm(draft):
        draft.set(table, draft.where(table, **FIRST, **facts)[0], column, value)

    return harm


def _once_more(**cells: str):
    def harm(draft):
        stretch = draft.where("angles", **FIRST, condition="unassisted", repetition="1")[0]
        draft.repeat("angles", stretch, **cells)

    return harm


# What one damage moves, by hand: table, then rows scored, kept and reported. Row 2 of the answers is one of the 18 of
# part A of the Fugl-Meyer, whose sum it takes with it; grasp is 6 items of the ARAT.
MOVED = {
    "an answer in letters": (_of_first("items", "value", "abc"), "items", (-18, 0, 18)),
    "an answer above its highest": (_of_first("items", "value", "9"), "items", (-18, 0, 18)),
    "an answer refused": (_of_first("items", "value", "refused"), "items", (-18, 0, 18)),
    "an answer of nobody known": (lambda draft: draft.set("items", 2, "participant", "P99"), "items", (-18, 0, 18)),
    "an unknown item": (lambda draft: draft.set("items", 2, "item", "nothing"), "items", (-18, 0, 18)),
    "a blank row": (_blank, "items", (-18, 0, 18)),
    "an answer twice": (lambda draft: draft.repeat("items", 2), "items", (-18, 0, 19)),
    "an empty cell of the grasp": (_of_first("items", "value", "", instrument="arat"), "items", (-6, 0, 6)),
    "too many pegs beside a time": (_of_first("items", "value", "12", item="pegs"), "items", (-1, 0, 1)),
    "a total left blank": (_of_first("totals", "value", ""), "totals", (-1, 0, 1)),
    "a total out of range": (_of_first("totals", "value", "999"), "totals", (-1, 0, 1)),
    "a total of an unknown scale": (_of_first("totals", "scale", "nothing"), "totals", (-1, 0, 1)),
    "a trial in no unit of force": (_of_first("trials", "unit", "kPa"), "trials", (-1, 0, 1)),
    "a trial without a value": (_of_first("trials", "value", ""), "trials", (-1, 0, 1)),
    "an angle no joint has": (_of_first("angles", "degrees", "400", mode="active"), "angles", (-4, 0, 4)),
    "a faster stretch besides": (_once_more(velocity="200"), "angles", (0, 1, 0)),
    "a visit of nobody known": (lambda draft: draft.set("visits", 2, "participant", "P99"), "visits", (0, -1, 1)),
    "a visit on no day": (lambda draft: draft.set("visits", 2, "date", "2025-02-31"), "visits", (0, -1, 1)),
    "wear in letters": (lambda draft: draft.set("wear_log", 2, "minutes_worn", "abc"), "wear_log", (0, -1, 1)),
    "a deficiency in nobody's hand": (
        lambda draft: draft.set("device_deficiencies", 2, "participant", ""), "device_deficiencies", (0, 0, 0)
    ),
    "a deficiency of nobody known": (
        lambda draft: draft.set("device_deficiencies", 2, "participant", "P99"), "device_deficiencies", (0, -1, 1)
    ),
}  # fmt: skip


def _account(draft, folder) -> dict[str, tuple[int, int, int]]:
    study = read_study(draft.write(folder))
    scores = score(study)
    account = accounting(study, scores, check(study, scores))
    assert (account["unaccounted"] == 0).all()
    return {row.table: (row.scored, row.kept, row.reported) for row in account.itertuples()}


def test_every_row_of_a_good_study_is_scored_or_kept(make_draft, tmp_path):
    expected = {table: (rows, 0, 0) if table in SCORED else (0, rows, 0) for table, rows in GOOD.items()}
    assert _account(make_draft(small=True), tmp_path / "good") == expected


@pytest.mark.parametrize("name", MOVED)
def test_a_damage_moves_the_rows_it_should(name, make_draft, tmp_path):
    harm, table, moved = MOVED[name]
    draft = make_draft(small=True)
    harm(draft)
    found = _account(draft, tmp_path / "damaged")
    for other, rows in GOOD.items():
        scored, kept = (rows, 0) if other in SCORED else (0, rows)
        more = moved if other == table else (0, 0, 0)
        assert found[other] == (scored + more[0], kept + more[1], more[2]), other


@pytest.mark.parametrize(
    ("name", "lost"),
    [("an answer of nobody known", 1), ("a total of an unknown scale", 1), ("a visit of nobody known", 1),
     ("too many pegs beside a time", 0)],  # whose row is in a score with a value: only a finding says otherwise
)  # fmt: skip
def test_a_row_that_nothing_names_is_unaccounted(name, lost, make_draft, tmp_path):
    """Without the findings the accounts do not balance: that is what they are for."""
    harm, table, _ = MOVED[name]
    draft = make_draft(small=True)
    harm(draft)
    study = read_study(draft.write(tmp_path / "damaged"))
    account = accounting(study, score(study), Findings()).set_index("table")["unaccounted"]
    assert account.pop(table) == lost
    assert (account == 0).all()


def test_rows_left_out_while_blinded_are_reported(make_draft, tmp_path):
    study = read_study(make_draft(small=True).write(tmp_path / "good"))
    masked = replace(study, adverse_events=study.adverse_events.iloc[:0], hidden_rows={"adverse_events": 1})
    account = accounting(masked, score(study), check(study)).set_index("table").loc["adverse_events"]
    assert (account["rows_read"], account["kept"], account["reported"], account["unaccounted"]) == (1, 0, 1, 0)


def test_of_a_row_with_several_answers_only_the_wrong_one_is_reported(make_draft, tmp_path):
    draft = make_draft(small=True)
    totals = draft.tables.pop("totals")
    wide = totals.pivot(index=["participant", "visit"], columns="instrument", values="value").reset_index()
    side = totals[totals["instrument"] == "bbt"].drop_duplicates("participant").set_index("participant")["side"]
    wide["side"] = wide["participant"].map(side)
    wide.loc[3, "bbt"] = "999"
    draft.raw["wide.csv"] = wide.to_csv(index=False).encode()
    draft.toml += """
[[wide]]
file = "wide.csv"
table = "totals"
across = "instrument"
columns = { "bbt.blocks" = "bbt", "comfort.total" = "comfort" }
"""
    assert _account(draft, tmp_path / "wide")["totals"] == (23, 0, 1)


def test_totals_of_two_instruments_for_one_hand_are_told_apart(make_draft, tmp_path):
    """Both leave the scale blank and stand for one person, visit and hand: a score of one says nothing of the other."""
    draft = make_draft(small=True)
    draft.tables["items"] = draft.tables["items"].query("instrument != 'arat'").reset_index(drop=True)
    blocks = draft.where("totals", **FIRST, instrument="bbt")[0]
    draft.set("totals", blocks, "scale", "").set("totals", blocks, "value", "999")
    draft.append("totals", **draft.tables["totals"].iloc[blocks - 2].to_dict() | {"instrument": "arat", "value": "40"})
    study = read_study(draft.write(tmp_path / "two"))

    def account(scores):
        row = accounting(study, scores, Findings()).set_index("table").loc["totals"]
        return row["scored"], row["reported"], row["unaccounted"]

    scores = score(study)
    assert account(scores) == (24, 1, 0)  # the 999 has a score that says why it has no value
    assert account(scores.assign(reason="")) == (24, 0, 1)
    assert account(scores[scores["outcome"] != "bbt.blocks"]) == (13, 0, 12)
    assert account(scores[scores["outcome"] != "arat.total"]) == (23, 1, 1)
