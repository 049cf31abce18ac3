"""The subject packages of `stats` load nothing until a name is used, and a name is never a module by mistake."""

import importlib
import pkgutil
import subprocess
import sys
from types import ModuleType

import pytest

import stats

DOORS = [found.name for found in pkgutil.iter_modules(stats.__path__, "stats.") if found.ispkg]
HEAVY = ("numpy", "pandas", "scipy", "statsmodels", "formulaic")


@pytest.mark.parametrize("door", DOORS)
def test_every_name_of_a_door_is_there(door):
    package = importlib.import_module(door)
    for _ in pkgutil.walk_packages(package.__path__, f"{door}."):
        importlib.import_module(_.name)  # a module of the same name would now stand in place of a function
    assert package.__all__
    for name in package.__all__:
        assert not isinstance(getattr(package, name), ModuleType), name


@pytest.mark.parametrize("door", ["stats", *DOORS])
def test_a_door_loads_nothing_heavy(door):
    asked = f"import sys, {door}; print([name for name in {HEAVY} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_what_is_not_in_stats_is_in_its_subject():
    assert set(stats.__all__) >= {"fit_mixed", "pool_moments", "count_responders", "cronbach_alpha", "Selection"}
    assert not {"alpha", "pool", "given", "n_band", "search_n", "what_if", "power_curve"} & set(stats.__all__)
