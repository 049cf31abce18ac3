"""The choices a main result is run again with: what can reasonably be changed, one choice at a time or all at once.

Nothing here ranks the choices, and none is taken because of what it gives. What needs a number, such as the dose from
which a participant counts as treated, comes from the protocol or the caller.
"""

import itertools
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import ModelChoice, Protocol
from stats.change.change_fit import ChangeFit
from stats.selection import Selection, visits_in_order
from stats.selection import rows as rows_of

MODEL, TIME, BASELINE, DF, MISSING, PEOPLE, NAMED = (
    "covariance",
    "time course",
    "baseline",
    "degrees of freedom",
    "missing values",
    "people",
    "other model of the protocol",
)
COVARIANCES: Mapping[str, tuple[str | None, str | None]] = {  # name -> random effects, structure over visits
    "unequal ante-dependence": (None, "unequal-ante-dependence"),
    "unequal compound symmetry": (None, "unequal-compound-symmetry"),
    "unstructured": (None, "unstructured"),
    "random intercept and slope": ("1 + time", None),
    "random intercept": ("1", None),
    "toeplitz": (None, "toeplitz"),
    "ar1": (None, "ar1"),
}
TIMES = {"visit": "a mean per visit", "linear": "a straight line", "piecewise": "straight pieces"}
BASELINES = {
    "covariate": "covariate",
    "change": "taken off: the change is the response",
    "constrained": "one mean for all arms",
    "outcome": "visit like the others",
}
MISSING_BASELINES = {
    "mean": "missing ones set to the mean of everybody",
    "mean-and-indicator": "missing ones set to the mean, with an indicator",
    "leave-out": "people without one left out",
}
DF_METHODS = ("kenward-roger", "kenward-roger-observed", "satterthwaite", "between-within", "residual")
EVERYONE, AS_ASSIGNED = "everyone with a score (likelihood)", "all in the arms as assigned"
WITHOUT_ONE = "without "  # how the options begin that leave out one person
MANY_PEOPLE = 60  # above, leaving out each person in turn is asked for by name: it is one fit per person


@dataclass(frozen=True)
class Scenario:
    """One set of choices. model, df: as `fit_change` and `between` take them. without: participants left out.

    impossible: why it cannot be run at all, "" where it can be tried.
    """

    choice: str
    option: str
    model: ModelChoice
    df: str
    without: frozenset[str] = frozenset()
    is_protocol: bool = False
    notes: tuple[str, ...] = ()
    impossible: str = ""


@dataclass(frozen=True)
class Option:
    """One way of making one choice: what it does to a scenario."""

    choice: str
    name: str
    applied: Callable[[Scenario], Scenario]
    is_protocol: bool = False
    impossible: str = ""


def usable_df(model: ModelChoice) -> str:
    """Degrees of freedom of a choice; Satterthwaite where maximum likelihood rules out Kenward-Roger."""
    return "satterthwaite" if model.method == "ml" and model.df.startswith("kenward-roger") else model.df


def model_options(fit: ChangeFit | None, protocol: Protocol) -> list[Option]:
    """Covariances, time courses and ways of the baseline; the protocol's own first in each choice.

    fit: the protocol's model as it was fitted, which says what its rules chose; None where it could not be.
    """
    model = protocol.model if fit is None else fit.choice
    used = (model.random, model.covariance) if fit is None else (fit.fit.random, fit.fit.covariance)
    own = next((name for name, pair in COVARIANCES.items() if pair == used), None)
    told = own or " and ".join(filter(None, used)) or "by the written rules"
    alone = fit is not None and fit.n_rows == fit.n_participants  # one later visit: nothing to choose
    made = [_option(MODEL, "one later visit: least squares" if alone else told, _as_it_is, True)]
    for name, (random, covariance) in ({} if alone else COVARIANCES).items():
        if name != own:
            made.append(_option(MODEL, name, _with_model(random=random, covariance=covariance)))
    made.append(_option(TIME, TIMES[model.time], _as_it_is, True))
    other = "linear" if model.time == "visit" else "visit"
    # Another time course brings its own covariance and its own way of the baseline, by the written rules.
    by_rule = {"random": None, "covariance": None, "baseline": "auto"}
    made.append(_option(TIME, TIMES[other], _with_model(time=other, knots=(), **by_rule)))
    if model.days == "actual" and model.time != "visit":
        made.append(_option(TIME, f"{TIMES[model.time]} on the planned days", _with_model(days="planned")))
    baseline = model.baseline
    made.append(_option(BASELINE, BASELINES.get(baseline, "by the written rules"), _as_it_is, True))
    one_arm = len(protocol.arms) < 2
    for name, words in BASELINES.items():
        if name != baseline and not (one_arm and name in ("covariate", "constrained")):
            made.append(_option(BASELINE, words, _with_model(baseline=name)))
    if baseline == "covariate" and fit is not None and fit.without_baseline:
        made += [
            _option(BASELINE, words, _with_model(missing_baseline=name))
            for name, words in MISSING_BASELINES.items()
            if name != model.missing_baseline
        ]
    return made


