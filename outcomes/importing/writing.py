"""Writing the study folder of an import: tables, study.toml, import.toml, the account of every cell."""

import csv
import shutil
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import tomlkit

from outcomes.errors import StudyError
from outcomes.importing.finding.mapping import text_of
from outcomes.importing.making.written_protocol import add_noted
from outcomes.importing.proposal import Proposal
from outcomes.importing.questions import KINDS, Question

TABLES: Mapping[str, tuple[str, ...]] = {
    "items": ("participant", "visit", "instrument", "side", "condition", "item", "value"),
    "totals": ("participant", "visit", "instrument", "scale", "side", "condition", "value"),
    "trials": ("participant", "visit", "instrument", "side", "condition", "trial", "value", "unit"),
    "angles": ("participant", "visit", "side", "digit", "joint", "movement", "mode", "degrees"),
}
SESSION = ("participant", "session", "date", "minutes_prescribed", "minutes_performed", "repetitions")
ACCOUNT = "import"  # folder with the account of the cells
IMPORT_FILE = "import.toml"


def write_folder(proposal: Proposal, to: Path) -> list[Path]:
    """Writes the study folder, over an earlier import into the same folder. Returns the files written.

    Raises:
        StudyError: the folder holds something that is no import.
    """
    if to.exists() and not to.is_dir():
        raise StudyError(f"{to}: this is a file. Name a folder to write to.")
    if to.exists() and any(to.iterdir()) and not (to / IMPORT_FILE).exists():
        raise StudyError(
            f"{to}: the folder is not empty and holds no {IMPORT_FILE}: found another study. Name a new folder."
        )
    to.mkdir(parents=True, exist_ok=True)
    written = [_write(to / "study.toml", proposal.study), _write(to / IMPORT_FILE, import_text(proposal))]
    order = {visit.id: number for number, visit in enumerate(proposal.schedule.visits)} if proposal.schedule else {}
    people = {row["participant"]: number for number, row in enumerate(proposal.described.participants)}
    for table, columns in TABLES.items():
        rows = [row for row in proposal.done.rows if row.table == table and row.cells["participant"] in people]
        rows.sort(key=lambda row: (people[row.cells["participant"]], order.get(row.cells["visit"], 0)))
        written += _table(to / f"{table}.csv", columns, [row.cells for row in rows])
    described = proposal.described
    columns = tuple(described.participants[0]) if described.participants else ("participant",)
    if not any(row.get("arm") for row in described.participants):
        columns = tuple(name for name in columns if name != "arm")
    written += _table(to / "participants.csv", columns, described.participants, always=True)
    written += _table(
        to / "visits.csv", ("participant", "visit", "date", "status", "reason", "rater"), described.visits
    )
    events = ("participant", "date", "term", "severity", "serious", "related")
    written += _table(to / "adverse_events.csv", events, described.adverse_events)
    written += _table(to / "sessions.csv", SESSION, described.sessions)
    account = to / ACCOUNT
    if account.exists():
        shutil.rmtree(account)
    account.mkdir()
    written += _table(
        account / "cells.csv", ("file", "cell", "found", "status", "why"), proposal.ledger.rows(), always=True
    )
    written += _table(
        account / "remarks.csv", ("participant", "visit", "what", "place", "remark"), proposal.done.remarks
    )
    written += _table(account / "findings.csv", ("place", "found", "what", "advice"), proposal.done.findings)
    notes = [
        {"place": page.address(row, column) if row else f"{page.name}, title", "note": text}
        for page, row, column, text in proposal.facts.notes
    ]
    written += _table(account / "notes.csv", ("place", "note"), notes)
    return written


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def _table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, str]], always: bool = False) -> list[Path]:
    rows = list(rows)
    if not rows and not always:
        path.unlink(missing_ok=True)
        return []
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns, extrasaction="ignore", restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return [path]


def import_text(proposal: Proposal) -> str:
    """import.toml: the questions first, then what each column is taken for."""
    file = tomlkit.document()
    file.add(
        tomlkit.comment(
            "How the files below became this study folder. Answer the questions, correct what is wrong, and run the"
        )
    )
    file.add(
        tomlkit.comment(
            "import again: outcomes import FILE... --to THIS_FOLDER. Every cell is accounted for in import/cells.csv."
        )
    )
    file["files"] = [str(path) for path in proposal.files]
    file["title"] = proposal.title
    counts = proposal.ledger.counts()
    file.add(tomlkit.comment("cells: " + ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))))
    tables = tomlkit.aot()
    for question in proposal.questions:
        tables.append(_question(question))
    if tables:
        file["questions"] = tables
    columns = tomlkit.table(is_super_table=True)
    for source in proposal.sources:
        table = tomlkit.table()
        for column in source.columns:
            if column.name in table:
                continue
            label = column.variable.label if column.variable else ""
            add_noted(table, column.name, text_of(column.meaning), " ".join(label.split()))
        if source.name in columns:
            for key, value in table.items():
                if key not in columns[source.name]:
                    columns[source.name][key] = value
        else:
            columns[source.name] = table
    file["columns"] = columns
    return tomlkit.dumps(file)


def _question(question: Question) -> tomlkit.items.Table:
    table = tomlkit.table()
    table["id"] = question.id
    add_noted(table, "kind", question.kind, KINDS.get(question.kind, ""))
    table["place"] = question.place
    table["text"] = question.text
    table["choices"] = list(question.choices)
    if question.proposal:
        table["proposal"] = question.proposal
    if isinstance(question.answer, Mapping):
        inline = tomlkit.inline_table()
        inline.update(dict(question.answer))
        table["answer"] = inline
    else:
        add_noted(table, "answer", question.answer, f"not understood: {question.problem}" if question.problem else "")
    return table
