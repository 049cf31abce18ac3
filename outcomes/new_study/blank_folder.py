"""A study folder to fill in: the protocol, a sheet per table and instrument, a data dictionary; as CSV and as XLSX."""

import csv
from collections.abc import Sequence
from pathlib import Path

from outcomes.columns import NOT_A_NUMBER
from outcomes.errors import StudyError
from outcomes.findings import as_text
from outcomes.library.instrument import Instrument, Item
from outcomes.library.registry import instrument
from outcomes.new_study.blank_protocol import protocol_text
from outcomes.new_study.blank_workbook import write_workbook
from outcomes.new_study.forms import Field, Form
from outcomes.planning_sheets import PUBLISHED
from outcomes.sheets import SHEETS, Column
from outcomes.spreadsheet_cells import like_a_formula, safe_rows

STANDARD = ("fma_ue", "arat", "bbt", "grip")
_ANY_SIGN = {"degrees", *(column.name for column in PUBLISHED.columns)}
_ANGLES = ("tam", "tpm", "rom_active", "rom_passive")  # measured joint by joint in the angles sheet


def new_study(
    folder: str | Path,
    instruments: Sequence[str] = STANDARD,
    *,
    title: str = "My study",
    arms: Sequence[str] = ("control", "intervention"),
    visits: Sequence[tuple[str, float]] = (("baseline", 0), ("week4", 28), ("week8", 56)),
    participants: Sequence[str] = (),
    sheets: str = "both",
) -> list[Path]:
    """Writes a study folder to fill in.

    instruments: ids of the catalogue. arms: ids, the first being the reference; one or none for a single-arm study.
    visits: (id, planned day). participants: codes to fill in already, at every visit; blank sheets without.
    sheets: "workbook" (study.xlsx), "csv" or "both", of which one is filled in. With codes filled in already both would
    hold data, and `read_study` wants each table once: name one.

    Returns the files written.
    Raises:
        StudyError: where the folder holds a study already.
        InstrumentError: where an instrument does not exist; the message names the nearest ids.
    """
    folder = Path(folder)
    if folder.exists() and any(folder.iterdir()):
        raise StudyError(
            f"{folder}: the folder is not empty: found {sorted(entry.name for entry in folder.iterdir())[0]}; allowed "
            "is a new or empty folder. Name another folder."
        )
    if sheets not in ("both", "workbook", "csv"):
        raise StudyError(f"Sheets {sheets!r}: allowed are workbook, csv and both.")
    chosen = [instrument(name) for name in dict.fromkeys(instruments)]
    if not visits:
        raise StudyError("A study plans visits: found none, allowed one or more. Give visits as (id, planned day).")
    for name in (*arms, *participants, *(visit for visit, _ in visits)):
        if like_a_formula(name):
            raise StudyError(
                f"The code {name!r} begins like a formula of a spreadsheet program: found {name[0]!r}, allowed a "
                "letter or a digit in front. Give it another code."
            )
    forms = make_forms(chosen, arms=arms, visits=[name for name, _ in visits], participants=participants)
    folder.mkdir(parents=True, exist_ok=True)
    written = [folder / "study.toml"]
    written[0].write_text(protocol_text(chosen, title=title, arms=arms, visits=visits), encoding="utf-8")
    for form in forms if sheets != "workbook" else ():
        path = folder / f"{form.name}.csv"
        blanks = [""] * len(form.fields)
        rows = [[*row, *blanks[len(row) :]] for row in form.rows]
        _write_csv(path, [[field.name for field in form.fields], *rows])
        written.append(path)
    dictionary = dictionary_rows(forms)
    written.append(folder / "data_dictionary.csv")
    _write_csv(written[-1], dictionary)
    if sheets != "csv":
        written.append(folder / "study.xlsx")
        write_workbook(written[-1], forms, dictionary)
    return written


