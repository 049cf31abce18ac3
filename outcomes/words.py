"""Words people type into tables, in lower case, and what each is read as."""

from outcomes.columns import NOT_DONE, NOT_TESTABLE, REFUSED, UNABLE

SIDES = {
    "left": "left",
    "l": "left",
    "right": "right",
    "r": "right",
    "both": "both",
    "bilateral": "both",
    "left and right": "both",
    "": "",
}
# Sides named by the participant's affected side; reading turns them into left or right.
RELATIVE_SIDES = {
    "affected": "affected",
    "more affected": "affected",
    "paretic": "affected",
    "unaffected": "other",
    "less affected": "other",
    "nonparetic": "other",
    "non paretic": "other",
    "other": "other",
}
CONDITIONS = {
    "": "unassisted",
    "unassisted": "unassisted",
    "without": "unassisted",
    "without device": "unassisted",
    "assisted": "assisted",
    "with": "assisted",
    "with device": "assisted",
    "device on": "assisted",
    "on": "assisted",
    "unpowered": "unpowered",
    "device off": "unpowered",
    "power off": "unpowered",
    "off": "unpowered",
}
STATUSES = {
    "": "",
    "attended": "attended",
    "done": "attended",
    "missed": "missed",
    "not attended": "missed",
    "withdrawn": "withdrawn",
    "withdrew": "withdrawn",
}
SEXES = {"": "", "female": "female", "f": "female", "w": "female", "male": "male", "m": "male", "other": "other"}
YES_NO = {"": "", "yes": "yes", "y": "yes", "true": "yes", "1": "yes", "no": "no", "n": "no", "false": "no", "0": "no"}
GRIP_TYPES = {
    "grip": "grip",
    "hand grip": "grip",
    "pinch tip": "pinch_tip",
    "tip": "pinch_tip",
    "tip pinch": "pinch_tip",
    "pinch key": "pinch_key",
    "key": "pinch_key",
    "key pinch": "pinch_key",
    "lateral pinch": "pinch_key",
    "pinch palmar": "pinch_palmar",
    "palmar": "pinch_palmar",
    "palmar pinch": "pinch_palmar",
}
FORCE_UNITS = {"kgf": "kgf", "kg": "kgf", "lbf": "lbf", "lb": "lbf", "lbs": "lbf", "n": "N", "newton": "N"}
TORQUE_UNITS = {"": "", "nm": "N m", "n m": "N m", "n cm": "N cm", "ncm": "N cm", "kgf cm": "kgf cm", "kg cm": "kgf cm"}
BETTER = {"": "", "higher": "higher", "more": "higher", "lower": "lower", "less": "lower"}
CONTROL_ARMS = frozenset(
    ("control", "control group", "controls", "usual care", "standard care", "conventional", "conventional care",
     "conventional therapy", "sham", "placebo", "comparison", "comparator", "no treatment", "waiting list", "c")
)  # fmt: skip
COST_KINDS = {
    "": "",
    "device": "device",
    "consumable": "consumable",
    "consumables": "consumable",
    "training": "training",
    "therapist": "therapist time",
    "therapist time": "therapist time",
    "therapist minutes": "therapist time",
    "visit": "visit",
    "visits": "visit",
    "travel": "travel",
    "other": "other",
    "research": "research only",
    "research only": "research only",
}
COST_UNITS = {
    "": "participant",
    "participant": "participant",
    "person": "participant",
    "patient": "participant",
    "session": "session",
    "minute": "minute",
    "minutes": "minute",
    "visit": "visit",
    "year": "year",
    "trial": "trial",
}
MODES = {"active": "active", "passive": "passive", "assisted": "assisted"}

# Words that stand for a missing number, in lower case, and which of the four codes they mean.
MISSING_WORDS = {
    "": NOT_DONE,
    "not done": NOT_DONE,
    "nd": NOT_DONE,
    "n.d.": NOT_DONE,
    "na": NOT_DONE,
    "n/a": NOT_DONE,
    "n.a.": NOT_DONE,
    "nan": NOT_DONE,
    "none": NOT_DONE,
    "null": NOT_DONE,
    "missing": NOT_DONE,
    "-": NOT_DONE,
    "--": NOT_DONE,
    ".": NOT_DONE,
    "?": NOT_DONE,
    "not testable": NOT_TESTABLE,
    "nt": NOT_TESTABLE,
    "unable": UNABLE,
    "ua": UNABLE,
    "could not": UNABLE,
    "cannot": UNABLE,
    "refused": REFUSED,
    "declined": REFUSED,
}
