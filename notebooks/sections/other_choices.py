"""How far the main result depends on choices: the primary outcome again under other ones (`stats.choices`)."""

from contextlib import suppress

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.choice_intervals import answers_figure
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from notebooks.show.spoken import spoken
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from stats.choices.choice_answers import CAUTION, WhatIf, what_if
from stats.choices.choice_grid import WITHOUT_ONE
from stats.choices.choice_shares import MISSING, THRESHOLD
from stats.errors import FitError

SHARE_CHOICES = (THRESHOLD, MISSING)


def what_if_exhibits(analysis: Analysis, full: bool = False) -> Exhibits | Prose:
    """Figures, tables and a sentence of the primary outcome under other choices; in words where there is none."""
    study = analysis.study
    try:
        found = _crossed(analysis) if full else analysis.choices()
    except FitError as refused:
        return Prose("what if", (f"The main result cannot be run again: {refused}",))
    names = Names(study.protocol)
    frame = named(found, names)
    shares = frame["choice"].isin(SHARE_CHOICES)
    mean = frame[~shares]
    made: list = [
        answers_figure(own, names, found.visit, found.better)
        for _, own in mean.groupby("comparison", sort=False)
        if not full and own["estimate"].notna().any()
    ]
    made += [answers_table(mean, found, study), shares_table(frame[shares], found, study)]
    return gather([*made, Prose("what if", (spoken(found, names).sentence(),), heading="In words")], found.left_out)


def _crossed(analysis: Analysis) -> WhatIf:
    """Every choice with every other."""
    after, main = analysis.after_events, None
    with suppress(FitError):
        main = analysis.main_fit(analysis.study.protocol.primary)
    return what_if(analysis.study, scores=after.means, counted=after.counts, main=main, full=True)


def named(found: WhatIf, names: Names) -> pd.DataFrame:
    """The frame with labels: the arms compared, and which rows are the protocol's."""
    frame = found.frame().assign(outcome=found.outcome, visit=found.visit)
    told = frame["comparison"].map(names.compared)
    mark = frame["is_protocol"].map({True: "protocol", False: ""})
    usual = set(next((row.notes for row in found.rows if row.is_protocol), ()))
    own_notes = [" ".join(note for note in row.notes if note not in usual) for row in found.rows]
    return names.labelled(frame.assign(comparison_label=told.astype(object), mark=mark.astype(object), told=own_notes))


def drawn(frame: pd.DataFrame) -> pd.DataFrame:
    """Every choice but, of those that leave out one person, the lowest and the highest only."""
    single = frame["option"].str.startswith(WITHOUT_ONE) & frame["estimate"].notna()
    ends = frame[single].sort_values("estimate", kind="stable")
    kept = ends.iloc[[0, -1]] if len(ends) > 1 else ends
    words = ["lowest", "highest"] if len(ends) > 1 else [""] * len(ends)
    told = [f"{option} ({word} of {len(ends)})" for option, word in zip(kept["option"], words, strict=True)]
    others = frame[~frame["option"].str.startswith(WITHOUT_ONE)]
    return pd.concat([others.assign(drawn_as=others["option"]), kept.assign(drawn_as=told)])


def drawn_rows(frame: pd.DataFrame) -> list:
    """Rows that the figures draw, of every comparison; the page prints these, the file and the record hold all."""
    parts = [drawn(own) for _, own in frame.groupby("comparison", sort=False)]
    return [place for part in parts for place in part.index]


def answers_table(frame: pd.DataFrame, found: WhatIf, study: Study) -> Table:
    """Every answer of the model, and every choice that was refused."""
    return Table(
        "what_if",
        f"{Names(study.protocol).outcome(found.outcome)}: the main result under other choices",
        frame.assign(printed=frame.index.isin(drawn_rows(frame))),
        {"Choice": "{choice}", "Option": "{option}", "Mark": "{mark}", "Compared": "{comparison_label}",
         "Estimate (interval)": "{estimate} ({conf_low} to {conf_high})", "Std. error": "{std_error}", "df": "{df}",
         "p": "{p_value}", "n": "{n}", "Unit": "{unit}", "Notes": "{told}", "Why not": "{reason}"},
        keys=(c.OUTCOME, "choice", "option", "comparison"),
        group="Choice",
        decimals="decimals",
        notes=_notes(found, study, frame),
        where="printed",
    )  # fmt: skip


def shares_table(frame: pd.DataFrame, found: WhatIf, study: Study) -> Table | None:
    """The share that improved, or its difference between arms, at each threshold and denominator."""
    if frame.empty:
        return None
    share = frame.assign(
        share=100 * frame["estimate"], share_low=100 * frame["conf_low"], share_high=100 * frame["conf_high"]
    )
    dropped = ["estimate", "conf_low", "conf_high", "std_error", "df", "p_value", "unit"]
    several = " - " in "".join(frame["comparison"])
    return Table(
        "what_if_shares",
        f"{Names(study.protocol).outcome(found.outcome)}: the share that improved under other choices",
        share.drop(columns=dropped),
        {"Choice": "{choice}", "Option": "{option}", "Mark": "{mark}", "Compared": "{comparison_label}",
         "Difference, percentage points (interval)" if several else "% (interval)":
             "{share} ({share_low} to {share_high})", "n": "{n}", "Threshold": "{notes}", "Why not": "{reason}"},
        keys=(c.OUTCOME, "choice", "option", "comparison"),
        group="Choice",
        notes=_notes(found, study, frame),
    )  # fmt: skip


def _notes(found: WhatIf, study: Study, frame: pd.DataFrame) -> tuple[str, ...]:
    at = f" at {Names(study.protocol).visit(found.visit)}" if found.visit else ""
    quantities = ", ".join(frame["quantity"].unique())
    return (f"{quantities[:1].upper()}{quantities[1:]}{at}; interval level {study.protocol.level:.0%}.", CAUTION)
