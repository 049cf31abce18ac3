"""The section for those who write the paper: methods in words, the estimand, and what the report covers of a checklist.

It stands in every report. Texts are built from the protocol and from the models as fitted; nothing is judged.
"""

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.report import record as records
from notebooks.report.run import Run, section
from notebooks.sections import plan_departures as departures
from notebooks.sections.methods_words import methods_text
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.tables import Table
from outcomes import Study
from stats.missing.estimand import DOES

TITLE = "Writing it up"
ABOUT = """# Writing it up

**Question:** what can be copied into a paper or an application, and what must the authors still write?

Read every sentence before you use it: the texts say what this report did, not what was meant. They claim no efficacy
and draw no verdict from a p value."""
CODE = "writing_up.write_up(analysis, exhibits)"
ATTRIBUTES = {
    "treatment": "Treatment conditions",
    "population": "Population",
    "variable": "Variable (endpoint)",
    "intercurrent": "Intercurrent events and how they are handled",
    "summary": "Population-level summary",
}
FROM_MEMORY = "*"


def write_up(analysis: Analysis, exhibits: Mapping[str, str]) -> Exhibits:
    """Methods, estimand and checklist. exhibits: what the report shows, name (of a figure "figure/...") -> caption."""
    study = analysis.study
    return gather((methods_text(analysis), estimand_table(study), checklist_table(study, exhibits)))


def estimand_table(study: Study) -> Table:
    """The attributes of the estimand as study.toml states them."""
    given = study.protocol.estimand
    rows = {
        name: given.get(key, "") or f"not stated: [estimand] {key} in study.toml" for key, name in ATTRIBUTES.items()
    }
    rows |= {f"After {event.label}": f"{event.strategy}: {DOES[event.strategy]}" for event in study.protocol.events}
    frame = pd.DataFrame({"attribute": list(rows), "stated": list(rows.values())})
    read = "the visit and what is done after each event" if study.protocol.events else "the visit alone"
    return Table(
        "estimand",
        "The estimand of the primary outcome",
        frame,
        {"Attribute": "{attribute}", "As study.toml states it": "{stated}"},
        keys=("attribute",),
        notes=(
            f"Attributes of an estimand after ICH E9(R1), 2019. Of them the analysis reads {read}: that it answers the "
            "question stated here is for the authors to check.",
        ),
        recorded=False,
    )


@cache
def reporting_items() -> Mapping:
    """The checklist as it is stored: `source` and `items`."""
    text = resources.files("notebooks.sections").joinpath("reporting_items.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def checklist_table(study: Study, exhibits: Mapping[str, str]) -> Table:
    """Each item: what it asks for, where this report serves it, and what is left to the authors."""
    rows = []
    for item in reporting_items()["items"]:
        wanted = item.get("shown_by", [])
        shown = [
            caption
            for name, caption in exhibits.items()
            if any(name == start or name.startswith(f"{start}__") for start in wanted)
        ]
        rows.append(
            {
                "item": item["id"] + ("" if item["checked"] == "read" else FROM_MEMORY),
                "asks": item["asks"],
                "shown": "; ".join(dict.fromkeys(shown)) or ("not in this report" if wanted else "not from data"),
                "author": item.get("author", ""),
            }
        )
    notes = [
        f"Items in our words after: {reporting_items()['source']}. It is no substitute for the published list.",
        f"{FROM_MEMORY} from memory: compare number and content with the published list. The others were compared.",
    ]
    if study.protocol.design == "single-arm":
        notes.append("The list is for randomised pilots; of a single arm only the principles carry over.")
    elif study.protocol.randomisation.randomised is False:
        notes.append("The list is for randomised pilots; of arms that were not, only the principles carry over.")
    return Table(
        "reporting_checklist",
        "Reporting checklist for a pilot trial",
        pd.DataFrame(rows),
        {"Item": "{item}", "Asks for": "{asks}", "In this report": "{shown}", "Still for the authors": "{author}"},
        keys=("item",),
        notes=tuple(notes),
        recorded=False,
    )


def writing_run(analysis: Analysis, runs: Iterable[Run]) -> Run:
    """The section of the report, made from the exhibits of the others."""
    shown = {"methods": "Methods in words", "estimand": "The estimand of the primary outcome"}
    for run in runs:
        for content in records.contents(run.notebook):
            shown |= _named(content)
    return section("writing_up", ABOUT, CODE, write_up(analysis, shown))


def _named(content: Mapping) -> dict[str, str]:
    """Name and caption of an exhibit. A figure's title is a finding, so its name stands for it; a text without heading
    says why something is not shown.
    """
    name = content["name"]
    if content["kind"] == "figure":
        return {f"figure/{name.replace('/', '__')}": f"figure {name.partition('/')[0].replace('_', ' ')}"}
    if content["kind"] == "prose":
        heading = departures.TITLE if name == "lock" else content["heading"]
        return {name: heading} if heading else {}
    return {name: content["caption"]}
