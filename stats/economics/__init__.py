"""Costs beside effects: what one more improved person costs, net benefit, acceptability, the worth of a larger trial.

Importing the package loads nothing; the names of `__init__.pyi` are loaded when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
