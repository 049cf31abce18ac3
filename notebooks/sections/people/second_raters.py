"""Part of question 1: where some sheets were rated twice, do the two ratings agree?"""

from dataclasses import replace

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.rater_agreement import FEWEST, agreement_figure
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.names import Names
from outcomes import InstrumentError, score
from outcomes import columns as c
from stats.errors import FitError
from stats.measurement import limits_of_agreement

KEY = [c.PARTICIPANT, c.VISIT, c.OUTCOME, c.SIDE, c.CONDITION]


def rated_twice(analysis: Analysis) -> pd.DataFrame:
    """Scores of sheets rated twice: participant, visit, outcome, unit, first (scored), second (to be compared).

    The first visit of each person that was rated twice; empty where nothing was, or the second sheets have no score.
    """
    study = analysis.study
    columns = [c.PARTICIPANT, c.VISIT, c.OUTCOME, "unit", "first", "second"]
    if study.second_ratings.empty:
        return pd.DataFrame(columns=columns)
    again = replace(study, items=study.second_ratings, totals=study.totals.iloc[:0], trials=study.trials.iloc[:0])
    try:
        second = score(again)
    except InstrumentError:
        return pd.DataFrame(columns=columns)
    second = second[second[c.VALUE].notna() & second[c.OUTCOME].isin(study.protocol.outcomes)]
    first = analysis.scores[analysis.scores[c.VALUE].notna()]
    both = first.merge(second[[*KEY, c.VALUE]], on=KEY, suffixes=("", "_second")).sort_values(c.DAY, kind="stable")
    both = both.rename(columns={c.VALUE: "first", f"{c.VALUE}_second": "second"})
    return both.drop_duplicates([c.PARTICIPANT, c.OUTCOME])[columns].reset_index(drop=True)


def agreement_figures(analysis: Analysis) -> Exhibits:
    """A plot of agreement per outcome that at least ten people have two ratings of; in words which have fewer."""
    names, made, left_out = Names(analysis.study.protocol), [], []
    for outcome, own in rated_twice(analysis).groupby(c.OUTCOME, sort=False):
        label = names.outcome(str(outcome))
        if len(own) < FEWEST:
            left_out.append(f"{label}: {len(own)} people were rated twice, too few for a plot of agreement ({FEWEST}).")
            continue
        try:
            limits = limits_of_agreement(own["first"], own["second"], unit=str(own["unit"].iloc[0]))
        except FitError as refused:
            left_out.append(f"{label}: {refused}")
            continue
        made.append(
            agreement_figure(
                own, limits, about=label, compared=("first rater", "second rater"), name=f"agreement/{outcome}",
                digits=names.decimals(str(outcome)), level=analysis.study.protocol.level,
            )
        )  # fmt: skip
    return gather(made, left_out)
