"""The items of an analysis plan as data, and the table that says where each is answered."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources

import pandas as pd

from notebooks.show.tables import Table

SEEN = {"read": "", "topic": "", "memory": " *"}


@cache
def plan_items() -> Mapping:
    """The items as they are stored."""
    return tomllib.loads(resources.files("notebooks.plan_document").joinpath("plan_items.toml").read_text("utf-8"))


def items_table(headings: tuple[str, ...]) -> Table:
    """Each item, the section that answers it, and what the authors must still write."""
    rows = []
    for item in plan_items()["items"]:
        here = item["section"] if item["section"] in headings else ""
        rows.append({"number": item["number"], "item": item["id"] + SEEN[item["checked"]],
                     "here": here or "not from study.toml", "author": item["author"]})  # fmt: skip
    return Table(
        "plan_items", "Items of an analysis plan", pd.DataFrame(rows),
        {"No.": "{number}", "Item": "{item}", "In this document": "{here}", "Still for the authors": "{author}"},
        keys=("number",), recorded=False,
        notes=(f"In our words after: {plan_items()['source']}. {plan_items()['source_read']} It is no substitute for "
               "the published list.", "* from memory: compare with the published list."),
    )  # fmt: skip
