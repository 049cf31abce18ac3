"""Identifiers the checks find are in nothing that is made of an analysis, unless study.toml allows them."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from notebooks.analysis import Analysis
from outcomes import read_study
from tests.damage.good_folders import write

SECRETS = ("Petra Schulze", "p.schulze@example.org", "1948-02-29", "Mrs Miller moved her", "MRN 4455667")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = write("plexus", "csv", tmp_path_factory.mktemp("secret") / "study")
    people = pd.read_csv(folder / "participants.csv", dtype=str, keep_default_na=False)
    people["Patient name"] = [SECRETS[0], *[""] * (len(people) - 1)]
    people["remarks"] = [SECRETS[1], *["fine"] * (len(people) - 1)]
    people["born"] = SECRETS[2]
    old = people.loc[0, "participant"]
    people.loc[0, "participant"] = SECRETS[4]
    people.to_csv(folder / "participants.csv", index=False)
    for name in ("items", "angles", "visits"):
        if (path := folder / f"{name}.csv").exists():
            table = pd.read_csv(path, dtype=str, keep_default_na=False)
            table["participant"] = table["participant"].replace(old, SECRETS[4])
            if name == "visits":
                table.loc[0, "reason"] = SECRETS[3]
            table.to_csv(path, index=False)
    return folder


def everything(analysis):
    study = analysis.study
    frames = [study.table(name) for name in ("participants", "visits", "items", "angles")]
    return "\n".join([*(frame.to_csv() for frame in frames), analysis.findings.frame().to_csv(),
                      analysis.scores.to_csv(), str(analysis.findings), repr(study.protocol)])  # fmt: skip


def test_found_identifiers_are_masked_in_every_output(folder):
    analysis = Analysis(read_study(folder))
    text = everything(analysis)
    assert not [secret for secret in SECRETS if secret in text]
    assert len(analysis.study.identifiers) >= 4
    rules = set(analysis.findings.frame()["rule"])
    assert {"header of a direct identifier", "cell with a direct identifier"} <= rules
    values = Analysis(read_study(folder, masked=False)).scores["value"].dropna()
    assert len(values) == len(analysis.scores["value"].dropna())
    assert "masked 01" in set(analysis.scores["participant"])


def test_the_protocol_may_allow_them(folder, tmp_path):
    folder = Path(shutil.copytree(folder, tmp_path / "study"))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text + "\n[privacy]\nidentifiers = true\n", encoding="utf-8")
    analysis = Analysis(read_study(folder))
    assert SECRETS[0] in everything(analysis)
    assert not analysis.study.identifiers


def test_a_study_without_identifiers_is_itself(tmp_path):
    study = read_study(write("plexus", "csv", tmp_path / "study"))
    assert Analysis(study).study is study
