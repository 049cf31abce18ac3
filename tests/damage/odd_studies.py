"""Small trials drawn at random, and cohorts cut down to a few people, through every notebook: answers, or reasons.

    python -m tests.damage.odd_studies --studies 200 --seed 1      # half drawn, half cut; prints what stopped, counts

A drawn trial has up to three arms, two to nine visits and 4 to 24 people who leave, miss visits, begin at an end of the
scale, never move or all move alike; its protocol names one model or another. A cut cohort is one of the presets with
few people, rows taken away and sometimes one value for all. A study that a finding blocks is counted and not run.
"""

import argparse
import ast
import random
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from types import CodeType
from unittest.mock import patch

import nbformat
import numpy as np
import pandas as pd

from notebooks.analysis import Analysis, hand_over
from notebooks.report.run import asked_for, shipped
from outcomes import read_study
from synthetic_cohort import make_cohort

PRESETS = ("cervical_cord", "crossover", "demo", "device_pilot", "many_sites", "null_trial", "plexus", "two_hands")
OUTCOMES = {"fma_ue.motor": (0, 66), "bbt.blocks": (0, 150), "nhpt.time": (9, 120), "arat.total": (0, 57)}
MODELS = (
    "", 'time = "linear"', 'covariance = "unstructured"', 'baseline = "constrained"', 'random = "1"', 'method = "ml"',
    'covariates = ["age"]', "by_arm = true", 'time = "piecewise"\nknots = [2.0]', 'baseline = "change"',
    'df = "satterthwaite"',
)  # fmt: skip
OTHERS = ("", 'covariance = "ar1"', 'random = "1 + time"\ntime = "linear"', 'baseline = "outcome"',
          'covariance = "toeplitz"')  # fmt: skip
VALUES: dict[str, Callable[[int, int, float], float]] = {  # person, visit, a plausible value -> the value
    "as they come": lambda who, at, value: value,
    "at nothing first": lambda who, at, value: 0.0 if at == 0 else value - 28,
    "near the floor": lambda who, at, value: value - 32,
    "near the top": lambda who, at, value: min(40.0, value + 10),
    "never moving": lambda who, at, value: 30.0 + who,
    "two values": lambda who, at, value: 2.0 * (who % 2) + at,
    "one far out": lambda who, at, value: (66.0 if at else 0.0) if who == 0 else value,
    "all alike": lambda who, at, value: 20.0 + who + 5 * at,
}


def drawn(seed: int, folder: Path) -> Path:
    """Write a small trial; the same seed writes the same one."""
    pick, rng = random.Random(seed), np.random.default_rng(seed)
    arms = ("control", "device", "both")[: pick.choice((0, 1, 2, 2, 2, 3))]
    arms = ("device",) if len(arms) == 1 else arms
    visits, n = pick.choice((2, 2, 3, 3, 4, 6, 9)), pick.choice((4, 6, 8, 9, 10, 12, 16, 24))
    gap, leaving = pick.choice((0, 0, 0.05, 0.15, 0.3)), pick.choice((0, 0, 0.1, 0.3))
    value_of, outcome = VALUES[pick.choice(list(VALUES))], pick.choice(list(OUTCOMES))
    instrument, scale = outcome.split(".")
    codes, level, rows = [f"P{k:02d}" for k in range(1, n + 1)], rng.normal(30, 8, n), []
    for who, code in enumerate(codes):
        for at in range(visits):
            if at and rng.random() < leaving:
                break
            value = value_of(who, at, level[who] + at * (2 + 2 * (who % 2)) + rng.normal(0, 2))
            if rng.random() >= gap:
                rows.append(
                    (code, f"v{at}", instrument, scale, "left", round(float(np.clip(value, *OUTCOMES[outcome]))))
                )
    folder.mkdir(parents=True)
    people = {"participant": codes, "arm": [arms[k % len(arms)] if arms else "" for k in range(n)],
              "age": range(50, 50 + n), "sex": "female", "affected_side": "left", "dominant_side": "right",
              "diagnosis": "ischaemic stroke", "onset": "2023-01-01"}  # fmt: skip
    pd.DataFrame(people).to_csv(folder / "participants.csv", index=False)
    columns = ["participant", "visit", "instrument", "scale", "side", "value"]
    totals = pd.DataFrame(rows, columns=columns)
    totals.to_csv(folder / "totals.csv", index=False)
    days = pd.to_timedelta(totals["visit"].str[1:].astype(int) * 7, "D")
    dates = (pd.Timestamp("2024-03-04") + days).dt.date.where(rng.random(len(totals)) > pick.choice((0, 0, 0.1)), "")
    totals[["participant", "visit"]].assign(date=dates, status="attended").to_csv(folder / "visits.csv", index=False)
    compared = len(arms) > 1
    lines = ['title = "Drawn"', f'design = "{"parallel" if compared else "single-arm"}"', f'primary = "{outcome}"',
             f'outcomes = ["{outcome}"]']  # fmt: skip
    for place, arm in enumerate(arms):
        lines += ["[[arms]]", f'id = "{arm}"', *(["reference = true"] if compared and not place else [])]
    for at in range(visits):
        lines += ["[[visits]]", f'id = "v{at}"', f"day = {7 * at}"]
    lines += [f"[randomisation]\nrandomised = {'true' if pick.random() < 0.7 else 'false'}"] if compared else []
    lines += ['[thresholds]\n"fma_ue.motor" = ["fma_ue-motor-hiragami-2019"]'] if outcome == "fma_ue.motor" else []
    lines += [f'[estimand]\nvisit = "v{pick.randrange(1, visits)}"'] if pick.random() < 0.4 else []
    lines += [f"[model]\n{pick.choice(MODELS)}", f'[[sensitivity]]\nlabel = "other"\n{pick.choice(OTHERS)}']
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def cut(seed: int, folder: Path) -> Path:
    """Write a preset with few of its people and some of their rows."""
    pick, rng = random.Random(seed), np.random.default_rng(seed)
    make_cohort(PRESETS[seed % len(PRESETS)], seed=1, folder=folder)
    codes = pd.read_csv(folder / "participants.csv", dtype=str)["participant"]
    kept = set(rng.choice(codes, min(len(codes), pick.choice((4, 5, 6, 8, 10, 12))), replace=False))
    gap, flat = pick.choice((0, 0.1, 0.3, 0.5)), pick.random() < 0.2
    for path in sorted(folder.glob("*.csv")):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table = table[table["participant"].isin(kept)] if "participant" in table else table
        if path.stem.startswith(("items", "totals", "trials", "angles")) and len(table):
            seen = table["participant"] + table["visit"]
            table = table[~seen.isin({one for one in sorted(set(seen)) if rng.random() < gap})]
            numbers = pd.to_numeric(table["value"], errors="coerce") if "value" in table else pd.Series(dtype=float)
            if flat and numbers.notna().any():
                table["value"] = table["value"].where(numbers.isna(), numbers.dropna().iloc[0])
        table.to_csv(path, index=False)
    for path in sorted((folder / "series").glob("*.parquet")):
        recorded = pd.read_parquet(path)
        recorded[recorded["participant"].astype(str).isin(kept)].to_parquet(path)
    return folder


