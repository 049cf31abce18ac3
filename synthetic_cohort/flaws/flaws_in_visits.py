"""Planted errors in people, dates, attendance, sessions and adverse events."""

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pandas as pd

from synthetic_cohort.flaws.ledger import Desk, Flaw, one_cell


def _later_visit(desk: Desk) -> pd.Series:
    sheet = desk.sheet("visits")
    return (sheet["date"] != "") & (sheet["visit"] != desk.design.visits[0].id)


def _date_of(desk: Desk, row: int) -> date:
    return date.fromisoformat(str(desk.sheet("visits").at[row, "date"]))


def _last_visit(desk: Desk) -> pd.Series:
    """The last visit with a date of each person: a date moved later cannot overtake another."""
    sheet = desk.sheet("visits")
    dated = sheet[sheet["date"] != ""]
    last = dated.groupby("participant")["date"].idxmax()
    return pd.Series(sheet.index.isin(last), index=sheet.index) & _later_visit(desk)


def _late(desk: Desk, row: int) -> str:
    """A week after the window closes, counted from the person's own first visit."""
    sheet = desk.sheet("visits")
    person = (sheet["participant"] == sheet.at[row, "participant"]) & (sheet["visit"] == desk.design.visits[0].id)
    first = date.fromisoformat(str(sheet.loc[person, "date"].iloc[0]))
    visit = next(visit for visit in desk.design.visits if visit.id == sheet.at[row, "visit"])
    return str(first + timedelta(days=int(visit.day - desk.design.visits[0].day + visit.window[1] + 7)))


def _year_before(desk: Desk, row: int) -> str:
    day = _date_of(desk, row)
    return str(day.replace(year=day.year - 1, day=min(day.day, 28)))


def _century(desk: Desk, row: int) -> str:
    day = _date_of(desk, row)
    return str(day.replace(year=day.year + 100, day=min(day.day, 28)))


def _same_day(desk: Desk) -> bool:
    """The date of the visit before, copied."""
    sheet = desk.sheet("visits")
    dated = (sheet["date"] != "").to_numpy()
    same_person = sheet["participant"].eq(sheet["participant"].shift()).to_numpy()
    row = desk.pick("visits", dated & np.roll(dated, 1) & same_person)
    if row is None or not desk.untouched("visits", [row - 1]):
        return False
    desk.write("visits", row, "date", str(sheet.at[row - 1, "date"]))
    return True


def _day_first(desk: Desk, row: int) -> str:
    return _date_of(desk, row).strftime("%d.%m.%Y")


def _unreal_day(desk: Desk, row: int) -> str:
    return f"{_date_of(desk, row).year}-02-31"


def _absent(desk: Desk) -> pd.Series:
    return desk.sheet("visits")["status"] == "missed"


def _after_entry(desk: Desk, row: int) -> str:
    """Onset typed with a year that lies after the first visit."""
    sheet, visits = desk.sheet("participants"), desk.sheet("visits")
    dates = visits.loc[(visits["participant"] == sheet.at[row, "participant"]) & (visits["date"] != ""), "date"]
    return str(date.fromisoformat(max(dates)) + timedelta(days=30))


def _other_rater(desk: Desk) -> bool:
    """Another rater's code at one later visit, in every sheet."""
    raters = desk.design.people.raters
    row = desk.pick("visits", _later_visit(desk))
    if row is None or len(raters) < 2:
        return False
    record = desk.sheet("visits").loc[row, ["participant", "visit", "rater"]]
    other = str(desk.rng.choice([code for code in raters if code != record["rater"]]))
    for table in ("items", "trials", "angles"):
        sheet = desk.sheet(table)
        if "rater" in sheet:
            here = (sheet["participant"] == record["participant"]) & (sheet["visit"] == record["visit"])
            sheet.loc[here, "rater"] = other
    desk.write("visits", row, "rater", other)
    return True


def _everyone(table: str) -> Callable[[Desk], pd.Series]:
    return lambda desk: desk.sheet(table)["participant"] != ""


def _practised(desk: Desk) -> pd.Series:
    return desk.number_in("sessions", "minutes_performed") >= 10


def _ten_times(desk: Desk, row: int) -> str:
    return f"{float(desk.sheet('sessions').at[row, 'minutes_performed']) * 10:g}"


def _extra_code(desk: Desk, row: int) -> str:
    return f"{desk.sheet('items').at[row, 'participant']}X"


def _repeat(table: str) -> Callable[[Desk], bool]:
    """A row of a sheet entered a second time."""

    def planter(desk: Desk) -> bool:
        if table not in desk.sheets:
            return False
        row = desk.pick(table, _everyone(table)(desk))
        if row is None:
            return False
        desk.touched[table].add(row)
        place = desk.append(table, desk.sheet(table).loc[row].copy())
        desk.enter(table, place, "participant", f"once, in row {row + 2}", "the row again")
        return True

    return planter


