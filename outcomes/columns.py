"""Column names, declared once.

`SCORE_COLUMNS` is the shape of the long frame that `outcomes.score` returns and everything in `stats` reads:
one row per participant, visit, scale, side and condition.
"""

PARTICIPANT = "participant"
ARM = "arm"
VISIT = "visit"
DAY = "day"
ACTUAL_DAY = "actual_day"
INSTRUMENT = "instrument"
SCALE = "scale"
OUTCOME = "outcome"
SIDE = "side"
HAND = "hand"
CONDITION = "condition"
VALUE = "value"

SCORE_COLUMNS = (
    PARTICIPANT,  # str
    ARM,  # str, "" in a single-arm study
    VISIT,  # str, id of the planned visit
    DAY,  # float, planned day of the visit
    INSTRUMENT,  # str
    SCALE,  # str
    OUTCOME,  # str, "<instrument>.<scale>"
    SIDE,  # "left", "right", "both" or "" where a score has no side
    HAND,  # "affected", "other", "" where side or affected side is unknown or does not apply
    CONDITION,  # "unassisted" or "assisted"
    VALUE,  # float, NaN where there is no score; `reason` then says why
    "unit",  # str
    "better",  # "higher" or "lower"
    "answered",  # int, items (or trials) that carried a value
    "items",  # int, items (or trials) the scale asks for
    "complete",  # bool
    "reason",  # str, "" where complete; not-a-number codes and rules applied otherwise
    ACTUAL_DAY,  # float, day by the dates in `visits`, counted from the participant's own baseline; NaN without dates
)

# The four ways of not having a number, and how they are written in every table.
NOT_DONE = "not done"
NOT_TESTABLE = "not testable"
UNABLE = "unable"
REFUSED = "refused"
NOT_A_NUMBER = (NOT_DONE, NOT_TESTABLE, UNABLE, REFUSED)
# An answer that drops its item from the score, where the instrument has one.
NOT_APPLICABLE = "not applicable"
