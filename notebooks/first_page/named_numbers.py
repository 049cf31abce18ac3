"""Numbers of the first page: each has one name, stands in the record under it, and is written by it alone.

Texts of the page hold marks in place of numbers. A mark becomes plain text for a document, or an HTML element that
carries name and full value, so that a test can hold every number of the page against the record.
"""

import html
import re
from dataclasses import dataclass

import pandas as pd

from notebooks.show.numbers import MINUS, number

MARK = re.compile(r"\[\[(\d+)\|(estimate|conf_low|conf_high|n)\|([+a]?)\]\]")
COLUMNS = ("estimate", "conf_low", "conf_high", "n")
NO_BREAK = "\N{NO-BREAK SPACE}"
PERSON = re.compile("\ue000([^\ue001]*)\ue001")  # a participant's code in a text, which a page to hand round leaves out
STRONG = re.compile(r"\*([^*]+)\*")


def person(code: str) -> str:
    """A participant's code in a text of the page."""
    return f"\ue000{code}\ue001"


def _code(mark: re.Match) -> str:
    """A code as it stands; one of digits alone would read as a number."""
    return f"participant {mark[1]}" if mark[1].isdigit() else mark[1]


@dataclass(frozen=True)
class Said:
    """How a number stands in a text: `value`, with its sign in front (`signed`), without one (`size`), its interval."""

    place: int
    known: bool  # whether there is an interval

    @property
    def value(self) -> str:
        """The estimate."""
        return f"[[{self.place}|estimate|]]"

    @property
    def signed(self) -> str:
        """The estimate with + or a minus in front."""
        return f"[[{self.place}|estimate|+]]"

    @property
    def size(self) -> str:
        """The estimate without its sign, where a word says the direction."""
        return f"[[{self.place}|estimate|a]]"

    @property
    def n(self) -> str:
        """People it rests on."""
        return f"[[{self.place}|n|]]"

    @property
    def interval(self) -> str:
        """ "low to high"; words where people are too few for one."""
        if not self.known:
            return "too few for an interval"
        return f"[[{self.place}|conf_low|]]{NO_BREAK}to{NO_BREAK}[[{self.place}|conf_high|]]"


class NamedNumbers:
    """The numbers of one page, in order."""

    def __init__(self) -> None:
        self._rows: list[dict] = []
        self._names: dict[str, int] = {}

    def put(
        self,
        part: str,
        estimate: float,
        low: float | None = None,
        high: float | None = None,
        *,
        n: int | None = None,
        unit: str = "",
        decimals: int = 0,
    ) -> Said:
        """Keep a number under a name. Raises ValueError where another one has that name already."""
        row = {"part": part, "estimate": float(estimate), "conf_low": None if low is None else float(low),
               "conf_high": None if high is None else float(high), "n": n, "unit": unit,
               "decimals": decimals}  # fmt: skip
        if part in self._names:
            raise ValueError(f"Two numbers of the first page are called {part!r}.")
        self._names[part] = len(self._rows)
        self._rows.append(row)
        return Said(self._names[part], low is not None and low == low)

    def size(self, value: float, unit: str) -> Said:
        """A published size of change as it was typed; named once however often it is written."""
        part = f"size of change {value:.10g} {unit}".strip()
        if part in self._names:
            return Said(self._names[part], False)
        return self.put(part, value, unit=unit, decimals=len(f"{value:.10g}".partition(".")[2]))

    def count(self, part: str, estimate: float) -> Said:
        """A count of people, visits, scores or findings."""
        return self.put(part, estimate, unit="count")

    def frame(self) -> pd.DataFrame:
        """One row per name: estimate, conf_low, conf_high, n, unit and the decimals it is written with."""
        frame = pd.DataFrame(self._rows, columns=["part", *COLUMNS, "unit", "decimals"])
        return frame.astype(dict.fromkeys(COLUMNS[:3], float) | {"n": "Int64"})

    def plain(self, text: str) -> str:
        """A text with its numbers written, without people's codes."""
        return MARK.sub(self._written, PERSON.sub("one person", STRONG.sub(r"\1", text)))

    def html(self, text: str, codes: bool = True) -> str:
        """The same as HTML: what is not a number is escaped, each number carries its name and its full value."""
        text = PERSON.sub(_code if codes else "one person", text)
        made = "".join(self._pieces(text, '<data class="v" value="{value}" data-name="{name}">{text}</data>'))
        return STRONG.sub(r"<strong>\1</strong>", made)

    def svg(self, text: str) -> str:
        """The same inside an SVG text."""
        return "".join(self._pieces(text, '<tspan data-value="{value}" data-name="{name}">{text}</tspan>'))

    def _pieces(self, text: str, element: str):
        end = 0
        for mark in MARK.finditer(text):
            yield html.escape(text[end : mark.start()], quote=False)
            row, column = self._rows[int(mark[1])], mark[2]
            name = html.escape(f"answer/{row['part']}/{column}")
            yield element.format(value=repr(row[column]), name=name, text=self._written(mark))
            end = mark.end()
        yield html.escape(text[end:], quote=False)

    def _written(self, mark: re.Match) -> str:
        row, column, how = self._rows[int(mark[1])], mark[2], mark[3]
        told = number(row[column], 0 if column == "n" else row["decimals"])
        if how == "a":
            return told.lstrip(MINUS)
        return f"+{told}" if how == "+" and row[column] > 0 and float(told) != 0 else told
