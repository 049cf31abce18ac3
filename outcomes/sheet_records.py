"""What a sheet of the study folder is: a name and typed columns."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Column:
    """One column of a sheet.

    kind: "id" (kept as text), "text", "number", "date", "choice" (one of `words`) or
    "measure" (the measured number: kept as typed beside the number read and the missing code).
    """

    name: str
    kind: str
    says: str
    required: bool = False
    words: Mapping[str, str] = field(default_factory=dict)
    synonyms: tuple[str, ...] = ()

    @property
    def allowed(self) -> tuple[str, ...]:
        """What a choice column may hold, without the blank."""
        return tuple(dict.fromkeys(word for word in self.words.values() if word))


@dataclass(frozen=True)
class Sheet:
    """One table of the study folder."""

    name: str
    says: str
    columns: tuple[Column, ...]

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns if column.required)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column | None:
        return next((column for column in self.columns if column.name == name), None)

    @property
    def measure(self) -> str | None:
        """Name of the measured column, None where the sheet has none."""
        return next((column.name for column in self.columns if column.kind == "measure"), None)
