"""The methods in words: each sentence is built from the study as read and from the models as they were fitted.

A sentence whose claim does not hold of a study is not in it; `tests/notebooks/sections/test_true_sentences.py` holds
every sentence of many studies against the data by other ways.
"""

from collections import Counter
from collections.abc import Iterator

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.report.proof.environment import software
from notebooks.sections.arms_compared import compare_effects
from notebooks.sections.change import Fits, Fitted, fit_outcomes
from notebooks.show.exhibits import Prose
from notebooks.show.names import Names
from notebooks.show.numbers import number, short
from outcomes import Study
from outcomes import columns as c
from outcomes.library.known import find_instrument
from outcomes.library.registry import thresholds
from outcomes.scoring.analysed_hand import analysed_sides
from stats.change.visit_days import uses_days
from stats.choices.choice_grid import TIMES
from stats.errors import FitError
from stats.mixed.inference.fit_estimates import METHOD_WORDS
from stats.selection import Selection, rows

BASELINES = {
    "constrained": "baseline as an outcome with one mean for all arms",
    "covariate": "baseline as a covariate",
    "change": "the change from baseline as the response",
    "outcome": "baseline as an ordinary visit",
}
SET_TO = {"mean": "", "mean-and-indicator": ", with an indicator"}
RECORDED = {"items": "item answers", "trials": "dynamometer trials", "angles": "joint angles"}
RECORDINGS, TYPED = "recordings", "typed"
AT_RANDOM = "Missing scores are taken to be missing at random given the scores in the model, which cannot be checked."
COMPLETELY = (
    "Where the change to a single later visit is the response, missing scores are taken to be missing whatever the "
    "scores were, which cannot be checked."
)
TYPED_SUMS = "they were added up elsewhere and cannot be checked item by item."
LOST = ("a score of the hand analysed", "a score after the baseline", "a baseline to count a change from",
        "an arm of the model", "all covariates")  # fmt: skip


def methods_text(analysis: Analysis) -> Prose:
    """The methods paragraphs: design, outcomes, models as fitted, thresholds, effect sizes, software."""
    study, fits = analysis.study, fit_outcomes(analysis)
    counted = [outcome for outcome in study.protocol.outcomes if _changed(analysis, outcome)]
    lines = [
        _design(study), *_outcomes(analysis), *_models(fits), *_after_events(analysis), *_responders(study, counted),
        *_sizes(analysis, fits),
        _made_with(study, intervals=bool(fits.main or counted)),
    ]  # fmt: skip
    return Prose("methods", tuple(lines), items=("CONSORT pilot 3a", "CONSORT pilot 6a", "CONSORT pilot 12"),
                 heading="Methods in words")  # fmt: skip


def _after_events(analysis: Analysis) -> list[str]:
    """What was done with values after intercurrent events, by event, and where an analysis does not answer."""
    done = analysis.after_events
    told = [
        f"After {row.event} ({row.people} people, {row.values_after} values): {row.strategy}, {row.does}."
        for row in done.accounting.itertuples()
    ]
    return [*told, *done.notes]


def _design(study: Study) -> str:
    protocol, names = study.protocol, Names(study.protocol)
    arms = study.participants["arm"].astype(str).value_counts()
    told = [f"{names.arm(arm.id)}, n = {int(arms.get(arm.id, 0))}" for arm in protocol.arms]
    reference = f" The reference is {names.arm(protocol.reference_arm)}." if protocol.reference_arm else ""
    visits = ", ".join(f"{visit.label} (day {number(visit.day, 0)})" for visit in protocol.visits)
    groups = f" ({'; '.join(told)})" if len(told) > 1 else ""
    return (
        f"Design: {protocol.design}, {len(study.participants)} participants{groups}.{_dealt(study)}{reference} "
        f"Planned visits: {visits}."
    )


def _dealt(study: Study) -> str:
    """How people came into their arms, as far as study.toml says."""
    given, arms = study.protocol.randomisation, study.protocol.arms
    if len(arms) < 2:
        return ""
    what = "sequences" if study.protocol.design == "crossover" else "arms"
    if given.randomised is None:
        return f" study.toml does not say whether the {what} were randomised."
    if not given.randomised:
        return f" The {what} were not randomised."
    within = f" within levels of {', '.join(given.strata)}" if given.strata else ""
    return f" The {what} were randomised{within}."


