"""`python -m synthetic_cohort detection | noise | write PRESET FOLDER`: what a maintainer asks of the cohorts.

detection: plant every kind of error in every preset and print planted, found, missed, false alarms.
noise: print the `occasion_sd` that belongs beside each `retest` in the presets; run it after a change of `curves.toml`.
write: write one preset as a study folder.
"""

import argparse
from typing import Any

import pandas as pd

from outcomes import check
from synthetic_cohort.cohort import make_cohort
from synthetic_cohort.flaws.detection import detection_table, false_alarms
from synthetic_cohort.flaws.planting import KINDS, detectable
from synthetic_cohort.forms.retest_noise import calibrate
from synthetic_cohort.preset_files import preset, presets


def detection(seed: int) -> pd.DataFrame:
    """Per preset: errors planted, found and missed, kinds nothing shows, false alarms, cells, and the clean version."""
    rows = []
    for name in presets():
        row: dict[str, Any] = {"preset": name, "planted": 0, "found": 0, "missed": 0, "false_alarms": 0, "cells": 0}
        for blocking in (True, False):
            cohort = make_cohort(name, seed=seed, flaws=dict.fromkeys(detectable(blocking), 1), must_fit=False)
            findings = check(cohort.study).frame()
            table = detection_table(cohort.ledger, findings)
            row |= {column: row[column] + int(table[column].sum()) for column in ("planted", "found", "missed")}
            row["false_alarms"] += len(false_alarms(cohort.ledger, findings))
            row["cells"] += sum(sheet.size for sheet in cohort.sheets.values())
        clean = check(make_cohort(preset(name).clean(), seed=seed).study).frame()
        row["findings_on_clean"] = ", ".join(f"{count} {rule}" for rule, count in clean["rule"].value_counts().items())
        rows.append(row)
    return pd.DataFrame(rows)


def noise() -> pd.DataFrame:
    """The calibrated noise of the day of every preset and instrument."""
    rows = [
        {"preset": name, "instrument": measure.instrument, "occasion_sd": calibrate(preset(name), measure.instrument)}
        for name in presets()
        for measure in preset(name).measures
    ]
    return pd.DataFrame(rows)


def main() -> None:
    """Run one of the three."""
    parser = argparse.ArgumentParser(
        prog="python -m synthetic_cohort", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("detection")
    commands.add_parser("noise")
    write = commands.add_parser("write")
    write.add_argument("preset", choices=presets())
    write.add_argument("folder")
    asked = parser.parse_args()
    if asked.command == "write":
        cohort = make_cohort(asked.preset, seed=asked.seed, folder=asked.folder)
        print(f"{asked.folder}: {', '.join(f'{name} {len(sheet)}' for name, sheet in cohort.sheets.items())} rows")
        return
    if asked.command == "detection":
        print(f"{len(detectable(True))} kinds that block, {len(detectable(False))} that do not, of {len(KINDS)} kinds.")
    print((detection(asked.seed) if asked.command == "detection" else noise()).to_string(index=False))


if __name__ == "__main__":
    main()
