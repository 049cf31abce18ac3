"""Errors a user can act on. A message says what is wrong, where, found against allowed, and what to do."""


class StudyError(ValueError):
    """The study folder cannot be read or analysed as it stands."""


class InstrumentError(ValueError):
    """An instrument file, an answer, an option or a threshold is not acceptable."""
