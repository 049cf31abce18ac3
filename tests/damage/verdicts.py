"""What the kit makes of a damaged folder: refused or read, every line accounted for, nothing changed in silence.

Texts are read here a second time, line by line, without the program's reader.
"""

import re
import signal
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from outcomes import InstrumentError, StudyError, check, read_study, score
from outcomes.checks.accounting import accounting, line_accounting
from outcomes.sheets import SHEETS

SECONDS = 60  # of the processor, so that a busy machine counts no hang that is none
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_LABELS = (
    "participant",
    "visit",
    "instrument",
    "item",
    "scale",
    "trial",
    "arm",
    "session",
    "joint",
    "digit",
    "movement",
)


class Hang(BaseException):
    """A case that took longer than SECONDS; no `except Exception` of the kit can swallow it."""


@dataclass
class Verdict:
    """One case. outcome: "refused", "blocked", "read", or what must not be: "traceback", "hang"."""

    case: str
    outcome: str
    said: str = ""
    unaccounted: int = 0
    silent: list[str] = field(default_factory=list)


@contextmanager
def limited() -> Iterator[None]:
    """Raises Hang in whatever runs longer than SECONDS."""

    def late(number: int, frame: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


@dataclass(frozen=True)
class Good:
    """What the undamaged folder gives: findings by kind, scores, and rows by table."""

    said: Counter
    scores: pd.DataFrame
    rows: dict[str, int]


def of_good(folder: Path) -> Good:
    """The undamaged folder, read once."""
    study = read_study(folder)
    return Good(_said(check(study).frame()), score(study), dict(study.rows_read))


def _said(findings: pd.DataFrame) -> Counter:
    return Counter(findings["rule"] + "|" + findings["file"])


def judge(folder: Path, case: str, good: Good, told: bool) -> Verdict:
    """The verdict on a damaged folder."""
    try:
        with limited():
            return _judged(folder, case, good, told)
    except Hang:
        return Verdict(case, "hang")
    except Exception:  # whatever came out is what a user would have seen
        return Verdict(case, "traceback", traceback.format_exc())


def _judged(folder: Path, case: str, good: Good, told: bool) -> Verdict:
    try:
        study = read_study(folder)
    except StudyError as refusal:
        return Verdict(case, "refused", str(refusal))
    findings = check(study)
    frame = findings.frame()
    verdict = Verdict(case, "blocked" if findings.blocking else "read")
    lines = line_accounting(study)
    verdict.unaccounted = int(lines["unaccounted"].abs().sum())
    try:
        scores = score(study)
    except InstrumentError as refusal:
        verdict.said = str(refusal)
        return verdict
    verdict.unaccounted += int(accounting(study, scores, findings)["unaccounted"].abs().sum())
    verdict.silent += list(_cells_read_otherwise(study, frame))
    news = _said(frame) - good.said
    if told and not news:
        if dict(study.rows_read) != good.rows:
            verdict.silent.append(f"rows {dict(study.rows_read)}, were {good.rows}, and nothing was said")
        elif not scores.equals(good.scores):
            verdict.silent.append("scores changed and nothing was said")
    return verdict


def _cells_read_otherwise(study, findings: pd.DataFrame) -> Iterator[str]:
    """Cells of text files that were read as something else than stands there, in a row that no finding names."""
    for table in SHEETS:
        frame = study.table(table)
        file = study.files.get(table, "")
        path = study.folder / file
        if frame.empty or path.suffix not in (".csv", ".tsv") or ", " in file:
            continue
        raw = path.read_bytes()
        rows = _plain_rows(raw)
        if rows is None:
            continue
        named = set(findings.loc[findings["file"] == file, "row"].dropna().astype(int))
        header = {plain: study.header(table, plain) for plain in SHEETS[table].names}
        # Findings about a whole column or the file (a renamed header, another encoding) say it once.
        typed = {count.file: count.header for count in study.lines}.get(file, 1)
        if typed > len(rows) or typed < 1:
            continue
        places = {text.strip(): place for place, text in enumerate(rows[typed - 1])}
        for row in frame.itertuples():
            if row.row in named or row.row > len(rows):
                continue
            cells = rows[row.row - 1]
            yield from _differences(row, cells, header, places, f"{file}, row {row.row}")


def _differences(row, cells: list[str], header: dict, places: dict, where: str) -> Iterator[str]:
    def typed(column: str) -> str | None:
        place = places.get(header.get(column, column))
        return None if place is None else cells[place].strip() if place < len(cells) else ""

    for column in _LABELS:
        text = typed(column)
        read = getattr(row, column, None)
        if text is None or read is None or isinstance(read, float):
            continue
        if text != read:
            yield f"{where}, {column}: {text[:30]!r} read as {read!r}"
    measure = "degrees" if hasattr(row, "degrees") else "value"
    text, read = typed(measure), getattr(row, measure, None)
    if text is not None and read is not None and read == read and not (_NUMBER.fullmatch(text) and float(text) == read):
        yield f"{where}, {measure}: {text[:30]!r} read as {read!r}"


def _plain_rows(raw: bytes) -> list[list[str]] | None:
    """Cells of a text without quotation marks, line by line; None where there are marks or the code is not plain."""
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    if '"' in text:
        return None
    lines = re.split(r"\r\n|\n|\r", text)
    mark = max("\t;,", key=lambda sign: max(line.count(sign) for line in lines[:20]))
    return [line.split(mark) for line in lines]