def named_options(protocol: Protocol) -> list[Option]:
    """The sensitivity models that the protocol names."""
    return [Option(NAMED, model.label, _as_named(model)) for model in protocol.sensitivity]


def df_options(df: str) -> list[Option]:
    """Ways of computing degrees of freedom; the normal law is none at pilot size and is left out."""
    made = [_option(DF, df, _as_it_is, True)]
    return made + [_option(DF, name, _with_df(name)) for name in DF_METHODS if name != df]


def missing_options(scores: pd.DataFrame, outcome: str, baseline: str, visit: str) -> list[Option]:
    """Everyone by the likelihood, those with a score at every visit, those with the first and the last one."""
    rows = rows_of(scores, Selection(outcome))
    rows = rows[rows[c.VALUE].notna()]
    people = sorted(set(scores[c.PARTICIPANT].astype(str)))
    seen = rows.groupby(rows[c.PARTICIPANT].astype(str))[c.VISIT].agg(set)
    needed = {"only people with a score at every visit": set(visits_in_order(rows))}
    if visit:
        needed["only people with the first and the last score"] = {baseline, visit}
    made = [_option(MISSING, EVERYONE, _as_it_is, True)]
    for name, visits in needed.items():
        gone = frozenset(code for code in people if not visits <= seen.get(code, set()))
        made.append(_option(MISSING, name, _without(gone)))
    return made


def people_options(
    scores: pd.DataFrame, adherent: tuple[str, Collection[str] | str] | None, each: bool | None
) -> tuple[list[Option], tuple[str, ...]]:
    """All, those with the dose, and all but one person in turn; and what was left out.

    scores: of one outcome.
    adherent: what counts as treated in words, with the codes of those who were not, or why nobody knows.
    """
    people = sorted(set(scores.loc[scores[c.VALUE].notna(), c.PARTICIPANT].astype(str)))
    made, left_out = [_option(PEOPLE, AS_ASSIGNED, _as_it_is, True)], []
    if adherent is not None:
        words, untreated = adherent
        if isinstance(untreated, str):
            made.append(Option(PEOPLE, words, _as_it_is, impossible=untreated))
        else:
            made.append(_option(PEOPLE, words, _without(frozenset(untreated))))
    if each or (each is None and len(people) <= MANY_PEOPLE):
        made += [_option(PEOPLE, f"{WITHOUT_ONE}{code}", _without(frozenset({code}))) for code in people]
    elif each is None:
        left_out.append(f"Leaving out each of {len(people)} participants in turn: ask for it with each_person=True.")
    return made, tuple(left_out)


def one_at_a_time(start: Scenario, options: list[Option]) -> Iterator[Scenario]:
    """Each option alone, everything else as in the protocol."""
    for option in options:
        made = option.applied(start)
        yield replace(
            made, choice=option.choice, option=option.name, is_protocol=option.is_protocol,
            impossible=option.impossible,
        )  # fmt: skip


def all_at_once(start: Scenario, options: list[Option]) -> Iterator[Scenario]:
    """Every combination of the options, one per choice; leaving out single people and named models do not combine."""
    groups: dict[str, list[Option]] = {}
    for option in options:
        if not (option.choice == NAMED or option.impossible or option.name.startswith(WITHOUT_ONE)):
            groups.setdefault(option.choice, []).append(option)
    for combined in itertools.product(*groups.values()):
        made = start
        for option in combined:
            made = option.applied(made)
        told = "; ".join(option.name for option in combined)
        yield replace(made, choice="all together", option=told, is_protocol=all(one.is_protocol for one in combined))


def _option(choice: str, name: str, applied: Callable[[Scenario], Scenario], is_protocol: bool = False) -> Option:
    return Option(choice, name, applied, is_protocol)


def _as_it_is(one: Scenario) -> Scenario:
    return one


def _with_model(**changes) -> Callable[[Scenario], Scenario]:
    return lambda one: replace(one, model=replace(one.model, **changes))


def _as_named(model: ModelChoice) -> Callable[[Scenario], Scenario]:
    return lambda one: replace(one, model=model, df=usable_df(model))


def _with_df(name: str) -> Callable[[Scenario], Scenario]:
    return lambda one: replace(one, df=name)


def _without(gone: frozenset[str]) -> Callable[[Scenario], Scenario]:
    count = len(gone)
    note = f"{count} participant{'' if count == 1 else 's'} left out: {', '.join(sorted(gone))}." if count else ""
    told = note or "Nobody is left out by this."
    return lambda one: replace(one, without=one.without | gone, notes=(*one.notes, told))
