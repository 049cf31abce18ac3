"""The primary question answered under every assumption: one figure, and one sentence for each."""

import re

import pandas as pd

from notebooks.analysis import Analysis
from notebooks.figures.choice_intervals import AGAIN, Wording, answers_figure
from notebooks.figures.style import turned
from notebooks.sections.other_choices import named
from notebooks.show.exhibits import Exhibits, Prose, gather
from notebooks.show.names import Names
from stats.bounded.ends import BETA_BINOMIAL, CENSORED
from stats.choices.choice_answers import WhatIf
from stats.choices.choice_assumptions import COMPARISON, ENDS, IMPUTED, LONG_RUN, SHORT
from stats.choices.choice_grid import EVERYONE, MISSING
from stats.choices.choice_runs import DIFFERENCE
from stats.errors import FitError
from stats.missing.assumptions import COPY, INCREMENTS, JUMP, LAST_MEAN, NORMAL

NONE = "The question under every assumption: it is asked of a difference between arms."
LEFT, COUNTED, AT_ENDS = "Those who left", "Who counts", "Scores at the ends of the scale"
HEADINGS = {IMPUTED: LEFT, MISSING: COUNTED, ENDS: AT_ENDS}
# Option -> a few words for the figure, and the clause of the sentence; {arm} is the arm compared with.
WORDS = {
    SHORT[NORMAL]: ("went on like their own group", "those who left had gone on like the others of their own group"),
    SHORT[JUMP]: ("did like the other group from then on", "those who left had done like {arm} from then on"),
    SHORT[INCREMENTS]: (
        "then changed like the other group",
        "those who left had kept what they had reached and changed like {arm} from then on",
    ),
    SHORT[COPY]: ("had been like the other group all along", "those who left had been like {arm} all along"),
    SHORT[LAST_MEAN]: (
        "stayed where their group was",
        "those who left had stayed where their group was when they left",
    ),
    f"last value carried on ({COMPARISON})": (
        "kept their last score (compare only)",
        "nobody had changed after the last visit seen (to compare only: the interval is too short)",
    ),
    f"worst seen value, reference arm best ({COMPARISON})": (
        "did worst, others best (compare only)",
        "those who left had done as badly as the worst seen, and those who left {arm} as well as the best (to compare "
        "only: the interval is too short)",
    ),
    "only people with a score at every visit": (
        "only people seen at every visit",
        "only people seen at every visit counted",
    ),
    "only people with the first and the last score": (
        "only people seen first and last",
        "only people seen at the first and the last visit counted",
    ),
    BETA_BINOMIAL: ("scores are points won out of all", "a score is taken as points won out of all there are"),
    CENSORED: ("the end of the scale hides more", "the ends of the scale hide who would have gone beyond them"),
}
WORDING = Wording(
    name="every_assumption",
    title="The answer under every assumption",
    over="Assumed",
    others="other assumptions",
    merged=False,
    first="As planned",
    by="as planned",
    caption="One row an assumption about those who left, who counts, or what the ends of the scale hide; {level} "
    "intervals; n: people in the answer. Band and line: the planned answer. Positive is better. Nothing in the "
    "data tells which assumption is true.",
    simpler=(LEFT, AT_ENDS),
)
REPEATED = ", with the uncertainty that repeated trials would show"


def every_assumption(analysis: Analysis) -> Exhibits | Prose:
    """Figure and sentences of the primary outcome under every assumption; in words where there is no difference."""
    try:
        found = analysis.choices()
    except FitError as refused:
        return Prose("every assumption", (f"The main result cannot be run again: {refused}",))
    names = Names(analysis.study.protocol)
    frame = assumptions_only(found, names)
    if frame.empty:
        return gather((), (NONE,))
    figures, said, refusals = [], [], []
    for comparison, own in frame.groupby("comparison", sort=False):
        if own["estimate"].notna().any():
            figures.append(answers_figure(in_figure_words(own), names, found.visit, found.better, WORDING))
        said += sentences(own, str(comparison), found, names)
        refusals += [f"If {_clause(row['option'], names.arm(str(comparison).partition(' - ')[2]))}: {row['reason']}"
                     for row in own[own["estimate"].isna()].to_dict("records")]  # fmt: skip
    return gather([*figures, Prose("every assumption", tuple(said), heading="One sentence for each")], refusals)


def assumptions_only(found: WhatIf, names: Names) -> pd.DataFrame:
    """The rows of a what-if that are about who is missing or about the ends of the scale, the protocol's first."""
    frame = named(found, names)
    frame = frame[frame["quantity"] == DIFFERENCE]
    own = frame[frame["is_protocol"]].drop_duplicates("comparison")
    others = frame[frame["choice"].isin(HEADINGS) & ~frame["is_protocol"] & (frame["option"] != EVERYONE)]
    order = pd.Categorical(others["choice"], list(HEADINGS)).codes
    return pd.concat([own, others.iloc[order.argsort(kind="stable")]]) if len(own) else others[:0]


def in_figure_words(frame: pd.DataFrame) -> pd.DataFrame:
    """Choices and options in the words of the figure."""
    return frame.assign(
        choice=frame["choice"].map(lambda choice: HEADINGS.get(choice, choice)),
        option=frame["option"].map(_figure_words),
    )


def sentences(frame: pd.DataFrame, comparison: str, found: WhatIf, names: Names) -> list[str]:
    """One sentence an assumption that could be answered, as an improvement: better or worse, never with a sign."""
    arm, _, other = (names.arm(part) for part in comparison.partition(" - "))
    outcome, digits = names.outcome(found.outcome), names.decimals(found.outcome)
    level = f"{names.protocol.level:.0%}".replace("%", " %")
    unit = f" {found.unit}" if found.unit else ""
    said = []
    for row in turned(frame[frame["estimate"].notna()], found.better).to_dict("records"):
        middle, low, high = (_apart(row[name], digits) for name in ("estimate", "conf_low", "conf_high"))
        size, word = middle
        gap = f"{size}{unit} {word} with {arm} than with {other}" if word else f"the same with {arm} and with {other}"
        between = f"{level} interval from {' '.join(filter(None, low))} to {' '.join(filter(None, high))}"
        at = f" at {names.visit(found.visit)}" if found.visit else ""
        if row["is_protocol"]:
            said.append(f"As planned, {outcome}{at} was {gap} ({between}).")
        else:
            said.append(f"If {_clause(row['option'], other)}: {gap} ({between}).")
    return said


def _apart(value: float, digits: int) -> tuple[str, str]:
    """Size of a difference and "better" or "worse"; no word where it rounds to nothing."""
    size = f"{abs(value):.{digits}f}"
    return size, "" if float(size) == 0 else "better" if value > 0 else "worse"


def _figure_words(option: str) -> str:
    plain = option.removesuffix(LONG_RUN)
    return WORDS.get(plain, (plain, plain))[0] + (AGAIN if plain != option else "")


def _clause(option: str, other: str) -> str:
    plain = option.removesuffix(LONG_RUN)
    clause = re.sub(r"\{arm\}", lambda _: other, WORDS.get(plain, (plain, plain))[1])
    return clause + REPEATED if plain != option else clause
