"""A study read in parts says what the study read at once says: findings, models, counts; row numbers included."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes import check, read_study, score
from outcomes.errors import StudyError
from outcomes.reading.study_parts import study_parts
from stats import count_responders, fit_change
from stats.federated import analyse_in_parts

TOML = """
title = "Registry"
design = "parallel"
primary = "bbt.blocks"
outcomes = ["bbt.blocks", "arat.total", "sus.total"]
arms = [{ id = "usual", label = "Usual", reference = true }, { id = "extra", label = "Extra" }]
visits = [{ id = "start", label = "Start", day = 0 }, { id = "mid", label = "Mid", day = 28 },
          { id = "end", label = "End", day = 56 }]

[estimand]
visit = "end"

[randomisation]
randomised = true

[model]
site = "site"
covariance = "unequal-compound-symmetry"

[thresholds]
"bbt.blocks" = ["bbt-chen-2009-more-affected", { value = 4, unit = "blocks", source = "our own panel" }]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """80 people of 5 sites, two outcomes, and mistakes of every table."""
    rng, n = np.random.default_rng(5), 80
    to = tmp_path_factory.mktemp("registry")
    people = pd.DataFrame({
        "participant": [f"P{k:03d}" for k in range(n)], "arm": np.tile(["usual", "extra"], n // 2),
        "site": np.repeat([f"s{k}" for k in range(5)], n // 5), "age": rng.integers(30, 80, n), "sex": "female",
        "affected_side": np.tile(["left", "right"], n // 2), "diagnosis": "ischaemic stroke", "onset": "2024-01-01",
    })  # fmt: skip
    people.loc[7, "affected_side"] = ""
    people.to_csv(to / "participants.csv", index=False)
    level = rng.normal(30, 6, n)
    rows = pd.DataFrame([
        (person, visit, name, scale, side, float(np.clip(round(level[k] + 2 * v + rng.normal(0, 2)), 0, 57)))
        for k, (person, side) in enumerate(zip(people["participant"], people["affected_side"], strict=True))
        for v, visit in enumerate(("start", "mid", "end")) for name, scale in (("bbt", "blocks"), ("arat", "total"))
        if rng.random() > 0.1 or visit == "start"
    ], columns=["participant", "visit", "instrument", "scale", "side", "value"])  # fmt: skip
    rows["side"] = rows["side"].replace("left", "affected")
    rows = rows[~rows["participant"].isin(["P020", "P079"])].reset_index(drop=True)
    at = rows.index[rows["participant"].eq("P033")]
    rows.loc[at[rows.loc[at, "instrument"].eq("arat")][0], "value"] = 70.0
    rows.loc[at[-1], "visit"] = "week 99"
    rows.loc[rows.index[rows["participant"].eq("P050")], "participant"] = "P05O"
    rows.loc[rows.index[rows["participant"].eq("P060")][0], "value"] = np.nan
    again = rows[rows["participant"].eq("P041")].tail(1)
    rows = pd.concat([rows.iloc[: again.index[0] + 1], again.assign(value=1.0), rows.iloc[again.index[0] + 1 :]])
    rows.to_parquet(to / "totals.parquet", index=False, row_group_size=70)
    visits = pd.DataFrame({
        "participant": np.repeat(people["participant"], 3), "visit": np.tile(["start", "mid", "end"], n),
        "date": np.tile(["2024-03-01", "2024-03-29", "2024-04-26"], n), "status": "attended",
    })  # fmt: skip
    visits.loc[visits.index[10], "status"] = "missed"
    visits.iloc[30:33, 2] = ["2024-03-01", "2024-02-01", "2024-05-26"]
    pd.concat([visits, visits.tail(1).assign(participant="nobody")]).to_csv(to / "visits.csv", index=False)
    (to / "study.toml").write_text(TOML)
    return to


def told(frame: pd.DataFrame) -> pd.DataFrame:
    """Findings in an order of their own; what an outcome without data stands beside is told by the first part."""
    frame = frame.drop(columns="allowed").astype("str")
    return frame.sort_values(list(frame)).reset_index(drop=True)


def test_all_that_is_said_of_the_whole(folder: Path) -> None:
    study, done = read_study(folder), []
    scores, whole = score(study), check(study)
    made = analyse_in_parts(folder, rows=90, progress=done.append)
    assert made.parts == len(done) >= 4
    assert made.rows == done[-1] == study.rows_read["totals"]
    assert made.people == 80
    # texts of a part and of the whole may lie in memory in two ways
    assert told(made.findings.frame()).to_csv() == told(whole.frame()).to_csv()
    rules = set(whole.frame()["rule"])
    assert {"participant without measurements", "outcome without data", "unknown participant", "above maximum",
            "entered twice differently", "attended without measurements", "side read as", "no baseline",
            "unknown visit", "blank value", "visits out of order"} <= rules  # fmt: skip
    assert made.findings.blocking
    people = study.participants
    for outcome in ("bbt.blocks", "arat.total"):
        one = fit_change(scores, outcome, design=study.protocol, participants=people).between().frame()
        two = made.fits[outcome].between().frame()
        np.testing.assert_allclose(two["estimate"], one["estimate"], rtol=1e-9)
        np.testing.assert_allclose(two["df"], one["df"], rtol=1e-6)
    assert "sus.total" in made.failed
    for size in study.protocol.chosen_thresholds("bbt.blocks"):
        counted = count_responders(scores, threshold=size, select="bbt.blocks", participants=people,
                                   design=study.protocol).frame().set_index("arm")  # fmt: skip
        got = made.responders[made.responders["threshold"] == getattr(size, "key", size)].set_index("arm")
        for name in ("improved", "unchanged", "worsened", "cannot_reach", "missing", "enrolled"):
            assert got[name].to_dict() == counted[name].to_dict()


def test_what_cannot_be_read_in_parts_is_said(folder: Path, tmp_path: Path) -> None:
    for name in ("study.toml", "visits.csv", "totals.parquet"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    people = pd.read_csv(folder / "participants.csv")
    people.loc[9, "arm"] = "extr"
    people.to_csv(tmp_path / "participants.csv", index=False)
    made = analyse_in_parts(tmp_path, rows=90, outcomes=["bbt.blocks"])
    assert "1 participants are in no arm of the plan (P009)" in made.failed["bbt.blocks"]  # of one part, and so of all
    assert not made.fits
    rows = pd.read_parquet(folder / "totals.parquet")
    rows.sort_values("visit", kind="stable").to_parquet(tmp_path / "totals.parquet", index=False)
    with pytest.raises(StudyError, match="not sorted by participant"):
        list(study_parts(tmp_path, rows=90))
    rows.assign(value=rows["value"].astype("str").str.replace(".", ",")).to_parquet(tmp_path / "totals.parquet")
    with pytest.raises(StudyError, match="a comma in a number"):
        list(study_parts(tmp_path, rows=90))
    (tmp_path / "totals.parquet").unlink()
    rows.to_csv(tmp_path / "totals.csv", index=False)
    with pytest.raises(StudyError, match=r"allowed is one long table totals\.parquet"):
        list(study_parts(tmp_path))
