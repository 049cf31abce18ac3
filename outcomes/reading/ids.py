"""Ids as typed turned into the ids of the protocol and the catalogue, each change with a finding."""

from collections.abc import Callable, Mapping

import pandas as pd

from outcomes.columns import NOT_APPLICABLE
from outcomes.findings import flag, gathered
from outcomes.library.known import find_instrument
from outcomes.protocol.trial import Protocol
from outcomes.reading.cells import over_distinct, plain


def resolve_visits(frame: pd.DataFrame, protocol: Protocol, file: str, header: str) -> list[pd.DataFrame]:
    """Visit labels and other spellings become visit ids; what is none of them stays as typed."""
    ids = {visit.id: visit.id for visit in protocol.visits}
    loose = {plain(visit.label): visit.id for visit in protocol.visits}
    loose |= {plain(visit.id): visit.id for visit in protocol.visits}
    return _resolve(frame, "visit", ids, loose, "visit read as", file, header)


def resolve_arms(frame: pd.DataFrame, protocol: Protocol, file: str, header: str) -> list[pd.DataFrame]:
    """Arm labels and other spellings become arm ids; in a single-arm study an unnamed arm is the only one."""
    ids = {arm.id: arm.id for arm in protocol.arms}
    loose = {plain(arm.label): arm.id for arm in protocol.arms} | {plain(arm.id): arm.id for arm in protocol.arms}
    return _resolve(frame, "arm", ids, loose, "arm read as", file, header)


def resolve_instruments(frame: pd.DataFrame, protocol: Protocol, file: str, header: str) -> list[pd.DataFrame]:
    """Other spellings of an instrument id ("FMA-UE") become the id ("fma_ue")."""
    measures = {measure.id.split(".")[0] for measure in protocol.measures}
    ids, loose = {name: name for name in measures}, {plain(name): name for name in measures}
    for typed in frame["instrument"].unique():
        name = plain(typed).replace(" ", "_")
        if typed not in ids and find_instrument(typed):
            ids[typed] = typed
        elif name and plain(typed) not in loose and find_instrument(name):
            loose[plain(typed)] = name
    return _resolve(frame, "instrument", ids, loose, "instrument read as", file, header)


def resolve_items(frame: pd.DataFrame, file: str, header: str) -> list[pd.DataFrame]:
    """Other spellings of item ids, and answers typed as words of the instrument ("1+"), by instrument."""
    found = []
    for name, rows in frame.groupby("instrument", sort=False).groups.items():
        instrument = find_instrument(str(name))
        if instrument is None:
            continue
        ids = {item.id: item.id for item in instrument.items}
        loose = {plain(item.id): item.id for item in instrument.items}
        if set(frame["item"].loc[rows].unique()) <= set(ids):
            continue
        part = frame.loc[rows, ["row", "participant", "visit", "item"]]
        found += _resolve(part, "item", ids, loose, "item read as", file, header)
        frame.loc[rows, "item"] = part["item"]
    return found


def read_answer_words(frame: pd.DataFrame) -> pd.Series:
    """Reads answers that are words of their instrument, e.g. the grade "1+", into `value` and `code`.

    A word that drops its item from the score gets the code "not applicable". Returns which rows were read.
    """
    read = pd.Series(False, index=frame.index)
    wordy = frame["value"].isna() & (frame["typed"] != "")
    for (name, item_id), rows in frame[wordy].groupby(["instrument", "item"], sort=False).groups.items():
        instrument = find_instrument(str(name))
        item = instrument.item(str(item_id)) if instrument else None
        if item is None or not item.codes:
            continue
        typed = frame.loc[rows, "typed"].str.casefold()
        known = typed.index[typed.isin(item.codes)]
        values = typed[known].map(dict(item.codes)).astype(float)
        frame.loc[known, "value"] = values
        frame.loc[known, "code"] = values.isna().map({True: NOT_APPLICABLE, False: ""}).astype("str")
        read[known] = True
    return read


def resolve_sides(
    frame: pd.DataFrame, affected: Callable[[], Mapping[str, str]], file: str, header: str, sided: pd.Series
) -> list[pd.DataFrame]:
    """ "affected" and "other" become left or right; a blank side of a sided test is taken to be the affected one.

    affected: gives participant -> "left", "right", "both" or "". sided: whether each row is of a sided instrument.
    """
    relative = frame["side"].isin(("affected", "other"))
    blank = (frame["side"] == "") & sided & ~relative
    if not (relative | blank).any():
        return []
    opposite = {"left": "right", "right": "left"}
    sides = affected()
    own = over_distinct(frame["participant"], lambda name: sides.get(name, ""))
    certain = own.isin(("left", "right"))
    found = []
    if relative.any():
        meant = own.where(frame["side"] == "affected", own.map(opposite))
        good, bad = relative & certain, relative & ~certain
        found.append(gathered(flag("side read as", frame[good], file=file, column=header, found=frame.loc[good, "side"],
                                   allowed="read as " + meant[good].astype("str"))))  # fmt: skip
        found.append(flag("affected side unknown", frame[bad], file=file, column=header, found=frame.loc[bad, "side"],
                          allowed="left or right in participants, column affected_side"))  # fmt: skip
        frame["side"] = frame["side"].where(~good, meant).where(~bad, "")
    if blank.any():
        good, bad = blank & certain, blank & ~certain
        found.append(gathered(flag("side assumed", frame[good], file=file, column=header, found="blank",
                                   allowed="read as " + own[good].astype("str"))))  # fmt: skip
        unknown = flag("side unknown", frame[bad], file=file, column=header, found="blank", allowed="left, right")
        found.append(gathered(unknown))
        frame["side"] = frame["side"].where(~good, own)
    frame["side"] = frame["side"].astype("str")
    return found


def _resolve(frame, column, ids, loose, rule, file, header) -> list[pd.DataFrame]:
    typed = frame[column]
    read = {text: ids.get(text) or loose.get(plain(text)) or text for text in typed.unique()}
    if all(text == meant for text, meant in read.items()):
        return []
    meant = over_distinct(typed, read.__getitem__).astype("str")
    changed = meant != typed
    frame[column] = meant
    rows = frame[changed]
    said = flag(rule, rows, file=file, column=header, found=typed[changed], allowed="read as " + meant[changed])
    return [gathered(said)]
