"""Question 5: how large is the change in units of spread, by each index and its standardiser?"""

from dataclasses import replace

import pandas as pd

from notebooks.figures.forest import effect_forest
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.spoken import spoken
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from stats.change.period_changes import END
from stats.effects.effects_of_scores import EffectSizes, effect_sizes
from stats.errors import FitError
from stats.selection import Selection, rows

NOTHING = Prose(
    "effect sizes", ("No outcome has scores at baseline and at a later visit: there is no change to standardise.",)
)
KINDS = ("baseline-sd", "d_av", "g_av", "d_z", "srm")


def effects_by_visit(scores: pd.DataFrame, study: Study, kinds: tuple[str, ...] = KINDS) -> dict[str, EffectSizes]:
    """Effect sizes of every outcome from baseline to each later visit; visits without any score are left out.

    Of a crossover with periods: inside them, by treatment.

    An outcome without one score per participant and visit is left out, and the notes say why. Empty where no outcome
    has scores at baseline and later.
    """
    visits, left_out = {}, []
    for outcome in study.protocol.outcomes:
        try:
            visits[outcome] = set(rows(scores, Selection(outcome))[c.VISIT])
        except FitError as refused:
            left_out.append(f"Left out: {refused}")
    made: dict[str, EffectSizes] = {}
    base = study.protocol.baseline
    if study.protocol.periods and visits:
        sizes = effect_sizes(scores, list(visits), kinds=kinds, design=study.protocol, participants=study.participants)
        return {END: replace(sizes, notes=(*sizes.notes, *left_out))}
    for visit in sorted(study.protocol.visits, key=lambda visit: visit.day):
        with_scores = [outcome for outcome, seen in visits.items() if {visit.id, base.id} <= seen]
        if visit.id == base.id or not with_scores:
            continue
        sizes = effect_sizes(
            scores,
            with_scores,
            kinds=kinds,
            visit=visit.id,
            baseline=base.id,
            participants=study.participants,
        )
        made[visit.id] = replace(sizes, notes=(*sizes.notes, *left_out))
    return made


def effects_frame(effects: dict[str, EffectSizes], study: Study) -> pd.DataFrame:
    """All effect sizes: one row per visit, outcome, arm and kind."""
    parts = [one.frame(study.protocol.level).assign(visit=visit) for visit, one in effects.items()]
    frame = pd.concat(parts, ignore_index=True)
    frame = frame.rename(columns={"estimate": "effect", "std_error": "effect_se", "conf_low": "effect_low",
                                  "conf_high": "effect_high"})  # fmt: skip
    order = {outcome: place for place, outcome in enumerate(study.protocol.outcomes)}
    frame = frame.sort_values("outcome", key=lambda column: column.map(order), kind="stable")
    return Names(study.protocol).labelled(frame)


def effects_table(effects: dict[str, EffectSizes], study: Study) -> Table | Prose:
    """Each index with its standardiser and interval."""
    if not effects:
        return NOTHING
    first = next(iter(effects.values()))
    frame = effects_frame(effects, study)
    return Table(
        "effect_sizes",
        "Effect sizes of the change from baseline",
        frame.assign(printed=frame[c.VISIT] == list(effects)[-1]),
        {"Outcome": "{outcome_label}", "To visit": "{visit_label}", "Arm": "{arm_label}", "Index": "{kind}",
         "Effect (interval)": "{effect} ({effect_low} to {effect_high})",
         "Mean improvement": "{mean_improvement} {unit}", "Standardiser": "{standardiser}, {standardiser_value}",
         "n": "{n} of {enrolled}", "Why not": "{reason}"},
        keys=(c.OUTCOME, c.VISIT, c.ARM, "kind"),
        group="Outcome",
        decimals="decimals",
        notes=first.notes,
        where="printed",
    )  # fmt: skip


def effects_figure(effects: dict[str, EffectSizes], study: Study, kind: str = "g_av", visit: str | None = None):
    """One index of all outcomes side by side, at the visit named or the one the study speaks of."""
    if not effects:
        return None
    frame = effects_frame(effects, study)
    wanted = visit or study.protocol.headline_visit(list(effects)) or list(effects)[-1]
    chosen = frame[(frame["kind"] == kind) & (frame[c.VISIT] == wanted) & frame["effect"].notna()]
    return None if chosen.empty else effect_forest(chosen, Names(study.protocol))


def effects_sentences(effects: dict[str, EffectSizes], study: Study, kind: str = "g_av") -> Prose | None:
    """The sentence for a report: one index, every outcome, the visit the study speaks of."""
    if not effects:
        return None
    chosen = effects[study.protocol.headline_visit(list(effects)) or list(effects)[-1]]
    text = replace(chosen, rows=tuple(row for row in chosen.rows if row.kind == kind))
    text = spoken(text, Names(study.protocol))
    return Prose(
        "effect sizes", (text.sentence(study.protocol.level),), items=("CONSORT pilot 17a",), heading="In words"
    )
