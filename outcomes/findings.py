"""What is wrong, doubtful or was converted in a study folder: all of it at once, as a frame and as readable text."""

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files

import numpy as np
import pandas as pd

from outcomes.errors import StudyError

_LONGEST_NUMBER = 8  # characters; longer ones come from arithmetic, not from a person
SEVERITIES = ("error", "warning", "note")
FINDING_COLUMNS = (
    "severity",  # "error" blocks the analysis, "warning" wants a look, "note" says what was read how
    "file",
    "row",  # row number in the file, the header being row 1; <NA> where no single row is meant
    "column",
    "participant",
    "visit",
    "rule",
    "found",
    "allowed",
    "advice",
)


@dataclass(frozen=True)
class Rule:
    """One kind of finding: `says` completes "here is ...", `advice` says what to do about it."""

    name: str
    severity: str
    says: str
    advice: str
    doubt: str = ""  # why a plausibility rule doubts; such a rule may be switched off with a reason


@cache
def rules() -> dict[str, Rule]:
    """Every kind of finding, from `checks/rules.toml`, in the order of the file."""
    text = files("outcomes").joinpath("checks/rules.toml").read_text(encoding="utf-8")
    return {name: Rule(name, **fields) for name, fields in tomllib.loads(text).items()}


def flag(
    rule: str,
    rows: pd.DataFrame | None = None,
    *,
    file: str = "",
    column: str | pd.Series = "",
    found: str | pd.Series = "",
    allowed: str | pd.Series = "",
    advice: str | pd.Series = "",
    participant: str = "",
    visit: str = "",
) -> pd.DataFrame:
    """Findings of one kind: one per row of `rows` (a part of a study table), or a single one without `rows`.

    Series are aligned with `rows`; a column `file` of `rows` takes the place of `file`. Severity and standing advice
    come from the rule; `advice` comes before the standing one.
    """
    known = rules()[rule]
    if rows is not None and rows.empty:
        return no_findings()
    index = pd.RangeIndex(1) if rows is None else rows.index

    def of_rows(name: str, otherwise: object) -> object:
        return otherwise if rows is None or name not in rows else rows[name]

    columns = {
        "severity": known.severity,
        "file": of_rows("file", file),
        "row": of_rows("row", pd.NA),
        "column": column,
        "participant": of_rows("participant", participant),
        "visit": of_rows("visit", visit),
        "rule": rule,
        "found": found if isinstance(found, str) else texts(found),
        "allowed": allowed,
        "advice": known.advice if isinstance(advice, str) and not advice else _before(advice, known.advice, index),
    }
    return pd.DataFrame({name: _typed(columns[name], index, "Int64" if name == "row" else "str") for name in columns})


def _typed(value: object, index: pd.Index, kind: str) -> pd.api.extensions.ExtensionArray:
    """One column of a frame of findings: a value for all rows, or one each."""
    if isinstance(value, pd.Series):
        return value.reindex(index).astype(kind).array
    return pd.array([value] * len(index), dtype=kind)


def _before(own: str | pd.Series, standing: str, index: pd.Index) -> pd.Series:
    """Advice on a finding before the standing advice of its rule."""
    return (pd.Series(own, index=index, dtype="str") + " " + standing).str.strip()


def gathered(found: pd.DataFrame) -> pd.DataFrame:
    """Findings that say the same of many cells of a column, as one that names every row: none is lost from the account.

    found: what `flag` returned. A cell alone of its kind keeps its row, participant and visit.
    """
    alike = found.groupby(["file", "column", "found", "allowed"], sort=False)
    sizes = alike["row"].transform("size")
    alone, first = found[sizes == 1], found[(sizes > 1) & (alike.cumcount() == 0)].copy()
    if not len(first):
        return found
    rows = {key: sorted(set(part["row"].dropna())) for key, part in alike}
    keys = list(zip(first["file"], first["column"], first["found"], first["allowed"], strict=True))
    said = [f" In {len(rows[key])} rows: {_spans(rows[key])}." if rows[key] else "" for key in keys]
    first["advice"] = (first["advice"] + pd.Series(said, index=first.index, dtype="str")).str.strip()
    first = first.assign(row=pd.NA, participant="", visit="").astype({"row": "Int64"})
    return pd.concat([alone, first]).sort_index().astype(found.dtypes).reset_index(drop=True)


def gathered_of_parts(found: pd.DataFrame) -> pd.DataFrame:
    """What `gathered` says of the whole, from what it said of every part."""
    said = found["advice"].str.extract(_ROWS, expand=True)
    spans = said[0].fillna(found["row"].astype("str"))
    rows = [[*range(int(a), int(b or a) + 1)] for text in spans for a, b in _SPAN.findall(text)]
    sizes = [len(_SPAN.findall(text)) for text in spans]
    apart = found.assign(advice=found["advice"].str.replace(_ROWS, "", regex=True).str.strip())
    apart = apart.loc[apart.index.repeat(sizes)].assign(row=pd.array(rows, dtype=object)).explode("row")
    whole = pd.concat([apart.astype({"row": "Int64"}), found[np.equal(sizes, 0)]])
    return gathered(whole.astype(found.dtypes).drop_duplicates().reset_index(drop=True))


_ROWS = re.compile(r" ?In \d+ rows: ([\d, -]+)\.$")
_SPAN = re.compile(r"(\d+)(?:-(\d+))?")


