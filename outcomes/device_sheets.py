"""What a trial of a device writes down besides scores: repeated motion, deficiencies, wear, skin, ease of use.

Categories of deficiencies follow the terms of ISO 14155:2020 and the European regulation on medical devices (read on
regulatory pages; the text of the standard itself was not opened). Everything here is a record of what happened, and no
system to watch safety with while a trial runs.
"""

from outcomes.sheet_records import Column, Sheet
from outcomes.words import CONDITIONS, SIDES, TORQUE_UNITS, YES_NO


def _same(*words: str, **more: str) -> dict[str, str]:
    """Words that are read as themselves, the blank, and other spellings; a hyphen is read as a blank."""
    own = {word.replace("-", " "): word for word in words}
    return {"": "", **own, **{key.replace("_", " "): word for key, word in more.items()}}


CATEGORIES = _same("identity", "quality", "durability", "reliability", "usability", "safety", "performance")
CAUSES = _same("malfunction", "use error", "inadequate information", user_error="use error")
PARTS = _same(
    *("worn part", "drive", "connection", "sensor", "battery", "charger", "control", "firmware", "fastening", "label"),
    "other",
)
CRITERIA = _same(
    *("death", "life-threatening", "permanent impairment", "hospital", "intervention", "chronic disease", "foetal"),
    "medically important",
    hospital_admission="hospital", hospitalisation="hospital", hospitalization="hospital", fatal="death",
    life_threatening="life-threatening",
)  # fmt: skip
ACTIONS = _same("none", "paused", "stopped", "device changed", "treatment given", "other")
REPAIRS = _same("none", "repaired", "replaced", "instructed", "software updated", "withdrawn", "other")
STOPPED_BY = _same("end", "torque limit", "pain", "spasm", "device", "time")
SITES = _same("digit", "web", "palm", "dorsum", "wrist", "forearm", "other", finger="digit", thumb="digit")
SKIN = _same(
    *("none", "mark gone within 30 min", "redness that blanches", "redness that stays", "blister", "open skin"),
    *("swelling", "colour change", "temperature change"),
)
BEFORE_AFTER = _same("before", "after")
PLACES = _same("home", "clinic", "other")
SOURCES = _same("device log", "diary", "both", device="device log", log="device log")
RESPONDENTS = _same("participant", "carer", "therapist")
HELPERS = _same("none", "carer", "therapist")
CONTINUE = _same("yes", "no", "unsure")
SYSTEMS = _same("percent", "degrees", "pip-dip")
MOTION_GRADES = _same("excellent", "good", "fair", "poor")

_PERSON = Column(
    "participant",
    "id",
    "code of the participant, the same in every sheet",
    required=True,
    synonyms=("participant id", "subject", "subject id", "patient", "patient id"),
)
_VISIT = Column("visit", "id", "id of a visit planned in study.toml", synonyms=("visit id", "timepoint", "time point"))
_SIDE = Column("side", "choice", "left, right or both", words=SIDES, synonyms=("hand",))
_DEVICE = Column("device", "id", "serial number of the device", synonyms=("device serial", "serial"))

# Further columns of the sheet of angles: one row per repetition of a passive motion.
MOTION_COLUMNS = (
    Column("repetition", "number", "number of the repetition within the set: 1, 2, 3; blank where there is one"),
    Column("velocity", "number", "velocity of the motion, degrees per second; slow and fast are different outcomes"),
    Column("torque", "number", "highest torque against the motion, resistance positive", synonyms=("peak torque",)),
    Column("torque_unit", "choice", "N m, N cm or kgf cm", words=TORQUE_UNITS),
    Column("stiffness", "id", "grade of stiffness felt in this repetition, in the grades study.toml lists"),
    Column("stopped_by", "choice", "what ended the repetition; at a torque limit the torque is cut", words=STOPPED_BY),
)

# Further columns of the sheet of adverse events.
EVENT_COLUMNS = (
    Column("event", "id", "number of the event, where other sheets refer to it", synonyms=("event id",)),
    Column(
        "end_date", "date", "date the event ended, blank while it lasts", synonyms=("end", "resolved on", "end day")
    ),
    Column("criterion", "choice", "what makes the event serious", words=CRITERIA),
    Column(
        "expected", "choice", "yes or no: foreseen in the study's risk file", words=YES_NO, synonyms=("anticipated",)
    ),
    Column("action", "choice", "what was done with the device or the treatment", words=ACTIONS),
    Column("related_device", "text", "relation to the device, in the study's own grades"),
    Column("related_procedure", "text", "relation to the procedures of the study, in the study's own grades"),
)

