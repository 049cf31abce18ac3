"""Responders and baseline of a site as counts and sums, small ones withheld.

A count of 1 to minimum - 1 is withheld, and with it every count of the same arm and question: a single gap could be
worked out from the total. The total itself is withheld where it is that small.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.protocol.trial import Protocol
from stats.errors import FitError
from stats.responders.count import count_responders

CLASSES = ("improved", "unchanged", "worsened", "cannot_reach", "missing")


def responder_counts(
    scores: pd.DataFrame, design: Protocol, participants: pd.DataFrame, minimum: int, leave_out: set
) -> tuple[list[dict], list[dict]]:
    """Responders by every threshold of the plan, published ones and the study's own, and what could not be counted.

    The first list has one entry a threshold and arm: outcome, threshold, arm, enrolled and the five classes. The second
    has one a threshold that has no counts: outcome, threshold and why.
    """
    people = participants[~participants["participant"].isin(leave_out)]
    if leave_out:
        scores = scores[~scores["participant"].isin(leave_out)]
    made, without = [], []
    for outcome in dict.fromkeys([*design.thresholds, *design.own_thresholds]):
        for size in design.chosen_thresholds(outcome):
            key = size if isinstance(size, str) else size.key
            try:
                counted = count_responders(scores, threshold=size, select=outcome, participants=people, design=design)
            except FitError as error:
                without.append({"outcome": outcome, "threshold": key, "why": str(error)})
                continue
            for row in counted.frame().to_dict("records"):
                counts = {name: int(row[name]) for name in CLASSES}
                made.append({
                    "outcome": outcome, "threshold": key, "value": float(row["value"]), "unit": str(row["unit"]),
                    "arm": str(row["arm"]), **guarded(counts, int(row["enrolled"]), minimum),
                })  # fmt: skip
    return made, without


def baseline_counts(
    scores: pd.DataFrame, design: Protocol, participants: pd.DataFrame, minimum: int, leave_out: set
) -> list[dict]:
    """Per arm: sums and squares of age and of every outcome at the first visit, counts of sex."""
    people = participants[~participants["participant"].isin(leave_out)].drop_duplicates("participant")
    arm = people["arm"].astype(str) if "arm" in people else pd.Series("", index=people.index)
    first = min(design.visits, key=lambda visit: visit.day).id
    taken = (scores["visit"] == first) & scores["hand"].isin(["affected", ""])
    taken &= scores["condition"].isin(["unassisted", ""])
    at_start = scores.loc[taken, ["participant", "outcome", "value"]].drop_duplicates(["participant", "outcome"])
    arm_of = pd.Series(arm.to_numpy(), index=people["participant"].to_numpy())
    at_start = at_start.assign(arm=arm_of.reindex(at_start["participant"].to_numpy()).to_numpy())
    made = []
    for name in sorted(arm.unique()):
        own = people[arm == name]
        numbers = {"age": own["age"]} if "age" in own else {}
        for outcome in design.outcomes:
            numbers[outcome] = at_start.loc[(at_start["outcome"] == outcome) & (at_start["arm"] == name), "value"]
        for label, values in numbers.items():
            found = pd.to_numeric(values, errors="coerce").dropna().to_numpy(dtype=float)
            enough = len(found) >= max(minimum, 1)
            made.append({
                "arm": name, "what": label, "n": len(found) if enough or not len(found) else None,
                "sum": float(found.sum()) if enough or not len(found) else None,
                "squares": float(np.square(found).sum()) if enough or not len(found) else None,
            })  # fmt: skip
        if "sex" in own:
            counts = own["sex"].astype("string").fillna("not known").replace("", "not known").value_counts()
            table = guarded({str(k): int(v) for k, v in counts.items()}, len(own), minimum)
            made.append({"arm": name, "what": "sex", "counts": table["counts"], "n": table["enrolled"]})
    return made


def guarded(counts: Mapping[str, int], total: int, minimum: int) -> dict:
    """{"enrolled": total, "counts": counts}, None for what is withheld."""
    small = any(0 < count < minimum for count in counts.values())
    return {"enrolled": None if 0 < total < minimum else total, "counts": None if small else dict(counts)}


def together(parts: list[list[dict]], keys: tuple[str, ...]) -> pd.DataFrame:
    """Entries of several sites added where their `keys` agree; `withheld`: sites whose numbers are not in the sums."""
    total: dict[tuple, dict] = {}
    for entry in (entry for part in parts for entry in part):
        key = tuple(entry[name] for name in keys)
        row = total.setdefault(key, dict(zip(keys, key, strict=True)) | {"sites": 0, "withheld": 0})
        numbers = dict(entry.get("counts") or {})
        numbers |= {name: entry[name] for name in ("enrolled", "n", "sum", "squares") if name in entry}
        row["sites"] += 1
        hidden = entry.get("counts", {}) is None or any(value is None for value in numbers.values())
        row["withheld"] += int(hidden)
        if not hidden:
            for name, value in numbers.items():
                row[name] = row.get(name, 0) + value
    table = pd.DataFrame(list(total.values()))
    if "sum" in table:
        n = table["n"].where(table["n"] > 1)
        table["mean"] = table["sum"] / table["n"].where(table["n"] > 0)
        table["sd"] = np.sqrt((table["squares"] - table["sum"] ** 2 / n) / (n - 1))
    return table
