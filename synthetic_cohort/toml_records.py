"""From a TOML table to frozen records: strict about keys and types, with messages that say what is allowed."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import tomlkit

from outcomes.errors import StudyError


def record_from(cls: Any, table: Mapping[str, Any], place: str) -> Any:
    """Fill the dataclass `cls` from a TOML table, nested records included.

    place: where the table stands, for messages. Raises StudyError for an unknown, a missing or a wrongly typed key.
    """
    hints = get_type_hints(cls)
    known = [entry.name for entry in fields(cls)]
    unknown = [key for key in table if key not in known]
    if unknown:
        raise StudyError(f"{place}: unknown key {unknown[0]!r}; allowed {', '.join(known)}.")
    values = {key: _value(hints[key], value, f"{place}.{key}") for key, value in table.items()}
    try:
        return cls(**values)
    except TypeError as error:
        raise StudyError(f"{place}: {error}; add the missing key.") from error


def _value(hint: Any, value: Any, place: str) -> Any:
    """Lists become tuples, tables of a record type become that record, whole numbers become floats where asked."""
    if is_dataclass(hint):
        return record_from(hint, value, place)
    origin, inner = get_origin(hint), get_args(hint)
    if origin is tuple:
        return tuple(_value(inner[0], entry, place) for entry in value)
    if origin in (Union, UnionType):
        return _value(inner[0], value, place)
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if hint in (str, bool, int, float) and not isinstance(value, hint):
        raise StudyError(f"{place}: found {value!r}, a {hint.__name__} is needed.")
    return value


def toml_text(table: Mapping[str, object]) -> str:
    """A record as TOML; values that are None are left out, as are empty tables.

    Raises ValueError for a value TOML has no form for.
    """
    return tomlkit.dumps(_plain(table)).strip() + "\n"


def _plain(value: object) -> Any:
    """The value with lists for sequences and without what TOML cannot say."""
    if isinstance(value, Mapping):
        kept = {str(key): _plain(entry) for key, entry in value.items() if entry is not None}
        return {key: entry for key, entry in kept.items() if entry != {}}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(entry) for entry in value]
    return value
