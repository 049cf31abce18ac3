"""The line of a table that a cell becomes."""

from dataclasses import dataclass

from outcomes.dynamometry.force import convert_force
from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.headings import Meaning
from outcomes.importing.making.schedule import Visit

_FORCE_UNITS = ("kgf", "lbf", "N")


@dataclass
class Row:
    """One line of a table to write, and the cell it comes from."""

    table: str
    cells: dict[str, str]
    observation: Observation
    visit: Visit
    number: bool  # holds a number, not a reason

    @property
    def key(self) -> tuple[str, ...]:
        return (
            self.table,
            *(value for name, value in self.cells.items() if name not in ("value", "degrees", "unit", "rater")),
        )


def row_of(o: Observation, visit: Visit, value: str, *, number: bool, unit: str = "") -> tuple[Row, str]:
    """The row of one number or one reason, and a remark on how its number was changed (blank if it was not).

    unit: the unit typed into the cell itself, which goes before the unit of its column.
    """
    meaning = o.meaning
    unit = (unit if unit in _FORCE_UNITS else "") or meaning.unit
    remark = ""
    if meaning.table == "angles":
        if number and meaning.stat == "minus":
            value, remark = _deficit(value)
    elif meaning.table not in ("trials", "items") and number and unit in ("lbf", "N") and meaning.scale == "force":
        remark = f"typed {value} {unit}, converted to kgf"
        value = repr(float(convert_force(float(value), unit, "kgf")))
    cells = {"participant": o.record.participant, "visit": visit.id, **_measured(meaning, value, unit)}
    return Row(meaning.table, cells, o, visit, number), remark


def _deficit(typed: str) -> tuple[str, str]:
    """A lack of extension typed as a negative number: the deficit, and a remark where there is none."""
    number = float(typed)
    remark = f"typed {typed}: hyperextension, no deficit" if number > 0 else ""
    return f"{-number:g}" if number < 0 else "0", remark


def _measured(meaning: Meaning, value: str, unit: str) -> dict[str, str]:
    """The cells after participant and visit, in the order of the table's columns."""
    if meaning.table == "angles":
        return {
            "side": meaning.side,
            "digit": meaning.digit,
            "joint": meaning.joint,
            "movement": meaning.movement,
            "mode": meaning.mode,
            "degrees": value,
        }
    condition = "assisted" if meaning.condition == "assisted" else ""
    at = {"instrument": meaning.instrument, "side": meaning.side, "condition": condition}
    if meaning.table == "trials":
        return at | {"trial": str(meaning.number if meaning.number is not None else 1), "value": value, "unit": unit}
    if meaning.table == "items":
        return at | {"item": meaning.item, "value": value}
    return {"instrument": meaning.instrument, "scale": meaning.scale, **at, "value": value}