def _outcomes(analysis: Analysis) -> list[str]:
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    others = [names.whole_name(outcome) for outcome in protocol.outcomes if outcome != protocol.primary]
    lines = [f"Primary outcome: {names.whole_name(protocol.primary)}{_range(protocol.primary)}."]
    if others:
        lines[0] += f" Further outcomes: {'; '.join(others)}."
    return [*lines, *_hands(analysis), *_scored(analysis)]


def _range(outcome: str) -> str:
    name, _, scale = outcome.partition(".")
    instrument = find_instrument(name)
    found = instrument.scale(scale) if instrument else None
    if found is None:
        return ""
    span = "" if found.high is None else f"{number(found.low, 0)} to {number(found.high, 0)} "
    return f" ({span}{found.unit}, {found.better} is better)"


def _hands(analysis: Analysis) -> list[str]:
    """Which hand is analysed of people with two affected ones."""
    study = analysis.study
    rule, sides = study.protocol.both_hands, analysed_sides(analysis.scores, study)
    if rule is None or sides.empty:
        return []
    by = f" at baseline by {Names(study.protocol).outcome(rule.by)} (equal hands: the dominant one)" if rule.by else ""
    hand, chosen, nowhere = f"the {rule.analysed} hand{by}", int((sides != "").sum()), int((sides == "").sum())
    if not nowhere:
        return [f"Of the {chosen} participants with both hands affected, {hand} is analysed."]
    return [
        f"Of the {len(sides)} participants with both hands affected, {hand} is analysed in {chosen}; of {nowhere} the "
        "rule cannot tell the hand, and none is analysed."
    ]


def sources(analysis: Analysis) -> Counter[str]:
    """What the values of the study's outcomes were made from, and of how many: keys of RECORDED, RECORDINGS, TYPED."""
    study, scores = analysis.study, analysis.scores
    own = scores[scores[c.OUTCOME].isin(study.protocol.outcomes) & scores[c.VALUE].notna()]
    recordings = {outcome.id for outcome in study.protocol.series_outcomes}
    there = {}
    for name in RECORDED:
        table = study.table(name)
        measured = table[table["degrees" if name == "angles" else "value"].notna() | (table["code"] != "")]
        parts = [c.PARTICIPANT, c.VISIT] if name == "angles" else [c.INSTRUMENT, c.PARTICIPANT, c.VISIT]
        there[name] = set(measured[parts].astype(str).itertuples(index=False, name=None))
    found: Counter[str] = Counter()
    for row in own.itertuples():
        place = (str(row.instrument), str(row.participant), str(row.visit))
        made = next((name for name in ("items", "trials") if place in there[name]), "")
        if row.outcome in recordings:
            found[RECORDINGS] += 1
        elif made and "typed total" not in row.reason:
            found[made] += 1
        elif not made and place[1:] in there["angles"] and _of_angles(str(row.outcome)):
            found["angles"] += 1
        else:
            found[TYPED] += 1
    return found


def _of_angles(outcome: str) -> bool:
    name, _, scale = outcome.partition(".")
    instrument = find_instrument(name)
    found = instrument.scale(scale) if instrument else None
    return found is not None and found.unit in ("degrees", "°")


def _scored(analysis: Analysis) -> list[str]:
    """What the scores were made from: only what values of the outcomes rest on is named."""
    found = sources(analysis)
    made = [words for table, words in RECORDED.items() if found[table]]
    lines = []
    if made:
        missing = (
            "; a score with missing items is missing unless its instrument has a rule for it" if found["items"] else ""
        )
        lines.append(
            f"Scores were computed from the recorded {' and '.join(made)} by the published rules of each instrument, "
            f"listed at the end of this report{missing}."
        )
    if found[RECORDINGS]:
        lines.append("Measures of recordings over time were taken as study.toml declares them.")
    if found[TYPED]:
        also = "Other totals" if made else "Totals"
        lines.append(f"{also} were taken as typed ({found[TYPED]} scores): {TYPED_SUMS}")
    return lines


def _models(fits: Fits) -> list[str]:
    """One sentence per kind of model, with the outcomes it was fitted to."""
    kinds: dict[str, list[Fitted]] = {}
    for one in fits.main:
        kinds.setdefault(_model_words(one), []).append(one)
    lines = []
    for words, made in kinds.items():
        of = "; ".join(
            f"{fits.names.outcome(one.outcome)} ({one.fit.n_participants} participants, {one.fit.n_rows} scores)"
            for one in made
        )
        lines.append(f"Change in {of} was modelled by {words}.")
    if lines:
        lines += [_analysed(fits), *_missing(fits)]
    lines += [f"Not fitted: {reason}" for reason in fits.left_out]
    return lines


