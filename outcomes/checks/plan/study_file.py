"""Checks of study.toml against the catalogue and the tables: outcomes, thresholds, covariates, data to analyse."""

import difflib
import re
from collections.abc import Iterator

import pandas as pd

from outcomes.checks.grouping import among
from outcomes.checks.register import check, reports, reports_on_scores
from outcomes.errors import InstrumentError
from outcomes.findings import Findings, flag
from outcomes.library.known import find_instrument
from outcomes.library.registry import instruments, threshold
from outcomes.protocol.model_choice import column_of
from outcomes.protocol.trial import PlannedVisit
from outcomes.sheets import MEASUREMENTS
from outcomes.study import Study

_FILE = "study.toml"


@reports("table without rows")
def tables_with_rows(study: Study) -> Iterator[pd.DataFrame]:
    """A sheet left blank, or emptied by mistake, beside others that are filled in. A blank new study says nothing."""
    if any(study.rows_read.get(table) for table in MEASUREMENTS):
        for table, file in study.files.items():
            if study.rows_read.get(table) == 0:
                yield flag("table without rows", file=file, found="0 rows")


@reports("profile as an outcome")
def quantities(study: Study) -> Iterator[pd.DataFrame]:
    """Digits written side by side are no number that could rise or fall."""
    for outcome in study.protocol.outcomes:
        name, _, scale_id = outcome.partition(".")
        instrument = find_instrument(name)
        scale = instrument.scale(scale_id) if instrument else None
        if instrument and scale and scale.unit == "profile":
            others = [f"{name}.{other.id}" for other in instrument.scales if other.unit != "profile"]
            yield flag("profile as an outcome", file=_FILE, column="outcomes", found=outcome, allowed=", ".join(others))


@reports("unknown outcome")
def outcomes_known(study: Study) -> Iterator[pd.DataFrame]:
    own = [measure.id for measure in study.protocol.measures]
    for outcome in study.protocol.outcomes:
        name, _, scale_id = outcome.partition(".")
        instrument = find_instrument(name)
        if outcome not in own and not (instrument and scale_id and instrument.scale(scale_id)):
            known = [f"{found.id}.{scale.id}" for found in instruments().values() for scale in found.scales] + own
            near = difflib.get_close_matches(outcome, known, 3, 0.5)
            allowed = ", ".join(near) if near else "an outcome of the catalogue, or a declared measure"
            yield flag("unknown outcome", file=_FILE, column="outcomes", found=outcome, allowed=allowed)


@reports_on_scores("outcome without data", "no baseline", "nothing after baseline")
def outcomes_with_data(study: Study, scores: pd.DataFrame) -> Iterator[pd.DataFrame]:
    valued = scores.loc[scores["value"].notna(), ["outcome", "visit", "participant"]]
    there = set(valued["outcome"].unique())
    for outcome in study.protocol.outcomes:
        if outcome not in there:
            allowed = ", ".join(sorted(there)) or "none"
            yield flag("outcome without data", file=_FILE, column="outcomes", found=outcome, allowed=allowed)
    # Per participant: what of the primary outcome is missing before or after.
    primary = valued[valued["outcome"] == study.protocol.primary]
    if primary.empty or len(study.protocol.visits) < 2:
        return
    baseline = study.protocol.baseline.id
    first = primary["visit"] == baseline
    people = study.participants.drop_duplicates("participant")
    file = study.files["participants"]
    found = study.protocol.primary
    measured = people[among(people["participant"], valued["participant"])]
    rows = measured[~among(measured["participant"], primary.loc[first, "participant"])]
    yield flag("no baseline", rows, file=file, column="participant", found=f"no {found} at {baseline}")
    rows = measured[~among(measured["participant"], primary.loc[~first, "participant"])]
    yield flag("nothing after baseline", rows, file=file, column="participant", found=f"no {found} after {baseline}")


