"""The section for those who write the paper: methods in words, the estimand, and what the report covers of a checklist.

It stands in every report. Texts are built from the protocol and from the models as fitted; nothing is judged.
"""

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.report import record as records
from notebooks.report.run import Run, section
from notebooks.sections import plan_departures as departures
from notebooks.sections.change import Fits, Fitted, fit_outcomes
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from notebooks.show.numbers import number
from notebooks.show.tables import Table
from outcomes import Study
from outcomes import columns as c
from outcomes.library.known import find_instrument
from outcomes.library.registry import thresholds
from stats.change.visit_days import uses_days
from stats.choices.choice_grid import TIMES
from stats.mixed.inference.fit_estimates import METHOD_WORDS

TITLE = "Writing it up"
ABOUT = """# Writing it up

**Question:** what can be copied into a paper or an application, and what must the authors still write?

Read every sentence before you use it: the texts say what this report did, not what was meant. They claim no efficacy
and draw no verdict from a p value."""
CODE = "writing_up.write_up(analysis, exhibits)"
ATTRIBUTES = {
    "treatment": "Treatment conditions",
    "population": "Population",
    "variable": "Variable (endpoint)",
    "intercurrent": "Intercurrent events and how they are handled",
    "summary": "Population-level summary",
}
BASELINES = {
    "constrained": "baseline as an outcome with one mean for all arms",
    "covariate": "baseline as a covariate",
    "change": "the change from baseline as the response",
    "outcome": "baseline as an ordinary visit",
}
MISSING_AT_RANDOM = (
    "Missing scores are taken to be missing at random given the scores in the model, which cannot be checked."
)
RECORDED = {"items": "item answers", "trials": "dynamometer trials", "angles": "joint angles"}
FROM_MEMORY = "*"


def write_up(analysis: Analysis, exhibits: Mapping[str, str]) -> Exhibits:
    """Methods, estimand and checklist. exhibits: what the report shows, name (of a figure "figure/...") -> caption."""
    study = analysis.study
    return gather((methods_text(analysis), estimand_table(study), checklist_table(study, exhibits)))


def methods_text(analysis: Analysis) -> Prose:
    """The methods paragraphs: design, outcomes, models as fitted, thresholds, effect sizes, software."""
    study, fits = analysis.study, fit_outcomes(analysis)
    lines = [_design(study), *_outcomes(study), *_models(fits), *_responders(study), _sizes(study), _made_with(study)]
    return Prose("methods", tuple(lines), items=("CONSORT pilot 3a", "CONSORT pilot 6a", "CONSORT pilot 12"),
                 heading="Methods in words")  # fmt: skip


def _design(study: Study) -> str:
    protocol, names = study.protocol, Names(study.protocol)
    arms = study.participants["arm"].astype(str).value_counts()
    told = [f"{names.arm(arm.id)}, n = {int(arms.get(arm.id, 0))}" for arm in protocol.arms]
    reference = f" The reference is {names.arm(protocol.reference_arm)}." if protocol.reference_arm else ""
    visits = ", ".join(f"{visit.label} (day {number(visit.day, 0)})" for visit in protocol.visits)
    groups = f" ({'; '.join(told)})" if len(told) > 1 else ""
    return (
        f"Design: {protocol.design}, {len(study.participants)} participants{groups}.{reference} "
        f"Planned visits: {visits}."
    )


def _outcomes(study: Study) -> list[str]:
    protocol, names = study.protocol, Names(study.protocol)
    others = [names.outcome(outcome) for outcome in protocol.outcomes if outcome != protocol.primary]
    lines = [f"Primary outcome: {names.outcome(protocol.primary)}{_range(protocol.primary)}."]
    if others:
        lines[0] += f" Further outcomes: {'; '.join(others)}."
    lines += _hands(study)
    return lines + _scored(study)


def _scored(study: Study) -> list[str]:
    """What the scores were made from: only the tables that hold something are named."""
    made = [words for table, words in RECORDED.items() if len(study.table(table))]
    lines = []
    if made:
        lines.append(
            f"Scores were computed from the recorded {' and '.join(made)} by the published rules of each instrument, "
            "listed at the end of this report; a score with missing items is missing unless its instrument has a rule "
            "for it."
        )
    if len(study.totals):
        also = "Other totals" if made else "Totals"
        lines.append(f"{also} were taken as typed: they were added up elsewhere and cannot be checked item by item.")
    return lines