def make_forms(
    chosen: Sequence[Instrument], *, arms: Sequence[str], visits: Sequence[str], participants: Sequence[str]
) -> list[Form]:
    """The sheets a study with these instruments needs."""
    scheduled = tuple((person, visit) for person in participants for visit in visits)
    forms = [
        _table("participants", arms, visits, rows=tuple((person,) for person in participants)),
        _table("visits", arms, visits, rows=scheduled),
    ]
    forms += [_items_form(found, visits, scheduled) for found in chosen if _by_items(found)]
    if any(_by_items(found) for found in chosen):  # for those who have totals only
        forms.append(_totals_form([found for found in chosen if _by_items(found)], visits))
    if any(found.main_scale.kind == "trials" for found in chosen):
        kinds = tuple(found.id for found in chosen if found.main_scale.kind == "trials")
        forms.append(_table("trials", arms, visits, grips=kinds))
    if any(found.id in _ANGLES for found in chosen):
        forms.append(_table("angles", arms, visits))
    around = ("sessions", "adverse_events", "published", "costs")
    return [*forms, *(_table(name, arms, visits) for name in around)]


def dictionary_rows(forms: Sequence[Form]) -> list[list[str]]:
    """The data dictionary: one row per column of every sheet."""
    head = ["sheet", "column", "what it holds", "required", "allowed", "unit"]
    rows = [
        [form.name, field.name, field.says, "yes" if field.required else "no", field.allowed, field.unit]
        for form in forms
        for field in form.fields
    ]
    return [head, *rows]


def _by_items(found: Instrument) -> bool:
    return found.main_scale.kind != "trials" and found.id not in _ANGLES


def _table(
    name: str,
    arms: Sequence[str],
    visits: Sequence[str],
    rows: tuple[tuple[str, ...], ...] = (),
    grips: tuple[str, ...] = (),
) -> Form:
    sheet = SHEETS[name]
    lists = {"arm": tuple(arms), "visit": tuple(visits), "instrument": grips}
    lists |= {"arm": ()} if name == "published" else {}  # the arms of other people's trials
    columns = [column for column in sheet.columns if column.name != "arm" or len(arms) > 1 or name == "published"]
    return Form(name, sheet.says, tuple(_field(column, lists) for column in columns), rows)


def _field(column: Column, lists: dict[str, tuple[str, ...]]) -> Field:
    choices = lists.get(column.name) or column.allowed
    numeric = column.kind in ("number", "measure")
    low = 0.0 if numeric and column.name not in _ANY_SIGN else None
    kind = "number" if numeric else "date" if column.kind == "date" else "text"
    return Field(column.name, column.says, column.required or column.name == "arm", choices, low, kind=kind)


def _totals_form(chosen: Sequence[Instrument], visits: Sequence[str]) -> Form:
    """One row per total score."""
    sheet = SHEETS["totals"]
    scales = tuple(dict.fromkeys(scale.id for found in chosen for scale in found.scales))
    lists = {"visit": tuple(visits), "instrument": tuple(found.id for found in chosen), "scale": scales}
    return Form("totals", sheet.says, tuple(_field(column, lists) for column in sheet.columns))


def _items_form(found: Instrument, visits: Sequence[str], scheduled: tuple[tuple[str, ...], ...]) -> Form:
    """One row per participant and visit, one column per item."""
    sheet = SHEETS["items"]
    lists = {"visit": tuple(visits)}
    names = ["participant", "visit", *(["side", "condition"] if found.sided else [])]
    keys = [_field(column, lists) for name in names if (column := sheet.column(name))]
    rater = [_field(column, lists) for name in ("rater",) if (column := sheet.column(name))]
    items = [_item_field(item) for item in found.items]
    return Form(
        f"items_{found.id}", f"{found.name}: one row per participant and visit", (*keys, *items, *rater), scheduled
    )


def _item_field(item: Item) -> Field:
    levels = [as_text(level) for level in item.levels]
    words = [word for word in item.codes if word not in levels]
    codes = [code for code in NOT_A_NUMBER if code not in (*words, *item.refuses)]
    choices = (*levels, *words, *codes) if levels else ()
    return Field(item.id, item.label, False, choices, item.low, item.high, item.unit, "number")


def _write_csv(path: Path, rows: Sequence[Sequence[str]]) -> None:
    # With a byte-order mark, so that spreadsheet programs read letters with accents as they are.
    with path.open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows(safe_rows(rows))
