"""Planted errors: what people get wrong at the bedside, each entered in a ledger with its place and the truth.

A kind names the findings of `outcomes.check` of which one must report it; a kind that nothing in the folder shows
(a plausible wrong number) names none.
"""

from collections.abc import Mapping

import pandas as pd
from numpy.random import Generator

from outcomes.errors import StudyError
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.flaws.flaws_in_answers import ANSWER_KINDS
from synthetic_cohort.flaws.flaws_in_forces import FORCE_KINDS
from synthetic_cohort.flaws.flaws_in_visits import VISIT_KINDS
from synthetic_cohort.flaws.ledger import LEDGER_COLUMNS, Desk, Flaw

KINDS: dict[str, Flaw] = {**FORCE_KINDS, **ANSWER_KINDS, **VISIT_KINDS}


def plant(
    design: CohortDesign,
    sheets: Mapping[str, pd.DataFrame],
    flaws: Mapping[str, int],
    rng: Generator,
    *,
    must_fit: bool = True,
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Plant errors in copies of the sheets.

    flaws: kind -> how many. must_fit: False leaves out what the sheets have no place for (no angles, no angle error).
    Returns the sheets and the ledger (columns `LEDGER_COLUMNS`).
    Raises StudyError for an unknown kind, and where an error that must fit finds no place.
    """
    if not flaws:
        return dict(sheets), pd.DataFrame(columns=list(LEDGER_COLUMNS))
    desk = Desk(design, {name: sheet.copy() for name, sheet in sheets.items()}, rng)
    unknown = [kind for kind in flaws if kind not in KINDS]
    if unknown:
        raise StudyError(f"unknown kind of planted error {unknown[0]!r}; allowed {', '.join(KINDS)}.")
    # In the order of KINDS, not of the caller: kinds that add rows come last, so that row numbers hold.
    for kind, flaw in KINDS.items():
        desk.kind, desk.flaw = kind, flaw
        for _ in range(flaws.get(kind, 0)):
            desk.number += 1
            if not flaw.plant(desk) and must_fit:
                raise StudyError(f"design {design.name}: no place left for a planted {kind!r}; ask for fewer.")
    return desk.sheets, pd.DataFrame(desk.ledger, columns=list(LEDGER_COLUMNS))


def detectable(blocking: bool) -> tuple[str, ...]:
    """Kinds that the checks must find: those that stop the analysis, or those that do not."""
    return tuple(kind for kind, flaw in KINDS.items() if flaw.rules and flaw.blocks == blocking)
