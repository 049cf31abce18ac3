"""The keys study.toml may have, and reading them with every problem named.

Each function adds to `problems` what is wrong: what was found, what is allowed, what to do.
"""

import datetime
import difflib
from collections.abc import Mapping

DESIGNS = ("single-arm", "parallel", "crossover")
TIMES = ("visit", "linear", "piecewise")
TIME_UNITS = ("day", "week", "month")
DAYS = ("planned", "actual")
BASELINES = ("auto", "covariate", "change", "constrained", "outcome")
MISSING_BASELINES = ("mean", "mean-and-indicator", "leave-out")
METHODS = ("reml", "ml")
SITE_EFFECTS = ("auto", "random", "fixed")
DF_METHODS = (
    "auto",
    "kenward-roger",
    "kenward-roger-observed",
    "satterthwaite",
    "between-within",
    "residual",
    "normal",
)
_OVER_VISITS = ("unstructured", "compound-symmetry", "ar1", "toeplitz", "ante-dependence")
COVARIANCES = (*_OVER_VISITS, *(f"unequal-{name}" for name in (*_OVER_VISITS, "exponential")), "exponential")
RANDOM_COLUMNS = ("time", "day", "visit", "arm", "baseline")  # of the model's own; covariates come on top
ESTIMAND = ("treatment", "population", "variable", "visit", "intercurrent", "summary")

TEXT, NUMBER, WHOLE, FLAG, LIST, TABLE, TABLES = "text", "number", "whole", "flag", "list", "table", "tables"
DATE = "date"
TOP = {
    "title": TEXT,
    "design": TEXT,
    "primary": TEXT,
    "outcomes": LIST,
    "seed": WHOLE,
    "level": NUMBER,
    "arms": TABLES,
    "visits": TABLES,
    "thresholds": TABLE,
    "estimand": TABLE,
    "randomisation": TABLE,
    "model": TABLE,
    "sensitivity": TABLES,
    "measures": TABLE,
    "series": TABLE,
    "series_outcomes": TABLES,
    "instruments": TABLE,
    "columns": TABLE,
    "scored_raters": LIST,
    "wide": TABLES,
    "periods": TABLES,
    "both_hands": TABLE,
    "criteria": TABLES,
    "checks": TABLE,
    "eligibility": TABLE,
    "events": TABLES,
    "blinded": FLAG,
    "departures": TABLES,
    "values": TABLE,
    "channels": TABLE,
    "levels": TABLES,
    "safety": TABLE,
    "total_motion": TABLE,
    "passive_motion": TABLE,
    "privacy": TABLE,
}
PRIVACY = {"identifiers": FLAG, "free_text": FLAG, "smallest_cell": WHOLE}
CHECKS = {"off": TABLE}
ELIGIBILITY = {"age": LIST, "onset_months": LIST}
ARM = {"id": TEXT, "label": TEXT, "reference": FLAG}
VISIT = {"id": TEXT, "label": TEXT, "day": NUMBER, "window": LIST}
PERIOD = {"id": TEXT, "start": TEXT, "end": TEXT, "treatments": TABLE}
RANDOMISATION = {"randomised": FLAG, "strata": LIST, "assessed": WHOLE, "excluded": TABLE}
HAND_BY_BASELINE, HAND_BY_SIDE = ("weaker", "stronger"), ("dominant", "non-dominant", "left", "right")
BOTH_HANDS = {"analysed": TEXT, "by": TEXT}
MEASURE = {
    "label": TEXT,
    "unit": TEXT,
    "better": TEXT,
    "low": NUMBER,
    "high": NUMBER,
    "step": NUMBER,
    "thresholds": LIST,
}
OUTCOME = {"id": TEXT, "visits": LIST, "averaged": WHOLE}
THRESHOLD = {"value": NUMBER, "unit": TEXT, "direction": TEXT, "source": TEXT, "label": TEXT}
MODEL = {
    "label": TEXT,
    "time": TEXT,
    "time_unit": TEXT,
    "days": TEXT,
    "knots": LIST,
    "baseline": TEXT,
    "missing_baseline": TEXT,
    "random": TEXT,
    "correlated": FLAG,
    "covariance": TEXT,
    "by_arm": FLAG,
    "covariates": LIST,
    "method": TEXT,
    "df": TEXT,
    "site": TEXT,
    "site_effect": TEXT,
    "strata": FLAG,
}
EVENT = {
    "id": TEXT,
    "label": TEXT,
    "strategy": TEXT,
    "table": TEXT,
    "column": TEXT,
    "values": LIST,
    "score": NUMBER,
}
EVENT_TABLES = ("adverse_events", "visits")
STRATEGIES = ("treatment policy", "hypothetical", "composite", "while on treatment")
DEPARTURE = {"key": TEXT, "date": DATE, "reason": TEXT}
WIDE = {"sheet": TEXT, "file": TEXT, "table": TEXT, "across": TEXT, "columns": TABLE, "prefix": TEXT, "fixed": TABLE}
TYPES: dict[str, tuple[type, ...]] = {
    TEXT: (str,),
    NUMBER: (int, float),
    WHOLE: (int,),
    FLAG: (bool,),
    LIST: (list,),
    TABLE: (dict,),
    TABLES: (list,),
    DATE: (str, datetime.date),
}
IN_WORDS = {
    TEXT: 'text in quotation marks, e.g. "week4"',
    NUMBER: "a number",
    WHOLE: "a whole number",
    FLAG: "true or false",
    LIST: "a list in square brackets",
    TABLE: "a table",
    TABLES: "tables in double square brackets",
    DATE: "a date as year-month-day",
}


