"""The sheets of a study folder and their columns, declared once.

Reading, checking and the sheets that `outcomes new` writes all use these records. What only a trial of a device writes
down is declared in `device_sheets`.
"""

import pandas as pd

from outcomes.device_sheets import DEVICE_SHEETS, EVENT_COLUMNS, MOTION_COLUMNS
from outcomes.planning_sheets import COSTS, PUBLISHED
from outcomes.sheet_records import Column as Column
from outcomes.sheet_records import Sheet as Sheet
from outcomes.words import CONDITIONS, FORCE_UNITS, GRIP_TYPES, MODES, SEXES, SIDES, STATUSES, YES_NO

_PARTICIPANT = Column(
    "participant",
    "id",
    "code of the participant, the same in every sheet; no name, no hospital number",
    required=True,
    synonyms=("participant id", "subject", "subject id", "patient", "patient id", "id"),
)
_VISIT = Column(
    "visit",
    "id",
    "id of a visit planned in study.toml",
    required=True,
    synonyms=("visit id", "timepoint", "time point"),
)
_SIDE = Column("side", "choice", "hand or arm tested: left, right, both", words=SIDES, synonyms=("hand", "arm side"))
_CONDITION = Column(
    "condition",
    "choice",
    "unassisted (blank means this), assisted by a device, or unpowered: the device worn, its power off",
    words=CONDITIONS,
)
_RATER = Column("rater", "id", "code of the assessor", synonyms=("assessor", "examiner"))
_INSTRUMENT = Column(
    "instrument", "id", "id of the instrument", required=True, synonyms=("test", "measure", "scale id")
)

SHEETS: dict[str, Sheet] = {
    sheet.name: sheet
    for sheet in (
        Sheet(
            "participants",
            "one row per participant",
            (
                _PARTICIPANT,
                Column("arm", "id", "id of an arm in study.toml; leave out in a single-arm study", synonyms=("group",)),
                Column("age", "number", "age at entry, years", synonyms=("age years",)),
                Column("sex", "choice", "female, male or other", words=SEXES, synonyms=("gender",)),
                Column("affected_side", "choice", "affected side: left, right, both", words=SIDES),
                Column(
                    "dominant_side",
                    "choice",
                    "dominant hand: left, right, both",
                    words=SIDES,
                    synonyms=("handedness", "dominance"),
                ),
                Column("diagnosis", "text", "diagnosis in words"),
                Column("onset", "text", "date of onset, or months since onset at entry"),
            ),
        ),
        Sheet(
            "visits",
            "one row per participant and visit",
            (
                _PARTICIPANT,
                _VISIT,
                Column("date", "date", "date of the visit, year-month-day", synonyms=("day",)),
                Column("status", "choice", "attended, missed or withdrawn", words=STATUSES),
                Column("reason", "text", "why a visit was missed or the participant withdrew"),
                _RATER,
            ),
        ),
        Sheet(
            "items",
            "one row per answer (or one row per participant and visit with a column per item)",
            (
                _PARTICIPANT,
                _VISIT,
                _INSTRUMENT,
                _SIDE,
                _CONDITION,
                Column("item", "id", "id of the item", required=True),
                Column("value", "measure", "answer", required=True, synonyms=("score", "answer")),
                _RATER,
            ),
        ),
        Sheet(
            "totals",
            "one row per total score",
            (
                _PARTICIPANT,
                _VISIT,
                _INSTRUMENT,
                Column("scale", "id", "id of the scale; blank where the instrument has one main scale"),
                _SIDE,
                _CONDITION,
                Column("value", "measure", "total score", required=True, synonyms=("score", "total")),
                _RATER,
            ),
        ),
        Sheet(
            "trials",
            "one row per dynamometer trial",
            (
                _PARTICIPANT,
                _VISIT,
                Column(
                    "instrument",
                    "choice",
                    "type of grip: grip, pinch_tip, pinch_key, pinch_palmar, or a channel of study.toml",
                    required=True,
                    words=GRIP_TYPES,
                    synonyms=("grip type", "grip", "test", "type"),
                ),
                _SIDE,
                _CONDITION,
                Column("trial", "number", "number of the trial: 1, 2, 3"),
                Column("value", "measure", "force", required=True, synonyms=("force", "strength")),
                Column("unit", "choice", "kgf (kg), lbf (lb) or N", required=True, words=FORCE_UNITS),
                _RATER,
            ),
        ),
        Sheet(
            "angles",
            "one row per joint angle",
            (
                _PARTICIPANT,
                _VISIT,
                _SIDE,
                Column("digit", "id", "thumb, index, middle, ring, little", synonyms=("finger",)),
                Column("joint", "id", "mcp, pip, dip, ip, wrist, elbow", required=True),
                Column("movement", "id", "flexion, extension, extension deficit", required=True),
                Column("mode", "choice", "active, passive or assisted", required=True, words=MODES),
                _CONDITION,
                Column("degrees", "measure", "angle, degrees", required=True, synonyms=("angle", "value")),
                *MOTION_COLUMNS,
                _RATER,
            ),
        ),
        Sheet(
            "sessions",
            "one row per training session",
            (
                _PARTICIPANT,
                Column("session", "id", "number of the session", required=True),
                Column("date", "date", "date of the session, year-month-day", synonyms=("day",)),
                Column("minutes_prescribed", "number", "minutes prescribed"),
                Column("minutes_performed", "number", "minutes performed"),
                Column("repetitions", "number", "repetitions performed"),
                Column("source", "text", "where the numbers come from: log, device, therapist"),
            ),
        ),
        Sheet(
            "adverse_events",
            "one row per adverse event",
            (
                _PARTICIPANT,
                Column("date", "date", "date of the event, year-month-day", synonyms=("day",)),
                Column("term", "text", "the event in words", required=True),
                Column("severity", "text", "mild, moderate or severe"),
                Column("serious", "choice", "yes or no", words=YES_NO),
                Column("related", "text", "relation to the intervention, in the study's own grades"),
                Column("device_deficiency", "choice", "yes or no", words=YES_NO),
                Column("outcome", "text", "outcome of the event"),
                *EVENT_COLUMNS,
            ),
        ),
        *DEVICE_SHEETS,
        PUBLISHED,
        COSTS,
    )
}
MEASUREMENTS = ("items", "totals", "trials", "angles")

DTYPES = {  # kind of column -> type of its values as read
    "id": "str",
    "text": "str",
    "choice": "str",
    "number": "float64",
    "measure": "float64",
    "date": "datetime64[ns]",
}


def empty(sheet: Sheet) -> pd.DataFrame:
    """The sheet without rows, with the right columns."""
    types = {"row": "int64"}
    for column in sheet.columns:
        types[column.name] = DTYPES[column.kind]
        if column.kind == "measure":
            types |= dict.fromkeys(("typed", "code", "file", "header"), "str")
    none = {kind: pd.array([], dtype=kind) for kind in set(types.values())}
    return pd.DataFrame({name: none[kind] for name, kind in types.items()})
