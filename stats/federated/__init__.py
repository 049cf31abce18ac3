"""One analysis over hospitals whose rows must not leave them: sums travel, each by a documented file.

Reading order: `outcome_sums` (what a site computes), `counted` (responders and baseline as counts), `guard` (what may
leave), `moments_file` (the file), `merged` (files together), `added_sums`, `sums_columns` and `sums_fit` (their model).

Importing the package loads nothing; the names of `__init__.pyi` are loaded when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
