"""The terms of a model as study.toml may write them: columns, `+ : *`, 0 or 1, and a few functions of one column.

Text of a study folder is data. It is read here, by this small grammar and nothing else, into records; what the model
is fitted with is made of those records. No text of a folder is ever handed to a language that could run it.

    sum      product + product + ...
    product  factor, or factors with : (their product) or * (each of them, and their product)
    factor   1 (an intercept), 0 (none), a column, or a function of a column
    column   a name of letters, digits and underscores; any other header stands in quotation marks
    function log(column), sqrt(column), power(column, number), spline(column, whole number of columns)
"""

import re
from dataclasses import dataclass
from itertools import combinations

LONGEST = 500  # characters of a sum, far more than any model of a pilot needs
MOST_FACTORS = 6  # joined by *
FUNCTIONS = {
    "log": "log(column)",
    "sqrt": "sqrt(column)",
    "power": "power(column, number)",
    "spline": "spline(column, number of columns, 2 to 6)",
}
_TOKEN = re.compile(
    r"""\s*(?: (?P<quoted>"[^"\n]*"|'[^'\n]*') | (?P<name>[^\W\d]\w*) | (?P<number>-?\d{1,6}(?:\.\d{1,6})?)
    | (?P<mark>[+:*(),]) )\s*""",
    re.VERBOSE,
)
GRAMMAR = (
    "1 or 0, names of columns (others than letters, digits and _ in quotation marks), + : *, and "
    f"{', '.join(FUNCTIONS.values())}"
)


class BadTerms(ValueError):  # noqa: N818 - what is wrong with a text, told by whoever asked for it to be read
    """The text is none of the grammar; the message says what was found."""


@dataclass(frozen=True, order=True)
class Factor:
    """A column, or a function of it. number: the power, or the number of columns of a spline."""

    column: str
    function: str = ""
    number: float = 0.0

    @property
    def label(self) -> str:
        """The factor as it would be written."""
        if not self.function:
            return self.column
        number = int(self.number) if float(self.number).is_integer() else self.number
        return f"{self.function}({self.column}{f', {number}' if self.function in ('power', 'spline') else ''})"


@dataclass(frozen=True)
class Terms:
    """A sum: whether it has an intercept, and the products in it, each a tuple of factors."""

    intercept: bool
    products: tuple[tuple[Factor, ...], ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that is used, in the order it is named."""
        return tuple(dict.fromkeys(factor.column for product in self.products for factor in product))


def read_terms(text: str) -> Terms:
    """The sum that a text writes; an intercept is there unless 0 takes it out.

    Raises:
        BadTerms: where the text is not of the grammar.

    Example:
        >>> read_terms("1 + time").products
        ((Factor(column='time', function='', number=0.0),),)
    """
    reader = _Reader(text)
    intercept, products = True, []
    while True:
        made = reader.product()
        if made is None:
            raise BadTerms(f"{reader.seen()} where a column or 1 is expected")
        if isinstance(made, bool):
            intercept = made
        else:
            products += [product for product in made if product not in products]
        if reader.ended:
            return Terms(intercept, tuple(sorted(products, key=len)))
        reader.need("+")


def read_factor(text: str) -> Factor:
    """One column or one function of a column.

    Raises:
        BadTerms: where the text is not of the grammar.
    """
    reader = _Reader(text)
    factor = reader.factor()
    if not isinstance(factor, Factor) or not reader.ended:
        raise BadTerms(f"{reader.seen()} where one column, or one function of a column, is expected")
    return factor


class _Reader:
    """The tokens of a text, taken one after another."""

    def __init__(self, text: str) -> None:
        if len(text) > LONGEST:
            raise BadTerms(f"{len(text)} characters, allowed {LONGEST}")
        self.tokens: list[tuple[str, str]] = []
        self.at, place = 0, 0
        while place < len(text):
            match = _TOKEN.match(text, place)
            if match is None:
                raise BadTerms(f"{text[place : place + 20].strip()!r}, which is no part of a model here")
            self.tokens.append((str(match.lastgroup), match[str(match.lastgroup)]))
            place = match.end()

    @property
    def ended(self) -> bool:
        return self.at == len(self.tokens)

    def seen(self) -> str:
        """The token at hand, in words."""
        return "the end of the text" if self.ended else repr(self.tokens[self.at][1])

    def take(self, mark: str) -> bool:
        """Takes a mark if it is the next token."""
        if not self.ended and self.tokens[self.at] == ("mark", mark):
            self.at += 1
            return True
        return False

    def need(self, mark: str) -> None:
        """Takes a mark that must be there."""
        if not self.take(mark):
            raise BadTerms(f"{self.seen()} where {mark!r} is expected")

    def product(self) -> list[tuple[Factor, ...]] | bool | None:
        """Products of factors; True or False for an intercept or none; None where nothing is there."""
        first = self.factor()
        if not isinstance(first, Factor):
            return first
        groups = [[first]]  # factors joined by : are one group; groups are crossed by *
        while True:
            if self.take(":"):
                groups[-1].append(self._another())
            elif self.take("*"):
                groups.append([self._another()])
            else:
                break
        if len(groups) > MOST_FACTORS or any(len(group) > MOST_FACTORS for group in groups):
            raise BadTerms(f"more than {MOST_FACTORS} factors in one product")
        sizes = range(1, len(groups) + 1)
        crossed = [chosen for size in sizes for chosen in combinations(groups, size)]
        return [tuple(dict.fromkeys(factor for group in chosen for factor in group)) for chosen in crossed]

    def _another(self) -> Factor:
        factor = self.factor()
        if not isinstance(factor, Factor):
            raise BadTerms("a product without a second column")
        return factor

    def factor(self) -> Factor | bool | None:
        """A factor; True for 1, False for 0; None where nothing is there."""
        if self.ended:
            return None
        kind, text = self.tokens[self.at]
        if kind == "mark":
            return None
        self.at += 1
        if kind == "number":
            if text not in ("0", "1"):
                raise BadTerms(f"the number {text}, allowed 0 or 1")
            return text == "1"
        if kind == "quoted":
            return Factor(_named(text[1:-1]))
        if not self.take("("):
            return Factor(text)
        return self._function(text)

    def _function(self, function: str) -> Factor:
        if function not in FUNCTIONS:
            raise BadTerms(f"the function {function}, allowed {', '.join(FUNCTIONS)}")
        if self.ended or self.tokens[self.at][0] not in ("name", "quoted"):
            raise BadTerms(f"{self.seen()} where the column of {function} is expected")
        kind, text = self.tokens[self.at]
        column = _named(text[1:-1] if kind == "quoted" else text)
        self.at += 1
        number = 0.0
        if function in ("power", "spline"):
            self.need(",")
            if self.ended or self.tokens[self.at][0] != "number":
                raise BadTerms(f"{self.seen()} where the number of {FUNCTIONS[function]} is expected")
            typed = self.tokens[self.at][1]
            number = float(typed)
            self.at += 1
            if function == "spline" and number not in (2, 3, 4, 5, 6):
                raise BadTerms(f"a spline of {typed} columns, allowed 2 to 6")
            if function == "power" and (number == 0 or abs(number) > 10):
                raise BadTerms(f"the power {typed}, allowed -10 to 10 without 0")
        self.need(")")
        return Factor(column, function, number)


def _named(column: str) -> str:
    if not column.strip():
        raise BadTerms("a column without a name")
    return column.strip()
