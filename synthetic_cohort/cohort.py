"""One cohort as a study folder with its truth."""

import json
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.random import Generator

from outcomes.errors import StudyError
from outcomes.reading.study_folder import read_study
from outcomes.spreadsheet_cells import safe_cell
from outcomes.study import Study
from synthetic_cohort.design import CONSTRUCTS, CohortDesign
from synthetic_cohort.device.made_sheets import device_sheets
from synthetic_cohort.filled_sheets import (
    Columns,
    answer_columns,
    draw_frame,
    measured,
    participants_sheet,
    stack,
    visits_sheet,
)
from synthetic_cohort.flaws.planting import plant
from synthetic_cohort.forms.responses import Answers
from synthetic_cohort.people.attendance import draw_attendance
from synthetic_cohort.people.diary import events_sheet, sessions_sheet
from synthetic_cohort.preset_files import preset
from synthetic_cohort.recordings.made_recordings import MadeRecordings, make_recordings
from synthetic_cohort.score_batches import draw_cohorts, primary_score
from synthetic_cohort.toml_records import toml_text
from synthetic_cohort.truth import Draw, Truth, personal_truth


@dataclass(frozen=True)
class Cohort:
    """A drawn cohort: its sheets as typed, what was planted in them, and what is true.

    sheets: table name -> frame of text cells, exactly what is written to the folder.
    device: the truth of what a device did and how it was used.
    draw: the latent abilities behind it. recordings: movement and force over time, and their truth.
    folder: where the study was written, None while it is only in memory.
    """

    design: CohortDesign
    seed: int
    sheets: Mapping[str, pd.DataFrame]
    ledger: pd.DataFrame
    draw: Draw = field(repr=False, compare=False)
    recordings: MadeRecordings = field(repr=False, compare=False, default_factory=MadeRecordings.none)
    folder: Path | None = None
    device: Mapping[str, object] = field(repr=False, compare=False, default_factory=dict)

    @cached_property
    def truth(self) -> Truth:
        """What is true of each person (computed when first asked for)."""
        return personal_truth(self.design, self.seed, self.draw, self.ledger)

    @cached_property
    def study(self) -> Study:
        """The cohort as `outcomes.read_study` reads it from its folder (a temporary one where none was given)."""
        if self.folder is not None:
            return read_study(self.folder)
        with tempfile.TemporaryDirectory() as place:
            write_folder(self, Path(place), with_truth=False)
            return read_study(place)


def make_cohort(
    design: CohortDesign | str,
    seed: int = 1,
    folder: str | Path | None = None,
    *,
    flaws: Mapping[str, int] | None = None,
    must_fit: bool = True,
) -> Cohort:
    """Make one cohort; the same design and seed give the same bytes.

    design: a `CohortDesign`, or the name of a preset. seed: whole number of 0 or more.
    folder: where to write the study folder with its `truth.json`; None keeps the cohort in memory.
    flaws: kind of planted error -> how many, in place of the design's own (an empty mapping: none). The kinds are in
    `flaws.KINDS`; `flaws.detectable(blocking=True)` names those that stop an analysis.
    must_fit: False leaves out errors the cohort has no place for, instead of refusing.

    Returns a `Cohort` with `.study`, `.truth`, `.sheets` and `.ledger`.
    Raises StudyError for an unknown preset, an unknown kind of flaw or a folder that already holds files,
    InstrumentError for a measure of the design that the catalogue does not have.

    >>> cohort = make_cohort("demo", seed=1)
    >>> len(cohort.sheets["participants"])
    24
    """
    if isinstance(design, str):
        design = preset(design)
    draw_rng, sheet_rng, flaw_rng = np.random.default_rng(seed).spawn(3)
    ability, drawn, noise, attendance_rng = draw_cohorts(design, draw_rng)
    status = draw_attendance(design, primary_score(design, drawn), attendance_rng)[0]
    sheets, codes, device = _sheets(design, ability, list(drawn.values()), status, sheet_rng, seed)
    sheets, ledger = plant(design, sheets, design.flaws if flaws is None else flaws, flaw_rng, must_fit=must_fit)
    cohort = Cohort(
        design=design,
        seed=seed,
        sheets=sheets,
        ledger=ledger,
        draw=Draw(ability, noise, status, codes),
        recordings=_recordings(design, ability, codes, status, seed),
        device=device,
        folder=None if folder is None else Path(folder),
    )
    if cohort.folder is not None:
        write_folder(cohort, cohort.folder)
    return cohort


