"""One measured cell as a careful person reads it: a number, a missing code, a remark, or a question."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.importing.language.vocabulary import phrases, simple, spans, tokens, whole
from outcomes.reading.cells import tidy

# Single marks that stand for a test that was not done (common practice, no source).
_DASHES = ("-", "--", "---", ".", "..", "/")
_LEVEL_WORDS = ("none", "no", "nil", "keine", "kein", "aucun", "aucune", "ninguno", "ninguna", "nessuno", "geen", "na")
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)")
_OF_MAXIMUM = re.compile(r"([-+]?\d+(?:[.,]\d+)?)\s*(?:/|of|von|sur|de|di|van)\s*(\d+)")
_RANGE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:-|–|/|bis|to|à|or|oder|ou|o)\s*(\d+(?:[.,]\d+)?)")
_MARKS = re.compile(r"[*†‡#§¹²³]+|\^?[a-d]\)?")
_LETTERS = str.maketrans({"O": "0", "o": "0", "l": "1", "I": "1", "S": "5", "B": "8"})
_DOUBT = (
    "not done",
    "incomplete",
    "estimated",
    "approx",
    "about",
    "unsure",
    "not finished",
    "not completed",
    "partly",
    "last item",
    "unvollstandig",
    "geschatzt",
    "ca",
    "incomplet",
    "estime",
    "incompleto",
    "estimado",
    "stimato",
    "geschat",
    "onvolledig",
    "repeat",
    "retest",
    "wrong",
    "falsch",
    "error",
    "should be",
    "instead",
    "other hand",
    "pegs",
    "pins",
    "?",
)
_UNIT_WORDS = (
    "y",
    "yr",
    "yrs",
    "years",
    "year",
    "ans",
    "jahre",
    "j",
    "anos",
    "anni",
    "jaar",
    "points",
    "pts",
    "punkte",
    "blocks",
    "blocs",
    "bloques",
    "%",
    "months",
    "month",
    "mths",
    "monate",
    "mois",
    "meses",
    "mesi",
    "maanden",
)


@dataclass(frozen=True)
class Reading:
    """What a cell says. kind: "blank", "number", "reason", "status" (of the visit) or "ask".

    value: the number as text with a decimal point. reason: a word for a missing number, or the status of the visit.
    unit: typed in the cell. choices: what an open cell may mean, the likeliest first.
    """

    kind: str
    value: str = ""
    reason: str = ""
    remark: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    why: str = ""


def number_text(text: str) -> str:
    """A number with a decimal point and without a plus, "" where the text is no plain number."""
    cell = tidy(text)
    return cell.replace(",", ".").removeprefix("+") if _NUMBER.fullmatch(cell) else ""


def reason_of(text: str) -> tuple[str, str]:
    """The reason for a missing number that a text gives, and the rest of the text as a remark."""
    cell = tidy(text)
    if cell in _DASHES:
        return "not done", ""
    if found := whole(cell, "reasons"):
        return found, ""
    head, mark, tail = _parted(cell)
    if mark and (found := whole(head, "reasons")):
        return found, tail
    words = tokens(cell)
    known = phrases("reasons")
    for size in range(min(6, len(words)), 1, -1):
        if meanings := known.get(words[:size]):
            return meanings[0][1], cell
    said = {
        meaning
        for start, end, found in spans(words, "reasons")
        for _, meaning in found
        if end - start > 1 or len(words[start]) > 4
    }
    return (said.pop(), cell) if len(said) == 1 and len(words) <= 10 else ("", "")


def status_of(text: str) -> tuple[str, str]:
    """Whether the text says that the visit was missed or the person withdrew, and the remark."""
    cell = tidy(text)
    if found := whole(cell, "statuses"):
        return found, ""
    head, mark, tail = _parted(cell)
    if mark and (found := whole(head, "statuses")):
        return found, tail
    words = tokens(cell)
    known = phrases("statuses")
    for size in range(min(5, len(words)), 0, -1):
        meanings = known.get(words[:size])
        if meanings and meanings[0][1] != "attended" and (size > 1 or len(words[0]) > 6):
            return meanings[0][1], cell
    return "", ""


def _parted(cell: str) -> tuple[str, str, str]:
    match = re.match(r"(.+?)\s*(?:\s-\s?|-\s|[,;:(–])\s*(.+?)\)?\s*$", cell)
    return (match[1], " ", match[2]) if match else (cell, "", "")


def read_measure(
    text: str,
    codes: Mapping[str, str],
    missing: Sequence[str],
    high: float | None,
    extra: Mapping[str, float] | None = None,
    levels: Sequence[float] = (),
) -> Reading:
    """Reads the text of one measured cell.

    codes: code -> words of a code book; extra: answers typed as words ("1+"). levels: answers of the item; a code book
    that names them ("1 = none") does not make them missing.
    """
    cell = tidy(text)
    if not cell:
        return Reading("blank")
    key = _code_key(cell)
    plain = number_text(cell)
    level = (
        bool(plain) and key not in missing and (float(plain) in levels or simple(codes.get(key, "")) in _LEVEL_WORDS)
    )
    if (key in codes or key in missing) and not level:
        meaning = codes.get(key, "")
        reason, remark = reason_of(meaning)
        if reason:
            return Reading("reason", reason=reason)
        if key in missing or (meaning and whole(meaning, "reasons")):
            return Reading(
                "ask",
                choices=REASONS,
                why=f"declared as missing{': ' + meaning if meaning else ', without saying why'}",
            )
        if not number_text(cell):
            status, remark = status_of(meaning)
            if status:
                return Reading("status", reason=status, remark=remark)
            return Reading("ask", choices=REASONS, why=f"the code book says {meaning!r}")
    if extra and cell in extra:
        return Reading("number", value=cell)
    if value := number_text(cell):
        return Reading("number", value=value)
    return _composed(cell, high)


REASONS = ("not done", "not testable", "unable", "refused")


def _code_key(cell: str) -> str:
    value = number_text(cell)
    if value:
        number = float(value)
        return str(int(number)) if number.is_integer() else repr(number)
    return cell.lower()


def code_keys(codes: Mapping[str, str]) -> dict[str, str]:
    """A code book with its codes written as `read_measure` looks for them."""
    return {_code_key(tidy(code)): meaning for code, meaning in codes.items()}


def _composed(cell: str, high: float | None) -> Reading:
    status, remark = status_of(cell)
    reason, rest = reason_of(cell)
    if reason and not cell[:1].isdigit() and not (status and len(remark) < len(rest)):
        return Reading("reason", reason=reason, remark=rest)
    if status and status != "attended" and not cell[:1].isdigit():
        return Reading("status", reason=status, remark=remark or "")
    if (match := _OF_MAXIMUM.fullmatch(cell)) and high is not None and float(match[2]) == high:
        return Reading("number", value=match[1].replace(",", "."))
    if match := _RANGE.fullmatch(cell):
        return Reading("ask", choices=(match[1], match[2], *REASONS[:1]), why="two numbers in one cell")
    match = re.match(r"([-+]?\d+(?:[.,]\d+)?)(.*)$", cell, re.DOTALL)
    if not match:
        swapped = cell.translate(_LETTERS)
        if _NUMBER.fullmatch(swapped) and re.search(r"\d", cell):
            return Reading("ask", choices=(swapped.replace(",", "."), "not done"), why="a letter among digits")
        return Reading("ask", choices=REASONS, why="words nobody explained")
    value, tail = match[1].replace(",", "."), match[2].strip()
    if _NUMBER.fullmatch(cell.translate(_LETTERS)):
        return Reading(
            "ask", choices=(cell.translate(_LETTERS).replace(",", "."), "not done"), why="a letter among digits"
        )
    if _MARKS.fullmatch(tail) and not tail[0].isalpha():
        return Reading("number", value=value, remark=tail)
    unit = whole(tail.strip(" ().'"), "units") or ("°" if tail in ("°", "º") else "")
    if unit or simple(tail) in _UNIT_WORDS:
        return Reading("number", value=value, unit="" if unit in ("°", "degrees") else unit)
    inside = re.fullmatch(r"[-–,;:]?\s*\(?(.*?)\)?", tail, re.DOTALL)
    remark = inside[1].strip() if inside else tail
    opened = tail[:1] in "(,;:" or (match[2][:1].isspace() and bool(re.match(r"[^\W\d_]|[-–]\s", tail)))
    doubtful = (
        not opened
        or tail[:1].isdigit()
        or any(
            word in f" {simple(tail)} " or (word == "?" and "?" in tail)
            for word in (f" {d} " if d != "?" else d for d in _DOUBT)
        )
        or bool(re.search(r"(?<![\w])\d+(?:[.,]\d+)?(?![\w])", remark))
    )
    if doubtful:
        return Reading("ask", value=value, remark=remark, choices=(value, *REASONS[:1]), why="a number with a doubt")
    return Reading("number", value=value, remark=remark)


def suspicious(values: Sequence[float]) -> set[float]:
    """Values that look like a code for a missing number although they lie inside the range of the test.

    Repeated nines, eights or sevens, or -1 and -9, far from every other value of the column (outside three
    interquartile ranges). Our rule; it may miss a code among values of its size, and asks rather than decides.
    """
    counted = np.asarray([value for value in values if np.isfinite(value)])
    suspects = {value for value in counted if _codelike(value)}
    found = set()
    for value in suspects:
        others = counted[counted != value]
        if len(others) < 4:
            continue
        low, high = np.quantile(others, [0.25, 0.75])
        spread = 3 * max(high - low, 0.05 * max(abs(high), 1.0))
        if value > max(high + spread, others.max()) or value < min(low - spread, others.min()):
            found.add(float(value))
    return found


def _codelike(value: float) -> bool:
    text = str(int(abs(value))) if float(value).is_integer() else ""
    return (len(text) >= 2 and len(set(text)) == 1 and text[0] in "789") or value in (-1, -9, -8, -7)
