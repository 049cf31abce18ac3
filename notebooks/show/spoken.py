"""Results with the words of the protocol in place of ids, so that their sentences can be copied into a paper."""

from dataclasses import replace
from functools import singledispatch
from typing import Any

from notebooks.show.names import Names, source_words
from stats.choices.choice_answers import WhatIf
from stats.effects.effects_of_scores import EffectSizes
from stats.mixed.inference.fit_estimates import Estimates
from stats.responders.responder_counts import ResponderCounts


@singledispatch
def spoken(result: Any, names: Names) -> Any:
    """The result as a reader is told it: outcomes, arms and visits by their labels. Numbers are untouched."""
    raise TypeError(f"No words for {type(result).__name__}.")


@spoken.register
def _(result: Estimates, names: Names) -> Estimates:
    """Changes per arm and visit, or differences between arms per visit."""
    rows = [] if result.keys is None else result.keys.to_dict("records")
    terms = []
    for row in rows:
        arm = names.arm(str(row["arm"])) if row.get("arm") not in (None, "") else ""
        if "reference" in row:
            arm = f"{arm} minus {names.arm(str(row['reference']))}"
        terms.append(", ".join(filter(None, [arm, names.visit(str(row["visit"])) if "visit" in row else ""])))
    return replace(result, term=tuple(terms) or result.term)


@spoken.register
def _(result: ResponderCounts, names: Names) -> ResponderCounts:
    counts = tuple(
        replace(count, arm=names.arm(count.arm) if count.arm else "", source=source_words(count.source))
        for count in result.counts
    )
    return replace(
        result, outcome=names.outcome(result.outcome), counts=counts, from_visit=names.visit(result.from_visit),
        to_visit=names.visit(result.to_visit),
    )  # fmt: skip


@spoken.register
def _(result: EffectSizes, names: Names) -> EffectSizes:
    rows = tuple(
        replace(
            row, outcome=names.outcome(row.outcome), arm=names.compared(row.arm) if row.arm else "",
            from_visit=names.visit(row.from_visit), to_visit=names.visit(row.to_visit),
        )
        for row in result.rows
    )  # fmt: skip
    return replace(result, rows=rows)


@spoken.register
def _(result: WhatIf, names: Names) -> WhatIf:
    rows = tuple(replace(row, comparison=names.compared(row.comparison)) for row in result.rows)
    return replace(result, outcome=names.outcome(result.outcome), visit=names.visit(result.visit), rows=rows)
