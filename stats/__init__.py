"""From scores to findings: models of change, responders, effect sizes, planning.

Importing the package loads nothing; the names of `__init__.pyi` are loaded when they are first used.
"""

import lazy_loader

import outcomes

if not hasattr(outcomes, "__path__"):  # a user's outcomes.py; `outcomes` itself looks for files named like the others
    raise ImportError(
        f"{outcomes.__file__} stands in the way: Python takes it for the package 'outcomes' of this kit. Rename that "
        "file, or work in another folder."
    )
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
