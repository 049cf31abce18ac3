"""The library: every instrument, every threshold, every reference, read from the files beside this module, once."""

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from math import ceil, floor

import pandas as pd

from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument, Scale, Threshold
from outcomes.library.loader import read_instruments

THRESHOLD_COLUMNS = (
    "key", "outcome", "value", "unit", "quantity", "better", "strict", "next_step", "hand", "population", "phase",
    "method", "n", "caveat", "source", "citation", "doi", "read", "families", "onset_low", "onset_high",
    "onset_source", "repeats",
)  # fmt: skip


class Library(Mapping[str, Instrument]):
    """Instruments by id, in the order of their files' names. A file is taken apart when it is first asked for: a study
    uses a handful of them, and reading all takes as long as checking it."""

    def __init__(self, texts: Mapping[str, str]):
        self._texts = texts
        self._files: dict[str, str] = {}
        self._read: dict[str, Instrument] = {}
        for file, text in texts.items():
            for name in ids_in(text):
                if name in self._files:
                    raise InstrumentError(f"{file}: the id '{name}' is used by another instrument.")
                self._files[name] = file

    def __getitem__(self, name: str) -> Instrument:
        if name not in self._read:
            file = self._files[name]
            for found in read_instruments(self._texts[file], file):
                _check_sources(found, file)
                self._read[found.id] = found
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)

    def __contains__(self, name: object) -> bool:
        return name in self._files


_SECTION = re.compile(r"^\[\[?([^\[\]]+)\]\]?[ \t]*(?:#.*)?$", re.MULTILINE)
_ID = re.compile(r"^id[ \t]*=[ \t]*[\"']([^\"']+)[\"']", re.MULTILINE)


def ids_in(text: str) -> list[str]:
    """The ids of the instruments one file describes, without taking it apart: of its forms, or its own."""
    head, *rest = _SECTION.split(text)
    forms = [found[1] for name, body in zip(rest[::2], rest[1::2], strict=True) if name.strip() == "forms"
             for found in _ID.finditer(body)]  # fmt: skip
    return forms or [found[1] for found in _ID.finditer(head)]


@cache
def instruments() -> Library:
    """All instruments by id."""
    folder = files("outcomes.library") / "instruments"
    found = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".toml")), key=lambda entry: entry.name)
    return Library({entry.name: entry.read_text(encoding="utf-8") for entry in found})


@cache
def threshold_keys() -> Mapping[str, Threshold]:
    """Every published threshold by key.

    Raises InstrumentError where two share a key, or one repeats another that there is none of.
    """
    keys: dict[str, Threshold] = {}
    for found in instruments().values():
        for entry in found.thresholds:
            # Forms of one instrument share a threshold; anything else under the same key is a mistake.
            if keys.setdefault(entry.key, entry) != entry:
                raise InstrumentError(f"{found.id}: the threshold key '{entry.key}' is used twice.")
    for entry in keys.values():
        lost = sorted(set(entry.repeats) - set(keys))
        if lost:
            raise InstrumentError(f"Threshold {entry.key} repeats {', '.join(lost)}, which there are none of.")
    return keys


@cache
def references() -> Mapping[str, Mapping[str, str]]:
    """Every cited source by key: citation, short ("Author year"), doi, read (what of it was read).

    Raises InstrumentError for a source without a short name: figures, tables and sentences cite by it.
    """
    text = (files("outcomes.library") / "references.toml").read_text(encoding="utf-8")
    return with_short_names(tomllib.loads(text))


def with_short_names(known: Mapping[str, Mapping[str, str]]) -> Mapping[str, Mapping[str, str]]:
    """The sources as they are, where each has a `short`."""
    without = [key for key, fields in known.items() if not fields.get("short", "").strip()]
    if without:
        raise InstrumentError(
            f'references.toml: {", ".join(without[:5])} without `short`. Add one as readers cite it: "Author year".'
        )
    return known


def instrument(instrument_id: str) -> Instrument:
    """The instrument with the id `instrument_id`.

    Raises InstrumentError where there is none; the message names the nearest ids.

    >>> instrument("arat").main_scale.high
    57.0
    """
    library = instruments()
    if instrument_id not in library:
        near = difflib.get_close_matches(str(instrument_id).lower(), library, n=3, cutoff=0.4)
        hint = f"Did you mean {' or '.join(near)}? " if near else ""
        raise InstrumentError(f"No instrument '{instrument_id}'. {hint}Known: {', '.join(library)}.")
    return library[instrument_id]


def outcome_scale(outcome: str) -> tuple[Instrument, Scale]:
    """Instrument and scale of an outcome id such as "fma_ue.motor"; a bare instrument id means its main scale."""
    instrument_id, _, scale_id = outcome.partition(".")
    found = instrument(instrument_id)
    scale = found.scale(scale_id) if scale_id else found.main_scale
    if scale is None:
        known = ", ".join(f"{found.id}.{entry.id}" for entry in found.scales)
        raise InstrumentError(f"No outcome '{outcome}'. {found.name} has {known}.")
    return found, scale


