"""Outcome measures: read a study folder, check it, score it; the library of instruments and thresholds.

Importing the package loads nothing; the names of `__init__.pyi` are loaded when they are first used.
"""

import lazy_loader

from outcomes.standing_in_the_way import refuse_others

refuse_others(__file__)
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