_SHOWN = 80  # characters of a value in a message


def shown(value: object) -> str:
    """A value of the file in a message, cut where it is long."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def words(values: object, where: str, problems: list[str]) -> tuple[str, ...]:
    """A list of words; a whole number, such as the code of a rater, is taken as the word it is written as."""
    found = values if isinstance(values, list) else [values]
    good = [value for value in found if isinstance(value, (str, int)) and not isinstance(value, bool)]
    for value in found:
        if value not in good or isinstance(value, bool):
            problems.append(f"{where}: found {shown(value)}, allowed {IN_WORDS[TEXT]}. Correct it.")
    return tuple(str(value).strip() for value in good)


def word_table(table: Mapping, where: str, problems: list[str]) -> dict[str, str]:
    """A table of words by name."""
    return {str(key): word for key, value in table.items() for word in words([value], f"{where}, {key}", problems)}


def known_keys(table: object, allowed: Mapping[str, str], where: str, problems: list[str]) -> dict:
    """The keys of a table that are allowed and of the right type; every other one is a problem."""
    if not isinstance(table, dict):
        problems.append(f"{where}: found {shown(table)}, allowed a table of keys and values. Correct it.")
        return {}
    kept = {}
    for key, value in table.items():
        if key not in allowed:
            name = key[:_SHOWN]
            close = difflib.get_close_matches(name, allowed, 1)
            hint = f"Did you mean {close[0]}?" if close else "Remove it or correct its name."
            problems.append(f"{where}, unknown key {name}: found {name}, allowed {', '.join(allowed)}. {hint}")
            continue
        wanted = TYPES[allowed[key]]
        if not isinstance(value, wanted) or (isinstance(value, bool) and bool not in wanted):
            problems.append(f"{where}, {key}: found {shown(value)}, allowed {IN_WORDS[allowed[key]]}. Correct it.")
            continue
        kept[key] = value
    return kept


def tables_of(content: Mapping, key: str, problems: list[str]) -> list[dict]:
    tables = content.get(key, [])
    wrong = [table for table in tables if not isinstance(table, dict)]
    if wrong:
        problems.append(f"study.toml, {key}: found {shown(wrong[0])}, allowed one [[{key}]] table each. Correct it.")
    return [table for table in tables if isinstance(table, dict)]


def choice(table: Mapping, key: str, allowed: tuple[str, ...], where: str, problems: list[str], default: str) -> str:
    value = table.get(key, default)
    if value not in allowed:
        problems.append(f"{where}, {key}: found {shown(value)}, allowed {', '.join(allowed)}. Correct it.")
        return default
    return value


def needed(table: dict, key: str, where: str, problems: list[str]) -> str:
    value = str(table.get(key, "")).strip()
    if not value:
        problems.append(f"{where} has no {key}: found none, allowed {IN_WORDS[TEXT]}. Add it.")
    return value


def unlike(ids, where: str, problems: list[str]) -> None:
    seen: set[str] = set()
    for name in ids:
        if name in seen:
            problems.append(f"study.toml, {where}: found {name!r} twice, allowed once. Give each its own id.")
        seen.add(name)


def nested(table: Mapping, name: str, problems: list[str]) -> dict[str, dict]:
    for key, value in table.items():
        if not isinstance(value, dict):
            problems.append(f"[{name}], {key}: found {shown(value)}, allowed a table [{name}.{key}]. Correct it.")
    return {key: value for key, value in table.items() if isinstance(value, dict)}