@dataclass(frozen=True)
class Cell:
    """A cell of a notebook: what it does, and what it shows at its end."""

    name: str
    does: CodeType
    shows: CodeType | None
    parameters: bool

    def run(self, names: dict[str, object]) -> None:
        """As a kernel would: what the last line gives is rendered."""
        exec(self.does, names)
        shown = eval(self.shows, names) if self.shows is not None else None
        for render in ("to_json", "_ipython_display_", "_repr_mimebundle_"):  # a figure would print itself
            if hasattr(shown, render):
                getattr(shown, render)()
                break


@cache
def cells() -> tuple[tuple[Path, tuple[Cell, ...]], ...]:
    """Every notebook with its cells."""
    made = []
    for name, path in shipped().items():
        own = []
        for place, cell in enumerate(nbformat.read(path, 4).cells):
            if cell.cell_type != "code":
                continue
            where, tree = f"{name}, cell {place}", ast.parse(cell.source)
            last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
            shows = compile(ast.Expression(last.value), where, "eval") if isinstance(last, ast.Expr) else None
            does = compile(tree, where, "exec")
            own.append(Cell(where, does, shows, "parameters" in cell.metadata.get("tags", [])))
        made.append((path, tuple(own)))
    return tuple(made)


def faults(folder: Path) -> list[str] | None:
    """What stopped where, through every notebook that asks for the study; None where a finding blocks it."""
    analysis = Analysis(read_study(folder))
    if analysis.findings.blocking:
        return None
    found: list[str] = []
    with warnings.catch_warnings(), patch("notebooks.show.exhibits.display", _render):
        warnings.simplefilter("ignore")
        found += _stopped("before the notebooks", analysis.prepare)
        hand_over(str(folder), analysis)
        for path, own in cells():
            names: dict[str, object] = {"display": _render}
            for cell in own if asked_for(path, analysis.study) else ():
                found += _stopped(cell.name, partial(cell.run, names))
                if cell.parameters:
                    names["folder"] = str(folder)
    return found


def _render(*shown: object) -> None:
    for one in shown:
        if hasattr(one, "_repr_mimebundle_"):
            one._repr_mimebundle_()


def _stopped(place: str, run: Callable[[], object]) -> Iterator[str]:
    try:
        run()
    except Exception as error:
        yield f"{place}: {type(error).__name__}: {error}"


def main() -> int:
    """Draw, cut and run; 1 where anything stopped."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    counts: Counter[str] = Counter()
    for number in range(asked.studies):
        seed, make = asked.seed + number // 2, (drawn, cut)[number % 2]
        with tempfile.TemporaryDirectory() as place:
            stopped = faults(make(seed, Path(place) / "study"))
        counts["blocked by findings" if stopped is None else "stopped" if stopped else "whole"] += 1
        for line in stopped or ():
            print(f"{make.__name__} {seed}: {line}")
    print(", ".join(f"{name} {count}" for name, count in sorted(counts.items())))
    return int(bool(counts["stopped"]))


if __name__ == "__main__":
    sys.exit(main())
