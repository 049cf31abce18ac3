"""What if: the main result again under other reasonable choices, each answer a row, each refusal a row with its reason.

It shows how far the answer depends on choices. It is not a way to find a choice: one made by looking at its answer has
no interval and no p value that mean what they say.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from math import nan

import pandas as pd

from outcomes import columns as c
from outcomes.protocol.trial import Protocol
from outcomes.scoring.score import score
from outcomes.study import Study
from stats.change.change_fit import ChangeFit
from stats.change.crossover import CrossoverFit
from stats.choices.choice_assumptions import assumption_rows
from stats.choices.choice_grid import (
    Option,
    Scenario,
    all_at_once,
    df_options,
    missing_options,
    model_options,
    named_options,
    one_at_a_time,
    people_options,
    usable_df,
)
from stats.choices.choice_runs import DIFFERENCE, Runs
from stats.choices.choice_shares import share_rows
from stats.errors import FitError
from stats.estimates import Estimate, check_level
from stats.mixed.inference.fit_estimates import Estimates
from stats.result import Result

CAUTION = (
    "Each row changes a choice and nothing else. The rows share the same people and are not independent; a choice made "
    "by looking at its row would make that row's interval meaningless."
)


@dataclass(frozen=True)
class WhatIfRow:
    """One answer. made: the estimate, None where the choice was refused for `reason`. scenario: what was run."""

    choice: str
    option: str
    comparison: str
    quantity: str
    is_protocol: bool
    unit: str
    n: int
    made: Estimates | Estimate | None = field(repr=False, default=None)
    notes: tuple[str, ...] = ()
    reason: str = ""
    scenario: Scenario | None = field(repr=False, default=None)


@dataclass(frozen=True)
class WhatIf(Result):
    """The main result of one outcome at one visit under every choice; `left_out` says which were not run and why."""

    outcome: str
    visit: str
    better: str
    rows: tuple[WhatIfRow, ...] = field(repr=False)
    unit: str
    n_participants: int
    n_rows: int
    notes: tuple[str, ...]
    left_out: tuple[str, ...] = ()

    def frame(self, level: float = 0.95) -> pd.DataFrame:
        """One row per choice, option and comparison.

        Columns: choice option comparison quantity estimate std_error df p_value conf_low conf_high unit n is_protocol
        notes reason; NaN and a reason where the choice was refused. Shares are between 0 and 1.
        """
        level = check_level(level)
        return pd.DataFrame([_as_record(row, level) for row in self.rows])

    def sentence(self, level: float = 0.95) -> str:
        """The protocol's answer and the range of the others. No verdict."""
        frame = self.frame(level)
        parts = []
        for (quantity, comparison), own in frame.groupby(["quantity", "comparison"], sort=False):
            there, refused = own[own["estimate"].notna()], int(own["estimate"].isna().sum())
            main = there[there["is_protocol"]]
            if main.empty:
                parts.append(f"{quantity} {comparison}".strip() + ": no answer by the protocol's choices")
                continue
            first, others = main.iloc[0], there[~there["is_protocol"]]
            told, unit = _written(first["unit"])
            text = f"{quantity} {comparison}".strip() + (
                f": {told(first.estimate)}{unit} by the protocol "
                f"({level:.0%} interval {told(first.conf_low)} to {told(first.conf_high)})"
            )
            if len(others):
                low, high = others["estimate"].min(), others["estimate"].max()
                text += f", {told(low)} to {told(high)} over {len(others)} other choices"
            parts.append(text + (f", {refused} refused" if refused else ""))
        at = f" at {self.visit}" if self.visit else ""
        return f"{self.outcome}{at}. {'; '.join(parts)}. {CAUTION}"


