"""Question 6: how much better is the assisted than the unassisted hand, the affected than the other, and the norm?"""

from dataclasses import dataclass, replace

import pandas as pd

from notebooks.figures.grip_norms import grip_against_norm
from notebooks.figures.pairs import paired_scores
from notebooks.show.exhibits import Exhibits, gather
from notebooks.show.flags import flagged_values
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Findings, InstrumentError, Study, grip_norm
from outcomes import columns as c
from outcomes.library.registry import instrument
from outcomes.scoring.options import Options
from stats.change.conditions import fit_conditions
from stats.change.within_visit import WithinVisit, compare_within_visit
from stats.errors import FitError
from stats.selection import Selection, rows

GRIP = "grip.force"
KINDS = {"condition": ("assisted", "unassisted"), "hand": ("affected", "other")}
NORMS = {
    "mathiowetz-1985": "Mathiowetz 1985 (United States), by age, sex and side, never by dominance; too high for young "
    "adults of today",
    "massy-westropp-2011": "Massy-Westropp 2011 (Australia), 1366 men and 1312 women, by decade of age, sex and hand",
}


@dataclass(frozen=True)
class Pairs:
    """Paired comparisons inside visits; what could not be compared has its reason."""

    study: Study
    scores: pd.DataFrame
    made: tuple[tuple[str, WithinVisit], ...]  # kind of comparison, comparison
    left_out: tuple[str, ...]

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)


def compare_hands(scores: pd.DataFrame, study: Study) -> Pairs:
    """Assisted with unassisted, and affected with other hand, for every outcome of the protocol that has both."""
    made, left_out = [], []
    names = Names(study.protocol)
    for between, (first, second) in KINDS.items():
        missing = []
        for outcome in study.protocol.outcomes:
            try:
                compared = compare_within_visit(scores, outcome, between=between, participants=study.participants)
            except FitError:
                missing.append(names.outcome(outcome))
            else:
                made.append((between, compared))
        if missing:
            left_out.append(f"Not measured both {first} and {second}: {'; '.join(missing)}.")
    return Pairs(study, scores, tuple(made), tuple(left_out))


def left_out(pairs: Pairs) -> Exhibits:
    """Outcomes without both values."""
    return gather((), pairs.left_out)


def pairs_table(pairs: Pairs) -> Table:
    """Mean advantage at each visit, and its change since the first visit."""
    parts = []
    for between, compared in pairs.made:
        frame = compared.frame(pairs.study.protocol.level)
        parts.append(frame.assign(outcome=compared.outcome, comparison=f"{compared.first} - {compared.second}",
                                  between=between))  # fmt: skip
    columns = ["outcome", "between", "comparison", "arm", "visit", "what"]
    frame = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=[*columns, "estimate"])
    frame = frame.rename(columns={"d_z": "effect"})
    return Table(
        "within_visit",
        "Advantage inside each visit",
        pairs.names.labelled(frame),
        {"Outcome": "{outcome_label}", "Comparison": "{comparison}", "Arm": "{arm_label}", "Visit": "{visit_label}",
         "What": "{what}", "Means": "{mean_first}; {mean_second}",
         "Advantage (interval)": "{estimate} ({conf_low} to {conf_high})", "Unit": "{unit}", "d_z": "{effect}",
         "n": "{n} of {enrolled}"},
        keys=(c.OUTCOME, "between", c.ARM, c.VISIT, "what"),
        group="Outcome",
        decimals="decimals",
        notes=(
            f"Complete pairs at each visit; positive means the first is better; interval level "
            f"{pairs.study.protocol.level:.0%}.",
            "An assisted score is another outcome than an unassisted one: the two are never pooled.",
        ),
    )  # fmt: skip


def conditions_table(pairs: Pairs) -> Exhibits:
    """Assisted and unassisted values of every visit in one model per outcome."""
    parts, refused, notes = [], [], []
    methods: set[str] = set()
    for compared in (made for between, made in pairs.made if between == "condition"):
        name = pairs.names.outcome(compared.outcome)
        try:
            fit = fit_conditions(pairs.scores, compared.outcome, design=pairs.study.protocol)
            asked = [("effect at the visit", fit.effects()), ("mean effect of the visits", fit.mean_effect())]
            if fit.cells.duplicated("arm").any():
                asked.append(("change of the effect", fit.changes()))
        except FitError as error:
            refused.append(f"{name}: {error}")
            continue
        for what, made in asked:
            frame = made.frame(pairs.study.protocol.level)
            methods.add(made.df_method)
            parts.append(frame.assign(outcome=compared.outcome, what=what).assign(**{c.VISIT: frame.get(c.VISIT, "")}))
        notes.append(f"{name}: {' '.join(fit.notes)}")
    if not parts:
        return gather((), refused)
    frame = pairs.names.labelled(pd.concat(parts, ignore_index=True))
    table = Table(
        "conditions_model",
        "Assisted and unassisted in one model",
        frame.drop(columns=["term", "since"], errors="ignore"),
        {"Outcome": "{outcome_label}", "Arm": "{arm_label}", "What": "{what}", "Visit": "{visit_label}",
         "Advantage (interval)": "{estimate} ({conf_low} to {conf_high})", "Unit": "{unit}", "df": "{df}"},
        keys=(c.OUTCOME, c.ARM, "what", c.VISIT),
        group="Outcome",
        decimals="decimals",
        notes=(
            "A mean per arm, visit and condition, all values in one model, single ones too; intervals at "
            f"{pairs.study.protocol.level:.0%} ({', '.join(sorted(methods))} df), unadjusted; changes are since the "
            "arm's first visit with both. "
            "Positive: better with the device.",
            "This shows what the device does while it is worn. It shows no training effect and no recovery, nor can it "
            "tell the device from the order of testing where one condition always came first.",
            *notes,
        ),
    )  # fmt: skip
    return gather((table,), refused)


