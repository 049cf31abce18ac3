"""Outcomes and thresholds in study.toml: names, or tables that say more of them."""

from collections.abc import Mapping

from outcomes.library.instrument import Threshold
from outcomes.library.known import find_instrument
from outcomes.protocol.keys import OUTCOME, THRESHOLD, known_keys, needed
from outcomes.protocol.trial import Measure

OWN = "the study's own"  # quantity of a threshold that the study brings
PERCENT = "% of baseline"


def read_outcomes(
    listed: object, visits: tuple[str, ...], problems: list[str]
) -> tuple[list[str], dict[str, tuple[str, ...]], dict[str, int]]:
    """Names of the outcomes, the visits of those not planned at every visit, the ratings that were averaged."""
    names: list[str] = []
    planned: dict[str, tuple[str, ...]] = {}
    averaged: dict[str, int] = {}
    for number, entry in enumerate(listed if isinstance(listed, list) else [], 1):
        if not isinstance(entry, dict):
            names.append(str(entry))
            continue
        where = f"study.toml, outcomes, {number}"
        table = known_keys(entry, OUTCOME, where, problems)
        name = needed(table, "id", where, problems)
        names.append(name)
        if "visits" in table:
            unknown = [str(visit) for visit in table["visits"] if visit not in visits]
            if unknown or not table["visits"]:
                problems.append(
                    f"{where}, visits: found {', '.join(unknown) or 'none'}, allowed {', '.join(visits)}. Correct it."
                )
            planned[name] = tuple(str(visit) for visit in table["visits"] if visit in visits)
        if "averaged" in table:
            if table["averaged"] < 2:
                problems.append(
                    f"{where}, averaged: found {table['averaged']}, allowed 2 or more, the number of ratings each "
                    "total is the mean of. Correct it."
                )
            averaged[name] = int(table["averaged"])
    return names, planned, averaged


def read_thresholds(
    table: Mapping, measures: tuple[Measure, ...], problems: list[str]
) -> tuple[dict[str, tuple[str, ...]], dict[str, tuple[Threshold, ...]]]:
    """Keys of published thresholds, and the study's own, by outcome."""
    chosen: dict[str, tuple[str, ...]] = {}
    own: dict[str, tuple[Threshold, ...]] = {}
    for outcome, listed in table.items():
        single = isinstance(listed, str) or (isinstance(listed, dict) and "value" in listed)
        listed = [listed] if single else listed
        if not isinstance(listed, list) or not all(isinstance(entry, (str, dict)) for entry in listed):
            problems.append(
                f"[thresholds], {outcome}: found {listed!r}, allowed a list of threshold keys, or of tables with "
                'value, unit and source. Put the outcome in quotation marks: "fma_ue.motor" = ["<key>"].'
            )
            continue
        keys = tuple(entry for entry in listed if isinstance(entry, str))
        tables = [entry for entry in listed if isinstance(entry, dict)]
        if keys or not tables:
            chosen[outcome] = keys
        if tables:
            own[outcome] = own_thresholds(outcome, tables, measures, problems)
    return chosen, own


def own_thresholds(
    outcome: str, tables: list[dict], measures: tuple[Measure, ...], problems: list[str]
) -> tuple[Threshold, ...]:
    """A study's own thresholds of one outcome: a value, its unit (or per cent of baseline), where it comes from.

    direction: "higher" or "lower", which way is better; the outcome's own where it is left out.
    """
    made = []
    measure = next((one for one in measures if one.id == outcome), None)
    name, _, scale_id = outcome.partition(".")
    instrument = find_instrument(name)
    scale = instrument.scale(scale_id) if instrument else None
    unit = measure.unit if measure else scale.unit if scale else "points"
    better = measure.better if measure else scale.better if scale else "higher"
    for number, entry in enumerate(tables, 1):
        where = f"[thresholds], {outcome}, {number}"
        table = known_keys(entry, THRESHOLD, where, problems)
        value = table.get("value")
        if value is None or not value > 0:
            problems.append(
                f"{where}, value: found {value!r}, allowed a number above 0, the size of the change. Correct it."
            )
            continue
        said = table.get("unit", unit)
        if said not in (unit, PERCENT):
            problems.append(f"{where}, unit: found {said!r}, allowed {unit} or {PERCENT}. Correct it.")
            continue
        direction = table.get("direction", better)
        if direction != better:
            problems.append(
                f"{where}, direction: found {direction!r}, allowed {better}: that way it is better. Correct it."
            )
            continue
        source = needed(table, "source", where, problems)
        label = table.get("label") or f"{outcome}-own-{value:g}{'-percent' if said == PERCENT else ''}"
        made.append(
            Threshold(
                key=label, scale=scale_id, value=float(value), unit=said, quantity=OWN, better=better,
                population="this study", phase="as in this study", method="chosen by the study", n="not applicable",
                source=source,
            )
        )  # fmt: skip
    return tuple(made)


def read_values(table: Mapping, sheets: Mapping[str, tuple[str, ...]], problems: list[str]) -> dict:
    """[values.<table>.<column>]: code -> word. sheets: table -> its columns."""
    read: dict[str, dict[str, dict[str, str]]] = {}
    for name, columns in table.items():
        if name not in sheets or not isinstance(columns, dict):
            problems.append(f"[values.{name}]: found {name}, allowed {', '.join(sheets)}. Correct it.")
            continue
        for column, codes in columns.items():
            where = f"[values.{name}.{column}]"
            if not isinstance(codes, dict) or not codes:
                problems.append(f'{where}: found {codes!r}, allowed codes and words, e.g. 1 = "female". Correct it.')
                continue
            read.setdefault(name, {})[column] = {str(code): str(word) for code, word in codes.items()}
    return read
