"""Tables with what is known of their columns and around them."""

from dataclasses import dataclass, field

from outcomes.importing.finding.page_tables import Table
from outcomes.importing.language.headings import MEASURE, Around, Meaning
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.opening.pages import Variable


@dataclass
class Column:
    """One column: its place in the table, heading, meaning, and the codes that hold in it."""

    place: int
    name: str
    meaning: Meaning
    variable: Variable | None = None
    codes: dict[str, str] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    open: str = ""  # the question that asks what the column is
    guesses: tuple[str, ...] = ()  # instruments it may belong to, where no name says so
    said: bool = False  # its meaning was typed in import.toml

    @property
    def role(self) -> str:
        return self.meaning.role


@dataclass
class Source:
    """One table with what is known around it. visit: of the whole sheet. participant: typed code of the whole form."""

    table: Table
    columns: list[Column]
    around: Around
    visit: VisitWord | None = None
    participant: str = ""
    waits: str = ""  # the question all its lines wait for
    hands: bool = False  # its codes end in a hand
    by_date: bool = False  # the visits are the lines of a person in the order of their dates

    def of(self, role: str) -> list[Column]:
        return [column for column in self.columns if column.role == role]

    def one(self, role: str) -> Column | None:
        return next(iter(self.of(role)), None)

    @property
    def measures(self) -> list[Column]:
        return self.of(MEASURE)

    @property
    def long(self) -> bool:
        """Whether each row is one answer: a column says what was measured, another holds the value."""
        return (
            not self.measures
            and bool(self.of("value"))
            and bool(self.of("instrument") or self.of("item") or self.of("item_name"))
        )

    @property
    def name(self) -> str:
        return self.table.page.name


def values_of(table: Table, place: int) -> list[str]:
    """The texts of a column, without blanks."""
    return [text for line in table.lines if (text := table.view.text(line, place))]
