"""Reading `study.toml` into the records of `protocol.py`: strictly, and with every problem named at once."""

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from outcomes.errors import StudyError
from outcomes.protocol import Arm, Measure, ModelChoice, Period, PlannedVisit, Protocol, WideSheet
from outcomes.sheets import SHEETS

DESIGNS = ("single-arm", "parallel", "crossover")
TIMES = ("visit", "linear", "piecewise")
TIME_UNITS = ("day", "week", "month")
BASELINES = ("auto", "constrained", "covariate", "outcome")
METHODS = ("reml", "ml")
DF_METHODS = ("kenward-roger", "kenward-roger-observed", "satterthwaite", "between-within", "residual", "normal")
ESTIMAND = ("treatment", "population", "variable", "intercurrent", "summary")

_TEXT, _NUMBER, _WHOLE, _FLAG, _LIST, _TABLE, _TABLES = "text", "number", "whole", "flag", "list", "table", "tables"
_TOP = {
    "title": _TEXT,
    "design": _TEXT,
    "primary": _TEXT,
    "outcomes": _LIST,
    "seed": _WHOLE,
    "level": _NUMBER,
    "arms": _TABLES,
    "visits": _TABLES,
    "thresholds": _TABLE,
    "estimand": _TABLE,
    "model": _TABLE,
    "sensitivity": _TABLES,
    "measures": _TABLE,
    "instruments": _TABLE,
    "columns": _TABLE,
    "scored_raters": _LIST,
    "wide": _TABLES,
    "periods": _TABLES,
    "criteria": _TABLES,
}
_ARM = {"id": _TEXT, "label": _TEXT, "reference": _FLAG}
_VISIT = {"id": _TEXT, "label": _TEXT, "day": _NUMBER, "window": _LIST}
_PERIOD = {"id": _TEXT, "start": _TEXT, "end": _TEXT, "treatments": _TABLE}
_MEASURE = {"label": _TEXT, "unit": _TEXT, "better": _TEXT, "low": _NUMBER, "high": _NUMBER}
_MODEL = {
    "label": _TEXT,
    "time": _TEXT,
    "time_unit": _TEXT,
    "knots": _LIST,
    "baseline": _TEXT,
    "random": _TEXT,
    "correlated": _FLAG,
    "covariance": _TEXT,
    "by_arm": _FLAG,
    "covariates": _LIST,
    "method": _TEXT,
    "df": _TEXT,
}
_WIDE = {"file": _TEXT, "table": _TEXT, "across": _TEXT, "columns": _TABLE, "prefix": _TEXT, "fixed": _TABLE}
_TYPES: dict[str, tuple[type, ...]] = {
    _TEXT: (str,),
    _NUMBER: (int, float),
    _WHOLE: (int,),
    _FLAG: (bool,),
    _LIST: (list,),
    _TABLE: (dict,),
    _TABLES: (list,),
}
_IN_WORDS = {
    _TEXT: 'text in quotation marks, e.g. "week4"',
    _NUMBER: "a number",
    _WHOLE: "a whole number",
    _FLAG: "true or false",
    _LIST: "a list in square brackets",
    _TABLE: "a table",
    _TABLES: "tables in double square brackets",
}