def _analysed(fits: Fits) -> str:
    """How many of those with a score are in the model of each outcome, and what the others lack."""
    short_of = []
    for one in fits.main:
        lost = Counter(_lost(one, fits))
        if lost:
            seen = one.fit.n_participants + sum(lost.values())
            why = ", ".join(f"{count} without {what}" for what, count in sorted(lost.items()))
            short_of.append(f"{fits.names.outcome(one.outcome)} {one.fit.n_participants} of {seen} ({why})")
    if not short_of:
        return "Everyone with at least one score of an outcome is in its model."
    rest = "; of every other outcome all" if len(short_of) < len(fits.main) else ""
    return f"Participants with at least one score who are in the model: {'; '.join(short_of)}{rest}."


def _lost(one: Fitted, fits: Fits) -> Iterator[str]:
    """Of everyone with a score who is not in the model: what was missing."""
    scored = fits.scores[(fits.scores[c.OUTCOME] == one.outcome) & fits.scores[c.VALUE].notna()]
    layout = one.fit.fit.layout
    modelled = set(map(str, layout.persons)) if layout is not None else set()
    chosen = rows(fits.scores, Selection(one.outcome))
    chosen = chosen[chosen[c.VALUE].notna()]
    later_only = one.fit.choice.baseline in ("covariate", "change")
    for person in sorted(set(scored[c.PARTICIPANT].astype(str)) - modelled):
        own = chosen[chosen[c.PARTICIPANT].astype(str) == person]
        visits = set(own[c.VISIT].astype(str))
        if not visits:
            yield LOST[0]
        elif len(one.fit.arms) > 1 and str(own[c.ARM].iloc[0]) not in one.fit.arms:
            yield LOST[3]
        elif later_only and visits == {one.fit.baseline_visit}:
            yield LOST[1]
        elif later_only and one.fit.baseline_visit not in visits and _needs_baseline(one):
            yield LOST[2]
        else:
            yield LOST[4]


def _needs_baseline(one: Fitted) -> bool:
    return one.fit.choice.baseline == "change" or one.fit.choice.missing_baseline == "leave-out"


def _missing(fits: Fits) -> list[str]:
    """What is assumed of missing scores, where any planned one is missing."""
    enrolled = len(fits.study.participants)
    lines = set()
    for one in fits.main:
        planned = len(fits.study.protocol.visits_of(one.outcome)) * enrolled
        chosen = rows(fits.scores, Selection(one.outcome))
        if int(chosen[c.VALUE].notna().sum()) < planned:
            alone = one.fit.choice.baseline == "change" and one.fit.fit.n_rows == one.fit.fit.n_participants
            lines.add(COMPLETELY if alone else AT_RANDOM)
    return sorted(lines)


def _model_words(one: Fitted) -> str:
    fit, choice = one.fit.fit, one.fit.choice
    first = choice.baseline in ("covariate", "change")  # then the baseline is no response
    exact, single = fit.solution.exact, fit.n_rows == fit.n_participants
    parts = [TIMES.get(choice.time, choice.time) + (" in each arm" if len(one.fit.arms) > 1 else "")]
    alike = choice.baseline == "covariate" and not any("baseline" in term for term in fit.terms)
    parts.append(
        "without the baseline, which is the same for everybody" if alike
        else BASELINES.get(choice.baseline, choice.baseline) + _filled(one)
    )  # fmt: skip
    if fit.random is not None and not (exact or single):
        parts.append(f"random effects per participant ({_effects(fit.random, fit.correlated)})")
    if fit.covariance is not None and not (exact or single):
        own = ", with parameters of its own in each arm" if fit.by is not None else ""
        parts.append(f"{fit.covariance} covariance over the {'later ' if first else ''}visits{own}")
    elif fit.by is not None:
        parts.append("variances of its own in each arm")
    if fit.solution.flat is not None and not (exact or single):
        gone = [" ".join(fit.solution.structure.names[k]) for k in fit.solution.flat.dropped]
        parts.append(f"without {', '.join(gone)}, which these data cannot tell apart from the rest")
    if choice.days == "actual" and uses_days(choice):
        parts.append(_own_days(one))
    if choice.covariates:
        parts.append(f"covariates {', '.join(choice.covariates)}")
    parts += _above_words(one)
    if exact:
        why = "one later visit" if single else "one variance and no correlation left"
        return f"ordinary least squares ({why}): {', '.join(parts)}; exact t and F"
    method = "restricted maximum likelihood" if fit.method == "reml" else "maximum likelihood"
    inference = f"standard errors and degrees of freedom: {METHOD_WORDS[one.df]}"
    return f"a linear {'' if single else 'mixed '}model ({method}): {', '.join(parts)}; {inference}"