def catalogue() -> pd.DataFrame:
    """Every score of every instrument.

    Returns columns instrument, name, edition, scale, outcome, label, items, low, high, unit, better, step, sided,
    missing, missing_source, thresholds (their number), options, construct, populations, licence, sources.

    >>> catalogue().query("instrument == 'bbt'")["unit"].unique().tolist()
    ['blocks']
    """
    rows = [
        {
            "instrument": found.id,
            "name": found.name,
            "edition": found.edition,
            "scale": scale.id,
            "outcome": f"{found.id}.{scale.id}",
            "label": scale.label,
            "items": len(scale.items),
            "low": scale.low,
            "high": float("nan") if scale.high is None else scale.high,
            "unit": scale.unit,
            "better": scale.better,
            "step": float("nan") if scale.step is None else scale.step,
            "sided": found.sided,
            "missing": scale.missing,
            "missing_source": scale.missing_source,
            "thresholds": sum(entry.scale == scale.id for entry in found.thresholds),
            "options": ", ".join(found.options),
            "construct": found.construct,
            "populations": found.populations,
            "licence": found.licence,
            "sources": ", ".join(found.sources),
        }
        for found in instruments().values()
        for scale in found.scales
    ]
    return pd.DataFrame(rows)


def _check_sources(found: Instrument, file: str) -> None:
    cited = set(found.sources)
    cited |= {entry.source for entry in found.thresholds} | {entry.source for entry in found.properties}
    cited |= {entry.onset_source for entry in found.thresholds if entry.onset_source}
    cited |= {scale.missing_source for scale in found.scales if scale.missing_source}
    unknown = sorted(cited - set(references()))
    if unknown:
        raise InstrumentError(f"{file}: sources without an entry in references.toml: {', '.join(unknown)}.")


def thresholds(
    outcome: str | None = None,
    *,
    quantity: str | None = None,
    population: str | None = None,
    phase: str | None = None,
    hand: str | None = None,
) -> pd.DataFrame:
    """Published thresholds, all of them or those that match; every filter is a case-blind part of the text.

    outcome: "<instrument>.<scale>", or an instrument id for all of its scales. quantity ("MDC95"), population, phase
    and hand: a part of what stands in the column of that name.
    Returns the columns of THRESHOLD_COLUMNS; `next_step` is the smallest change a person can show that counts,
    `strict` says whether the change must exceed the value or only reach it. An outcome without a published threshold
    gives an empty frame whose `attrs["reason"]` says so.
    Values are in the unit of the column `unit`. Raises InstrumentError for an instrument or scale that does not exist.
    Source: the publication named in each row, with what of it was read.

    >>> thresholds("fma_ue.motor", quantity="MDC95")["value"].tolist()
    [6.82]
    """
    wanted_scale = ""
    chosen = list(instruments().values())
    reason = ""
    if outcome is not None:
        found, scale = outcome_scale(outcome)
        wanted_scale = scale.id if "." in outcome else ""
        chosen = [found]
        reason = found.no_threshold.get(scale.id, found.no_threshold.get("all", ""))
    rows = [
        _row(f"{found.id}.{entry.scale}", entry, scale)
        for found in chosen
        for entry in found.thresholds
        for scale in found.scales
        if scale.id == entry.scale and wanted_scale in ("", entry.scale)
    ]
    frame = pd.DataFrame(rows, columns=list(THRESHOLD_COLUMNS))
    for column, part in (("quantity", quantity), ("population", population), ("phase", phase), ("hand", hand)):
        if part is not None:
            frame = frame[frame[column].str.contains(part, case=False, regex=False)]
    frame = frame.reset_index(drop=True)
    if frame.empty:
        frame.attrs["reason"] = reason or "No published threshold matches."
    return frame


def threshold(key: str) -> Threshold:
    """The threshold of that key. Raises InstrumentError naming the nearest keys where there is none.

    >>> found = threshold("fma_ue-motor-page-2012-lowest")
    >>> found.value, found.unit
    (4.25, 'points')
    """
    near = instruments().get(key.partition("-")[0])  # most keys begin with the instrument
    found = next((entry for entry in near.thresholds if entry.key == key), None) if near else None
    known = {key: found} if found is not None else threshold_keys()
    if key not in known:
        alike = difflib.get_close_matches(str(key), known, n=4, cutoff=0.3)
        hint = f" Near: {', '.join(alike)}." if alike else ""
        raise InstrumentError(f"No threshold '{key}'.{hint} `thresholds(outcome)` lists the keys of an outcome.")
    return known[key]


def next_reachable(value: float, step: float | None, *, strict: bool) -> float:
    """The smallest reachable change that counts, for a score that moves in steps; the value itself otherwise.

    >>> next_reachable(17.8, 5, strict=False)
    20.0
    """
    if step is None:
        return value
    # A millionth of a step absorbs binary representation: 0.3/0.1 must count as 3 steps.
    steps = floor(value / step + 1e-6) + 1 if strict else ceil(value / step - 1e-6)
    return float(steps * step)


def _row(outcome: str, entry: Threshold, scale: Scale) -> dict[str, object]:
    reference = references()[entry.source]
    step = None if entry.unit.startswith("%") else scale.step
    return {
        "key": entry.key,
        "outcome": outcome,
        "value": entry.value,
        "unit": entry.unit,
        "quantity": entry.quantity,
        "better": entry.better,
        "strict": entry.strict,
        "next_step": next_reachable(entry.value, step, strict=entry.strict),
        "hand": entry.hand,
        "population": entry.population,
        "phase": entry.phase,
        "method": entry.method,
        "n": entry.n,
        "caveat": entry.caveat,
        "source": entry.source,
        "citation": reference["citation"],
        "doi": reference.get("doi", ""),
        "read": reference.get("read", ""),
        "families": ", ".join(entry.families),
        "onset_low": float("nan") if entry.onset_days is None else entry.onset_days[0],
        "onset_high": float("nan") if entry.onset_days is None else entry.onset_days[1],
        "onset_source": entry.onset_source,
        "repeats": ", ".join(entry.repeats),
    }