def read_protocol(path: Path) -> Protocol:
    """The protocol in `path`.

    Raises:
        StudyError: with every problem of the file, each with what was found, what is allowed and what to do.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise StudyError(
            f"{path.name} is missing in the study folder {path.parent.name!r}: found no protocol; "
            "allowed is a file study.toml beside the tables. Write one, or start with 'outcomes new'."
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StudyError(
            f"{path.name} cannot be read: found {error}; allowed is TOML text in UTF-8. Correct that line (text stands "
            "in quotation marks, decimals have a point)."
        ) from error
    problems: list[str] = []
    protocol = _protocol(content, problems)
    if problems:
        raise StudyError(
            f"{path.name} has {len(problems)} problem{'s' if len(problems) > 1 else ''}.\n" + "\n".join(problems)
        )
    return protocol


def _protocol(content: dict, problems: list[str]) -> Protocol:
    content = _known(content, _TOP, "study.toml", problems)
    for name in ("title", "design", "visits", "primary"):
        if name not in content:
            problems.append(f"study.toml has no {name}: found none, allowed {_IN_WORDS[_TOP[name]]}. Add it.")
    design = _choice(content, "design", DESIGNS, "study.toml", problems, "parallel")
    arms = tuple(_arm(arm, n, problems) for n, arm in enumerate(_tables(content, "arms", problems), 1))
    visits = tuple(_visit(visit, n, problems) for n, visit in enumerate(_tables(content, "visits", problems), 1))
    _unlike((arm.id for arm in arms), "[[arms]] id", problems)
    _unlike((visit.id for visit in visits), "[[visits]] id", problems)
    _check_arms(arms, design, problems)
    if "visits" in content and not visits:
        problems.append("study.toml plans no visit: found 0, allowed 1 or more. Add a [[visits]] table per visit.")
    primary = str(content.get("primary", ""))
    named = [str(outcome) for outcome in content.get("outcomes", [])]
    outcomes = tuple(dict.fromkeys(([primary] if primary else []) + named))
    for outcome in outcomes:
        if outcome.count(".") != 1 or not all(outcome.split(".")):
            problems.append(
                f"study.toml, outcome {outcome!r}: not an outcome id; allowed is <instrument>.<scale>, "
                'e.g. "fma_ue.motor". Correct it.'
            )
    level = content.get("level", 0.95)
    if not 0.5 <= level < 1:
        problems.append(f"study.toml, level: found {level}, allowed 0.5 to below 1, e.g. 0.95. Correct it.")
    sensitivity = tuple(
        _model({"label": f"sensitivity {n}"} | table, f"[[sensitivity]] {n}", problems)
        for n, table in enumerate(_tables(content, "sensitivity", problems), 1)
    )
    estimand = _known(content.get("estimand", {}), dict.fromkeys(ESTIMAND, _TEXT), "[estimand]", problems)
    return Protocol(
        title=str(content.get("title", "")),
        design=design,
        arms=arms,
        visits=visits,
        outcomes=outcomes,
        primary=primary,
        model=_model(content.get("model", {}), "[model]", problems),
        sensitivity=sensitivity,
        thresholds=_thresholds(content.get("thresholds", {}), problems),
        estimand=estimand,
        measures=tuple(_measure(name, table, problems) for name, table in content.get("measures", {}).items()),
        instruments=_nested(content.get("instruments", {}), "instruments", problems),
        columns=_columns(content.get("columns", {}), problems),
        scored_raters=tuple(map(str, content.get("scored_raters", []))),
        wide=tuple(_wide(table, n, problems) for n, table in enumerate(_tables(content, "wide", problems), 1)),
        periods=tuple(
            _period(table, n, arms, visits, problems)
            for n, table in enumerate(_tables(content, "periods", problems), 1)
        ),
        criteria=tuple(_tables(content, "criteria", problems)),
        level=float(level),
        seed=int(content.get("seed", 1)),
    )


def _known(table: object, allowed: Mapping[str, str], where: str, problems: list[str]) -> dict:
    """The keys of a table that are allowed and of the right type; every other one is a problem."""
    if not isinstance(table, dict):
        problems.append(f"{where}: found {table!r}, allowed a table of keys and values. Correct it.")
        return {}
    kept = {}
    for key, value in table.items():
        if key not in allowed:
            close = difflib.get_close_matches(key, allowed, 1)
            hint = f"Did you mean {close[0]}?" if close else "Remove it or correct its name."
            problems.append(f"{where}, unknown key {key}: found {key}, allowed {', '.join(allowed)}. {hint}")
            continue
        wanted = _TYPES[allowed[key]]
        if not isinstance(value, wanted) or (isinstance(value, bool) and bool not in wanted):
            problems.append(f"{where}, {key}: found {value!r}, allowed {_IN_WORDS[allowed[key]]}. Correct it.")
            continue
        kept[key] = value
    return kept


def _tables(content: Mapping, key: str, problems: list[str]) -> list[dict]:
    tables = content.get(key, [])
    wrong = [table for table in tables if not isinstance(table, dict)]
    if wrong:
        problems.append(f"study.toml, {key}: found {wrong[0]!r}, allowed one [[{key}]] table each. Correct it.")
    return [table for table in tables if isinstance(table, dict)]


def _choice(table: Mapping, key: str, allowed: tuple[str, ...], where: str, problems: list[str], default: str) -> str:
    value = table.get(key, default)
    if value not in allowed:
        problems.append(f"{where}, {key}: found {value!r}, allowed {', '.join(allowed)}. Correct it.")
        return default
    return value


def _needed(table: dict, key: str, where: str, problems: list[str]) -> str:
    value = table.get(key, "")
    if not value:
        problems.append(f"{where} has no {key}: found none, allowed {_IN_WORDS[_TEXT]}. Add it.")
    return str(value).strip()


def _unlike(ids, where: str, problems: list[str]) -> None:
    seen: set[str] = set()
    for name in ids:
        if name in seen:
            problems.append(f"study.toml, {where}: found {name!r} twice, allowed once. Give each its own id.")
        seen.add(name)


def _arm(table: dict, number: int, problems: list[str]) -> Arm:
    where = f"[[arms]] {number}"
    table = _known(table, _ARM, where, problems)
    name = _needed(table, "id", where, problems)
    return Arm(name, table.get("label", name), table.get("reference", False))


def _period(
    table: dict, number: int, arms: tuple[Arm, ...], visits: tuple[PlannedVisit, ...], problems: list[str]
) -> Period:
    where = f"[[periods]] {number}"
    table = _known(table, _PERIOD, where, problems)
    name = _needed(table, "id", where, problems)
    planned, sequences = [visit.id for visit in visits], {arm.id for arm in arms}
    for key in ("start", "end"):
        if table.get(key) not in planned:
            problems.append(f"{where}, {key}: found {table.get(key)!r}, allowed {', '.join(planned)}. Correct it.")
    treatments = {str(arm): str(given) for arm, given in table.get("treatments", {}).items()}
    if set(treatments) != sequences:
        problems.append(
            f"{where}, treatments: found {', '.join(treatments) or 'none'}, allowed one entry for each of "
            f"{', '.join(sorted(sequences))}. Say what each sequence got in this period."
        )
    return Period(name, str(table.get("start", "")), str(table.get("end", "")), treatments)


def _check_arms(arms: tuple[Arm, ...], design: str, problems: list[str]) -> None:
    if design == "single-arm":
        if len(arms) > 1:
            problems.append(
                f"study.toml: a single-arm study has one arm: found {len(arms)}, allowed 0 or 1. Change design or arms."
            )
        return
    if len(arms) < 2:
        problems.append(
            f"study.toml: a {design} study compares arms: found {len(arms)}, allowed 2 or more. Add [[arms]] tables, "
            'or set design = "single-arm".'
        )
    references = sum(arm.reference for arm in arms)
    if len(arms) >= 2 and references != 1:
        problems.append(
            f"study.toml: one arm is the reference the others are compared with: found {references}, allowed 1. "
            "Write reference = true in exactly one [[arms]] table."
        )


def _visit(table: dict, number: int, problems: list[str]) -> PlannedVisit:
    where = f"[[visits]] {number}"
    table = _known(table, _VISIT, where, problems)
    name = _needed(table, "id", where, problems)
    if "day" not in table:
        problems.append(f"{where} has no day: found none, allowed the planned day as a number. Add it.")
    window = table.get("window")
    if window is not None:
        good = len(window) == 2 and all(isinstance(day, (int, float)) and not isinstance(day, bool) for day in window)
        if not good or window[0] > window[1]:
            problems.append(
                f"{where}, window: found {window}, allowed two numbers, days before and after the planned day, "
                "e.g. [-7, 7]. Correct it."
            )
            window = None
    bounds = None if window is None else (float(window[0]), float(window[1]))
    return PlannedVisit(name, table.get("label", name), float(table.get("day", 0)), bounds)


def _measure(name: str, table: object, problems: list[str]) -> Measure:
    where = f'[measures."{name}"]'
    table = _known(table, _MEASURE, where, problems)
    if name.count(".") != 1 or not all(name.split(".")):
        problems.append(f'{where}: found {name}, allowed <name>.<scale>, e.g. [measures."barthel.total"]. Correct it.')
    better = _choice(table, "better", ("higher", "lower"), where, problems, "")
    low, high = table.get("low"), table.get("high")
    if low is not None and high is not None and low >= high:
        problems.append(f"{where}: found low {low} and high {high}, allowed low below high. Correct them.")
    return Measure(
        name,
        table.get("label", name),
        table.get("unit", "points"),
        better,
        None if low is None else float(low),
        None if high is None else float(high),
    )


def _model(table: object, where: str, problems: list[str]) -> ModelChoice:
    table = _known(table, _MODEL, where, problems)
    standard = ModelChoice()
    choices: dict[str, Any] = {
        "time": _choice(table, "time", TIMES, where, problems, standard.time),
        "time_unit": _choice(table, "time_unit", TIME_UNITS, where, problems, standard.time_unit),
        "baseline": _choice(table, "baseline", BASELINES, where, problems, standard.baseline),
        "method": _choice(table, "method", METHODS, where, problems, standard.method),
        "df": _choice(table, "df", DF_METHODS, where, problems, standard.df),
    }
    others: dict[str, Any] = {
        key: table[key] for key in ("label", "random", "correlated", "covariance", "by_arm") if key in table
    }
    knots = tuple(float(knot) for knot in table.get("knots", []))
    return ModelChoice(**choices, **others, knots=knots, covariates=tuple(map(str, table.get("covariates", []))))


def _thresholds(table: Mapping, problems: list[str]) -> dict[str, tuple[str, ...]]:
    chosen = {}
    for outcome, keys in table.items():
        keys = [keys] if isinstance(keys, str) else keys
        if not isinstance(keys, list) or not all(isinstance(key, str) for key in keys):
            problems.append(
                f"[thresholds], {outcome}: found {keys!r}, allowed a list of threshold keys. Put the outcome in "
                'quotation marks: "fma_ue.motor" = ["<key>"].'
            )
            continue
        chosen[outcome] = tuple(keys)
    return chosen


def _nested(table: Mapping, name: str, problems: list[str]) -> dict[str, dict]:
    for key, value in table.items():
        if not isinstance(value, dict):
            problems.append(f"[{name}], {key}: found {value!r}, allowed a table [{name}.{key}]. Correct it.")
    return {key: value for key, value in table.items() if isinstance(value, dict)}


def _columns(table: Mapping, problems: list[str]) -> dict[str, dict[str, str]]:
    maps = _nested(_known(table, dict.fromkeys(SHEETS, _TABLE), "[columns]", problems), "columns", problems)
    return {
        name: _known(headers, dict.fromkeys(SHEETS[name].names, _TEXT), f"[columns.{name}]", problems)
        for name, headers in maps.items()
    }


def _wide(table: dict, number: int, problems: list[str]) -> WideSheet:
    where = f"[[wide]] {number}"
    table = _known(table, _WIDE, where, problems)
    kind = _choice(table, "table", ("items", "totals"), where, problems, "items")
    across = _choice(
        table, "across", ("item", "scale", "visit"), where, problems, "item" if kind == "items" else "scale"
    )
    if not table.get("columns") and not table.get("prefix"):
        problems.append(f"{where} has neither columns nor prefix: found none, allowed one of them. Add it.")
    strings = {key: {str(k): str(v) for k, v in table.get(key, {}).items()} for key in ("columns", "fixed")}
    return WideSheet(
        file=_needed(table, "file", where, problems),
        table=kind,
        across=across,
        columns=strings["columns"],
        prefix=table.get("prefix", ""),
        fixed=strings["fixed"],
    )
