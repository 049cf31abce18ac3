"""A comparison for readers: the primary result first, what changed by section, the numbers, the texts, the sources."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from notebooks.report.compare import SAME, Comparison, compare_reports
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.tables import Table

WIDEST = 200  # characters of a text on a terminal


def compare_two(first: str | Path, second: str | Path | None) -> Exhibits | Prose:
    """For a notebook: two finished reports compared, or in words that no second one was named."""
    if second is None:
        return Prose("compare", ("No second report was named above.",))
    return comparison_exhibits(compare_reports(first, second))


def comparison_exhibits(compared: Comparison) -> Exhibits:
    """For a notebook: the primary result, what changed by section, the numbers that changed, and the sources."""
    sources = compared.differences or ("Data files, protocol, versions and code are the same.",)
    files = tuple(str(finding) for finding in compared.files)
    return gather(
        (
            Prose("files of the report", files, heading="Files that are not as they were written") if files else None,
            Prose("not computed", (compared.refused,)) if compared.refused else None,
            primary_table(compared),
            sections_table(compared) if len(compared.sections()) else None,
            changed_table(compared) if len(compared.changed()) else None,
            words_table(compared) if len(compared.words) else None,
            Prose("pictures", (compared.pictures,)) if compared.pictures else None,
            Prose("sources", sources, heading="What they were computed from"),
        )
    )


def primary_table(compared: Comparison) -> Table | Prose:
    """The primary result on both sides."""
    if not compared.primary:
        return Prose("primary result", ("The record names no primary result.",))
    return Table(
        "compared_primary",
        f"Primary result: {compared.about_primary}. {compared.summary}",
        compared.primary_rows(),
        {"Number": "{name}", "Recorded": "{recorded}", "Now": "{now}", "Difference": "{difference}",
         "Status": "{status}"},
        notes=(f"Same: equal to a relative {SAME:g}.",),
        decimals=6,
        recorded=False,
    )  # fmt: skip


def sections_table(compared: Comparison) -> Table:
    """What changed, section by section."""
    return Table(
        "compared_sections",
        "What changed, by section",
        compared.sections(),
        {"Section": "{section}", "Numbers": "{numbers}", "Changed": "{changed}", "Missing": "{missing}",
         "New": "{new}", "Texts": "{texts}", "Largest relative difference": "{largest}", "Of": "{of}"},
        decimals=6,
        recorded=False,
    )  # fmt: skip


def changed_table(compared: Comparison) -> Table:
    """The numbers that are not the same."""
    return Table(
        "compared_numbers",
        "Numbers that are not the same",
        compared.changed(),
        {"Number": "{name}", "Recorded": "{recorded}", "Now": "{now}", "Difference": "{difference}",
         "Status": "{status}"},
        decimals=6,
        recorded=False,
        limit=100,
    )  # fmt: skip


def words_table(compared: Comparison) -> Table:
    """The texts, units, n and notes that are not the same."""
    return Table(
        "compared_words",
        "Texts, units, n and notes that are not the same",
        compared.words.astype(object).where(compared.words.notna(), "").astype(str),
        {"Section": "{section}", "Where": "{name}", "What": "{what}", "Recorded": "{recorded}", "Now": "{now}"},
        recorded=False,
        limit=100,
    )


def lines(compared: Comparison, limit: int = 40) -> list[str]:
    """The comparison for a terminal: files, primary result, sections, numbers, texts, sources, and the summary."""
    return [_printable(line) for line in _lines(compared, limit)]


def _lines(compared: Comparison, limit: int) -> Iterator[str]:
    if compared.files:
        yield "Files of the report that are not as they were written:"
        yield from (f"  {finding}" for finding in compared.files)
    if compared.refused:
        yield f"It could not be computed again: {compared.refused}"
        return
    if compared.primary:
        yield f"Primary result: {compared.about_primary}"
        yield from _number_lines(compared.primary_rows().itertuples())
    sections, shown = compared.sections(), compared.changed()
    if len(sections):
        yield "What changed, by section:"
        for row in sections.itertuples():
            largest = f"; the largest {row.largest:.2g} of {row.of}" if row.of else ""
            yield (
                f"  {row.section}: of {row.numbers} numbers {row.changed} changed, {row.missing} missing, "
                f"{row.new} new{largest}; {row.texts} texts"
            )
    others = shown[~shown["name"].isin(compared.primary)]
    if len(others):
        yield f"{'name':<90} {'recorded':>14} {'now':>14} {'difference':>14}  status"
        yield from _number_lines(others.head(limit).itertuples())
        if len(others) > limit:
            yield f"... and {len(others) - limit} more."
    for row in compared.words.head(limit).itertuples():
        yield f"{row.what} of {row.name}: {_cut(row.recorded)} -> {_cut(row.now)}"
    if len(compared.words) > limit:
        yield f"... and {len(compared.words) - limit} more texts, units, n or notes."
    if compared.differences:
        yield "What they were computed from:"
        yield from (f"  {line}" for line in compared.differences)
    if compared.pictures:
        yield compared.pictures
    yield compared.summary


def _number_lines(rows: Iterable) -> Iterator[str]:
    for row in rows:
        values = " ".join(f"{_short(value):>14}" for value in (row.recorded, row.now, row.difference))
        yield f"{row.name:<90} {values}  {row.status}"


def _short(value: object) -> str:
    if value is None or value != value:
        return "-"
    return f"{value:.7g}" if isinstance(value, float) else str(value)


def _cut(value: object) -> str:
    text = "nothing" if value is None or value == "" else str(value)
    return text if len(text) <= WIDEST else f"{text[:WIDEST]}…"


def _printable(line: str) -> str:
    """Without what would steer a terminal: records may come from anyone."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in line)
