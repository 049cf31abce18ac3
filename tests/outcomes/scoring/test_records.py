"""Records of scoring cannot be changed afterwards."""

import importlib
import pkgutil
from dataclasses import is_dataclass

import outcomes.scoring


def test_records_of_scoring_are_frozen():
    found = {
        thing
        for module in pkgutil.iter_modules(outcomes.scoring.__path__, "outcomes.scoring.")
        for thing in vars(importlib.import_module(module.name)).values()
        if isinstance(thing, type) and is_dataclass(thing) and thing.__module__.startswith("outcomes.scoring")
    }
    assert len(found) > 5
    assert [one.__name__ for one in found if not one.__dataclass_params__.frozen] == []
