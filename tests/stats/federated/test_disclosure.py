"""What a site's file shows and what it does not: the attacks that motivate each guard, with the guard on and off.

One small study of two sites in memory and on disk; the merged page stands beside.
"""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from notebooks.commands import main
from outcomes import read_study, score
from outcomes.lock.analysis_plan import plan_digest, plan_of
from stats import count_responders, fit_change
from stats.errors import FitError
from stats.federated.counted import guarded
from stats.federated.guard import NAME, small_groups
from stats.federated.merged import merge_files
from stats.federated.moments_file import read_file
from stats.federated.outcome_sums import outcome_sums
from stats.federated.site_file import site_file

PLAN = """
title = "Two hills"
design = "parallel"
primary = "bbt.blocks"
outcomes = ["bbt.blocks"]
arms = [{ id = "usual", label = "Usual", reference = true }, { id = "extra", label = "Extra" }]
visits = [{ id = "start", label = "Start", day = 0 }, { id = "end", label = "End", day = 28 }]

[randomisation]
randomised = true
strata = ["severity"]

[thresholds]
"bbt.blocks" = ["bbt-chen-2009-more-affected", { value = 4, unit = "blocks", source = "our own panel" }]
"""


def people_and_totals(site: str, n: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(seed)
    people = pd.DataFrame({
        "participant": [f"{site}{k:03d}" for k in range(n)], "arm": np.tile(["usual", "extra"], n)[:n],
        "age": rng.integers(40, 80, n), "sex": np.tile(["female", "female", "male", "male"], n)[:n],
        "affected_side": "right", "dominant_side": "right", "diagnosis": "ischaemic stroke", "onset": "2020-01-01",
        "severity": np.tile(["mild", "mild", "severe", "severe"], n)[:n],
    })  # fmt: skip
    first = rng.integers(15, 40, n)
    rows = [
        people[["participant"]].assign(visit=visit, instrument="bbt", scale="blocks", side="right", value=value)
        for visit, value in (("start", first), ("end", first + rng.integers(-2, 12, n)))
    ]
    return people, pd.concat(rows)


@pytest.fixture(scope="module")
def hospitals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    root, made = tmp_path_factory.mktemp("hospitals"), {}
    for site, n in (("A", 24), ("B", 32)):
        folder = root / site
        folder.mkdir()
        people, totals = people_and_totals(site, n, n)
        people.to_csv(folder / "participants.csv", index=False)
        totals.to_csv(folder / "totals.csv", index=False)
        (folder / "study.toml").write_text(PLAN)
        made[site] = folder
    return made


def test_the_commands_merge_what_the_rows_would_give(hospitals, tmp_path: Path, capsys) -> None:
    files = []
    for site, folder in hospitals.items():
        to = tmp_path / f"{site}.json"
        assert main(["moments", str(folder), "--to", str(to), "--plan", str(hospitals["A"] / "study.toml")]) == 0
        files.append(to)
    assert main(["merge", *map(str, files), "--to", str(tmp_path / "out")]) == 0
    studies = [read_study(folder) for folder in hospitals.values()]
    scores = pd.concat([score(study) for study in studies], ignore_index=True)
    people = pd.concat([study.participants for study in studies], ignore_index=True)
    design = studies[0].protocol
    whole = fit_change(scores, "bbt.blocks", design=design, participants=people)
    record = json.loads((tmp_path / "out" / "record.json").read_text())
    values = {entry["name"]: entry["value"] for entry in record["numbers"]}
    expected = whole.between().frame()
    found = next(v for k, v in values.items() if k.startswith("between_arms/") and k.endswith("/estimate"))
    assert found == pytest.approx(expected["estimate"][0], rel=1e-9)
    assert any("strata" in note for note in whole.notes)
    merged = merge_files(files)
    sizes = design.chosen_thresholds("bbt.blocks")
    assert [str(getattr(size, "key", size)) for size in sizes] == list(merged.responders["threshold"].unique())
    for size in sizes:  # a published one, and the study's own
        counted = count_responders(scores, threshold=size, select="bbt.blocks", participants=people, design=design)
        wanted = counted.frame().set_index("arm")
        got = merged.responders[merged.responders["threshold"] == getattr(size, "key", size)].set_index("arm")
        for arm in wanted.index:
            assert got.loc[arm, "withheld"] or got.loc[arm, "enrolled"] == wanted.loc[arm, "enrolled"]
            assert got.loc[arm, "withheld"] or got.loc[arm, "improved"] == wanted.loc[arm, "improved"]
    assert not any("not counted" in note for note in merged.notes)
    ages = merged.baseline.query("what == 'age' and arm == 'extra'").iloc[0]
    own = people[people["arm"] == "extra"]["age"]
    assert [ages["n"], ages["mean"], ages["sd"]] == pytest.approx([len(own), own.mean(), own.std()])
    page = (tmp_path / "out" / "report.html").read_text()
    assert 'id="answer"' in page
    assert "A000" not in page
    assert "A000" not in files[0].read_text()
    assert (hospitals["A"] / NAME).exists()
    capsys.readouterr()


def test_a_group_of_one_is_that_person_without_the_guard(hospitals) -> None:
    study = read_study(hospitals["A"])
    people = study.participants.copy()
    people.loc[3, "severity"] = "never seen elsewhere"
    table = outcome_sums(score(study), "bbt.blocks", study.protocol, people)
    column = table.sums.columns.index(("stratum", "severity", "never seen elsewhere"))
    stolen = table.sums.moments.B[0, :, -1, -1, column].sum()
    own = score(study).query("participant == 'A003' and visit == 'end'")["value"].iloc[0]
    assert stolen == own  # the attack: the sum over a level of one person is that person's value
    assert "A003" in small_groups({"bbt.blocks": table.profile}, 5)["bbt.blocks"]


def test_files_of_nested_runs_cannot_be_subtracted(hospitals, tmp_path: Path) -> None:
    """The attack: a newcomer's values are the difference of two files. With the guard the second file is refused."""
    study = read_study(hospitals["B"])
    study = replace(study, folder=tmp_path)
    (tmp_path / "study.toml").write_text(PLAN)
    early = replace(study, participants=study.participants.iloc[:-1], totals=_without(study.totals, "B031"))
    for guard, minimum in (("off", 1), ("on", 5)):
        site_file(early, tmp_path / f"early {guard}.json", minimum=minimum)
        late = tmp_path / f"late {guard}.json"
        if guard == "on":
            with pytest.raises(FitError, match="joined, left or changed"):
                site_file(study, late, minimum=minimum)
            assert not late.exists()
            continue
        site_file(study, late, minimum=minimum)
        first, second = (read_file(p)["outcomes"]["bbt.blocks"] for p in (tmp_path / "early off.json", late))
        column = first.columns.index(("cell", "extra", "end"))
        newcomer = (second.moments.B - first.moments.B)[0, ..., column].sum()
        own = score(study).query("participant == 'B031' and visit == 'end'")["value"].iloc[0]
        assert newcomer == pytest.approx(own)
    # A corrected value is a difference as well; the same data again are none.
    changed = early.totals.copy()
    changed.loc[changed["participant"] == "B004", "value"] += 1
    with pytest.raises(FitError, match="1 participants joined, left or changed"):
        site_file(replace(early, totals=changed), tmp_path / "again.json")
    site_file(early, tmp_path / "same.json")
    (tmp_path / NAME).write_text("{}")
    with pytest.raises(FitError, match="restore it"):
        site_file(early, tmp_path / "more.json")


def _without(table: pd.DataFrame, person: str) -> pd.DataFrame:
    return table[table["participant"] != person]


def test_small_groups_are_refused_or_left_out(hospitals, tmp_path: Path) -> None:
    study = replace(read_study(hospitals["A"]), folder=tmp_path)
    (tmp_path / "study.toml").write_text(PLAN)
    seen = study.totals["participant"].eq("A005") & study.totals["visit"].eq("end")
    gap = replace(study, totals=study.totals[~seen])
    with pytest.raises(FitError, match="fewer than 7 people alike"):
        site_file(gap, tmp_path / "a.json", minimum=7)
    content = site_file(gap, tmp_path / "a.json", minimum=5, leave_out=True)
    kept = read_file(tmp_path / "a.json")["outcomes"]["bbt.blocks"]
    assert content["left_out"] + kept.moments.n_participants <= 24
    assert kept.moments.n.min() >= 5


def test_counts_that_are_small_are_withheld() -> None:
    assert guarded({"improved": 9, "unchanged": 6}, 15, 5) == {
        "enrolled": 15,
        "counts": {"improved": 9, "unchanged": 6},
    }
    assert guarded({"improved": 9, "unchanged": 2}, 11, 5)["counts"] is None  # the gap could be worked out
    assert guarded({"improved": 0, "unchanged": 3}, 3, 5) == {"enrolled": None, "counts": None}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda text: "no json", "no JSON of finite numbers"),
        (lambda text: "{}", "schema"),
        (lambda text: text.replace('"version": 1', '"version": 9'), "version 9"),
        (lambda text: text.replace('"patterns"', '"pattern"'), "damaged"),
        (lambda text: text.replace("day = 28", "day = 29"), "hash of its plan"),
        (lambda text: text.replace('"people": 32', '"nobody": 32', 1), "damaged"),
        (lambda text: text.replace('"minimum"', '"least"'), "damaged: KeyError 'minimum'"),
        (lambda text: re.sub(r'("baseline": .\s*"\w+": .\s*\d+,\s*)[-0-9.]+', r"\1NaN", text), "NaN is no finite"),
        (
            lambda text: re.sub(r'("baseline": .\s*"\w+": .\s*\d+,\s*)[-0-9.]+', r"\g<1>1e999", text),
            "1e999 is no finite",
        ),
        (lambda text: re.sub(r'("C": [\s\[]*)[-0-9.]+', r"\g<1>1" + "0" * 400, text), "damaged: OverflowError"),
    ],
)
def test_damaged_files_are_refused(hospitals, tmp_path: Path, change, words: str) -> None:
    study = read_study(hospitals["B"])
    good = tmp_path / "good.json"
    site_file(study, good, minimum=1)
    bad = tmp_path / "bad.json"
    bad.write_text(change(good.read_text()))
    with pytest.raises(FitError, match=words):
        merge_files([bad])


