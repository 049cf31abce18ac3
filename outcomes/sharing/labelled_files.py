"""The shared tables as SPSS and Stata files: labels of variables and values, and why a value is missing.

Columns of words with a list of meanings (arm, visit, sex, side ...) become numbers with value labels, as these programs
expect. A word in place of a measured value stands in the column `<value>_reason`.
"""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import pyreadstat

from outcomes.columns import NOT_A_NUMBER
from outcomes.sharing.code_book import Described

_LONGEST = 80  # characters of a label in a Stata file
_MOST_LABELS = 60  # values of a labelled column
_KEYS_AS_TEXT = ("participant", "rater", "item", "instrument", "scale")


def write_labelled(folder: Path, name: str, table: pd.DataFrame, columns: tuple[Described, ...]) -> list[Path]:
    """Writes `spss/<name>.sav` and `stata/<name>.dta` under a folder."""
    frame, labels, values = labelled(table, columns)
    paths = [folder / "spss" / f"{name}.sav", folder / "stata" / f"{name}.dta"]
    for path in paths:
        path.parent.mkdir(exist_ok=True)
    named: dict[str, str | None] = dict(labels)
    short: dict[str, str | None] = {column: label[:_LONGEST] for column, label in labels.items()}
    of_values = {
        column: {code: str(word)[:_LONGEST] for code, word in known.items()} for column, known in values.items()
    }
    pyreadstat.write_sav(frame, str(paths[0]), column_labels=named, variable_value_labels=of_values)
    pyreadstat.write_dta(frame, str(paths[1]), column_labels=short, variable_value_labels=of_values)
    return paths


def labelled(
    table: pd.DataFrame, columns: tuple[Described, ...]
) -> tuple[pd.DataFrame, dict[str, str], dict[str, Mapping[int | float, str]]]:
    """Frame, variable labels and value labels as the programs take them."""
    frame = pd.DataFrame(index=table.index)
    labels: dict[str, str] = {}
    values: dict[str, Mapping[int | float, str]] = {}
    for column in columns:
        cells, label = table[column.name], column.label + (f" ({column.unit})" if column.unit else "")
        if column.missing:
            numbers = pd.to_numeric(cells, errors="coerce")
            words = cells.astype("str").where(numbers.isna(), "")
            frame[column.name], labels[column.name] = numbers.astype(float), label
            reason = f"{column.name}_reason"
            frame[reason], labels[reason] = words, f"why there is no {column.name}: {', '.join(NOT_A_NUMBER)}"
        elif column.values and column.name not in _KEYS_AS_TEXT and len(column.values) <= _MOST_LABELS:
            codes = {word: number for number, word in enumerate(column.values, 1)}
            strange = sorted(set(cells.dropna().astype("str")) - set(codes) - {""})
            codes |= {word: number for number, word in enumerate(strange, len(codes) + 1)}
            frame[column.name] = cells.astype("str").map(codes).astype(float)
            labels[column.name] = label
            values[column.name] = {number: column.values.get(word, word) for word, number in codes.items()}
        else:
            text = column.kind == "string"
            frame[column.name] = cells.fillna("").astype("str") if text else cells.astype(float)
            labels[column.name] = label
    return frame, labels, values
