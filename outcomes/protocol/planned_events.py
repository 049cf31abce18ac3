"""Intercurrent events of the estimand as study.toml names them: [[events]]."""

from outcomes.protocol.keys import EVENT, EVENT_TABLES, STRATEGIES, choice, known_keys, needed
from outcomes.protocol.trial import PlannedEvent


def planned_event(table: dict, number: int, problems: list[str]) -> PlannedEvent:
    """One table of [[events]]; what is wrong with it is added to `problems`."""
    where = f"[[events]] {number}"
    table = known_keys(table, EVENT, where, problems)
    name = needed(table, "id", where, problems)
    strategy = table.get("strategy", "")
    if strategy == "principal stratum":
        problems.append(
            f"{where}, strategy: found 'principal stratum', allowed {', '.join(STRATEGIES)}. Who would have had the "
            "event under either treatment cannot be seen in anybody; choose another strategy."
        )
    else:
        strategy = choice(table, "strategy", STRATEGIES, where, problems, "")
    told = choice(table, "table", EVENT_TABLES, where, problems, "")
    values = tuple(map(str, table.get("values", [])))
    if not values or not strategy or not told or "column" not in table:
        problems.append(
            f'{where}: needs id, strategy, table, column and values, e.g. table = "adverse_events", column = "term", '
            'values = ["injection"]. Add what is not there.'
        )
    score = table.get("score")
    return PlannedEvent(name, table.get("label", name), str(strategy), str(told), str(table.get("column", "")), values,
                        None if score is None else float(score))  # fmt: skip
