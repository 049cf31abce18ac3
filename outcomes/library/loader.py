"""From one TOML file to one or more `Instrument` records. Strict: a file that is not understood is refused.

A file may describe several forms of one instrument (`[[forms]]`): they share everything but their items' number,
their ranges and what the form states itself.
"""

import tomllib
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from math import inf, nan

from outcomes.errors import InstrumentError
from outcomes.library.diagnoses import ANY, families
from outcomes.library.instrument import Gate, Instrument, Item, Option, Property, Scale, Threshold

QUANTITIES = (
    "MCID individual", "MCID group mean", "MCID distribution-based", "MDC90", "MDC95", "MDC, level not stated", "SEM",
    "limits of agreement", "smallest real difference", "worsening, convention", "difference between sides",
)  # fmt: skip
KINDS = ("sum", "mean", "timed", "trials", "skip-rule", "goals", "profile", "composite")

_TEXTS = (
    "name",
    "everyday",
    "short",
    "edition",
    "construct",
    "populations",
    "licence",
    "verified",
    "unverified",
    "floor_ceiling",
)
_TOP = {
    "id", "sided", "better", "unit", "unable", "sources", "levels", "codes", "items", "numbered", "scales",
    "thresholds", "options", "gates", "together", "contradictions", "agreeing",
    "properties", "no_threshold", "forms", *_TEXTS,
}  # fmt: skip
_ITEM = {"id", "label", "levels", "low", "high", "step", "quickest", "unit", "codes", "unable", "better"}
_NUMBERED = (_ITEM - {"id"}) | {"prefix", "count", "first"}
_SCALE = {
    "id", "label", "kind", "items", "low", "high", "unit", "better", "step", "rule", "missing", "missing_source",
}  # fmt: skip
_THRESHOLD = {
    "key", "scale", "value", "unit", "quantity", "population", "phase", "families", "onset_days", "onset_source",
    "method", "n", "source", "hand", "caveat", "repeats", "forms",
}  # fmt: skip
_PROPERTY = {"scale", "what", "value", "population", "n", "source", "caveat"}
_GATE = {"item", "items", "at_least", "otherwise", "pairwise"}
_OPTION = {"kind", "values", "why", "default"}
_FORM = {"id", "name", "edition", "count", "ranges", "items", "unverified"}