def _hands(study: Study) -> list[str]:
    """Which hand is analysed of people with two affected ones."""
    rule, affected = study.protocol.both_hands, study.participants["affected_side"]
    if rule is None or not affected.eq("both").any():
        return []
    by = f" at baseline by {Names(study.protocol).outcome(rule.by)} (equal hands: the dominant one)" if rule.by else ""
    count = int(affected.eq("both").sum())
    return [f"Of the {count} participants with both hands affected, the {rule.analysed} hand{by} is analysed."]


def _range(outcome: str) -> str:
    name, _, scale = outcome.partition(".")
    instrument = find_instrument(name)
    found = instrument.scale(scale) if instrument else None
    if found is None:
        return ""
    span = "" if found.high is None else f"{number(found.low, 0)} to {number(found.high, 0)} "
    return f" ({span}{found.unit}, {found.better} is better)"


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
        lines += [_analysed(fits), MISSING_AT_RANDOM]
    lines += [f"Not fitted: {reason}" for reason in fits.left_out]
    return lines


def _analysed(fits: Fits) -> str:
    """How many of those with a score are in the model of each outcome, and why the others are not."""
    told = []
    for one in fits.main:
        own = fits.scores[(fits.scores[c.OUTCOME] == one.outcome) & fits.scores[c.VALUE].notna()]
        seen = own[own[c.HAND].isin(["affected", ""]) & own[c.CONDITION].isin(["unassisted", ""])]
        told.append((one.fit.n_participants, int(seen[c.PARTICIPANT].nunique()), fits.names.outcome(one.outcome)))
    short = [f"{name} {count} of {seen}" for count, seen, name in told if count < seen]
    if not short:
        return "Everyone with at least one score of an outcome is in its model."
    return (
        f"Participants with at least one score who are in the model: {'; '.join(short)}"
        f"{'; of every other outcome all' if len(short) < len(told) else ''}. Those left out have no score after the "
        "baseline, or none to count a change from."
    )


def _model_words(one: Fitted) -> str:
    fit, choice = one.fit.fit, one.fit.choice
    first = choice.baseline in ("covariate", "change")  # then the baseline is no response
    parts = [TIMES.get(choice.time, choice.time) + (" in each arm" if len(one.fit.arms) > 1 else "")]
    parts.append(BASELINES.get(choice.baseline, choice.baseline))
    least_squares = fit.n_rows == fit.n_participants
    if fit.random is not None and not least_squares:
        parts.append(
            "random effects per participant (" + fit.random.replace("1", "intercept").replace("+", "and") + ")"
        )
    if fit.covariance is not None and not least_squares:
        parts.append(f"{fit.covariance} covariance over the {'later ' if first else ''}visits")
    if choice.days == "actual" and uses_days(choice):
        parts.append(_own_days(one))
    if choice.covariates:
        parts.append(f"covariates {', '.join(choice.covariates)}")
    parts += _above_words(one)
    if least_squares:
        return f"ordinary least squares (one later visit): {', '.join(parts)}; exact t and F"
    method = "restricted maximum likelihood" if fit.method == "reml" else "maximum likelihood"
    inference = f"standard errors and degrees of freedom: {METHOD_WORDS[one.df]}"
    return f"a linear mixed model ({method}): {', '.join(parts)}; {inference}"


def _own_days(one: Fitted) -> str:
    """Time as each participant's own days, and for how many scores it is not."""
    rows = one.fit.rows
    planned = int(rows["planned_day"].sum()) if "planned_day" in rows else 0
    rest = f"; the planned day for {planned} scores without a date" if planned else ""
    return f"time counted in each participant's own days since the own baseline visit{rest}"


def _above_words(one: Fitted) -> list[str]:
    choice, made = one.fit.choice, []
    if any(name.startswith("stratum_") for name in one.fit.adjusted):
        made.append("fixed effects of the strata of the randomisation")
    if one.fit.fit.moments.sites is not None:
        both = len(one.fit.fit.moments.sites.effects.names) > 1
        made.append(f"random effects of site ({choice.site}){' and of treatment by site, independent' if both else ''}")
    elif choice.site is not None and choice.site_effect == "fixed":
        made.append(f"fixed effects of site ({choice.site})")
    return made


def _responders(study: Study) -> list[str]:
    names, lines = Names(study.protocol), []
    for outcome, keys in study.protocol.thresholds.items():
        table = thresholds(outcome).set_index("key")
        told = [
            f"{'more than' if row['strict'] else 'at least'} {_short(row['value'])} {row['unit']} "
            f"({row['quantity']}; {row['citation']})"
            for key, row in table.reindex(list(keys)).iterrows()
            if pd.notna(row["value"])
        ]
        if told:
            lines.append(f"Thresholds for {names.outcome(outcome)}: {'; '.join(told)}.")
    for outcome, entries in study.protocol.own_thresholds.items():
        told = [f"at least {_short(entry.value)} {entry.unit} (the study's own; {entry.source})" for entry in entries]
        lines.append(f"Thresholds for {names.outcome(outcome)}: {'; '.join(told)}.")
    if lines:
        lines.append(
            "Participants who improved by a threshold are counted, of those observed and of all enrolled, with Wilson "
            "intervals; the counts are descriptive."
        )
    return lines


