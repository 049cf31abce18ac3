"""How long scoring one million item rows takes, against group-by-apply and against reading the rows from CSV.

Run from the top of the repository: python tests/benchmarks/scoring_speed.py   (about two minutes)
Prints both ratios and exits with 1 where scoring is less than 50 times faster than group-by-apply, or takes longer than
pandas needs to read the same rows from a CSV file. The group-by-apply is written as one would write it in a notebook: a
function of one administration, called for each group; it is timed on a part of the administrations and scaled up, as
its time grows with their number. Its scores must equal the library's.
Times are of the processor, the smallest of several runs taken in turns: all of it runs on one core, and other work on
the machine must not decide. The rows lie as people type them, one administration after the other; shuffled rows are
timed beside them.
"""

import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes import instrument, read_study, score
from outcomes.study import Study

ROWS = 1_000_000
PART = 600  # administrations timed with group-by-apply
NAMES = ("fma_ue", "arat", "dash", "sis", "sus")
KEYS = ["participant", "visit", "instrument", "side", "condition"]
STUDY = """
title = "Speed"
design = "single-arm"
primary = "fma_ue.motor"
outcomes = ["fma_ue.motor"]
"""


def make_folder(folder: Path) -> None:
    """A study folder with one million answers, one in two hundred of them missing."""
    rng = np.random.default_rng(11)
    items = {name: [item for item in instrument(name).items if not item.id.startswith(("h_", "j_"))] for name in NAMES}
    per_visit = sum(len(found) for found in items.values())
    visits = [f"v{number}" for number in range(5)]
    people = -(-ROWS // (per_visit * len(visits)))
    toml = STUDY + "".join(
        f'[[visits]]\nid = "{visit}"\nlabel = "{visit}"\nday = {day}\n' for day, visit in enumerate(visits)
    )
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    names = [f"P{number:05d}" for number in range(people)]
    sides = rng.choice(["left", "right"], people)
    pd.DataFrame({"participant": names, "affected_side": sides}).to_csv(folder / "participants.csv", index=False)
    template = [(name, item) for name in NAMES for item in items[name]]
    count = people * len(visits)
    values = np.column_stack([rng.choice(item.levels, count) for _, item in template]).astype(int).astype(object)
    values[rng.random(values.shape) < 0.005] = "not done"
    frame = pd.DataFrame(
        {
            "participant": np.repeat(names, per_visit * len(visits)),
            "visit": np.tile(np.repeat(visits, per_visit), people),
            "instrument": np.tile([name for name, _ in template], count),
            "side": np.repeat(sides, per_visit * len(visits)),
            "condition": "unassisted",
            "item": np.tile([item.id for _, item in template], count),
            "value": values.ravel(),
        }
    ).iloc[:ROWS]
    frame.to_csv(folder / "items.csv", index=False)


def by_hand(group: pd.DataFrame) -> pd.Series:
    """The same rules, one administration at a time."""
    found = instrument(group["instrument"].iloc[0])
    answers = group.set_index("item")["value"]
    made = {}
    for scale in found.scales:
        given = answers.reindex(list(scale.items))
        if given.index.isin(answers.index).sum() == 0:
            continue
        if scale.kind == "sum":
            if found.id == "fma_ue" and "a5_normal_reflexes" in given.index:
                opening = answers.reindex(
                    ["a4_shoulder_abduction_90", "a4_shoulder_flexion_180", "a4_forearm_rotation_elbow_straight"]
                )
                if opening.sum(skipna=False) < 6:
                    given = given.copy()
                    given["a5_normal_reflexes"] = 0
            made[scale.id] = given.sum(skipna=False)
        elif scale.kind == "mean":
            for item in scale.rule.get("reversed", ()):
                given[item] = 6 - given[item]
            enough = given.notna().sum() >= scale.rule.get("least", len(given))
            made[scale.id] = (given.mean() - 1) * 25 if enough else np.nan
        elif scale.kind == "skip-rule":
            first, second = given.iloc[0], given.iloc[1]
            if first == 3:
                given = given.fillna(3)
            elif first < 3 and second == 0:
                given = given.fillna(0)
            made[scale.id] = given.sum(skipna=False)
    if found.id == "arat":
        made["total"] = sum(made[part] for part in ("grasp", "grip", "pinch", "gross"))
    return pd.Series(made)


def group_by_apply(items: pd.DataFrame) -> tuple[pd.Series, float]:
    """Scores of a part of the administrations, and the seconds the whole table would take."""
    groups = items.groupby(KEYS, sort=False)
    number = groups.ngroup()
    whole = int(number.max()) + 1
    part = items[number < PART]
    start = time.process_time()
    made = pd.concat({key: by_hand(group) for key, group in part.groupby(KEYS, sort=False)})
    return made, (time.process_time() - start) * whole / PART


def in_turns(runs: Mapping[str, Callable[[], object]], times: int = 12) -> dict[str, float]:
    """Processor seconds of the fastest of several runs of each, taken in turns."""
    fastest = dict.fromkeys(runs, float("inf"))
    for _ in range(times):
        for name, run in runs.items():
            start = time.process_time()
            run()
            fastest[name] = min(fastest[name], time.process_time() - start)
    return fastest


def same(study: Study, made: pd.Series) -> bool:
    """Whether the library's scores equal those of group-by-apply, where that has them."""
    scores = score(study).set_index([*KEYS, "scale"])["value"]
    pair = pd.DataFrame({"made": made, "score": scores.reindex(made.index)})
    return len(pair) > 0 and np.allclose(pair["made"].astype(float), pair["score"], rtol=0, atol=1e-9, equal_nan=True)


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_folder(folder)
        study = read_study(folder)
        shuffled = replace(study, items=study.items.sample(frac=1, random_state=1))
        taken = in_turns(
            {
                "reading": lambda: pd.read_csv(folder / "items.csv"),
                "scoring": lambda: score(study),
                "shuffled": lambda: score(shuffled),
            }
        )
        made, slow = group_by_apply(study.items)
        equal = same(study, made) and score(study).equals(score(shuffled))
    reading, scoring = taken["reading"], taken["scoring"]
    print(f"rows {ROWS:,}; scores equal on {PART} administrations and after shuffling: {equal}")
    print(f"scoring {scoring:.3f} s; shuffled rows {taken['shuffled']:.3f} s; pandas reading the CSV {reading:.3f} s")
    print(f"group-by-apply {slow:.0f} s (scaled from {PART} administrations)")
    print(f"group-by-apply / scoring = {slow / scoring:.0f}   (at least 50)")
    print(f"scoring / reading CSV    = {scoring / reading:.2f}   (at most 1)")
    return 0 if equal and slow >= 50 * scoring and scoring <= reading else 1


if __name__ == "__main__":
    sys.exit(main())