def _recordings(design: CohortDesign, ability, codes, status, seed: int) -> MadeRecordings:
    """The design's recordings, from a stream of their own: the sheets stay what they are without them."""
    rng = np.random.default_rng([seed, 19])
    visits = tuple(visit.id for visit in design.visits)
    return make_recordings(design.recordings, CONSTRUCTS, visits, ability, codes, status, rng)


def _sheets(design: CohortDesign, ability, answers: list[Answers], status, rng: Generator, seed: int):
    """All sheets with rows, the participants' codes in the order of the draw, and the truth of a device."""
    frame_rng, visit_rng, session_rng, event_rng, *streams = rng.spawn(4 + len(answers))
    frame, order = draw_frame(design, ability, frame_rng)
    parts: dict[str, list[Columns]] = {"items": [], "trials": [], "angles": []}
    for entry, stream in zip(answers, streams, strict=True):
        done = measured(design, entry, status, stream)
        columns = answer_columns(design, entry, frame, order, done)
        parts["trials" if "trial" in columns else "angles" if "degrees" in columns else "items"].append(columns)
    sheets = {
        "participants": participants_sheet(design, ability, frame, order),
        "visits": visits_sheet(design, frame, order, status, visit_rng),
        **{name: stack(columns) for name, columns in parts.items()},
        "sessions": sessions_sheet(design, ability, frame, order, status, session_rng),
        "adverse_events": events_sheet(design, frame, order, status, event_rng),
    }
    # From a stream of its own, so that the other sheets stay what they are without a device.
    stream = np.random.default_rng([seed, 23])
    made = device_sheets(design, ability, frame, order, status, sheets["adverse_events"], stream)
    for name, rows in made.sheets.items():
        if name in sheets and name != "adverse_events":
            rows = pd.concat([sheets[name].astype(object), rows], ignore_index=True).fillna("")
        sheets[name] = rows.astype("str")
    return {name: sheet for name, sheet in sheets.items() if len(sheet)}, frame.codes, made.truth


def study_text(design: CohortDesign, seed: int) -> str:
    """The design's `study.toml`."""
    arms = [{"id": arm.id, "label": arm.label, **({"reference": True} if arm.reference else {})} for arm in design.arms]
    table = {
        "title": design.title,
        "design": design.kind,
        "seed": seed,
        **design.protocol,
        **({} if design.kind == "single-arm" else {"arms": arms}),
        "visits": [asdict(visit) for visit in design.visits],
    }
    return f"# {design.story}\n\n" + toml_text(table)


def write_folder(cohort: Cohort, folder: Path, *, with_truth: bool = True) -> None:
    """Write `study.toml`, every sheet as CSV and `truth.json` to an empty or new folder."""
    folder.mkdir(parents=True, exist_ok=True)
    held = [entry.name for entry in folder.iterdir()]
    if held:
        raise StudyError(f"{folder}: the folder already holds {held[0]}; allowed is an empty one. Name another folder.")
    (folder / "study.toml").write_text(study_text(cohort.design, cohort.seed), encoding="utf-8", newline="\n")
    for name, sheet in cohort.sheets.items():
        sheet.map(safe_cell).to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    cohort.recordings.write(folder)
    if with_truth:
        truth = cohort.truth.as_dict() | cohort.recordings.as_dict()
        truth |= {"device": cohort.device} if cohort.device else {}
        text = json.dumps(truth, indent=1, ensure_ascii=False)
        (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")