def test_a_threshold_without_counts_is_said(hospitals, tmp_path: Path) -> None:
    """A size that no site can count is named with the reason; so is one that a file of another version lacks."""
    study = read_study(hospitals["B"])
    away = replace(study.protocol, thresholds={"arat.total": ("arat-van-der-lee-2001",)})
    to = tmp_path / "one.json"
    content = site_file(replace(study, protocol=away), to, minimum=1)
    assert [entry["outcome"] for entry in content["not_counted"]] == ["arat.total"]
    plain = json.loads(to.read_text())
    del plain["not_counted"]
    plain["responders"] = [entry for entry in plain["responders"] if "own" not in entry["threshold"]]
    plain["plan_sha256"] = plan_digest(plan_of(study.protocol))
    to.write_text(json.dumps(plain))
    notes = merge_files([to]).notes
    assert any("bbt.blocks-own-4" in note and "write them again" in note for note in notes)


def test_what_a_site_left_out_or_could_not_count_is_told(hospitals, tmp_path: Path) -> None:
    """Two files, one of which says that it left people out and why it has no counts of a threshold."""
    files = []
    for site, folder in hospitals.items():
        to = tmp_path / f"{site}.json"
        site_file(read_study(folder), to, minimum=1, plan=hospitals["A"] / "study.toml")
        files.append(to)
    plain = json.loads(files[1].read_text())
    why = {"outcome": "bbt.blocks", "threshold": "bbt-chen-2009-more-affected", "why": "too few of a kind"}
    plain |= {"left_out": 3, "not_counted": [why]}
    plain["responders"] = [one for one in plain["responders"] if one["threshold"] != why["threshold"]]
    files[1].write_text(json.dumps(plain))
    notes = " ".join(merge_files(files).notes)
    assert "3 people were left out by their sites" in notes
    assert "too few of a kind" in notes
    plain["outcomes"] = {}
    files[1].write_text(json.dumps(plain))
    with pytest.raises(FitError, match=r"bbt.blocks is not in .*B.json"):
        merge_files(files)


def test_a_blinded_study_and_no_guard_at_all_are_refused(hospitals, tmp_path: Path) -> None:
    study = read_study(hospitals["B"])
    masked = replace(study, masked=True, protocol=replace(study.protocol, blinded=True))
    with pytest.raises(FitError, match="arms are letters"):
        site_file(masked, tmp_path / "x.json")
    with pytest.raises(FitError, match="minimum = 0"):
        site_file(study, tmp_path / "x.json", minimum=0)
    assert not (tmp_path / "x.json").exists()


def test_files_of_different_plans_are_refused(hospitals, tmp_path: Path) -> None:
    study = read_study(hospitals["B"])
    other = tmp_path / "other.toml"
    other.write_text(PLAN.replace("day = 28", "day = 30"))
    site_file(study, tmp_path / "one.json", minimum=1)
    site_file(study, tmp_path / "two.json", minimum=1, plan=other)
    with pytest.raises(FitError, match=r"different plans.*28"):
        merge_files([tmp_path / "one.json", tmp_path / "two.json"])