def _filled(one: Fitted) -> str:
    """What stands for a baseline that is missing."""
    gone = one.fit.without_baseline
    if one.fit.choice.baseline != "covariate" or not gone or one.fit.choice.missing_baseline not in SET_TO:
        return ""
    return f" (missing for {gone}: set to the mean of everybody{SET_TO[one.fit.choice.missing_baseline]})"


def _effects(random: str, correlated: bool) -> str:
    """Terms of random effects in words."""
    terms = [term.strip() for term in random.split("+")]
    told = ["intercept" if term == "1" else term for term in terms if term != "0"]
    return " and ".join(told) + ("" if correlated or len(told) < 2 else ", uncorrelated")


def _own_days(one: Fitted) -> str:
    """Time as each participant's own days, and for how many scores it is not."""
    planned = int(one.fit.rows["planned_day"].sum())
    rest = f" (the planned day for {planned} score{'s' * (planned != 1)} without a date)" if planned else ""
    return f"time counted in each participant's own days since the own baseline visit{rest}"


def _above_words(one: Fitted) -> list[str]:
    """What stands above participants: strata, sites."""
    choice, made, sites = one.fit.choice, [], one.fit.fit.moments.sites
    if any(name.startswith("stratum_") for name in one.fit.adjusted):
        made.append("fixed effects of the strata of the randomisation")
    if sites is not None:
        both = len(sites.effects.names) > 1
        made.append(f"random effects of site ({choice.site}){' and of treatment by site, independent' if both else ''}")
    elif choice.site is not None and choice.site_effect == "fixed":
        made.append(f"fixed effects of site ({choice.site})")
    return made


def _changed(analysis: Analysis, outcome: str) -> bool:
    """Whether anyone has both values that a change lies between."""
    try:
        return bool((analysis.changes(outcome)["missing"] == "").any())
    except FitError:
        return False


def _responders(study: Study, counted: list[str]) -> list[str]:
    names, lines = Names(study.protocol), []
    for outcome in counted:
        keys, own = study.protocol.thresholds.get(outcome, ()), study.protocol.own_thresholds.get(outcome, ())
        told = []
        if keys:
            table = thresholds(outcome).set_index("key")
            told = [
                f"{'more than' if row['strict'] else 'at least'} {short(row['value'])} {row['unit']} "
                f"({row['quantity']}; {row['citation']})"
                for key, row in table.reindex(list(keys)).iterrows()
                if pd.notna(row["value"])
            ]
        told += [f"at least {short(one.value)} {one.unit} (the study's own; {one.source})" for one in own]
        if told:
            lines.append(f"Thresholds for {names.outcome(outcome)}: {'; '.join(told)}.")
    if lines:
        lines.append(
            "Participants who improved by a threshold are counted, of those observed and of all enrolled, with Wilson "
            "intervals; the counts are descriptive."
        )
    return lines


def _sizes(analysis: Analysis, fits: Fits) -> list[str]:
    """Effect sizes, where the model gave any."""
    if not any(row.size is not None for row in compare_effects(analysis).rows):
        return []
    protocol = analysis.study.protocol
    if protocol.periods:
        made = [analysis.crossover_fit(row.outcome) for row in compare_effects(analysis).rows if row.size is not None]
        own = "" if all(one.fit.solution.exact for one in made) else " with a random intercept per participant"
        what = (
            "The effect of the treatment is modelled from the change inside each period, by treatment and period"
            f"{own}; effect sizes are it over the SD at the start of the first period"
        )
    else:
        several = any(len(one.fit.arms) > 1 for one in fits.main)
        of = "difference of changes between arms" if several else "change"
        what = f"Effect sizes are the model's {of} over the {'pooled ' if several else ''}SD at baseline"
    return [
        f"{what}, with Hedges' small-sample factor; indices of complete pairs stand beside them under their own names."
    ]


def _made_with(study: Study, *, intervals: bool) -> str:
    worn = len(study.wear_log) > 0  # hours of wear are correlated with scores by a library that nothing else asks
    versions = [f"{name} {version}" for name, version in software().items() if worn or name != "pingouin"]
    asked = f"Intervals are {study.protocol.level:.0%} intervals without correction for several outcomes. "
    return (
        f"{asked if intervals else ''}Random numbers, where any are drawn, come from seed {study.protocol.seed}. "
        f"Software: {', '.join(versions)}."
    )
