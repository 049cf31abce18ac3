"""A crossover trial: the effect of the treatment inside people, periods accounted for."""

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import columns as c
from stats.errors import FitError

NO_PERIODS = (
    "The protocol has no [[periods]], so the sequences are compared as if they were arms, which says nothing about a "
    "treatment everybody gets. Declare each period with its first and last visit and what each sequence got."
)

NUMBERS = ("estimate", "conf_low", "conf_high", "std_error", "df", "p_value", "period_p", "n")


def crossover_effect(analysis: Analysis) -> Exhibits | Prose:
    """Change under the treatment minus change under the other, of every outcome, and whether the periods differ."""
    protocol = analysis.study.protocol
    if protocol.design != "crossover":
        return Prose("not applicable", ("This study is no crossover: nobody got both treatments in turn.",))
    if not protocol.periods:
        return Prose("crossover", (NO_PERIODS,))
    names, parts, notes, lines = Names(protocol), [], [], []
    methods: set[str] = set()
    for outcome in protocol.outcomes:
        try:
            fit = analysis.crossover_fit(outcome)
            effect, period = fit.effect(), fit.period()
        except FitError as refused:
            refusal = pd.DataFrame([{"outcome": outcome, "term": "", "unit": "", "reason": str(refused)}])
            parts.append(refusal.reindex(columns=[*refusal, *NUMBERS]))
            continue
        rows = effect.frame(protocol.level).assign(
            outcome=outcome, n=fit.fit.n_participants, changes=fit.fit.n_rows, period_p=period.p_value, reason=""
        )
        parts.append(rows)
        notes += list(effect.notes)
        methods.add(effect.df_method)
        lines.append(f"{names.outcome(outcome)}, change inside a period. {effect.sentence(protocol.level)}")
    table = Table(
        "crossover",
        "Effect of the treatment inside people",
        names.labelled(pd.concat(parts, ignore_index=True)),
        {"Outcome": "{outcome_label}", "Difference of changes": "{term}",
         "Estimate (interval)": "{estimate} ({conf_low} to {conf_high})", "Std. error": "{std_error}", "df": "{df}",
         "p": "{p_value}", "Periods differ, p": "{period_p}", "Unit": "{unit}", "n": "{n}", "Why not": "{reason}"},
        keys=(c.OUTCOME, "term"),
        decimals="decimals",
        notes=(
            f"Interval level {protocol.level:.0%}; degrees of freedom: {', '.join(sorted(methods)) or 'none'}.",
            *dict.fromkeys(notes),
        ),
    )  # fmt: skip
    return gather([table, Prose("crossover", tuple(lines), items=("CONSORT pilot 17a",), heading="In words")])
