"""A table of training sessions, one line a session: what its columns hold. It has no measurement and no visit."""

import re
from collections import Counter

from outcomes.importing.finding.mapped_tables import Column, Source
from outcomes.importing.language.headings import Meaning
from outcomes.importing.language.vocabulary import tokens, whole, within

TRAINING = "training_"  # how the roles of such a table begin
_AMOUNTS = ("training_minutes", "training_planned", "training_repetitions")
_HOURS = frozenset(("h", "hr", "hrs", "hour", "hours", "std", "stunden", "heures", "horas", "ore", "uur", "timer"))


def training_log(source: Source) -> None:
    """Columns of a log of training sessions: number, date, minutes and repetitions of each."""
    if source.measures or source.long or source.table.key is None or source.table.form:
        return
    found = {column.place: role for column in source.columns if (role := _role(column))}
    if not any(role in _AMOUNTS for role in found.values()) or not _says_so(source, found):
        return
    for column in source.columns:
        role = found.get(column.place) or {"date": "training_date", "visit": "training_number"}.get(column.role, "")
        if role and not any(other.role == role for other in source.columns):
            column.meaning = Meaning(role)


def in_hours(column: Column) -> bool:
    """Whether the heading of a duration says hours."""
    return bool(_HOURS.intersection(tokens(column.name)))


def _role(column: Column) -> str:
    """What the heading means in a log, without its unit."""
    words = re.sub(r"[(\[].*?[)\]]", " ", column.name.split(" | ")[-1])
    kept = " ".join(word for word in tokens(words) if word not in _HOURS)
    return whole(words, "training") or whole(kept, "training")


def _says_so(source: Source, found: dict[int, str]) -> bool:
    """Whether sheet, title or a column name training sessions, and most people have several lines."""
    named = "training_number" in found.values() or within(
        f"{source.table.page.subject} {source.table.title}", "training_sheets"
    )
    table = source.table
    lines = Counter(code for line in table.lines if (code := table.view.text(line, table.key or 0)))
    return bool(named) and sum(lines.values()) > len(lines)