@reports("no primary visit", "primary visit unlike its words", "randomisation not stated")
def primary_question(study: Study) -> Iterator[pd.DataFrame]:
    """The visit of the primary question is named, its words agree with it, and it is known whether arms were dealt."""
    protocol = study.protocol
    if protocol.design == "crossover":
        return
    visit = protocol.primary_visit
    if visit is None and len(protocol.later_visits) > 1:
        yield flag("no primary visit", file=_FILE, column="estimand.visit", found="none",
                   allowed=", ".join(later.id for later in protocol.later_visits))  # fmt: skip
    words = protocol.estimand.get("variable", "")
    told = [later for later in protocol.later_visits if _names(words, later)]
    if visit is not None and told and visit not in told:
        others = ", ".join(later.id for later in told)
        yield flag("primary visit unlike its words", file=_FILE, column="estimand.visit", found=visit.id,
                   allowed=f"{others}, as [estimand] variable says: {words}")  # fmt: skip
    if protocol.design == "parallel" and protocol.randomisation.randomised is None:
        yield flag("randomisation not stated", file=_FILE, column="randomisation.randomised", found="not stated",
                   allowed="true or false")  # fmt: skip


def _names(words: str, visit: PlannedVisit) -> bool:
    """Whether a text names a visit by its id or label, as whole words: "week 1" is not in "week 16"."""
    return any(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", words, re.IGNORECASE) for name in (visit.id, visit.label))


@reports("unknown stratum")
def strata_known(study: Study) -> Iterator[pd.DataFrame]:
    for name in study.protocol.randomisation.strata:
        if name not in study.participants or name in ("row", "participant", "arm"):
            yield flag("unknown stratum", file=_FILE, column="randomisation.strata", found=name,
                       allowed="a column of the participants")  # fmt: skip


@reports("crossover without periods")
def periods_declared(study: Study) -> Iterator[pd.DataFrame]:
    if study.protocol.design == "crossover" and not study.protocol.periods:
        yield flag("crossover without periods", file=_FILE, column="periods", found="none",
                   allowed="one [[periods]] table for each treatment period")  # fmt: skip


@reports("unknown threshold", "threshold of another outcome")
def thresholds_known(study: Study) -> Iterator[pd.DataFrame]:
    for outcome, keys in study.protocol.thresholds.items():
        name, _, scale = outcome.partition(".")
        instrument = find_instrument(name)
        own = {entry.key for entry in instrument.thresholds if entry.scale == scale} if instrument else set()
        for key in keys:
            try:
                threshold(key)
            except InstrumentError:
                allowed = ", ".join(sorted(own)) or "none published for this outcome"
                yield flag("unknown threshold", file=_FILE, column="thresholds", found=key, allowed=allowed)
                continue
            if key not in own:
                yield flag("threshold of another outcome", file=_FILE, column="thresholds", found=f"{outcome}: {key}",
                           allowed=", ".join(sorted(own)) or "none published for this outcome")  # fmt: skip


@reports("unknown covariate")
def covariates_known(study: Study) -> Iterator[pd.DataFrame]:
    allowed = [str(name) for name in study.participants if name not in ("row", "participant", "arm")]
    for model in (study.protocol.model, *study.protocol.sensitivity):
        if model.site is not None and model.site not in allowed:
            yield flag("unknown covariate", file=_FILE, column="site", found=model.site, allowed=", ".join(allowed))
        for name in model.covariates:
            if name not in allowed and column_of(name) not in allowed:
                yield flag("unknown covariate", file=_FILE, column="covariates", found=name, allowed=", ".join(allowed))


@reports("unknown instrument in study.toml")
def options_known(study: Study) -> Iterator[pd.DataFrame]:
    for name in study.protocol.instruments:
        if find_instrument(name) is None:
            near = difflib.get_close_matches(name, instruments(), 3, 0.4)
            yield flag("unknown instrument in study.toml", file=_FILE, column="instruments", found=name,
                       allowed=", ".join(near) or "an id of the catalogue")  # fmt: skip


@reports("measure named like an instrument")
def measures_distinct(study: Study) -> Iterator[pd.DataFrame]:
    for measure in study.protocol.measures:
        name, scale = measure.id.split(".")
        instrument = find_instrument(name)
        if instrument and instrument.scale(scale):
            yield flag("measure named like an instrument", file=_FILE, column="measures", found=measure.id)


def of_study_file(study: Study, with_data: bool) -> Findings:
    """Findings in study.toml, leaving out that data have not come yet; without data what can be seen without."""
    if with_data:
        frame = check(study).frame()
        return Findings([frame[(frame["file"] == _FILE) & (frame["rule"] != "outcome without data")]])
    parts = (outcomes_known, quantities, thresholds_known, options_known, measures_distinct)
    return Findings([found for part in parts for found in part(study)])
