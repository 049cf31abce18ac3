"""Reading `[model]` and `[[sensitivity]]` of study.toml: choices of closed lists, numbers, terms that are data."""

from collections.abc import Mapping
from typing import Any

from outcomes.protocol.keys import (
    BASELINES,
    COVARIANCES,
    DAYS,
    DF_METHODS,
    METHODS,
    MISSING_BASELINES,
    MODEL,
    RANDOM_COLUMNS,
    SITE_EFFECTS,
    TIME_UNITS,
    TIMES,
    choice,
    known_keys,
    shown,
    words,
)
from outcomes.protocol.model_terms import GRAMMAR, BadTerms, read_factor, read_terms
from outcomes.protocol.trial import ModelChoice


def read_model(table: object, where: str, problems: list[str]) -> ModelChoice:
    """The model that a table declares; what is wrong with it is added to `problems`."""
    table = known_keys(table, MODEL, where, problems)
    standard = ModelChoice()
    choices: dict[str, Any] = {
        "time": choice(table, "time", TIMES, where, problems, standard.time),
        "time_unit": choice(table, "time_unit", TIME_UNITS, where, problems, standard.time_unit),
        "days": choice(table, "days", DAYS, where, problems, standard.days),
        "baseline": choice(table, "baseline", BASELINES, where, problems, standard.baseline),
        "missing_baseline": choice(
            table, "missing_baseline", MISSING_BASELINES, where, problems, standard.missing_baseline
        ),
        "method": choice(table, "method", METHODS, where, problems, standard.method),
        "df": choice(table, "df", DF_METHODS, where, problems, standard.df),
        "site_effect": choice(table, "site_effect", SITE_EFFECTS, where, problems, standard.site_effect),
    }
    if "covariance" in table:
        choices["covariance"] = choice(table, "covariance", COVARIANCES, where, problems, COVARIANCES[0])
    covariates = words(table.get("covariates", []), f"{where}, covariates", problems)
    if "random" in table:
        _random(table["random"], covariates, where, problems)
    named = ("label", "random", "correlated", "by_arm", "site", "strata")
    others: dict[str, Any] = {key: table[key] for key in named if key in table}
    return ModelChoice(**choices, **others, knots=_knots(table, where, problems), covariates=covariates)


def _knots(table: Mapping, where: str, problems: list[str]) -> tuple[float, ...]:
    knots = table.get("knots", [])
    if not all(isinstance(knot, (int, float)) and not isinstance(knot, bool) for knot in knots):
        problems.append(f"{where}, knots: found {shown(knots)}, allowed a list of numbers, e.g. [4, 8]. Correct it.")
        return ()
    if list(knots) != sorted(set(knots)):
        problems.append(f"{where}, knots: found {shown(knots)}, allowed rising numbers, each once. Correct it.")
    return tuple(float(knot) for knot in knots)


def _random(text: str, covariates: tuple[str, ...], where: str, problems: list[str]) -> None:
    """Random effects are read as terms of a model, never as text that something else would run."""
    try:
        named = read_terms(text).columns
    except BadTerms as found:
        problems.append(f'{where}, random: found {found}; allowed are {GRAMMAR}. Write it like "1 + time".')
        return
    allowed = (*RANDOM_COLUMNS, *covariates)
    for column in named:
        if column not in allowed and not any(column == column_of(covariate) for covariate in covariates):
            problems.append(f"{where}, random: found {shown(column)}, allowed {', '.join(allowed)}. Correct it.")


def column_of(covariate: str) -> str:
    """The column that a covariate is, or is a function of."""
    try:
        return read_factor(covariate).column
    except BadTerms:  # a header as it stands
        return covariate
