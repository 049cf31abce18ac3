"""Effect sizes that compare: the difference between arms, or the change of a single arm, from the model of change."""

from contextlib import suppress
from math import nan

import pandas as pd
import plotly.graph_objects as go

from notebooks.analysis import Analysis
from notebooks.figures.forest import effect_forest
from notebooks.figures.style import turned
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from stats.change.change_fit import ChangeFit
from stats.effects.effects_of_a_study import model_effects
from stats.effects.effects_of_scores import EffectSizes
from stats.errors import FitError

CAPTION = (
    "Difference between arms in the change from baseline, from the model of change, over the SD at baseline; positive "
    "is better. Every score in the model counts. The interval takes the SD as known."
)
CROSSOVER = (
    "Effect of the treatment inside people, from the model of the periods, over the SD at the start of the first "
    "period; positive is better. The interval takes the SD as known."
)
ALONE = (
    "Change from baseline from the model of change, over the SD at baseline; positive is better. One arm has no "
    "comparison: natural recovery, practice and regression to the mean are in it."
)


def compare_effects(analysis: Analysis) -> EffectSizes:
    """The effect sizes of every outcome of the protocol at the visit the study speaks of."""
    study = analysis.study
    return model_effects(
        analysis.scores, design=study.protocol, participants=study.participants, fitted=analysis.main_fit
    )


def _frame(sizes: EffectSizes, study: Study) -> pd.DataFrame:
    names = Names(study.protocol)
    frame = sizes.frame(study.protocol.level).rename(
        columns={"estimate": "effect", "std_error": "effect_se", "conf_low": "effect_low", "conf_high": "effect_high"}
    )
    frame = frame.assign(visit=frame["to_visit"], compared=frame[c.ARM].map(names.compared))
    return names.labelled(frame)


def comparison_table(sizes: EffectSizes, study: Study) -> Table:
    """Effect size per outcome, with the difference in the outcome's own unit beside it."""
    return Table(
        "model_effect_sizes",
        "Effect sizes from the model of change",
        _frame(sizes, study),
        {"Outcome": "{outcome_label}", "What": "{compared}", "To visit": "{visit_label}",
         "Effect (interval)": "{effect} ({effect_low} to {effect_high})",
         "Improvement": "{mean_improvement} {unit}", "Standardiser": "{standardiser}, {standardiser_value}",
         "n": "{n} of {enrolled}", "Why not": "{reason}"},
        keys=(c.OUTCOME, c.ARM, "kind"),
        decimals="decimals",
        notes=sizes.notes,
    )  # fmt: skip


def comparison_figure(sizes: EffectSizes, study: Study, analysis: Analysis | None = None) -> go.Figure | Prose:
    """All outcomes side by side. analysis: with it the numbers in each outcome's own unit stand beside the picture."""
    frame = _frame(sizes, study)
    frame = frame[frame["effect"].notna()]
    if frame.empty:
        return Prose("effect sizes from the model", ("No outcome has a model of change: the table says why.",))
    several = len(study.protocol.arms) > 1
    return effect_forest(
        frame.assign(arm=frame["compared"], kind="model of change"),
        Names(study.protocol),
        caption=CROSSOVER if study.protocol.periods else CAPTION if several else ALONE,
        title="Effect on every outcome, standardised" if several else "Change of every outcome, standardised",
        name="from_the_model",
        raw=_in_own_units(frame, analysis) if analysis is not None and frame["compared"].nunique() == 1 else None,
    )


def _in_own_units(frame: pd.DataFrame, analysis: Analysis) -> pd.DataFrame:
    """The estimates that were standardised, and the change in each arm, as improvements in each outcome's unit."""
    protocol, rows = analysis.study.protocol, []
    for effect in frame.to_dict("records"):
        fit, visit = analysis.main_fit(effect[c.OUTCOME]), effect["to_visit"]
        own = analysis.scores[analysis.scores[c.OUTCOME] == effect[c.OUTCOME]]
        better = str(own["better"].iloc[0])
        row = {c.OUTCOME: effect[c.OUTCOME], "unit": effect["unit"]}
        answer = fit.frame(protocol.level)
        at = answer[answer[c.VISIT].astype(str) == visit] if c.VISIT in answer else answer
        if at.empty:
            row |= dict.fromkeys(("estimate", "conf_low", "conf_high"), nan)
        else:
            row |= dict(turned(at, better).iloc[0][["estimate", "conf_low", "conf_high"]])
        if isinstance(fit, ChangeFit) and len(fit.arms) > 1:
            row |= dict.fromkeys((f"change {arm}" for arm in Names(protocol).arms(fit.arms)), nan)
            with suppress(FitError):  # an arm that nobody of was seen then has no change
                changes = turned(fit.changes().frame(protocol.level), better)
                changes = changes[changes[c.VISIT].astype(str) == visit].set_index(c.ARM)["estimate"]
                row |= {f"change {arm}": value for arm, value in changes.items()}
        rows.append(row)
    return pd.DataFrame(rows)


def comparison_sentences(sizes: EffectSizes, study: Study) -> Prose:
    """One sentence per outcome, ready for an application."""
    names, lines = Names(study.protocol), []
    for row in sizes.rows:
        if row.size is None:
            continue
        low, high = row.size.limits(study.protocol.level)
        what = names.compared(row.arm) if len(study.protocol.arms) > 1 else "change"
        lines.append(
            f"{names.outcome(row.outcome)}, {names.visit(row.from_visit)} to {names.visit(row.to_visit)}: {what} "
            f"{row.size.estimate:.2f} times the {dict(row.size.extra)['standardiser']} "
            f"({study.protocol.level:.0%} interval {low:.2f} to {high:.2f}; "
            f"model of change; n = {row.n} of {row.enrolled})."
        )
    return Prose("effect sizes from the model", tuple(lines), items=("CONSORT pilot 17a",), heading="In words")
