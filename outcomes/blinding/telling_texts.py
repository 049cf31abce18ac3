"""Every text of a blinded study that people typed, without words that name an arm, and free text only where allowed."""

import re
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pandas as pd

from outcomes.blinding.arm_words import ArmWords
from outcomes.findings import Findings
from outcomes.protocol.trial import Protocol
from outcomes.sheets import SHEETS
from outcomes.study import Study

# Prose, by the name of its field or key, wherever in the protocol it stands.
_PROSE = frozenset(
    ("title", "label", "treatment", "population", "variable", "intercurrent", "summary", "reason", "source", "caveat",
     "citation", "phase")
)  # fmt: skip
_PROSE_TABLES = ("switched_off",)  # by names of the kit, with prose under them
_LEFT_ALONE = frozenset(
    ("arms", "periods", "design", "time", "time_unit", "days", "df", "covariance", "baseline", "missing_baseline",
     "method", "instruments", "measure")
)  # fmt: skip
_FREE_COLUMNS = ("diagnosis",)
_PLACES = frozenset(("site", "centre", "therapist"))
_TYPED = ("typed", "header", "file")
_KEYS = ("side", "condition", "code", "status", "sex", "affected_side", "dominant_side", "mode", "arm", "unit")


def words_of_arms(study: Study) -> ArmWords:
    """The words of the arms, treatments and their labels, as study.toml has them."""
    protocol = study.protocol
    given = [text for period in protocol.periods for text in period.treatments.values()]
    return ArmWords.of([text for arm in protocol.arms for text in (arm.id, arm.label)] + given)


def columns_in_use(protocol: Protocol) -> frozenset[str]:
    """Columns of the study's own that the plan uses: in models, strata, criteria; sites and therapists."""
    models = (protocol.model, *protocol.sensitivity)
    texts = [text for model in models for text in (*model.covariates, model.random or "")]
    texts += [*protocol.randomisation.strata, *(str(part) for each in protocol.criteria for part in each.values())]
    return frozenset(word for text in texts for word in (text, *re.findall(r"[^\W\d]\w*", text))) | _PLACES


def without_telling_texts(study: Study, words: ArmWords, named: frozenset[str]) -> tuple[Study, list[str]]:
    """The masked study without words of the arms, and what was done in words.

    named: columns of the study's own that its model uses; other columns of text are left out unless [privacy] of
    study.toml allows free text.
    """
    told: list[str] = []
    protocol = hidden_in(study.protocol, words, "")
    tables: dict[str, pd.DataFrame] = {}
    for name in (*SHEETS, "second_ratings"):
        tables[name], gone = _table(study.table(name), name, words, study.protocol, named)
        if gone:
            told.append(f"Left out: free text in {', '.join(gone)} of {name}.")
    people = {code for code in study.participants["participant"] if words.tells(str(code))}
    if people:
        told.append("Codes of participants held words of an arm: people have numbers here.")
        codes = {code: f"person {n:02}" for n, code in enumerate(sorted(set(study.participants["participant"])), 1)}
        for name, frame in tables.items():
            if "participant" not in frame:
                continue
            tables[name] = frame.assign(participant=frame["participant"].map(lambda code: codes.get(code, "person 00")))
            tables[name]["participant"] = tables[name]["participant"].astype("str")
    else:
        codes = {}
    series = {
        name: _series(study.table(name), words, codes) for name in ("series", "series_values") if len(study.table(name))
    }
    masked = replace(
        study,
        protocol=protocol,
        **tables,
        **series,
        files={name: words.name(file) for name, file in study.files.items()},
        headers={
            name: {ours: words.name(text) for ours, text in known.items()} for name, known in study.headers.items()
        },
        lines=tuple(replace(line, file=words.name(line.file)) for line in study.lines),
        findings=_findings(study.findings, words, codes),
        departures=tuple(
            replace(each, key=words.name(each.key), locked=words.prose(each.locked), now=words.prose(each.now),
                    reason=words.prose(each.reason))
            for each in study.departures
        ),
        arm_words=words,
        masked_texts=codes,
    )  # fmt: skip
    if protocol != study.protocol:
        told.append("Left out: words of the arms and near spellings, wherever a text of study.toml has them.")
    return masked, told


