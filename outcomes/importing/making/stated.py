"""What an import does without being asked, and says: columns left out, hands without a name, cells of headings."""

from outcomes.importing.finding.mapped_tables import Source
from outcomes.importing.finding.observations import Observation
from outcomes.importing.finding.page_tables import Region, Table
from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Converted
from outcomes.importing.making.described_cells import Described
from outcomes.importing.opening.pages import Ledger, Page
from outcomes.importing.questions import ASK, CONFIRM, Questions, slug

_NUMBERS, _SHARE = 6, 0.3  # numbers, and their share of the cells, from which a region is taken for a table (ours)


def account_for_structure(sources: list[Source], tables: list[Table], ledger: Ledger) -> None:
    """Headings, titles, participants, repeated headers, rows of means."""
    for table in tables:
        page, view = table.page, table.view
        for line in table.header:
            for (row, column), _ in list(page.cells.items()):
                here = (column if view.turned else row) == line
                place = row if view.turned else column
                if here and min(table.heads) <= place <= max(table.heads):
                    ledger.put(page, row, column, "heading", over=False)
        if table.title:
            for cell in page.cells.values():
                if cell.text.strip() == table.title:
                    ledger.put(page, cell.row, cell.column, "remark", "title", over=False)
        for line, why in table.aside.items():
            for place in table.heads:
                ledger.put(page, *view.at(line, place), "heading" if why.startswith("header") else "set aside", why)
    for source in sources:
        table = source.table
        for line in table.lines:
            if table.key is not None:
                ledger.put(table.page, *table.view.at(line, table.key), "key", "participant")
            for role in (
                "visit",
                "side",
                "condition",
                "trial",
                "unit",
                "instrument",
                "item",
                "item_name",
                "subcategory",
                "reason",
                "status",
                "value",
            ):
                for entry in source.of(role):
                    ledger.put(table.page, *table.view.at(line, entry.place), "key", role, over=False)


def tables_of_nobody(page: Page, regions: list[Region], ledger: Ledger, questions: Questions) -> None:
    """Numbers where no participants were found are no remarks: somebody has to say what they are."""
    for region in regions:
        places = [
            (row, column)
            for row, column in page.cells
            if region.top <= row <= region.bottom
            and region.left <= column <= region.right
            and ledger.status(page, row, column) in ("", "remark")
        ]
        numbers = sum(bool(number_text(page.text(*place).strip())) for place in places)
        if numbers < _NUMBERS or numbers < _SHARE * len(places):
            continue
        name = f"table {page.name} {region.top}"
        answer = questions.ask(
            ASK,
            name,
            f"{page.address(region.top, region.left)} to {page.address(region.bottom, region.right)}",
            f"{numbers} numbers stand here, and nothing says whose they are. If they belong to the study, put a "
            "heading over the participants' codes in the file (such as Participant) and import again; otherwise "
            "leave them out.",
            ("leave out",),
        )
        left_out = simple(answer).startswith("leave")
        if answer and not left_out:
            questions.refuse(name, f"found {answer!r}, allowed leave out")
        why = "table left out by the answer" if left_out else f"question {slug(name)}"
        for row, column in places:
            ledger.put(page, row, column, "set aside" if left_out else "held", why)


def affected_hand(described: Described, done: Converted, questions: Questions) -> None:
    """Where nothing says which hand is affected, a value of the affected hand is kept without left or right."""
    known = {row["participant"] for row in described.participants if row.get("affected_side") in ("left", "right")}
    both = {
        (row.cells["participant"], row.cells.get("instrument")) for row in done.rows if row.cells["side"] == "other"
    }
    for row in done.rows:
        who = row.cells["participant"]
        if row.cells["side"] != "affected" or who in known or (who, row.cells.get("instrument")) in both:
            continue
        row.cells["side"] = ""
        questions.ask(
            CONFIRM,
            "affected side unknown",
            who,
            "Nothing says which side is affected: the values of the affected hand are kept without left or right. To "
            "say it, add a column affected_side to participants.csv, or to the file.",
            ("without left or right",),
            "without left or right",
        )


def two_summaries(done: Converted, questions: Questions) -> None:
    """Means of the trials at one visit and the best of them at another are no change."""
    for name in sorted({row.cells.get("instrument", "") for row in done.rows if row.table == "totals"}):
        if done.summaries(name) == {"mean", "best"}:
            questions.ask(
                CONFIRM,
                f"summaries {name}",
                "totals",
                f"Some numbers of {name} are the mean of its trials and some the best of them, which is larger: they "
                "are not the same measure, and a change from one to the other is no change of the hand. Both are kept. "
                "Leave the columns of one of them out in [columns] of import.toml.",
                ("keep both",),
                "keep both",
            )


def unknown_measure(o: Observation, questions: Questions, ledger: Ledger) -> None:
    words = " ".join(filter(None, (o.record.text("instrument"), o.record.text("item_name"))))
    name = f"measure {words}"
    questions.ask(
        CONFIRM,
        name,
        o.record.source.name,
        f"{words or 'A measure'!r} is no instrument of the catalogue: left out.",
        ("leave out",),
        "leave out",
    )
    ledger.put(o.record.source.table.page, o.row, o.place, "set aside", "no instrument of the catalogue")


_LEFT_OUT = {
    "columns": "not recognised",
    "derived": "derived from other columns",
    "personal": "personal data that the study does not need",
}


def unused_columns(sources: list[Source], questions: Questions) -> None:
    """Columns that nobody recognised: left out, and said so, once for all sheets."""
    unused: dict[str, dict[str, list[str]]] = {}
    for source in sources:
        for column in source.columns:
            filled = any(source.table.view.text(line, column.place) for line in source.table.lines)
            if filled and column.role in ("", "derived", "personal") and column.place != source.table.key:
                unused.setdefault(column.role or "columns", {}).setdefault(column.name, []).append(source.name)
            meaning = column.meaning
            if meaning.role == "entry_state":
                drafts = {text for line in source.table.lines if (text := source.table.view.text(line, column.place))}
                if len(drafts) > 1:
                    questions.ask(
                        CONFIRM,
                        f"state {column.name}",
                        f"{source.name}: {column.name}",
                        "Some forms are not marked final; they are used all the same.",
                        ("use them",),
                        "use them",
                    )
    for role, columns in unused.items():
        # Every column by its name: a list cut short would hide what is not converted.
        named = [f"{name} ({_sheets(sheets)})" for name, sheets in columns.items()]
        questions.ask(
            CONFIRM,
            f"left out {role}",
            "; ".join(named),
            f"Columns left out: {_LEFT_OUT[role]}. To use one, write its meaning in [columns] of import.toml.",
            ("leave out",),
            "leave out",
        )


def _sheets(names: list[str]) -> str:
    names = list(dict.fromkeys(names))
    return ", ".join(names) if len(names) <= 3 else f"{names[0]} and {len(names) - 1} more sheets"
