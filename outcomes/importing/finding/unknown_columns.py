"""Questions about whole columns: what they hold, and which one tells the visits of a table apart."""

from dataclasses import replace

from outcomes.importing.finding.hands_and_trials import sides_in_pairs, trials_and_means
from outcomes.importing.finding.mapped_tables import Column, Source, values_of
from outcomes.importing.finding.page_tables import Table
from outcomes.importing.language.calendar_dates import read_date
from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.headings import Meaning, recognise
from outcomes.importing.language.vocabulary import simple, tokens
from outcomes.importing.questions import ASK, Questions, slug
from outcomes.library.known import find_instrument

_MOST = 0.5  # share of the people with several lines from which the lines must be visits (our rule)


def ask_unknown(sources: list[Source], questions: Questions) -> None:
    """Columns of numbers under words that nobody knows are asked about: one question for one name, whatever its "
    "visits."""
    for source in sources:
        if source.long:
            continue
        changed = False
        for column in source.columns:
            if column.role or column.said or column.place == source.table.key:
                continue
            texts = values_of(source.table, column.place)
            numeric = sum(bool(number_text(text)) for text in texts)
            if numeric < max(3, len(texts) / 2) or len(set(texts)) < 3:
                continue
            rest = [word for word in column.meaning.rest if len(word) > 1]
            stem = " ".join(rest) or " ".join(word for word in tokens(column.name) if len(word) > 1) or column.name
            answer = questions.ask(
                ASK,
                f"what is {stem}",
                f"{source.name}: {column.name}",
                f"Columns of numbers named {stem!r} were not recognised. What do they hold? Write the name of an "
                f"instrument "
                "(and its scale or unit), or leave out.",
                ("leave out",),
            )
            column.open = "" if answer else slug(f"what is {stem}")
            if not answer or simple(answer).startswith("leave"):
                continue
            found = recognise([f"{answer} {column.meaning.number or ''}".strip()], source.around)
            if found.role == "":
                questions.refuse(
                    f"what is {stem}",
                    f"found {answer!r}, allowed the name of an instrument of the catalogue, or leave out",
                )
                column.open = slug(f"what is {stem}")
                continue
            own = column.meaning
            column.meaning = replace(
                found,
                visit=own.visit,
                side=found.side or own.side,
                condition=found.condition or own.condition,
                unit=found.unit or own.unit,
                rest=tuple(word for word in own.rest if len(word) == 1),
            )
            changed = True
        if changed:
            trials_and_means(source)
            sides_in_pairs(source)


def ask_trials(sources: list[Source], questions: Questions) -> None:
    """ "Grip T1, T2, T3" where nothing else names a visit: trials of one day, or three visits? Nobody may guess."""
    found: list[tuple[Source, Column]] = []
    for source in sources:
        if source.visit or source.table.visits or source.one("visit"):
            return
        for column in source.measures:
            known, visit = find_instrument(column.meaning.instrument), column.meaning.visit
            force = known is not None and known.main_scale.kind == "trials"
            if visit and not (force and visit.kind == "ordinal" and tokens(visit.label)[:1] == ("t",)):
                return
            if visit:
                found.append((source, column))
    if len({column.meaning.visit.number for _, column in found if column.meaning.visit}) < 2:
        return
    for source, column in found:
        name = f"trials or visits {column.meaning.instrument}"
        answer = questions.ask(
            ASK,
            name,
            f"{source.name}: {column.name}",
            "T1, T2 and so on stand over forces, and nothing else names a visit. Are they trials, or visits?",
            ("trials", "visits"),
        )
        if not answer:
            source.waits = slug(name)
        elif simple(answer).startswith("trial") and column.meaning.visit is not None:
            number = column.meaning.visit.number
            column.meaning = replace(column.meaning, table="trials", scale="", number=number, visit=None, stat="")


BY_DATE = "the order of the dates"


def ask_visits(sources: list[Source], questions: Questions) -> None:
    """A table with several lines a person and no visit that anybody knows: which column tells the visits apart?"""
    for source in sources:
        table = source.table
        visits = source.visit or table.visits or any(c.role == "visit" or c.meaning.visit for c in source.columns)
        if visits or table.key is None or table.form or not (source.measures or source.long):
            continue
        apart = [c for c in source.columns if c.role in ("side", "condition", "trial", "repeat", "instrument", "item")]
        lines: dict[tuple[str, ...], list[int]] = {}
        for line in table.lines:
            if code := table.view.text(line, table.key):
                lines.setdefault((code, *(table.view.text(line, c.place) for c in apart)), []).append(line)
        several = [group for group in lines.values() if len(group) > 1]
        if len(several) < 2 or len(several) < _MOST * len(lines):
            continue
        choices = [
            column.name
            for column in source.columns
            if column.role in ("", "sequence", "instrument", "status") and _tells_apart(table, column, several)
        ]
        dates = [source.one("date") or next((c for c in source.columns if c.role == "" and _dated(table, c)), None)]
        choices += [BY_DATE] if dates[0] else []
        name = f"visit column {source.name}"
        answer = questions.ask(
            ASK,
            name,
            source.name,
            f"Most people have several lines here (up to {max(map(len, several))}), and no column was recognised as "
            "the visit. Which column tells the visits apart?",
            (*choices, "leave out"),
            choices[0] if len(choices) == 1 else "",
        )
        chosen = next((c for c in source.columns if c.name == answer), None)
        if chosen is not None:
            chosen.meaning, chosen.open = Meaning("visit"), ""
        elif answer == BY_DATE and dates[0] is not None:
            source.by_date = True
            dates[0].meaning, dates[0].open = Meaning("date"), ""
        else:
            if answer and not simple(answer).startswith("leave"):
                questions.refuse(name, f"found {answer!r}, allowed {', '.join((*choices, 'leave out'))}")
            source.waits = slug(name)


def _dated(table: Table, column: Column) -> bool:
    cells = [cell for line in table.lines if (cell := table.view.cell(line, column.place))]
    return len(cells) > 1 and all(read_date(cell.value, cell.text) for cell in cells)


def _tells_apart(table: Table, column: Column, groups: list[list[int]]) -> bool:
    """Whether each line of a person has another text there, of texts that come back with other people."""
    texts = [[table.view.text(line, column.place) for line in group] for group in groups]
    distinct = {text for group in texts for text in group}
    return all("" not in group and len(set(group)) == len(group) for group in texts) and len(distinct) <= 2 * max(
        map(len, groups)
    )
