"""What a sheet to fill in is: its columns, and what each may hold."""

from dataclasses import dataclass

from outcomes.findings import as_text


@dataclass(frozen=True)
class Field:
    """One column of a sheet to fill in. choices: what it may hold, where that is a list; low and high otherwise."""

    name: str
    says: str
    required: bool
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str = ""
    kind: str = "text"

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        if self.choices:
            return ", ".join(self.choices)
        if self.kind == "date":
            return "year-month-day"
        if self.low is None:
            return "a number" if self.kind == "number" else "text"
        top = "" if self.high is None or self.high == float("inf") else as_text(self.high)
        return f"{as_text(self.low)} to {top}" if top else f"{as_text(self.low)} or more"


@dataclass(frozen=True)
class Form:
    """A sheet to fill in."""

    name: str
    says: str
    fields: tuple[Field, ...]
    rows: tuple[tuple[str, ...], ...] = ()  # cells filled in already
