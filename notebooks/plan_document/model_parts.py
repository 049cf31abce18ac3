"""The sections of an analysis plan on the model, on missing values and on the choices that are run beside it."""

import pandas as pd

from notebooks.sections.methods_words import AT_RANDOM
from notebooks.show.exhibits import Prose
from notebooks.show.names import uncapped
from notebooks.show.numbers import short
from notebooks.show.tables import Table
from outcomes.protocol.trial import Protocol
from stats.change.ladder import line_steps, visit_steps
from stats.choices.choice_assumptions import SHORT
from stats.choices.choice_grid import BASELINES, COVARIANCES, MISSING_BASELINES, TIMES
from stats.missing.estimand import DOES

SIZES = (8, 12, 16, 20, 24, 30, 40, 60)  # participants with scores, to show what the written rules would choose


def model_text(protocol: Protocol) -> Prose:
    """The model in words: what is fixed here and what the written rules decide from the numbers of people alone."""
    model = protocol.model
    by_method = "maximum likelihood" if model.method == "ml" else "restricted maximum likelihood"
    if protocol.periods:
        return Prose("model", (
            f"Each outcome: the change inside each period by treatment and period, {by_method}, with a random "
            "intercept per participant. A value at the start of a period is taken off; no other baseline is used. "
            "Carry-over is not modelled and is not tested for: a break between the periods has to be long enough.",
            *_always(protocol, model.df if model.df != "auto" else "Kenward-Roger"),
        ))  # fmt: skip
    by_rule, each = "by the written rules below", " in each arm" if len(protocol.arms) > 1 else ""
    lines = [f"Each outcome: a linear mixed model, {by_method}, {TIMES.get(model.time, model.time)}{each}."]
    randomised = protocol.randomisation.randomised is not False and len(protocol.arms) > 1
    baseline = ("covariate" if randomised else "change") if model.baseline == "auto" else model.baseline
    said = BASELINES.get(baseline, baseline) + (
        ", with a slope of its own at each later visit" if baseline == "covariate" else ""
    )
    missing = {
        "covariate": MISSING_BASELINES.get(model.missing_baseline, model.missing_baseline),
        "change": "people without one have no change and are left out",
    }.get(baseline, "people without one stay in the model")
    lines.append(f"The baseline: {said}; {missing}.")
    chosen = " and ".join(filter(None, (model.random and f"random effects {model.random}", model.covariance)))
    lines.append(f"Covariance: {chosen or by_rule}; it is chosen by the numbers of participants and visits, never by a "
                 "p value, and the report says which and why. Where a model has no solution the next one down is "
                 "taken, and said.")  # fmt: skip
    return Prose("model", (*lines, *_always(protocol, model.df if model.df != "auto" else
                           "Kenward-Roger, on the observed information for a mean per visit")))  # fmt: skip


def _always(protocol: Protocol, df: str) -> list[str]:
    """What is said of every model: inference, adjustment, checks, and what is done where assumptions fail."""
    model = protocol.model
    lines = [f"Standard errors and degrees of freedom: {df}."]
    strata = list(protocol.randomisation.strata) if model.strata else []
    columns = [*(f"{name} (a stratum of the randomisation)" for name in strata), *model.covariates]
    adjusted = ", ".join(columns) or ("none beside the baseline" if not protocol.periods else "none")
    lines.append(f"Covariates: {adjusted}. A value that is missing is a finding of the checks.")
    if model.site:
        lines.append(f"Sites: the column {model.site}.")
    when = "" if protocol.periods else ", by visit"
    lines.append(
        f"Effects are shown as means and differences of means in the outcome's own unit, with intervals{when}."
    )
    lines += [f"Beside it: {other.label}." for other in protocol.sensitivity]
    lines.append("Assumptions: residuals and person effects are shown against the normal law and against fitted "
                 "values, and the scores at the ends of their range are counted. Nothing is transformed, and no model "
                 "is chosen by how they look: where they do not hold, the rows of the section on other choices show "
                 "how far the answer moves. A model for grades, counts or capped times beside it would be unplanned, "
                 "and is called so.")  # fmt: skip
    if _between_arms(protocol):
        lines.append("Below 15 per arm a re-randomised joint test stands beside the joint test.")
    return lines


