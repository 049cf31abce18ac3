"""The description of the shared tables that programs read: Data Package and Table Schema, an open standard.

Source: Data Package v2, https://datapackage.org/standard (Frictionless Data): `datapackage.json` with one resource a
table, each with fields, types, constraints, missing values and foreign keys.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from outcomes.sharing.code_book import Described

NAME = "datapackage.json"
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_ONE_ROW = {"participants": ["participant"]}  # tables with a key of their own


def package(
    folder: Path, title: str, books: Mapping[str, tuple[Described, ...]], version: str = "1"
) -> dict[str, object]:
    """The description of the CSV files of `folder`, one resource for every book."""
    return {
        "$schema": _PROFILE,
        "name": "shared-outcome-data",
        "title": title,
        "version": version,
        "resources": [_resource(folder / f"{name}.csv", name, columns) for name, columns in books.items()],
    }


def _resource(path: Path, name: str, columns: tuple[Described, ...]) -> dict[str, object]:
    raw = path.read_bytes()
    schema: dict[str, object] = {"fields": [_field(column) for column in columns], "missingValues": [""]}
    if name in _ONE_ROW:
        schema["primaryKey"] = _ONE_ROW[name]
    elif any(column.name == "participant" for column in columns):
        schema["foreignKeys"] = [
            {"fields": ["participant"], "reference": {"resource": "participants", "fields": ["participant"]}}
        ]
    return {
        "name": name.replace("_", "-"),
        "path": path.name,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "header": True},
        "bytes": len(raw),
        "hash": f"sha256:{hashlib.sha256(raw).hexdigest()}",
        "schema": schema,
    }


def _field(column: Described) -> dict[str, object]:
    made: dict[str, object] = {"name": column.name, "title": column.label, "type": column.kind}
    if column.unit:
        made["unit"] = column.unit
    constraints: dict[str, object] = {"required": True} if column.required and not column.missing else {}
    if column.values:
        constraints["enum"] = list(column.values)
        made["categories"] = [{"value": value, "label": label} for value, label in column.values.items()]
    if constraints:
        made["constraints"] = constraints
    if column.missing:
        made["missingValues"] = ["", *column.missing]
    return made


def write_package(folder: Path, title: str, books: Mapping[str, tuple[Described, ...]]) -> Path:
    """Writes `datapackage.json` beside the tables."""
    path = folder / NAME
    path.write_text(json.dumps(package(folder, title, books), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path