def _several_arms(desk: Desk) -> pd.Series:
    sheet = desk.sheet("participants")
    return sheet["arm"].map(sheet["arm"].value_counts()) > 3 if "arm" in sheet else pd.Series(False, index=sheet.index)


VISIT_KINDS: dict[str, Flaw] = {
    "late visit": Flaw(
        "a visit a week after its window",
        ("visit outside its window",),
        False,
        one_cell("visits", "date", _last_visit, _late),
    ),
    "wrong year": Flaw(
        "a date of the year before",
        ("visits out of order",),
        True,
        one_cell("visits", "date", _later_visit, _year_before),
    ),
    "wrong century": Flaw(
        "a date in the far future", ("date implausible",), True, one_cell("visits", "date", _last_visit, _century)
    ),
    "unreal date": Flaw("31 February", ("not a date",), True, one_cell("visits", "date", _later_visit, _unreal_day)),
    "date day first": Flaw(
        "a date typed day first",
        ("date read day first", "date order assumed"),
        False,
        one_cell("visits", "date", lambda desk: _later_visit(desk) & (_days(desk) > 12), _day_first),
    ),
    "date copied": Flaw("the date of the visit before", ("two visits on one day",), False, _same_day),
    "onset after entry": Flaw(
        "a year mistyped in the onset",
        ("date before onset",),
        True,
        one_cell("participants", "onset", _everyone("participants"), _after_entry),
    ),
    "onset in words": Flaw(
        "an onset nobody can compute with",
        ("onset unreadable",),
        False,
        one_cell("participants", "onset", _everyone("participants"), lambda *_: "last spring"),
    ),
    "age mistyped": Flaw(
        "an age nobody reaches",
        ("age implausible",),
        True,
        one_cell(
            "participants",
            "age",
            _everyone("participants"),
            lambda desk, row: "1" + desk.sheet("participants").at[row, "age"],
        ),
    ),
    "unknown arm": Flaw(
        "an arm the protocol does not have",
        ("unknown arm",),
        True,
        one_cell("participants", "arm", _several_arms, lambda *_: "arm Z"),
    ),
    "affected side blank": Flaw(
        "no affected side",
        ("affected side missing",),
        False,
        one_cell("participants", "affected_side", _everyone("participants"), lambda *_: ""),
    ),
    "measured though missed": Flaw(
        "a visit marked missed that has measurements",
        ("measured at a missed visit",),
        True,
        one_cell("visits", "status", _later_visit, lambda *_: "missed"),
    ),
    "attended, nothing measured": Flaw(
        "a missed visit marked attended",
        ("attended without measurements",),
        False,
        one_cell("visits", "status", _absent, lambda *_: "attended"),
    ),
    "no reason given": Flaw(
        "a missed visit without its reason",
        ("missed without a reason",),
        False,
        one_cell("visits", "reason", _absent, lambda *_: ""),
    ),
    "telephone number": Flaw(
        "a telephone number among the reasons",
        ("cell with a direct identifier",),
        False,
        one_cell("visits", "reason", _absent, lambda *_: "+00 000 555 0100"),
    ),
    "other rater": Flaw("another rater at one visit", ("rater changed",), False, _other_rater),
    "minutes ten times": Flaw(
        "minutes of practice ten times too many",
        ("far more than prescribed",),
        False,
        one_cell("sessions", "minutes_performed", _practised, _ten_times),
    ),
    "negative minutes": Flaw(
        "a stray minus sign",
        ("session minutes out of range",),
        True,
        one_cell("sessions", "minutes_performed", _practised, lambda *_: "-30"),
    ),
    "event half described": Flaw(
        "an adverse event without its severity",
        ("adverse event incomplete",),
        False,
        one_cell("adverse_events", "severity", _everyone("adverse_events"), lambda *_: ""),
    ),
    "unknown participant": Flaw(
        "a code with a letter too many",
        ("unknown participant",),
        True,
        one_cell("items", "participant", _everyone("items"), _extra_code),
    ),
    "unknown visit": Flaw(
        "a visit the protocol does not have",
        ("unknown visit",),
        True,
        one_cell("items", "visit", _everyone("items"), lambda *_: "week 99"),
    ),
    "participant entered twice": Flaw(
        "a participant entered twice", ("duplicate participant",), True, _repeat("participants")
    ),
    "visit entered twice": Flaw("a visit entered twice", ("duplicate visit",), True, _repeat("visits")),
    "session entered twice": Flaw("a session entered twice", ("duplicate session",), True, _repeat("sessions")),
}


def _days(desk: Desk) -> pd.Series:
    return pd.to_datetime(desk.sheet("visits")["date"], errors="coerce").dt.day