def _spans(rows: Sequence[int]) -> str:
    """ "2-10, 14" for 2 to 10 and 14."""
    spans: list[list[int]] = []
    for row in rows:
        if spans and row == spans[-1][-1] + 1:
            spans[-1] = [spans[-1][0], row]
        else:
            spans.append([row])
    return ", ".join("-".join(map(str, span)) for span in spans)


@cache
def no_findings() -> pd.DataFrame:
    """The shape of a frame of findings, without any."""
    types = {name: "Int64" if name == "row" else "str" for name in FINDING_COLUMNS}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in types.items()})


def as_text(value: object) -> str:
    """A cell as a person would write it: whole numbers without a decimal point, no tail of binary digits.

    >>> as_text(0.48913043478260876), as_text(12.25), as_text(131.66666666666666)
    ('0.489', '12.25', '131.667')
    """
    if isinstance(value, float):
        if value != value:
            return ""
        if value.is_integer():
            return repr(int(value))
        written = repr(value)
        if len(written) <= _LONGEST_NUMBER:
            return written
        return f"{value:.3g}" if abs(value) < 1 else f"{value:.3f}".rstrip("0").rstrip(".")
    return "" if value is None or value is pd.NA else str(value)


def texts(values: pd.Series) -> pd.Series:
    """`as_text` of every value; a column of text even where there is no row."""
    return values.map(as_text).astype("str")


class Findings:
    """All findings of a study. `blocking` is True where at least one is an error."""

    def __init__(self, frames: Iterable[pd.DataFrame] = ()):
        parts = [frame for frame in frames if len(frame)]
        if parts:
            joined = pd.concat(parts, ignore_index=True)[list(FINDING_COLUMNS)].drop_duplicates()
            rank = joined["severity"].map(SEVERITIES.index)
            self._frame = joined.assign(rank=rank).sort_values("rank", kind="stable").drop(columns="rank")
            self._frame = self._frame.reset_index(drop=True)
        else:
            self._frame = no_findings().copy()

    def frame(self) -> pd.DataFrame:
        """One row per finding, errors first; columns `FINDING_COLUMNS`."""
        return self._frame.copy()

    def __len__(self) -> int:
        return len(self._frame)

    def __add__(self, other: "Findings") -> "Findings":
        return Findings([self._frame, other._frame])

    @property
    def blocking(self) -> bool:
        """True where at least one finding is an error: the study is not analysed as it stands."""
        return bool((self._frame["severity"] == "error").any())

    def count(self) -> dict[str, int]:
        """Number of findings by severity."""
        counts = self._frame["severity"].value_counts()
        return {severity: int(counts.get(severity, 0)) for severity in SEVERITIES}

    def summary(self) -> pd.DataFrame:
        """One row per severity, rule, file and column, with the number of findings and the first of them."""
        keys = ["severity", "rule", "file", "column"]
        if not len(self._frame):
            return self._frame[keys].assign(count=pd.Series(dtype="int64"), first=pd.Series(dtype="str"))
        groups = self._frame.groupby(keys, sort=False)
        table = groups.size().rename("count").reset_index()
        first = groups.head(1).reset_index(drop=True)
        table["first"] = [paragraph(record) for record in first.to_dict("records")]
        return table

    def paragraphs(self, severities: Sequence[str] = SEVERITIES, per_kind: int = 3) -> list[str]:
        """Readable text, one paragraph per finding; of each kind and file the first `per_kind`, then a count."""
        texts = []
        chosen = self._frame[self._frame["severity"].isin(severities)]
        for (rule, file), group in chosen.groupby(["rule", "file"], sort=False):
            texts += [paragraph(record) for record in group.head(per_kind).to_dict("records")]
            if len(group) > per_kind:
                where = f"; {file}" if file else ""
                texts.append(f"... and {len(group) - per_kind} more of the same kind ({rule}{where}).")
        return texts

    def raise_if_blocking(self) -> "Findings":
        """The findings themselves, for chaining.

        Raises:
            StudyError: where an error was found; the message holds one paragraph per error.
        """
        if self.blocking:
            errors = self.count()["error"]
            number = "One finding blocks" if errors == 1 else f"{errors} findings block"
            raise StudyError("\n".join([f"{number} the analysis.", *self.paragraphs(("error",))]))
        return self

    def __str__(self) -> str:
        counts = self.count()
        head = ", ".join(f"{number} {severity}{'' if number == 1 else 's'}" for severity, number in counts.items())
        return "\n".join([head + ".", *self.paragraphs()])

    def _repr_html_(self) -> str:
        paragraphs = "".join(f"<li>{escape(text)}</li>" for text in self.paragraphs())
        return f"<p>{escape(str(self).splitlines()[0])}</p><ul>{paragraphs}</ul>"


def paragraph(record: dict) -> str:
    """One finding as a sentence or two: where, who, what, found against allowed, what to do."""
    row = record["row"]
    where = [str(record["file"])] if record["file"] else []
    if not pd.isna(row):
        where.append(f"row {int(row)}")
    where += [f"{name} {record[name]}" for name in ("column", "participant", "visit") if record[name]]
    text = (", ".join(where) + ": " if where else "") + rules()[record["rule"]].says
    seen = [f"found {record['found']}"] if record["found"] else []
    seen += [f"allowed {record['allowed']}"] if record["allowed"] else []
    text += (": " + ", ".join(seen) if seen else "") + "."
    return text[0].upper() + text[1:] + " " + record["advice"] if not where else text + " " + record["advice"]
