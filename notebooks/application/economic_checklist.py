"""Items of the published list for economic evaluations: what an application answers and what it cannot."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources

import pandas as pd

from notebooks.application.gathered import Application
from notebooks.show.numbers import number
from notebooks.show.tables import Table

NOT_IN_A_PILOT = "not applicable in a pilot: too few people"


@cache
def economic_items() -> Mapping:
    """The items as they are stored: `source` and `items`."""
    return tomllib.loads(resources.files("notebooks.application").joinpath("economic_items.toml").read_text("utf-8"))


def economic_table(found: Application) -> Table | None:
    """Each item: what it asks, what stands here, what is left to the authors. None without costs."""
    if found.costs is None:
        return None
    answers = _answers(found)
    rows = [
        {"item": item["id"] + ("" if item["checked"] == "read" else "*"), "asks": item["asks"],
         "here": answers.get(item["answer"], "") or "not from data", "author": item["author"]}
        for item in economic_items()["items"]
    ]  # fmt: skip
    return Table(
        "economic_checklist", "Reporting checklist for costs beside a pilot", pd.DataFrame(rows),
        {"Item": "{item}", "Asks for": "{asks}", "Here": "{here}", "Still for the authors": "{author}"},
        keys=("item",), recorded=False,
        notes=(f"Items in our words after: {economic_items()['source']}. It is no substitute for the published list.",
               "* from memory: compare number and content with the published list."),
    )  # fmt: skip


def _answers(found: Application) -> dict[str, str]:
    protocol, costs = found.study.protocol, found.costs
    assert costs is not None
    last = protocol.later_visits[-1] if protocol.later_visits else protocol.baseline
    short = last.day <= 365
    sources = [text for text in found.study.costs["source"].unique() if text]
    return {
        "plan": "the plan of study.toml with its hash" + (", locked" if found.study.lock else ", not locked"),
        "population": protocol.estimand.get("population", ""),
        "arms": "; ".join(arm.label for arm in protocol.arms),
        "horizon": f"to {last.label}, day {number(last.day, 0)}",
        "discount": "none needed below a year; devices spread over their years without a rate"
        if short
        else "none applied",
        "outcome": f"{found.outcome}, by its published rules",
        "valued": "no utilities here: a value set must be brought",
        "costs": f"{len(found.study.costs)} prices in the sheet costs"
        + (f", from {'; '.join(sources)}" if sources else ", without a source"),
        "currency": f"{costs.unit}, prices of {costs.price_year}, nothing converted",
        "no_model": "no model",
        "methods": "arithmetic means, Welch's interval, Fieller's set; prices times counted use",
        "none": NOT_IN_A_PILOT,
        "uncertainty": "intervals; planned quantities have none",
        "results": "costs by arm with n, mean, SD, quartiles; headed not for decision",
        "limits": "a pilot cannot show what a therapy is worth",
    }
