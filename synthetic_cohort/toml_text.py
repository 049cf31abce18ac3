"""Write plain records as TOML text (the standard library only reads TOML).

Covers what a cohort design and a `study.toml` hold: text, numbers, truth values, lists, tables, lists of tables.
"""

from collections.abc import Mapping, Sequence
from typing import Any


def toml_text(table: Mapping[str, object]) -> str:
    """Return `table` as TOML; values that are None are left out.

    Raises TypeError for a value TOML has no form for.
    """
    lines: list[str] = []
    _write_table(table, (), lines)
    return "\n".join(lines).strip() + "\n"


def _write_table(table: Mapping[str, object], path: tuple[str, ...], lines: list[str]) -> None:
    """Plain values first: whatever follows a table header belongs to that table."""
    nested: list[tuple[str, Mapping[str, Any] | Sequence[Mapping[str, Any]]]] = []
    for key, value in table.items():
        if value is None:
            continue
        if isinstance(value, Mapping) or _is_table_list(value):
            nested.append((key, value))  # type: ignore[arg-type]  # a table or a list of tables, by the line above
        else:
            lines.append(f"{_key(key)} = {_scalar(value)}")
    for key, value in nested:
        here = (*path, _key(key))
        if isinstance(value, Mapping):
            if value:
                lines.extend(["", f"[{'.'.join(here)}]"])
                _write_table(value, here, lines)
        else:
            for entry in value:
                lines.extend(["", f"[[{'.'.join(here)}]]"])
                _write_table(entry, here, lines)


def _is_table_list(value: object) -> bool:
    return isinstance(value, Sequence) and len(value) > 0 and all(isinstance(entry, Mapping) for entry in value)


def _key(key: str) -> str:
    bare = key.replace("_", "").replace("-", "")
    return key if bare.isascii() and bare.isalnum() else _text(key)


def _text(value: str) -> str:
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    for raw, written in (("\n", "\\n"), ("\t", "\\t"), ("\r", "\\r")):
        escaped = escaped.replace(raw, written)
    return f'"{escaped}"'


def _scalar(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Sequence):
        return "[" + ", ".join(_scalar(entry) for entry in value) + "]"
    raise TypeError(f"no TOML form for {type(value).__name__}: {value!r}")
