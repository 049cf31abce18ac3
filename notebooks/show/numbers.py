"""Numbers as people read them: the only place, with figures and prose, where results are rounded."""

from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from math import isinf

import pandas as pd

from notebooks.show.content import plain_value

MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
BEYOND = 1e15  # more digits than a number in a double has

# How a column is written. A number is added to the decimals of the outcome; a word names a rule of `written`.
WRITTEN: Mapping[str, int | str] = {
    "std_error": 1,
    "p_value": "p",
    "dealt_p": "p",
    "period_p": "p",
    "df": "df",
    "num_df": "count",
    "den_df": "df",
    "statistic": "two",
    "loglik": "loglik",
    "percent": "percent",
    "percent_low": "percent",
    "percent_high": "percent",
    "share": "percent",
    "share_low": "percent",
    "share_high": "percent",
    "day": "short",
    "threshold_value": "short",
    "velocity": "short",
    # Of intraclass correlations, which repeated measures bring near 1.
    **dict.fromkeys(("single", "single_low", "single_high", "icc_mean"), "three"),
    "effect": "two",
    "effect_low": "two",
    "effect_high": "two",
    "effect_se": "two",
    # Counts stay whole where one of a column was left out.
    **dict.fromkeys(
        ("n", "enrolled", "people", "attended", "missed", "withdrawn", "unknown", "seen", "planned", "observations",
         "improved", "unchanged", "worsened", "cannot_reach", "missing", "without_score"),
        "count",
    ),
}  # fmt: skip


def number(value: float | None, decimals: int) -> str:
    """A number with a true minus sign; a dash where there is none; never "-0"."""
    if value is None or pd.isna(value):
        return DASH
    if abs(value) >= BEYOND:  # an end of an interval on hardly any degree of freedom
        size = "\N{INFINITY}" if isinf(value) else f"{abs(value):.1e}".replace("e+", " \N{MULTIPLICATION SIGN} 10^")
        return (MINUS if value < 0 else "") + size
    # Halves away from zero, as readers of published tables expect; from the shortest decimal form of the number.
    step = Decimal(1).scaleb(-max(decimals, 0))
    text = f"{Decimal(repr(float(value))).quantize(step, ROUND_HALF_UP):f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def p_value(value: float | None) -> str:
    """A p value to three decimals; below that, the bound."""
    if value is None or pd.isna(value):
        return DASH
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def short(value: float | None) -> str:
    """A number as it was typed: no trailing zeros."""
    if value is None or pd.isna(value):
        return DASH
    return f"{value:.10g}".replace("-", MINUS)


def at_least(rule: str, unit: str) -> str:
    """The rule of a threshold as printed: "≥ 4.25 points", "> 6.6 points", "≥ 12 or 17 points" (by the hand)."""
    listed = " or ".join(short(value) for value in sizes(rule))
    return f"{'>' if rule.startswith('> ') else '≥'} {listed} {unit}".strip()


def sizes(rule: str) -> list[float]:
    """Every size in the rule of a threshold: two where it depends on which hand is affected."""
    return [float(part) for part in rule.partition(" ")[2].split(" or ")]


def written(column: str, cell: object, decimals: int = 1) -> str:
    """One cell: by the rule of its column, else by its type and the precision of the outcome."""
    value = plain_value(cell)
    if value is None:
        return DASH
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return {"infinite": "\N{INFINITY}", "minus infinite": f"{MINUS}\N{INFINITY}"}.get(value, value)
    rule = WRITTEN.get(column.partition(" ")[0], 0 if isinstance(value, float) else "count")
    match rule:
        case "p":
            return p_value(value)
        case "df":
            return number(value, 1)
        case "two":
            return number(value, 2)
        case "loglik" | "three":
            return number(value, 3)
        case "percent":
            return number(value, 0)
        case "count":
            return number(value, 0)
        case "short":
            return short(value)
        case _:
            return number(value, decimals + int(rule))