DEVICE_SHEETS = (
    Sheet(
        "device_deficiencies",
        "one row per fault of a device, with or without harm",
        (
            Column("deficiency", "id", "number of the deficiency", required=True, synonyms=("deficiency id",)),
            Column("participant", "id", "code of the participant; blank where nobody was using the device"),
            _DEVICE,
            Column("date", "date", "date, year-month-day", synonyms=("day",)),
            Column("category", "choice", "which property was inadequate", required=True, words=CATEGORIES),
            Column("cause", "choice", "malfunction, use error or inadequate information", words=CAUSES),
            Column("part", "choice", "part of the device", words=PARTS),
            Column("description", "text", "what happened, in words", synonyms=("term",)),
            Column(
                "could_have_been_serious",
                "choice",
                "yes or no: could have led to a serious event in less fortunate circumstances; yes is reportable",
                words=YES_NO,
            ),
            Column("event", "id", "number of the adverse event it led to, if any", synonyms=("led to event",)),
            Column("action", "choice", "what was done with the device", words=REPAIRS),
            Column("minutes_lost", "number", "minutes of practice lost"),
            Column("resolved", "date", "date the fault was put right", synonyms=("resolved on", "resolved day")),
        ),
    ),
    Sheet(
        "wear_log",
        "one row per participant and day; a day without a row is not known, a day of 0 minutes is no use",
        (
            _PERSON,
            Column("date", "date", "date, year-month-day", required=True, synonyms=("day",)),
            Column("minutes_prescribed", "number", "minutes the device was to be worn that day"),
            Column("minutes_worn", "number", "minutes the device was worn"),
            Column("minutes_active", "number", "minutes of those in which it moved the hand"),
            Column("repetitions", "number", "movements made with it"),
            Column("assisted_percent", "number", "share of the movements the device helped with, percent"),
            Column("place", "choice", "home, clinic or other", words=PLACES),
            Column("source", "choice", "device log, diary or both", words=SOURCES),
            Column("gap", "choice", "yes where the log has a gap that day: not worn and not known are two things",
                   words=YES_NO),
            _DEVICE,
        ),
    ),
    Sheet(
        "skin_checks",
        "one row per look at the skin",
        (
            _PERSON,
            _VISIT,
            Column("date", "date", "date, year-month-day", required=True, synonyms=("day",)),
            Column("when", "choice", "before or after wearing", words=BEFORE_AFTER),
            Column("site", "choice", "digit, web, palm, dorsum, wrist, forearm", words=SITES),
            _SIDE,
            Column("finding", "choice", "what was seen", required=True, words=SKIN),
            Column("minutes_to_clear", "number", "minutes until it was gone"),
            Column("action", "choice", "what was done", words=ACTIONS),
            Column("event", "id", "number of the adverse event, blank where none"),
        ),
    ),
    Sheet(
        "device_ratings",
        "one row per participant, visit and respondent: how the device was to use (questionnaires stand in items)",
        (
            _PERSON,
            Column("visit", "id", _VISIT.says, required=True, synonyms=_VISIT.synonyms),
            Column("respondent", "choice", "participant (blank means this), carer or therapist", words=RESPONDENTS),
            Column("sessions_before", "number", "sessions with the device before this rating"),
            Column("donning_minutes", "number", "minutes to put the device on"),
            Column("donning_help", "choice", "who helped to put it on", words=HELPERS),
            Column("tasks_tried", "number", "tasks tried with the device"),
            Column("tasks_done", "number", "tasks done with the device"),
            Column("would_continue", "choice", "would go on using it", words=CONTINUE),
            Column("comment", "text", "reasons, in words"),
        ),
    ),
    Sheet(
        "motion_grades",
        "one row per digit: grade of total active motion as written on a form, where the angles are not at hand",
        (
            _PERSON,
            Column("visit", "id", _VISIT.says, required=True, synonyms=_VISIT.synonyms),
            _SIDE,
            Column("digit", "id", "thumb, index, middle, ring, little", required=True, synonyms=("finger",)),
            Column("condition", "choice", "unassisted (blank means this) or assisted by a device", words=CONDITIONS),
            Column("system", "choice", "grading system; a grade without its system means nothing", words=SYSTEMS),
            Column("grade", "choice", "excellent, good, fair or poor", required=True, words=MOTION_GRADES),
        ),
    ),
)  # fmt: skip
DEVICE_TABLES = tuple(sheet.name for sheet in DEVICE_SHEETS)
