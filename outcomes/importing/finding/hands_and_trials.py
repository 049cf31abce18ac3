"""Hands by letters in pairs, and means beside the trials they are made of."""

from dataclasses import replace

from outcomes.importing.finding.mapped_tables import Column, Source
from outcomes.importing.language.headings import Meaning
from outcomes.importing.language.vocabulary import tokens


def trials_and_means(source: Source) -> None:
    """A mean or total beside trials of the same hand and visit is derived from them."""
    trials = [c.meaning for c in source.measures if c.meaning.table == "trials"]
    for column in source.measures:
        if column.meaning.table == "totals" and any(_made_of(column.meaning, trial) for trial in trials):
            column.meaning = replace(column.meaning, role="derived")


def _made_of(total: Meaning, trial: Meaning) -> bool:
    """Whether a trial belongs to a total; one whose heading names no hand or visit is of all of them."""
    return (
        (total.instrument, total.condition) == (trial.instrument, trial.condition)
        and total.side in ("", trial.side)
        and (total.visit is None or (trial.visit is not None and total.visit.key == trial.visit.key))
    )


# Left and right as letters: Romance languages, Polish and Czech, Scandinavian languages, Finnish, Russian, Greek.
SIDE_LETTERS = (
    *((letter, "d") for letter in "gise"), ("l", "p"), ("v", "h"), ("v", "o"), ("л", "п"), ("α", "δ")
)  # fmt: skip


def side_letters(source: Source) -> None:
    """A column of sides that holds just the two letters of a language: they are left and right."""
    for column in source.of("side"):
        texts = {text.lower() for line in source.table.lines if (text := source.table.view.text(line, column.place))}
        for left, right in SIDE_LETTERS:
            if texts == {left, right} and not set(column.codes) & texts:
                column.codes = {**column.codes, left: "left", right: "right"}


def sides_in_pairs(source: Source) -> None:
    """ "D" and "G", "D" and "I": right and left in the languages where those are the letters."""
    rests = [set(column.meaning.rest) for column in source.measures if not column.meaning.side]
    known = {column.meaning.side for column in source.measures}
    for left, right in SIDE_LETTERS:
        has = [any(letter in rest for rest in rests) for letter in (left, right)]
        # "L" is known as left, so that its partner ("P" in Polish) stands alone.
        if not (has[0] or (left == "l" and "left" in known)) or not has[1]:
            continue
        for column in source.measures:
            rest = column.meaning.rest
            for letter, side in ((left, "left"), (right, "right")):
                if letter in rest and not column.meaning.side:
                    rest = tuple(word for word in rest if word != letter)
                    column.meaning = replace(column.meaning, side=side, rest=rest)
        break
    _one_sided_pairs(source)


def _one_sided_pairs(source: Source) -> None:
    """Of one test two columns, one of a named hand and one of none: which hand the other is, is asked, not assumed."""
    groups: dict[tuple[object, ...], list[Column]] = {}
    for column in source.measures:
        m = column.meaning
        if m.table != "angles":
            visit = m.visit.key if m.visit else None
            key = (m.table, m.instrument, m.scale, m.item, m.number, m.stat, m.condition, visit)
            groups.setdefault(key, []).append(column)
    for columns in groups.values():
        named = {column.meaning.side for column in columns}
        if len(columns) > 1 and "" in named and named & {"left", "right", "affected", "other"}:
            for column in columns:
                if not column.meaning.side:
                    column.meaning = replace(column.meaning, side=" ".join(tokens(column.name)))
