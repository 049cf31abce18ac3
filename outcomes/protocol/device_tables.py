"""The tables of study.toml that trials of devices need: channels of force, levels to reach, what a report may list."""

from collections.abc import Mapping
from dataclasses import dataclass

from outcomes.dynamometry.force import NEWTONS
from outcomes.library.registry import instruments
from outcomes.protocol.keys import FLAG, LIST, NUMBER, TEXT, choice, known_keys, needed, nested, shown, unlike, words

CHANNEL = {"label": TEXT, "unit": TEXT, "better": TEXT, "summary": TEXT}
LEVEL = {"id": TEXT, "label": TEXT, "outcome": TEXT, "value": NUMBER, "unit": TEXT, "reason": TEXT}
SAFETY = {"event_list": FLAG}
TOTAL_MOTION = {"system": TEXT, "reference": TEXT}
PASSIVE_MOTION = {"grades": LIST}
FORCES = tuple(NEWTONS)
SUMMARIES = ("mean", "max")
GRADING = ("percent", "degrees", "pip-dip")
REFERENCES = ("published", "other hand")


@dataclass(frozen=True)
class Channel:
    """A channel of force the study declares: its trials stand in the sheet of trials under this id.

    Its outcome is `<id>.force`, in `unit`. summary: "mean" or "max" of the trials of one administration.
    """

    id: str
    label: str
    unit: str = "N"
    better: str = "higher"
    summary: str = "mean"

    @property
    def outcome(self) -> str:
        """Id of the outcome its trials give."""
        return f"{self.id}.force"


@dataclass(frozen=True)
class Level:
    """An absolute level of an outcome that people may reach, with the study's reason for just this one.

    unit: that of the outcome, or another unit of force where the outcome is a force.
    """

    id: str
    label: str
    outcome: str
    value: float
    unit: str
    reason: str


@dataclass(frozen=True)
class TotalMotion:
    """How total active motion is graded. reference: "published" (260 or 175 degrees) or "other hand"."""

    system: str = ""
    reference: str = "published"


def read_channels(table: Mapping, problems: list[str]) -> tuple[Channel, ...]:
    """The [channels.<id>] tables."""
    made = []
    for name, entry in nested(table, "channels", problems).items():
        where = f"[channels.{name}]"
        entry = known_keys(entry, CHANNEL, where, problems)
        if name in instruments() or "." in name:
            problems.append(
                f"{where}: found {name!r}, allowed a name without a point that is no instrument of the catalogue. "
                "Give the channel another id."
            )
        made.append(
            Channel(
                name,
                entry.get("label", name),
                choice(entry, "unit", FORCES, where, problems, "N"),
                choice(entry, "better", ("higher", "lower"), where, problems, "higher"),
                choice(entry, "summary", SUMMARIES, where, problems, "mean"),
            )
        )
    return tuple(made)


def read_levels(tables: list[dict], problems: list[str]) -> tuple[Level, ...]:
    """The [[levels]] tables; each has to say why it is this level."""
    made = []
    for number, entry in enumerate(tables, 1):
        where = f"[[levels]] {number}"
        entry = known_keys(entry, LEVEL, where, problems)
        outcome, unit, reason = (needed(entry, key, where, problems) for key in ("outcome", "unit", "reason"))
        if "value" not in entry:
            problems.append(f"{where} has no value: found none, allowed a number in the unit named. Add it.")
        name = str(entry.get("id", "")) or f"{outcome} {entry.get('value', '')}".strip()
        made.append(
            Level(name, entry.get("label", name), outcome, float(entry.get("value", 0.0)), unit, reason)
        )  # fmt: skip
    unlike((level.id for level in made), "[[levels]] id", problems)
    return tuple(made)


def read_total_motion(table: object, problems: list[str]) -> TotalMotion:
    """The [total_motion] table."""
    where = "[total_motion]"
    table = known_keys(table, TOTAL_MOTION, where, problems)
    if not table:
        return TotalMotion()
    system = choice(table, "system", GRADING, where, problems, "")
    reference = choice(table, "reference", REFERENCES, where, problems, "published")
    if system == "degrees" and reference == "other hand":
        problems.append(
            f'{where}, reference: found "other hand" with system "degrees", allowed with a system in per cent. Take it '
            "out: these grades are of degrees, not of a share."
        )
    return TotalMotion(system, reference)


def read_stiffness_grades(table: object, problems: list[str]) -> tuple[str, ...]:
    """The grades of stiffness of [passive_motion], the least stiff first; nothing where the study lists none."""
    table = known_keys(table, PASSIVE_MOTION, "[passive_motion]", problems)
    grades = words(table.get("grades", []), "[passive_motion], grades", problems)
    if len(set(grades)) < len(grades):
        problems.append(f"[passive_motion], grades: found {shown(list(grades))}, allowed each once. Correct it.")
    return grades


def may_list_events(table: object, problems: list[str]) -> bool:
    """Whether the report may print single adverse events and deficiencies ([safety] event_list)."""
    return bool(known_keys(table, SAFETY, "[safety]", problems).get("event_list", False))
