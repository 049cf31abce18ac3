"""What an effect is divided by, told apart by what it is and not by what it is called.

The standard deviation at baseline, pooled within arms, is one quantity whether a model of change, an index of two
measured groups or a single arm divides by it. Two effects may share an axis, or be pooled, where this name is one.
"""

from collections.abc import Iterable

SAME = {
    "SD at baseline": "SD at baseline, within arms",
    "pooled SD at baseline": "SD at baseline, within arms",
    "SD at baseline, within arms": "SD at baseline, within arms",
    "pooled SD": "SD of the values, within arms",
    "SD of the values, within arms": "SD of the values, within arms",
    "SD of the control group": "SD of the control group",
    "SD of change": "SD of change, within arms",
    "pooled SD of change": "SD of change, within arms",
}


def same_standardiser(name: object) -> str:
    """The one name of a standardiser; a name not known here stands for itself. "" for none."""
    text = "" if name is None or name != name else str(name)  # NaN differs from itself
    return SAME.get(text, text)


def different(names: Iterable[object]) -> list[str]:
    """The standardisers among the names that are different quantities, blanks left out, in their order."""
    return [name for name in dict.fromkeys(map(same_standardiser, names)) if name]