def _short(value: float) -> str:
    """A threshold as its source prints it: no zeros at the end."""
    text = number(value, 2)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _sizes(study: Study) -> str:
    if study.protocol.periods:
        what = (
            "The effect of the treatment is modelled from the change inside each period, by treatment and period with "
            "a random intercept per participant; effect sizes are it over the SD at the start of the first period"
        )
    else:
        of = "difference of changes between arms" if len(study.protocol.arms) > 1 else "change"
        what = f"Effect sizes are the model's {of} over the pooled SD at baseline"
    return (
        f"{what}, with Hedges' small-sample factor; indices of complete pairs stand beside them under their own names."
    )


def _made_with(study: Study) -> str:
    software = records.software()
    versions = ", ".join(f"{name} {version}" for name, version in software.items())
    return (
        f"Intervals are {study.protocol.level:.0%} intervals without correction for several outcomes. Random numbers "
        f"come from seed {study.protocol.seed}. Software: {versions}."
    )


def estimand_table(study: Study) -> Table:
    """The attributes of the estimand as study.toml states them."""
    given = study.protocol.estimand
    frame = pd.DataFrame(
        {
            "attribute": list(ATTRIBUTES.values()),
            "stated": [given.get(key, "") or f"not stated: [estimand] {key} in study.toml" for key in ATTRIBUTES],
        }
    )
    return Table(
        "estimand",
        "The estimand of the primary outcome",
        frame,
        {"Attribute": "{attribute}", "As study.toml states it": "{stated}"},
        keys=("attribute",),
        notes=(
            "Attributes of an estimand after ICH E9(R1), 2019. The analysis does not read them: that it answers the "
            "question stated here is for the authors to check.",
        ),
        recorded=False,
    )


@cache
def reporting_items() -> Mapping:
    """The checklist as it is stored: `source` and `items`."""
    text = resources.files("notebooks.sections").joinpath("reporting_items.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def checklist_table(study: Study, exhibits: Mapping[str, str]) -> Table:
    """Each item: what it asks for, where this report serves it, and what is left to the authors."""
    rows = []
    for item in reporting_items()["items"]:
        wanted = item.get("shown_by", [])
        shown = [
            caption
            for name, caption in exhibits.items()
            if any(name == start or name.startswith(f"{start}__") for start in wanted)
        ]
        rows.append(
            {
                "item": item["id"] + ("" if item["checked"] == "read" else FROM_MEMORY),
                "asks": item["asks"],
                "shown": "; ".join(dict.fromkeys(shown)) or ("not in this report" if wanted else "not from data"),
                "author": item.get("author", ""),
            }
        )
    notes = [
        f"Items in our words after: {reporting_items()['source']}. It is no substitute for the published list.",
        f"{FROM_MEMORY} from memory: compare number and content with the published list. The others were compared.",
    ]
    if study.protocol.design == "single-arm":
        notes.append("The list is for randomised pilots; of a single arm only the principles carry over.")
    return Table(
        "reporting_checklist",
        "Reporting checklist for a pilot trial",
        pd.DataFrame(rows),
        {"Item": "{item}", "Asks for": "{asks}", "In this report": "{shown}", "Still for the authors": "{author}"},
        keys=("item",),
        notes=tuple(notes),
        recorded=False,
    )


def writing_run(analysis: Analysis, runs: Iterable[Run]) -> Run:
    """The section of the report, made from the exhibits of the others."""
    shown = {"methods": "Methods in words", "estimand": "The estimand of the primary outcome"}
    for run in runs:
        for content in records.contents(run.notebook):
            shown |= _named(content)
    return section("writing_up", ABOUT, CODE, write_up(analysis, shown))


def _named(content: Mapping) -> dict[str, str]:
    """Name and caption of an exhibit. A figure's title is a finding, so its name stands for it; a text without heading
    says why something is not shown.
    """
    name = content["name"]
    if content["kind"] == "figure":
        return {f"figure/{name.replace('/', '__')}": f"figure {name.partition('/')[0].replace('_', ' ')}"}
    if content["kind"] == "prose":
        heading = departures.TITLE if name == "lock" else content["heading"]
        return {name: heading} if heading else {}
    return {name: content["caption"]}
