"""The table of training sessions: one row for every line of a log that names a session's amount."""

import re
from collections import Counter
from collections.abc import Callable

from outcomes.importing.finding.mapped_tables import Column
from outcomes.importing.finding.observations import Record
from outcomes.importing.finding.training_log import in_hours
from outcomes.importing.language.calendar_dates import DateText, read_date
from outcomes.importing.language.cell_values import number_text, reason_of
from outcomes.importing.making.accounts import Converted
from outcomes.importing.opening.pages import Cell, Ledger
from outcomes.importing.questions import slug

_COLUMN = {
    "training_number": "session",
    "training_date": "date",
    "training_minutes": "minutes_performed",
    "training_planned": "minutes_prescribed",
    "training_repetitions": "repetitions",
}


class TrainingSessions:
    """Collects the cells of logs, line by line."""

    def __init__(self, ledger: Ledger):
        self.ledger = ledger
        self._rows: dict[int, dict[str, str]] = {}

    def read(
        self, record: Record, column: Column, cell: Cell, day: Callable[[DateText], str | None], done: Converted
    ) -> None:
        """One cell; hours become minutes, what is no number or no date is a finding. day: of a date as typed."""
        page, name, text = record.source.table.page, _COLUMN[column.role], cell.text.strip()
        status, why, value = "converted", f"sessions, {record.participant}", ""
        if name == "date":
            found = read_date(cell.value, text)
            value = (day(found) if found else "") or ""
            if found and found.open and not value:
                status, why = "held", f"question {slug(f'date order {page.file}')}"
        elif name == "session":
            if any(record.text(role) for role in _COLUMN if role != column.role):
                value = re.sub(r"^\D+(?=\d)", "", text)
            else:
                status, why = "set aside", "a line for a training session that holds nothing else"
        elif number := number_text(text):
            value = f"{float(number) * 60:g}" if in_hours(column) and name.startswith("minutes") else number
        if value:
            self._rows.setdefault(id(record), {"participant": record.participant})[name] = value
        elif status == "converted" and not reason_of(text)[0]:
            what = f"no {'date' if name == 'date' else 'number'} of a training session"
            status, why = "finding", what
            place, advice = page.address(cell.row, cell.column), "Correct the cell, or leave it blank."
            done.findings.append({"place": place, "found": text, "what": what, "advice": advice})
        self.ledger.put(page, cell.row, cell.column, status, why)

    def numbered(self) -> list[dict[str, str]]:
        """The rows with a number each: where no column gives one, in the order of a person's dates."""
        rows = list(self._rows.values())
        count: Counter[str] = Counter()
        taken = {(row["participant"], row["session"]) for row in rows if "session" in row}
        for row in sorted((row for row in rows if "session" not in row), key=lambda row: row.get("date", "")):
            person = row["participant"]
            count[person] += 1
            while (person, str(count[person])) in taken:
                count[person] += 1
            row["session"] = str(count[person])
        return rows