def pair_figures(pairs: Pairs) -> Exhibits:
    """The difference of the two scores of each person, at the first visit and the one the study speaks of."""
    made = []
    for between, compared in pairs.made:
        frames = []
        for value in (compared.second, compared.first):
            one = Selection(compared.outcome)
            one = replace(one, condition=value) if between == "condition" else replace(one, hand=(value,))
            frames.append(rows(pairs.scores, one).assign(which=value))
        wanted = pairs.study.protocol.headline_visit(set(pd.concat(frames)[c.VISIT].astype(str))) or ""
        found = compared.frame(pairs.study.protocol.level)
        made.append(paired_scores(pd.concat(frames), found, pairs.names, between, wanted))
    return gather(made)


def grip_norms(scores: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Grip of each hand and visit against the norm of age, sex and side; `reason` where there is none."""
    grips = scores[(scores[c.OUTCOME] == GRIP) & scores[c.VALUE].notna() & (scores[c.CONDITION] == "unassisted")]
    people = study.participants.set_index(c.PARTICIPANT)
    source = chosen_norm(study)
    made = []
    for row in grips.to_dict("records"):
        who = people.loc[row[c.PARTICIPANT]]
        found: dict[str, float | str | None] = {
            "z": None, "percent": None, "norm_mean": None, "norm_sd": None, "reason": ""
        }  # fmt: skip
        try:
            norm = grip_norm(row[c.VALUE], row["unit"], who["age"], who["sex"], row[c.SIDE], source=source)
            found |= {"z": norm.z, "percent": norm.percent, "norm_mean": norm.mean, "norm_sd": norm.sd}
        except InstrumentError as refused:
            found["reason"] = str(refused)
        kept = {name: row[name] for name in (c.PARTICIPANT, c.ARM, c.VISIT, c.DAY, c.SIDE, c.HAND, c.VALUE, "unit")}
        made.append(kept | found)
    return pd.DataFrame(made)


def chosen_norm(study: Study) -> str:
    """The norm the study names for grip, else the default of the instrument's file."""
    options = Options(instrument("grip"), study.protocol.instruments.get("grip", {}))
    return str(options.get("norm"))


def norms_table(scores: pd.DataFrame, study: Study) -> Exhibits | Table:
    """Grip against norms."""
    frame = grip_norms(scores, study)
    if frame.empty:
        return gather((), ("grip against norms: there is no grip force.",))
    return Table(
        "grip_norms",
        "Grip against published norms",
        Names(study.protocol).labelled(frame),
        {"Participant": "{participant}", "Visit": "{visit_label}", "Hand": "{hand} ({side})", "Grip": "{value} {unit}",
         "Norm mean (SD)": "{norm_mean} ({norm_sd})", "z": "{z}", "% of mean": "{percent}", "Why not": "{reason}"},
        keys=(c.PARTICIPANT, c.VISIT, c.SIDE),
        limit=30,
        notes=(
            f"Norms: {NORMS[chosen_norm(study)]}. Others may fit better: option norm of [instruments.grip]. "
            "A norm describes a population; it is no target for a person.",
        ),
    )  # fmt: skip


def norms_figure(scores: pd.DataFrame, study: Study, findings: Findings | None = None):
    """Grip of each person against the norm; values that the findings doubt are ringed."""
    frame = grip_norms(scores, study)
    if frame.empty or frame["z"].isna().all():
        return None
    known, names = frame[frame["z"].notna()], Names(study.protocol)
    wanted = study.protocol.headline_visit(set(known[c.VISIT].astype(str))) or ""
    doubted = pd.DataFrame() if findings is None else flagged_values(findings, study)
    ringed = set()
    if len(doubted):
        own = doubted[doubted["instrument"].astype(str) == GRIP.split(".", maxsplit=1)[0]]
        ringed = set(zip(own[c.PARTICIPANT], own[c.VISIT], own[c.SIDE], strict=True))
    return grip_against_norm(known, names, NORMS[chosen_norm(study)].split(",")[0], wanted, ringed)
