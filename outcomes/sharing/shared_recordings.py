"""The recordings of a shared study: samples under new codes, seconds from the start of each recording, one file."""

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.movement.series_files import FOLDER, KEYS, read_recordings
from outcomes.sharing.shared_tables import Shared
from outcomes.study import Study

NAME = "recordings.parquet"


def write_recordings(study: Study, shared: Shared, to: Path) -> Path | None:
    """Writes the recordings as they were read (even grid, gaps filled as study.toml says); None where there are none.

    What could not be used of a recording is left out; how many, is said.
    """
    if study.series.empty:
        return None
    recordings = read_recordings(study.folder, study.protocol, [])
    codes, parts, unused = shared.codes["participant"], [], 0
    # The clock may start anywhere, for both hands together: only time since the first sample is told.
    about = recordings.about
    about = about.assign(first=about.groupby(["participant", "visit"])["start"].transform("min"))
    for row, samples in zip(about.to_dict("records"), recordings.values, strict=True):
        if not len(samples) or not codes.get(row["participant"]):
            unused += 1
            continue
        facts = {name: row[name] for name in KEYS if name != "participant"}
        time = row["start"] - row["first"] + np.arange(len(samples)) / row["rate"]
        parts.append(
            pd.DataFrame({"participant": codes[row["participant"]], **facts, "time": time, row["quantity"]: samples})
        )
    if unused:
        shared.done.append(f"recordings: {unused} that cannot be used, or are of nobody, are left out.")
    if not parts:
        return None
    shared.done.append("recordings: time is counted from the first sample of a participant's visit, in seconds.")
    parts.sort(key=lambda part: tuple(str(part[name].iloc[0]) for name in KEYS))
    path = to / FOLDER / NAME
    path.parent.mkdir()
    pd.concat(parts, ignore_index=True).to_parquet(path, index=False)
    return path
