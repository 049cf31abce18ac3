"""What `python -m tests.dependencies.every_version` installs; installing is left to that command."""

import sys
import tomllib

from packaging.specifiers import SpecifierSet

from tests.dependencies.every_version import ROOT, lower_bounds, pythons
from tests.dependencies.licences import pinned


def test_every_dependency_has_a_lower_bound_and_the_pinned_version_lies_above_it():
    named = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    bounds = lower_bounds()
    assert len(bounds) == len(named)
    assert all(pinned()[name] in SpecifierSet(f">={version}") for name, version in bounds.items())


def test_this_python_is_found_where_it_can_be_named():
    found = pythons()
    assert all(name.startswith("3.") and int(name[2:]) >= 11 for name in found)
    assert f"3.{sys.version_info[1]}" in found or not found