def what_if(
    source: Study | pd.DataFrame,
    outcome: str | None = None,
    *,
    design: Protocol | None = None,
    participants: pd.DataFrame | None = None,
    scores: pd.DataFrame | None = None,
    counted: pd.DataFrame | None = None,
    main: ChangeFit | CrossoverFit | None = None,
    visit: str | None = None,
    thresholds: Sequence[str] = (),
    dose: float | None = None,
    each_person: bool | None = None,
    full: bool = False,
) -> WhatIf:
    """Run the main result again over covariance, time course, baseline, df, missing values, people and threshold.

    source: a study, or the frame of `outcomes.score` with `design` (its protocol). participants: a frame, one row a
    person, beside such scores. scores: the frame of the study, main: its main model, where they are there already.
    counted: a frame of scores for the responder shares, where a strategy for intercurrent events makes them others
    (`stats.missing.scores_after_events`). outcome: the primary one where not named. visit: the primary one of the
    protocol, else the last with an answer. The main result is the difference between arms in the change (one arm: the
    change; a crossover with periods: the treatment effect), by `fit_change` or `fit_crossover` with the protocol's
    choices. thresholds: a sequence of keys for the responder shares, every published one where none is named. dose:
    share of the prescribed minutes from which a participant counts as treated; else the `at_least` of an adherence
    criterion of the protocol. each_person: also without each participant in turn; None: up to 60 participants. full:
    every combination of the choices, in place of one at a time.

    Raises FitError where there is no protocol, or no score of the outcome. A choice that cannot be run is a row.
    InstrumentError for a threshold key that does not exist. Source: that of each choice, named in its function; which
    choices there are is our own list.
    """
    study = source if isinstance(source, Study) else None
    design = study.protocol if study else design
    if design is None:
        raise FitError("Which choices are the protocol's? Pass a study, or design= with a scores frame.")
    people = study.participants if study else participants
    values = (score(source) if scores is None else scores) if isinstance(source, Study) else source
    outcome = outcome or design.primary
    if not (values[c.OUTCOME] == outcome).any():
        raise FitError(f"Outcome {outcome!r} is not among the scores: there is no main result to run again.")
    runs = Runs(values, outcome, design, people, main)
    start = runs.as_decided(Scenario("protocol", "as written", design.model, usable_df(design.model)))
    asked = runs.ask(start)
    last = visit or runs.headline_visit(asked)
    options, left_out = _options(runs, start, last, study, dose, each_person)
    if full:
        left_out = (*left_out, *(f"{one.choice}, {one.name}: {one.impossible}" for one in options if one.impossible))
    scenarios = all_at_once(start, options) if full else one_at_a_time(start, options)
    comparisons = runs.comparisons(asked, last)
    rows = [row for one in scenarios for row in _rows(runs, one, last, comparisons)]
    more, unasked = _assumptions(runs, last, comparisons)
    rows += more
    shares, why = share_rows(values if counted is None else counted, outcome, design, people, last, thresholds)
    rows += [WhatIfRow(**row) for row in shares]
    known = values[values[c.OUTCOME] == outcome]
    return WhatIf(
        outcome=outcome,
        visit=last or "",
        better=str(known["better"].iloc[0]),
        rows=tuple(rows),
        unit=str(known["unit"].iloc[0]),
        n_participants=runs.people(start),
        n_rows=len(rows),
        notes=(CAUTION, "Degrees of freedom by the normal law are left out: too sure of themselves at pilot size."),
        left_out=(*left_out, *unasked, *why),
    )


def _rows(runs: Runs, one: Scenario, visit: str, comparisons: Sequence[str]) -> Iterator[WhatIfRow]:
    """One row per comparison; a refused one is a row with the reason."""
    asked = FitError(one.impossible) if one.impossible else runs.ask(one)
    for comparison in comparisons:
        made = None if isinstance(asked, FitError) else runs.at(asked, visit, comparison)
        reason = str(asked) if isinstance(asked, FitError) else "" if made else f"No estimate at {visit}."
        notes = (*one.notes, *(made.notes if made else ()))
        yield WhatIfRow(one.choice, one.option, comparison, runs.quantity, one.is_protocol, runs.unit,
                        made.n_participants if made else 0, made, notes, reason, one)  # fmt: skip


def _left_out_of(design: Protocol) -> tuple[str, ...]:
    """What the planned model has and analyses of imputed visits and of ends of scales have not, as a note."""
    there = [*(["sites"] if design.model.site else []), *(["covariates"] if design.model.covariates else [])]
    if not there:
        return ()
    return (f"The {' and '.join(there)} of the planned model play no part in this row: two things differ from it.",)


