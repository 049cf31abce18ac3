"""The list of checks and the one function that runs them."""

import difflib
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.checks.form_grids import Grid, grids
from outcomes.errors import InstrumentError
from outcomes.findings import Findings, flag, rules
from outcomes.scoring.score import score
from outcomes.study import Study
from outcomes.text_storage import by_size

StudyCheck = Callable[[Study], Iterable[pd.DataFrame]]
ScoreCheck = Callable[[Study, pd.DataFrame], Iterable[pd.DataFrame]]
FormCheck = Callable[[Study, Sequence[Grid]], Iterable[pd.DataFrame]]


@dataclass(frozen=True)
class Registered:
    """A check and the rules it may report. One of scores takes the study and its scores, one of forms its forms."""

    rules: tuple[str, ...]
    of_study: StudyCheck | None = None
    of_scores: ScoreCheck | None = None
    of_forms: FormCheck | None = None


CHECKS: list[Registered] = []


def reports(*names: str) -> Callable[[StudyCheck], StudyCheck]:
    """Registers a check of a study under the rules it may report (all of them in `rules.toml`)."""

    def register(run: StudyCheck) -> StudyCheck:
        CHECKS.append(Registered(_known(names), of_study=run))
        return run

    return register


def reports_on_scores(*names: str) -> Callable[[ScoreCheck], ScoreCheck]:
    """Registers a check of the scores of a study under the rules it may report."""

    def register(run: ScoreCheck) -> ScoreCheck:
        CHECKS.append(Registered(_known(names), of_scores=run))
        return run

    return register


def reports_on_forms(*names: str) -> Callable[[FormCheck], FormCheck]:
    """Registers a check of whole forms, one grid of numbers an instrument, under the rules it may report."""

    def register(run: FormCheck) -> FormCheck:
        CHECKS.append(Registered(_known(names), of_forms=run))
        return run

    return register


def _known(names: tuple[str, ...]) -> tuple[str, ...]:
    unknown = [name for name in names if name not in rules()]
    if unknown:
        raise KeyError(f"no such rule in rules.toml: {', '.join(unknown)}")
    return names


@by_size
def check(study: Study, scores: pd.DataFrame | None = None, *, but: Collection[str] = ()) -> Findings:
    """Everything that is wrong, doubtful or was converted in a study, errors first.

    scores: the frame that `score` gave for the study; where it is not given the study is scored here. but: rules that
    need not be asked, for a study that is checked part by part: what they say of it was said.

    Returns:
        Findings: `.frame()` has one row per finding; `.blocking` is True where one of them is an error. Values stand in
        `found` and `allowed` in the unit of their sheet.
    """
    found = [study.findings.frame()]
    try:
        scores = score(study) if scores is None else scores
    except InstrumentError as error:  # a rule that the study must choose, or an option that does not exist
        found.append(flag("cannot be scored", file="study.toml", column="instruments", found=str(error).rstrip(".")))
        scores = None
    forms = list(grids(study))
    for registered in CHECKS:
        if but and set(registered.rules) <= set(but):
            continue
        if registered.of_study:
            found += list(registered.of_study(study))
        elif registered.of_forms:
            found += list(registered.of_forms(study, forms))
        elif registered.of_scores and scores is not None:
            found += list(registered.of_scores(study, scores))
    return Findings([*(_without_switched_off(part, study) for part in found), *_switched_off(study)])


def _without_switched_off(part: pd.DataFrame, study: Study) -> pd.DataFrame:
    off = [name for name in study.protocol.switched_off if name in rules() and rules()[name].doubt]
    return part[~part["rule"].isin(off)] if off else part


def _switched_off(study: Study) -> Iterable[pd.DataFrame]:
    for name, reason in study.protocol.switched_off.items():
        if name in rules() and rules()[name].doubt:
            yield flag("rule switched off", file="study.toml", column="checks", found=f"{name}: {reason}")
        else:
            doubts = ", ".join(rule.name for rule in rules().values() if rule.doubt)
            yield flag("rule cannot be switched off", file="study.toml", column="checks", found=name, allowed=doubts)


def place(study: Study, table: str, column: str, rows: pd.DataFrame | None = None) -> Mapping[str, str | pd.Series]:
    """File and header of one of our columns, as `flag` takes them; the header of each cell where `rows` has it."""
    measured = rows is not None and "header" in rows and column in ("value", "degrees")
    return {
        "file": study.files.get(table, ""),
        "column": rows["header"] if measured and rows is not None else study.header(table, column),
    }


def file_of(study: Study, instrument: str) -> str:
    """The file an instrument was recorded in: that of the angles where no sheet names the instrument."""
    for table in ("items", "totals", "trials"):
        if (study.table(table)["instrument"] == instrument).any():
            return study.files[table]
    return study.files.get("angles", "")


def hint(name: str, known: Iterable[str]) -> str:
    """ "Is it ...?" with the nearest known names, all of them where several are as near; "" where none is near.

    Letters read as figures come first (O for 0, l for 1), then abbreviations (wk4 for week4), then likeness.
    """
    names = list(dict.fromkeys(known))
    for same in (_as_figures, _without_vowels):
        alike = [one for one in names if one != name and same(one) == same(name)]
        if alike:
            return f"Is it {' or '.join(alike)}?"
    near = difflib.get_close_matches(name, names, len(names) or 1, 0.7)
    if not near:
        return ""
    ratio = [difflib.SequenceMatcher(None, one, name).ratio() for one in near]
    ties = [one for one, like in zip(near, ratio, strict=True) if like >= ratio[0] - 1e-9]
    return f"Is it {' or '.join(sorted(ties, key=names.index))}?"


def _as_figures(name: str) -> str:
    return name.casefold().translate(str.maketrans("oil", "011"))


def _without_vowels(name: str) -> str:
    letters = re.sub(r"[\W_]", "", name.casefold())
    return letters[:1] + re.sub(r"[aeiou]", "", letters[1:])
