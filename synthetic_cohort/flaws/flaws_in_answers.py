"""Planted errors in the answers of items."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from outcomes.library.registry import instrument
from synthetic_cohort.flaws.ledger import ADMINISTRATION, Desk, Flaw, one_cell


def _answers(desk: Desk) -> pd.DataFrame:
    """Every row of `items` with its number, its limits and whether the item is graded."""
    sheet = desk.sheet("items")
    codes, keys = pd.factorize(sheet["instrument"] + " " + sheet["item"]) if len(sheet) else ([], [])
    facts = []
    for key in keys:
        name, _, item_id = str(key).partition(" ")
        item = instrument(name).item(item_id)
        facts.append((item.low, item.high, bool(item.levels)) if item else (np.nan, np.nan, False))
    low, high, graded = (np.array(part)[codes] for part in zip(*facts, strict=True)) if facts else ([], [], [])
    return pd.DataFrame(
        {"low": low, "high": high, "graded": graded, "value": desk.number_in("items")}, index=sheet.index
    )


def _answered(desk: Desk) -> pd.Series:
    frame = _answers(desk)
    return frame["value"].notna() & frame["graded"]


def _above(desk: Desk, row: int) -> str:
    return f"{_answers(desk).at[row, 'high'] + desk.rng.integers(1, 3):g}"


def _slip(desk: Desk, row: int) -> str:
    typed = str(desk.sheet("items").at[row, "value"])
    return {"0": "o", "1": "l"}.get(typed, f"{typed}q")


def _missed_item(desk: Desk) -> bool:
    """An item of an outcome whose score needs every item is left blank, or a word says why."""
    sheet = desk.sheet("items")
    strict = set()
    for outcome in desk.design.drawn_outcomes:
        name, _, scale_id = str(outcome).partition(".")
        scale = instrument(name).scale(scale_id)
        if scale and scale.kind == "sum" and not scale.rule.get("least") and len(scale.items) > 1:
            strict |= {(name, item) for item in scale.items}
    if "items" not in desk.sheets or not strict:
        return False
    wanted = (sheet["instrument"] + " " + sheet["item"]).isin([f"{name} {item}" for name, item in strict])
    row = desk.pick("items", wanted & _answered(desk))
    if row is None:
        return False
    desk.write("items", row, "value", str(desk.rng.choice(["", "not done", "refused", "not testable"])))
    return True


def _against_gate(desk: Desk) -> bool:
    """An item scored although the items that open it are not full."""
    sheet = desk.sheet("items")
    gates = {
        (name, gate.item): gate
        for name in sheet.get("instrument", pd.Series()).unique()
        for gate in instrument(name).gates
    }
    if not gates:
        return False
    for row in desk.rng.permutation(len(sheet)):
        gate = gates.get((sheet.at[row, "instrument"], sheet.at[row, "item"]))
        if gate is None or sheet.at[row, "value"] != f"{gate.otherwise:g}" or int(row) in desk.touched["items"]:
            continue
        together = desk.same("items", int(row), ADMINISTRATION)
        opening = [place for place in together if sheet.at[place, "item"] in gate.items]
        total = pd.to_numeric(sheet.loc[opening, "value"], errors="coerce").sum()
        if len(opening) == len(gate.items) and total < gate.at_least and desk.untouched("items", opening):
            item = instrument(str(sheet.at[row, "instrument"])).item(gate.item)
            desk.write("items", int(row), "value", f"{item.high if item else 1:g}")
            return True
    return False


def _against_skip_rule(desk: Desk) -> bool:
    """The easiest item of a part failed, yet others of the part passed."""
    sheet = desk.sheet("items")
    parts = [
        (name, scale.items)
        for name in sheet.get("instrument", pd.Series()).unique()
        for scale in instrument(name).scales
        if scale.kind == "skip-rule"
    ]
    for name, items in (parts[place] for place in desk.rng.permutation(len(parts))):
        easiest = (sheet["instrument"] == name) & (sheet["item"] == items[1]) & (desk.number_in("items") > 0)
        row = desk.pick("items", easiest)
        if row is None:
            continue
        together = [place for place in desk.same("items", row, ADMINISTRATION) if sheet.at[place, "item"] in items]
        others = pd.to_numeric(sheet.loc[together, "value"], errors="coerce").sum() - float(sheet.at[row, "value"])
        if others > 0 and desk.untouched("items", together):
            desk.write("items", row, "value", "0")
            return True
    return False


def _same_answer(desk: Desk) -> bool:
    """One box ticked all the way down a questionnaire, of eight items or with some worded the other way round: on a
    shorter one the same answer throughout may be true.
    """
    sheet = desk.sheet("items")
    for name in sheet.get("instrument", pd.Series()).unique():
        found = instrument(str(name))
        items = found.main_scale.items
        graded = [item for item in found.items if item.id in items]
        fewest = 5 if found.main_scale.rule.get("reversed") else 8
        if found.sided or len(items) < fewest or not all(item.levels and item.unable is None for item in graded):
            continue
        row = desk.pick("items", sheet["instrument"] == name)
        if row is None:
            continue
        middle = f"{graded[0].levels[len(graded[0].levels) // 2]:g}"
        for place in desk.same("items", row, ADMINISTRATION):
            desk.write("items", int(place), "value", middle)
        return True
    return False


def _wrong_hand(desk: Desk) -> bool:
    """A test of one hand is written down for the other hand at one later visit."""
    sheet = desk.sheet("items")
    first = desk.design.visits[0].id
    hands = {measure.instrument: measure.hands for measure in desk.design.measures}
    single = [name for name, tested in hands.items() if len(tested) == 1 and instrument(name).sided]
    row = desk.pick("items", sheet["instrument"].isin(single) & (sheet["visit"] != first) & (sheet["side"] != ""))
    if row is None:
        return False
    places = desk.same("items", row, [key for key in ADMINISTRATION if key != "condition"])
    if not desk.untouched("items", places):
        return False
    for place in places:
        desk.write("items", int(place), "side", {"left": "right", "right": "left"}[str(sheet.at[place, "side"])])
    return True


def _repeated_row(change: bool) -> Callable[[Desk], bool]:
    """A row entered twice, the second time perhaps with another value."""

    def planter(desk: Desk) -> bool:
        sheet = desk.sheet("items")
        row = desk.pick("items", _answered(desk))
        if row is None:
            return False
        record = sheet.loc[row].copy()
        if change:
            levels = [f"{level:g}" for level in _levels(record)]
            record["value"] = str(desk.rng.choice([level for level in levels if level != record["value"]]))
        desk.touched["items"].add(row)
        place = desk.append("items", record)
        desk.enter("items", place, "value", f"once, in row {row + 2}", str(record["value"]))
        return True

    return planter


def _levels(record: pd.Series) -> tuple[float, ...]:
    item = instrument(str(record["instrument"])).item(str(record["item"]))
    return item.levels if item else ()


def _one_point_off(desk: Desk, row: int) -> str:
    record = desk.sheet("items").loc[row]
    levels = [f"{level:g}" for level in _levels(record)]
    return str(desk.rng.choice([level for level in levels if level != record["value"]]))


ANSWER_KINDS: dict[str, Flaw] = {
    "score above maximum": Flaw(
        "a typing slip above the highest answer",
        ("above maximum", "number for a missing value"),
        True,
        one_cell("items", "value", _answered, _above),
    ),
    "score below minimum": Flaw(
        "a stray minus sign",
        ("below minimum", "number for a missing value"),
        True,
        one_cell("items", "value", lambda desk: _answered(desk) & (_answers(desk)["low"] >= 0), lambda *_: "-1"),
    ),
    "half a point": Flaw(
        "a compromise between two grades",
        ("between levels",),
        True,
        one_cell("items", "value", lambda desk: _answered(desk) & (_answers(desk)["high"] >= 2), lambda *_: "1.25"),
    ),
    "number for missing": Flaw(
        "a number that stands for missing",
        ("number for a missing value",),
        True,
        one_cell("items", "value", lambda desk: _answered(desk) & (_answers(desk)["high"] < 20), lambda *_: "99"),
    ),
    "letter for a digit": Flaw(
        "a letter typed for a digit", ("text in a number",), True, one_cell("items", "value", _answered, _slip)
    ),
    "unknown item": Flaw(
        "an item that the form does not have",
        ("unknown item",),
        True,
        one_cell("items", "item", _answered, lambda *_: "item_zz"),
    ),
    "against the gate": Flaw("an item scored behind a closed gate", ("against the gate",), True, _against_gate),
    "against the skip rule": Flaw(
        "the easiest item failed, others passed", ("against the skip rule",), False, _against_skip_rule
    ),
    "missed item": Flaw("an item not asked", ("incomplete", "blank value"), False, _missed_item),
    "one answer throughout": Flaw("one box ticked all the way down", ("same answer throughout",), False, _same_answer),
    "wrong hand": Flaw(
        "a test of one hand written down for the other",
        ("tested hand changed", "only the other hand"),
        False,
        _wrong_hand,
    ),
    "one point off": Flaw("a plausible wrong answer", (), False, one_cell("items", "value", _answered, _one_point_off)),
    "row entered twice": Flaw("a row entered twice", ("duplicate row",), True, _repeated_row(change=False)),
    "row entered twice differently": Flaw(
        "a row entered twice with two values", ("entered twice differently",), True, _repeated_row(change=True)
    ),
}
