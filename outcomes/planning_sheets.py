"""The two sheets beside the trial's own data: what other trials published, and what things cost.

Neither holds a participant of the trial by need; both are for an application to fund the next one.
"""

from outcomes.sheet_records import Column, Sheet
from outcomes.words import BETTER, COST_KINDS, COST_UNITS


def _occasion(suffix: str, when: str) -> tuple[Column, ...]:
    """The numbers a paper may print of one arm at one time."""
    known = {"": ("final", "post", "end"), "_baseline": ("pre", "baseline"), "_change": ()}[suffix]

    def number(name: str, says: str, *more: str) -> Column:
        synonyms = tuple(f"{name} {word}" for word in known) + tuple(f"{word} {name}" for word in known)
        return Column(f"{name}{suffix}", "number", f"{says} {when}", synonyms=synonyms + more)

    mean = () if suffix == "_change" else (number("mean", "mean"),)  # the mean change is a column of its own
    spread = (
        number("sd", "standard deviation"),
        number("se", "standard error of the mean"),
        number("low", "lower limit of the interval of the mean", *(("conf low", "ci low") if not suffix else ())),
        number("high", "upper limit of the interval of the mean", *(("conf high", "ci high") if not suffix else ())),
    )
    quantiles = (
        number("median", "median"),
        number("q1", "first quartile"),
        number("q3", "third quartile"),
        number("minimum", "smallest value", *(("min",) if not suffix else ())),
        number("maximum", "largest value", *(("max",) if not suffix else ())),
    )
    return (*mean, *spread, *quantiles)


PUBLISHED = Sheet(
    "published",
    "one row per arm of a published trial, as its paper prints the numbers; blank what it does not print",
    (
        Column("source", "id", "short name of the paper, the same in the rows of its arms", required=True,
               synonyms=("study", "trial", "author", "paper")),
        Column("arm", "text", "name of the arm; the control's row says control", synonyms=("group",)),
        Column("outcome", "text", "outcome as study.toml names it; blank: the primary one"),
        Column("n", "number", "people in the arm whose numbers these are", synonyms=("number", "participants")),
        *_occasion("_baseline", "at baseline"),
        *_occasion("", "at the end"),
        Column("change", "number", "mean change from baseline, end - baseline",
               synonyms=("mean change", "change mean", "mean_change")),
        *_occasion("_change", "of change"),
        Column("level", "number", "level of the intervals; blank: 0.95"),
        Column("r", "number", "correlation of baseline and end", synonyms=("correlation",)),
        Column("difference", "number", "treated - control as reported, adjusted or not; once per trial",
               synonyms=("mean difference",)),
        Column("se_difference", "number", "its standard error", synonyms=("difference se",)),
        Column("low_difference", "number", "lower limit of its interval", synonyms=("difference low",)),
        Column("high_difference", "number", "upper limit of its interval", synonyms=("difference high",)),
        Column("t", "number", "t of the comparison, positive where the treated arm has more", synonyms=("t value",)),
        Column("f", "number", "F of the comparison of two arms (one numerator degree of freedom)",
               synonyms=("f value",)),
        Column("p", "number", "two-sided p of the comparison, as an exact number", synonyms=("p value",)),
        Column("unit", "text", "unit, where the outcome has one"),
        Column("better", "choice", "higher or lower is better; blank: as in this study", words=BETTER),
        Column("doi", "text", "DOI, as typed it goes into the list of references", synonyms=("reference",)),
        Column("note", "text", "population, dose, time since onset: what makes this trial differ"),
    ),
)  # fmt: skip

COSTS = Sheet(
    "costs",
    "one row per thing that costs money: its price, and how many a participant uses",
    (
        Column("item", "text", "what it is, in words", required=True),
        Column("kind", "choice", "device, consumable, training, therapist time, visit, travel, other, research only",
               words=COST_KINDS),
        Column("arm", "id", "arm that uses it; blank: every arm", synonyms=("group",)),
        Column("participant", "id", "code of one participant, where the quantity is this person's use; blank: planned"),
        Column("quantity", "number", "how many; of a device, how many participants share one for a year"),
        Column("per", "choice", "participant, session, minute, visit (counted in the trial's own sheets), year, trial",
               words=COST_UNITS),
        Column("price", "number", "price of one, in the currency; of time, of one minute", required=True,
               synonyms=("unit price", "unit cost", "cost")),
        Column("currency", "text", "code of the currency, one for the sheet", required=True),
        Column("price_year", "number", "year of the price, one for the sheet", required=True, synonyms=("year",)),
        Column("life_years", "number", "of a device: years of use"),
        Column("maintenance", "number", "of a device: cost of a year"),
        Column("resale", "number", "of a device: what it is worth at the end"),
        Column("source", "text", "where the price is from"),
    ),
)  # fmt: skip
