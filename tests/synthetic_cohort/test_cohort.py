"""A cohort is whole, readable, and the same on every run."""

from pathlib import Path

import outcomes
from synthetic_cohort import CohortDesign, make_cohort, preset, presets


def _bytes(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in sorted(folder.iterdir())}


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    make_cohort("demo", seed=5, folder=tmp_path / "first")
    make_cohort("demo", seed=5, folder=tmp_path / "second")
    make_cohort("demo", seed=6, folder=tmp_path / "third")
    assert _bytes(tmp_path / "first") == _bytes(tmp_path / "second")
    assert _bytes(tmp_path / "first")["items.csv"] != _bytes(tmp_path / "third")["items.csv"]


def test_every_preset_survives_its_toml():
    for name in presets():
        design = preset(name)
        assert CohortDesign.from_toml(design.to_toml()) == design


def test_the_demo_can_be_read_checked_and_scored(tmp_path):
    cohort = make_cohort("demo", seed=1, folder=tmp_path / "demo")
    findings = outcomes.check(cohort.study)
    assert not findings.blocking, findings.frame().to_string()
    scores = outcomes.score(cohort.study)
    primary = scores[(scores["outcome"] == "fma_ue.motor") & (scores["hand"] == "affected")]
    assert primary["participant"].nunique() == 24
    assert primary["visit"].nunique() == 5
