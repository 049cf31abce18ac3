"""Versions a report names: every dependency of the kit, and all that those need, pinned without an address."""

import importlib.metadata
import re
import tomllib
from pathlib import Path

from notebooks.report.proof import environment

ROOT = Path(__file__).resolve().parents[4]


def test_every_dependency_of_the_kit_is_named():
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = {re.split(r"[<>=! \[]", line)[0] for line in told["dependencies"]}
    assert named == set(environment.USED)
    versions = environment.versions()
    assert named <= versions.keys()
    assert versions["outcomes-kit"] == told["version"]
    assert re.fullmatch(r"3\.\d+\.\d+.*", versions["python"])


def test_what_they_need_is_pinned_too_as_the_system_says():
    """Versions by importlib.metadata, package by package, a second route."""
    behind = environment.indirect_versions()
    assert {"python-dateutil", "narwhals", "jsonschema", "lxml"} <= behind.keys()
    assert behind == {name: importlib.metadata.version(name) for name in behind}
    assert not behind.keys() & environment.versions().keys()


def test_the_requirements_hold_no_address():
    text = environment.requirements_text("0" * 64)
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r"[a-z0-9-]+==[A-Za-z0-9.+!_-]+", line) for line in lines)
    assert len(lines) == len(environment.versions()) - 2 + len(environment.indirect_versions())
    assert "/" not in text
    assert "://" not in text


def test_requirements_that_do_not_follow_from_the_record_are_named(tmp_path):
    record = {"software": environment.versions(), "environment": environment.indirect_versions(), "code": "0" * 64}
    path = tmp_path / "requirements.txt"
    assert environment.pins_that_differ(tmp_path, record) == []
    path.write_text(environment.requirements_text("0" * 64), encoding="utf-8")
    assert environment.pins_that_differ(tmp_path, record) == []
    lines = path.read_text(encoding="utf-8").splitlines()
    numpy = next(line for line in lines if line.startswith("numpy=="))
    for more, gone in (("numpy==0.1", numpy), ("numpy @ https://numpy.example/a.whl", ""), ("", lines[0])):
        path.write_text("\n".join([line for line in lines if line != gone] + [more] * bool(more)), encoding="utf-8")
        told = environment.pins_that_differ(tmp_path, record)
        assert [repr(more) in line for line in told if " has the line " in line] == [True] * bool(more)
        assert [repr(gone) in line for line in told if " does not have " in line] == [True] * bool(gone)