def read_instruments(text: str, file: str) -> list[Instrument]:
    """Every instrument one file describes."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InstrumentError(f"{file}: not readable as TOML ({error}).") from error
    _keys(data, _TOP, file, "the file", required=("id", "name", "everyday", "short", "scales", "sources"))
    forms = data.get("forms", [{"id": data["id"]}])
    for form in forms:
        _keys(form, _FORM, file, "a form", required=("id",))
    return [_instrument(data, form, file) for form in forms]


def _instrument(data: Mapping, form: Mapping, file: str) -> Instrument:
    texts = {name: str(form.get(name, data.get(name, ""))).strip() for name in _TEXTS}
    items = _items(data, form, file)
    ids = [item.id for item in items]
    scales = tuple(_scale(raw, data, form, items, file) for raw in data["scales"])
    _unique(ids, file, "item")
    _unique([scale.id for scale in scales], file, "scale")
    thresholds = tuple(
        _threshold(raw, scales, file)
        for raw in data.get("thresholds", [])
        if form["id"] in raw.get("forms", [form["id"]])
    )
    properties = []
    for raw in data.get("properties", []):
        _keys(raw, _PROPERTY, file, "a property", required=("scale", "what", "value", "population", "source"))
        properties.append(Property(**{"n": "", **raw}))
    return Instrument(
        id=form["id"],
        items=items,
        scales=scales,
        sided=bool(data.get("sided", False)),
        sources=tuple(data["sources"]),
        thresholds=thresholds,
        options={name: _option(name, raw, file) for name, raw in data.get("options", {}).items()},
        gates=_gates(data, ids, file),
        together=_together(data, ids, file),
        contradictions=_contradictions(data, ids, file),
        agreeing=_agreeing(data, scales, file),
        properties=tuple(properties),
        no_threshold=dict(data.get("no_threshold", {})),
        **texts,
    )


def _items(data: Mapping, form: Mapping, file: str) -> tuple[Item, ...]:
    raw_items = []
    for raw in data.get("items", []):
        _keys(raw, _ITEM, file, "an item", required=("id", "label"))
        if raw["id"] in form.get("items", [raw["id"]]):
            raw_items.append(raw)
    for raw in data.get("numbered", []):
        _keys(raw, _NUMBERED, file, "numbered items", required=("prefix", "label"))
        count = raw.get("count", form.get("count"))
        if not count:
            raise InstrumentError(f"{file}: numbered items '{raw['prefix']}' have no count.")
        shared = {key: value for key, value in raw.items() if key not in ("prefix", "count", "first", "label")}
        first = raw.get("first", 1)
        raw_items += [
            {"id": f"{raw['prefix']}{number}", "label": f"{raw['label']} {number}", **shared}
            for number in range(first, first + count)
        ]
    return tuple(_item(raw, data, file) for raw in raw_items)


def _item(raw: Mapping, data: Mapping, file: str) -> Item:
    measured = "low" in raw or "high" in raw
    levels = () if measured else tuple(float(level) for level in raw.get("levels", data.get("levels", ())))
    low = min(levels) if levels else float(raw.get("low", 0.0))
    high = max(levels) if levels else float(raw.get("high", inf))
    better = raw.get("better", data.get("better", "higher"))
    # "unable" is the worst score of a performance item; a questionnaire or a graded finding has no such value.
    unable = raw.get("unable", data.get("unable", "missing"))
    if unable not in ("worst", "missing", "refused"):
        raise InstrumentError(
            f"{file}, item {raw['id']}: `unable` is {unable!r}, allowed 'worst', 'missing' or 'refused'."
        )
    value = None
    if unable == "worst":
        value = low if better == "higher" else high
    return Item(
        id=raw["id"],
        label=raw["label"],
        levels=levels,
        low=low,
        high=high,
        unit=raw.get("unit", data.get("unit", "points")),
        better=better,
        codes={str(word).casefold(): _code(number) for word, number in raw.get("codes", data.get("codes", {})).items()},
        step=None if "step" not in raw else float(raw["step"]),
        quickest=None if "quickest" not in raw else float(raw["quickest"]),
        unable=value,
        refuses_unable=unable == "refused",
    )


def _code(number: float | str) -> float:
    return nan if number == "drop" else float(number)


def _scale(raw: Mapping, data: Mapping, form: Mapping, items: Sequence[Item], file: str) -> Scale:
    _keys(raw, _SCALE, file, "a scale", required=("id", "label", "kind", "items"))
    where = f"{file}, scale {raw['id']}"
    if raw["kind"] not in KINDS:
        raise InstrumentError(f"{where}: kind '{raw['kind']}' is not known. Allowed: {', '.join(KINDS)}.")
    stated = form.get("ranges", {}).get(raw["id"], [raw.get("low"), raw.get("high")])
    if stated[0] is None:
        raise InstrumentError(f"{where}: no lowest score is stated. Add `low` (and `high` where there is one).")
    better = raw.get("better", data.get("better"))
    if better not in ("higher", "lower"):
        raise InstrumentError(f"{where}: `better` is {better!r}, allowed 'higher' or 'lower'.")
    low, high = float(stated[0]), None if stated[1] is None else float(stated[1])
    if high is not None and high <= low:
        raise InstrumentError(f"{where}: the range {low} to {high} is empty.")
    return Scale(
        id=raw["id"],
        label=raw["label"],
        kind=raw["kind"],
        items=_expand(raw["items"], [item.id for item in items], where),
        low=low,
        high=high,
        unit=raw.get("unit", data.get("unit", "points")),
        better=better,
        step=raw.get("step"),
        rule=dict(raw.get("rule", {})),
        missing=raw.get("missing", "none"),
        missing_source=raw.get("missing_source", ""),
    )


def _threshold(raw: Mapping, scales: Sequence[Scale], file: str) -> Threshold:
    required = ("key", "scale", "value", "quantity", "population", "phase", "families", "method", "n", "source")
    _keys(raw, _THRESHOLD, file, f"threshold {raw.get('key', '')}", required=required)
    scale = next((scale for scale in scales if scale.id == raw["scale"]), None)
    if scale is None:
        raise InstrumentError(f"{file}, threshold {raw['key']}: the instrument has no scale '{raw['scale']}'.")
    unit = raw.get("unit", scale.unit)
    limit = 100.0 if unit.startswith("%") else inf if scale.high is None else scale.high - scale.low
    if not 0 < raw["value"] < limit:
        raise InstrumentError(f"{file}, threshold {raw['key']}: {raw['value']} is not between 0 and the range {limit}.")
    where = f"{file}, threshold {raw['key']}"
    if raw["quantity"] not in QUANTITIES:
        raise InstrumentError(f"{where}: quantity {raw['quantity']!r}, allowed {', '.join(QUANTITIES)}.")
    unknown = sorted(set(raw["families"]) - {*families(), ANY})
    if unknown or not raw["families"]:
        raise InstrumentError(
            f"{where}: families {', '.join(unknown) or 'none'}, allowed {', '.join(families())}, {ANY}."
        )
    bounds = raw.get("onset_days")
    if (bounds is None) != ("onset_source" not in raw) or (bounds is not None and not 0 <= bounds[0] < bounds[1]):
        raise InstrumentError(f"{where}: onset_days {bounds}, allowed two rising numbers of days, with onset_source.")
    fields = {key: value for key, value in raw.items() if key != "forms"}
    fields |= {"value": float(raw["value"]), "n": str(raw["n"]), "unit": unit, "better": scale.better}
    fields |= {"families": tuple(raw["families"]), "repeats": tuple(raw.get("repeats", ()))}
    fields |= {"onset_days": None if bounds is None else (float(bounds[0]), float(bounds[1]))}
    return Threshold(**fields)


def _gates(data: Mapping, ids: Sequence[str], file: str) -> tuple[Gate, ...]:
    gates: list[Gate] = []
    openings: Sequence[tuple[str, ...]]
    for raw in data.get("gates", []):
        _keys(raw, _GATE, file, "a gate", required=("item", "items", "at_least", "otherwise"))
        gated = _expand([raw["item"]], ids, f"{file}, gate")
        opening = _expand(raw["items"], ids, f"{file}, gate")
        if raw.get("pairwise"):
            if len(gated) != len(opening):
                raise InstrumentError(f"{file}, gate: {len(gated)} gated items but {len(opening)} opening items.")
            openings = [(opens,) for opens in opening]
        else:
            openings = [opening] * len(gated)
        level, otherwise = float(raw["at_least"]), float(raw["otherwise"])
        gates += [Gate(item, opens, level, otherwise) for item, opens in zip(gated, openings, strict=True)]
    return tuple(gates)


def _contradictions(data: Mapping, ids: Sequence[str], file: str) -> tuple[Mapping[str, object], ...]:
    made = []
    for raw in data.get("contradictions", []):
        keys = {"lowest", "highest", "says"}
        _keys(raw, keys, file, "a contradiction", required=sorted(keys))
        ends = {end: _expand(raw[end], ids, f"{file}, contradiction") for end in ("lowest", "highest")}
        made.append({**ends, "says": raw["says"]})
    return tuple(made)


def _agreeing(data: Mapping, scales: Sequence[Scale], file: str) -> tuple[str, ...]:
    unknown = sorted(set(data.get("agreeing", [])) - {scale.id for scale in scales})
    if unknown:
        raise InstrumentError(f"{file}, agreeing: the instrument has no scale {', '.join(unknown)}.")
    return tuple(data.get("agreeing", []))


def _together(data: Mapping, ids: Sequence[str], file: str) -> tuple[tuple[str, ...], ...]:
    """Items that are left out of the score together: the first of each pattern, the second of each, and so on."""
    groups: list[tuple[str, ...]] = []
    for raw in data.get("together", []):
        _keys(raw, {"items"}, file, "items left out together", required=("items",))
        lists = [_expand([pattern], ids, f"{file}, together") for pattern in raw["items"]]
        if len({len(found) for found in lists}) != 1:
            raise InstrumentError(f"{file}, together: the patterns match {', '.join(str(len(one)) for one in lists)}.")
        groups += list(zip(*lists, strict=True))
    return tuple(groups)


def _option(name: str, raw: Mapping, file: str) -> Option:
    _keys(raw, _OPTION, file, f"option {name}", required=("kind", "why"))
    if raw["kind"] not in ("choice", "number", "words", "table"):
        raise InstrumentError(f"{file}, option {name}: kind '{raw['kind']}' is not known.")
    return Option(name, raw["kind"], tuple(raw.get("values", ())), raw["why"], raw.get("default"))


def _expand(patterns: Sequence[str], ids: Sequence[str], where: str) -> tuple[str, ...]:
    """Item ids in the order of the patterns; `a_*` stands for every item that starts so."""
    found: list[str] = []
    for pattern in patterns:
        matches = [item for item in ids if fnmatchcase(item, pattern)]
        if not matches:
            raise InstrumentError(f"{where}: no item matches '{pattern}'.")
        found += [item for item in matches if item not in found]
    return tuple(found)


def _keys(raw: Mapping, allowed: set[str], file: str, what: str, required: Sequence[str] = ()) -> None:
    unknown = sorted(set(raw) - allowed)
    if unknown:
        raise InstrumentError(
            f"{file}: {what} has unknown keys {', '.join(unknown)}. Allowed: {', '.join(sorted(allowed))}."
        )
    absent = [key for key in required if key not in raw]
    if absent:
        raise InstrumentError(f"{file}: {what} lacks {', '.join(absent)}.")


def _unique(ids: Sequence[str], file: str, what: str) -> None:
    twice = sorted({entry for entry in ids if ids.count(entry) > 1})
    if twice:
        raise InstrumentError(f"{file}: {what} ids occur twice: {', '.join(twice)}.")