def _assumptions(runs: Runs, visit: str, comparisons: Sequence[str]) -> tuple[list[WhatIfRow], tuple[str, ...]]:
    """Rows about missed visits and the ends of the scale; a refused one stands at every comparison with its reason."""
    design, reference = runs.design, runs.design.reference_arm
    if runs.quantity != DIFFERENCE or reference is None or not visit:
        return [], ("Assumptions about missed visits: they are asked of a difference between arms.",)
    known = set(runs.scores.loc[runs.scores[c.VALUE].notna(), c.VISIT])
    order = [one.id for one in sorted(design.visits, key=lambda one: one.day) if one.id in known]
    if design.baseline.id not in order or visit not in order:
        return [], (f"Assumptions about missed visits: no score at {design.baseline.id} or {visit}.",)
    order = order[order.index(design.baseline.id) : order.index(visit) + 1]
    made, left_out = assumption_rows(runs.scores, runs.outcome, order, reference, runs.participants, design.seed)
    rows, simpler = [], _left_out_of(design)
    for one in made:
        for comparison in comparisons if one.made is None else [one.comparison]:
            if comparison in comparisons:
                rows.append(WhatIfRow(one.choice, one.option, comparison, runs.quantity, False, runs.unit, one.n,
                                      one.made, (*one.notes, *simpler), one.reason))  # fmt: skip
    return rows, left_out


def _options(
    runs: Runs, start: Scenario, visit: str, study: Study | None, dose: float | None, each_person: bool | None
) -> tuple[list[Option], tuple[str, ...]]:
    design, left_out, made = runs.design, [], []
    if runs.crossover:
        left_out.append("Covariance, time course, baseline: a crossover is analysed by the change in each period.")
    else:
        made += [*model_options(runs.fitted(start), design), *named_options(design)]
    made += df_options(start.df)
    made += missing_options(runs.scores, runs.outcome, design.baseline.id, visit)
    adherent, why = _adherent(study, dose)
    people, more = people_options(runs.scores, adherent, each_person)
    return [*made, *people], (*left_out, *why, *more)


def _adherent(
    study: Study | None, dose: float | None
) -> tuple[tuple[str, Collection[str] | str] | None, tuple[str, ...]]:
    """What counts as treated in words, with those who were not (or why nobody knows); None where there are no sessions.

    An arm without any session has no dose to reach: its people stay.
    """
    if study is not None and study.masked:
        return None, ("People by dose: left out while the study is blinded.",)
    if study is None or study.sessions.empty:
        return None, ("People by dose: there are no sessions.",)
    found = [one for one in study.protocol.criteria if one.get("measure") == "adherence" and "at_least" in one]
    least = dose if dose is not None else found[0]["at_least"] if found else None
    if not isinstance(least, int | float):
        reason = (
            "study.toml sets no dose from which a participant counts as treated (an adherence criterion with "
            "at_least), and none was given with dose=."
        )
        return ("only people with the dose", reason), ()
    sums = study.sessions.groupby(c.PARTICIPANT)[["minutes_performed", "minutes_prescribed"]].sum(min_count=1)
    people = study.participants.drop_duplicates(c.PARTICIPANT).set_index(c.PARTICIPANT)
    arms = people[c.ARM].astype(str) if c.ARM in people else pd.Series("", index=people.index)
    trained = set(arms[arms.index.isin(sums.index)])
    share = (sums["minutes_performed"] / sums["minutes_prescribed"]).reindex(people.index)
    untreated = [str(code) for code in people.index if arms[code] in trained and not share[code] >= least]
    return (f"only people with at least {least} of the prescribed minutes", untreated), ()


def _written(unit: str) -> tuple[Callable[[float], str], str]:
    """How a sentence writes a number of this unit, and the unit."""
    if unit == "share":
        return (lambda value: f"{value:.0%}"), ""
    return (lambda value: f"{value:.3g}"), f" {unit}"


def _as_record(row: WhatIfRow, level: float) -> dict[str, object]:
    columns = ("estimate", "std_error", "df", "p_value", "conf_low", "conf_high")
    numbers = (
        dict.fromkeys(columns, nan) if row.made is None else row.made.frame(level).iloc[0][list(columns)].to_dict()
    )
    return (
        {"choice": row.choice, "option": row.option, "comparison": row.comparison, "quantity": row.quantity}
        | numbers
        | {"unit": row.unit, "n": row.n, "is_protocol": row.is_protocol, "notes": " ".join(row.notes),
           "reason": row.reason}
    )  # fmt: skip