class HidesTexts(typing.Protocol):
    """What hides prose and names: `ArmWords`, or whoever masks for another reason."""

    def prose(self, text: str) -> str:
        """The prose without what it must not tell."""

    def name(self, text: str) -> str:
        """The name without what it must not tell."""


def hidden_in(value: Any, words: HidesTexts, name: str) -> Any:
    """A record of the protocol, or a part of one, with its prose and its ids hidden."""
    if name in _LEFT_ALONE:
        return value
    if isinstance(value, str):
        return words.prose(value) if name in _PROSE else words.name(value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{each.name: hidden_in(getattr(value, each.name), words, each.name)
                                 for each in fields(value)})  # fmt: skip
    if isinstance(value, Mapping):
        prose = name in _PROSE_TABLES
        return {
            words.prose(str(key)) if name == "excluded" else words.name(key) if isinstance(key, str) else key:
            hidden_in(part, words, "reason" if prose else str(key) if isinstance(key, str) else name)
            for key, part in value.items()
        }  # fmt: skip
    if isinstance(value, (tuple, list)):
        return type(value)(hidden_in(part, words, name) for part in value)
    return value


def _table(
    frame: pd.DataFrame, name: str, words: ArmWords, protocol: Protocol, named: frozenset[str]
) -> tuple[pd.DataFrame, list[str]]:
    known = SHEETS["items" if name == "second_ratings" else name].names
    gone: list[str] = []
    if frame.empty:
        return frame, gone
    made = frame.copy()
    for column in frame.columns:
        if column in _KEYS or column == "participant" or not _is_text(frame[column]):
            continue
        own = column not in (*known, *_TYPED, "row", "code")
        if own and column not in named and not protocol.privacy.free_text:
            made = made.drop(columns=column)
            gone.append(words.name(str(column)))
            continue
        hide = words.prose if own or column in (*_FREE_COLUMNS, "typed", "rater") else words.name
        texts = {text: hide(str(text)) for text in frame[column].astype(object).unique() if isinstance(text, str)}
        if any(old != new for old, new in texts.items()):
            kind = "category" if isinstance(frame[column].dtype, pd.CategoricalDtype) else "str"
            made[column] = (
                frame[column].astype(object).map(lambda text, texts=texts: texts.get(text, text)).astype(kind)
            )
    renamed = {column: words.name(str(column)) for column in made.columns if column not in (*known, *_TYPED)}
    return made.rename(columns=renamed), gone


def _is_text(values: pd.Series) -> bool:
    return pd.api.types.is_string_dtype(values) or isinstance(values.dtype, pd.CategoricalDtype)


def _series(frame: pd.DataFrame, words: ArmWords, codes: Mapping[str, str]) -> pd.DataFrame:
    made = frame.copy()
    for column in frame.columns:
        if column == "participant" and codes:
            made[column] = frame[column].map(lambda code: codes.get(code, "person 00")).astype("str")
        elif _is_text(frame[column]):
            texts = {text: words.name(str(text)) for text in frame[column].astype(object).unique()}
            made[column] = (
                frame[column].astype(object).map(lambda text, texts=texts: texts.get(text, text)).astype("str")
            )
    return made


def _findings(findings: Findings, words: ArmWords, codes: Mapping[str, str]) -> Findings:
    frame = findings.frame()
    for column, hide in (("found", words.prose), ("allowed", words.prose), ("file", words.name), ("column", words.name),
                         ("visit", words.name)):  # fmt: skip
        texts = {text: hide(text) for text in frame[column].unique()}
        frame[column] = frame[column].map(lambda text, texts=texts: texts[text]).astype("str")
    if codes:
        frame["participant"] = frame["participant"].map(
            lambda code: codes.get(code, code if code == "" else "person 00")
        )
        frame["participant"] = frame["participant"].astype("str")
    return Findings([frame])