def rules_table(protocol: Protocol) -> Table | None:
    """Which covariance the written rules take first, for numbers of people, and what comes after it."""
    if protocol.model.random or protocol.model.covariance or protocol.periods:
        return None
    arms = max(1, len(protocol.arms))
    visits = len(protocol.later_visits)
    rows = []
    for people in SIZES:
        steps = visit_steps(people, arms, visits) if protocol.model.time == "visit" else line_steps(visits + 1)
        rows.append(
            {"people": people, "first": steps[0][0].name, "then": "; ".join(step.name for step, _ in steps[1:])}
        )
    return Table(
        "written_rules", f"Covariance by the written rules, {visits} later visits, {arms} arm{'s' if arms > 1 else ''}",
        pd.DataFrame(rows), {"Participants with scores": "{people}", "Taken first": "{first}", "If it has no "
        "solution": "{then}"},
        keys=("people",), recorded=False,
        notes=("With the error rates of every rule simulated before: see the method notes of the software.",),
    )  # fmt: skip


def missing_text(protocol: Protocol) -> Prose:
    """Missing values and intercurrent events."""
    lines = [AT_RANDOM]
    for event in protocol.events:
        score = f", score {short(event.score)}" if event.score is not None else ""
        lines.append(
            f"After {uncapped(event.label)} ({event.column} {', '.join(event.values)} in the sheet "
            f"{event.table.replace('_', ' ')}): {event.strategy}{score}, {DOES[event.strategy]}."
        )
    if not protocol.events:
        lines.append("No intercurrent event is named with a strategy: values after one are used (treatment policy).")
    if _between_arms(protocol):
        lines.append(
            f"Beside the main result, for comparison, missed visits are imputed: {'; '.join(SHORT.values())}; and the "
            "shift of imputed values at which the interval reaches zero is given."
        )
    else:
        lines.append(
            "Beside the main result, for comparison: only people with a score at every visit, and only those with the "
            "first and the last one. The section on missing values shows the answer under further assumptions where "
            "the data allow one."
        )
    return Prose("missing", tuple(lines))


def _between_arms(protocol: Protocol) -> bool:
    """Whether the main result is a difference between arms."""
    return len(protocol.arms) > 1 and not protocol.periods


def choices_table(protocol: Protocol) -> Table:
    """What the main result is run again with, one choice at a time."""
    model, compared = protocol.model, _between_arms(protocol)
    rows: list[tuple[str, str]] = []
    if not protocol.periods:
        other = TIMES["linear" if model.time == "visit" else "visit"]
        ways = [words for name, words in BASELINES.items() if compared or name not in ("covariate", "constrained")]
        rows += [
            ("covariance", "; ".join(COVARIANCES)),
            ("time course", f"{TIMES.get(model.time, model.time)}; {other}"),
            ("baseline", "; ".join(ways)),
        ]
    imputed = "; each assumption of the section on missing values" if compared else ""
    rows += [
        ("degrees of freedom", "Kenward-Roger; Satterthwaite; between-within; residual"),
        ("missing values", "everyone with a score; only people with a score at every visit; only people with the first "
                           f"and the last score{imputed}"),
        ("people", "all as assigned; without each person in turn (up to 60 people); those treated as planned"),
        ("threshold", "every published threshold of the outcome"),
        *[("other model of the protocol", other.label) for other in protocol.sensitivity],
    ]  # fmt: skip
    if compared:
        rows.append(("ends of the scale", "a model in which scores at an end of the scale are known only to lie there "
                                          "or beyond"))  # fmt: skip
    frame = pd.DataFrame(rows, columns=["choice", "options"])
    kept = "the model above" if protocol.periods else TIMES.get(model.time, model.time)
    return Table("planned_choices", "One choice changed at a time; the main one stays the main one", frame,
                 {"Choice": "{choice}", "Also run with": "{options}"}, keys=("choice", "options"), recorded=False,
                 notes=(f"The main result keeps: {kept}. No subgroup is analysed apart.",))  # fmt: skip
