"""What is scored, looked up, counted and estimated is a record that nobody can change afterwards."""

import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from dataclasses import is_dataclass

import pytest

ROOMS = ("outcomes.scoring", "outcomes.library", "outcomes.checks", "outcomes.protocol", "stats")

ADD_UP = {"Ledger", "ModelColumns", "ByGroup", "Sum", "_Pattern"}  # sums and columns in the making: no results


def records(room: str) -> Iterator[type]:
    """The dataclasses that are defined in a package."""
    package = importlib.import_module(room)
    for found in pkgutil.walk_packages(package.__path__, f"{room}."):
        module = importlib.import_module(found.name)
        for _, one in inspect.getmembers(module, inspect.isclass):
            if is_dataclass(one) and one.__module__ == module.__name__:
                yield one


@pytest.mark.parametrize("room", ROOMS)
def test_every_record_is_frozen(room):
    found = list(records(room))
    assert found
    loose = [one.__qualname__ for one in found if not one.__dataclass_params__.frozen and one.__name__ not in ADD_UP]
    assert not loose
