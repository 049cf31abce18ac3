"""The design record: TOML in and out, and refusals that say what to do."""

import tomllib
from dataclasses import replace

import pytest

from outcomes.errors import StudyError
from synthetic_cohort import CohortDesign, preset, presets
from synthetic_cohort.design import CONSTRUCTS
from synthetic_cohort.toml_records import toml_text


@pytest.mark.parametrize("name", presets())
def test_toml_in_and_out(name):
    design = preset(name)
    assert CohortDesign.from_toml(design.to_toml()) == design


def test_a_design_file_can_be_read(tmp_path):
    (tmp_path / "mine.toml").write_text(preset("demo").to_toml(), encoding="utf-8")
    assert CohortDesign.from_file(tmp_path / "mine.toml") == preset("demo")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('kind = "parallel"', 'kind = "paralel"', "kind is 'paralel', allowed parallel"),
        ('name = "demo"', 'nome = "demo"', "unknown key 'nome'; allowed name"),
        ("share = 0.65", "share = 0.75", "add up to"),
        ("n = 12\nreference", "n = 0\nreference", "n of 1 or more"),
        ("impairment = 0.28", "strenght = 0.28", r"effect on \['strenght'\]"),
        ("day = 14.0", 'day = "x"', "a float is needed"),
    ],
)
def test_a_wrong_design_is_refused(old, new, message):
    text = preset("demo").to_toml()
    assert old in text
    with pytest.raises(StudyError, match=message):
        CohortDesign.from_toml(text.replace(old, new))


def test_a_missing_key_is_named():
    with pytest.raises(StudyError, match="missing"):
        CohortDesign.from_toml('name = "x"')


def test_the_record_is_frozen_and_clean_has_no_flaws():
    design = preset("demo")
    with pytest.raises(AttributeError):
        design.name = "other"
    assert design.flaws
    assert not design.clean().flaws
    assert replace(design, flaws={}) == design.clean()


def test_the_correlation_is_one_matrix_over_the_constructs():
    for name in presets():
        matrix = preset(name).correlation
        assert len(matrix) == len(CONSTRUCTS)
        assert all(matrix[a][b] == matrix[b][a] for a in range(len(matrix)) for b in range(len(matrix)))


def test_a_record_written_as_toml_reads_back():
    with pytest.raises(ValueError, match="object"):
        toml_text({"when": object()})
    record = {"a": 'say "x"\n', "b": [1, 2.5], "listed": ["x", {"id": "y"}], "c": {"d e": True}, "rows": [{"n": 1}]}
    assert tomllib.loads(toml_text(record | {"nothing": None, "empty": {}, "c": {"d e": True, "none": None}})) == record
