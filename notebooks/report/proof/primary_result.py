"""Which of a report's numbers are the primary result: the primary outcome at the visit the study speaks of."""

from collections.abc import Iterable

from notebooks.analysis import Analysis
from notebooks.report import record as records
from outcomes import columns as c

# The first of these tables that a report holds: what compares treatments before what does not.
TABLES = ("crossover", "between_arms", "changes", "model_effect_sizes")


def primary_result(analysis: Analysis, runs: Iterable) -> dict:
    """Outcome and visit, the names of the numbers in the record, and the sentences about them.

    `numbers` is empty where the report holds none of the tables, as one of a few notebooks may.
    """
    protocol = analysis.study.protocol
    visit = analysis.headline_visit(protocol.primary)
    found: dict[str, list[str]] = {}
    for run in runs:
        for content in records.contents(run.notebook):
            if content["kind"] == "table" and content["name"] in TABLES:
                found[content["name"]] = _names(content, protocol.primary, protocol.model.label, visit)
    table = next((name for name in TABLES if found.get(name)), None)
    return {"outcome": protocol.primary, "visit": visit, "numbers": found[table] if table else []}


def _names(content: dict, outcome: str, model: str, visit: str | None) -> list[str]:
    frame = content["frame"]
    rows = range(len(next(iter(frame.values()), [])))
    wanted = {c.OUTCOME: outcome, "model": model, c.VISIT: visit}

    def is_it(row: int) -> bool:
        said = {column: frame[column][row] for column in wanted if column in frame}
        return all(said[column] in (wanted[column], "", None) for column in said) and said.get(c.OUTCOME) == outcome

    labels = [f"{content['name']}/{records.row_label(content, row)}/" for row in rows if is_it(row)]
    return [
        entry["name"]
        for entry in records.numbers(content, "", {})
        if any(entry["name"].startswith(label) for label in labels)
    ]
