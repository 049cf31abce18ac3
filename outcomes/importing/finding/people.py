"""Codes of participants that are written in several ways, made alike."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

_PARTS = re.compile(r"[^\W\d_]+|\d+")


@dataclass
class Codes:
    """How each typed code is written in the study folder. spelled: typed text -> code."""

    spelled: dict[str, str] = field(default_factory=dict)

    def of(self, typed: str) -> str:
        return self.spelled.get(typed, typed.strip())


def key_of(typed: str) -> tuple[str, ...]:
    """Equal for codes that differ by case, blanks, hyphens or leading zeros only."""
    text = typed.strip()
    if re.fullmatch(r"\d+\.0", text):
        text = text[:-2]
    return tuple(part.lstrip("0") or "0" if part.isdigit() else part.upper() for part in _PARTS.findall(text))


def make_alike(typed: Iterable[str], listed: Iterable[str] = ()) -> Codes:
    """One spelling per participant: the one of the list of participants, made like most codes there.

    listed: codes of the table that describes people, which decides where it has the person.
    """
    counted = Counter(text for text in typed if text.strip())
    main = Counter(text for text in listed if text.strip()) or counted
    pattern = Counter(_pattern(text) for text in main).most_common(1)
    usual = pattern[0][0] if pattern else ""
    groups: dict[tuple[str, ...], list[str]] = {}
    for text in [*main, *counted]:
        if text not in groups.setdefault(key_of(text), []):
            groups[key_of(text)].append(text)
    codes = Codes()
    for texts in groups.values():
        inside = [text for text in texts if text in main] or texts
        best = max(inside, key=lambda text: (_pattern(text) == usual, main[text], counted[text]))
        chosen = _like(best.strip(), usual, [text.strip() for text in main if _pattern(text) == usual])
        for text in texts:
            codes.spelled[text] = chosen
    return codes


def _pattern(text: str) -> str:
    """ "HB 12" gives "A 9": letters in their case, digits as 9."""
    shaped = re.sub(r"\d+", "9", text.strip())
    return re.sub(r"[^\W\d_]+", lambda m: "A" if m[0].isupper() else "a", shaped)


def _like(text: str, usual: str, examples: list[str]) -> str:
    """The code written in the usual pattern, where it has the same letters as the others."""
    if re.fullmatch(r"\d+\.0", text):
        text = text[:-2]
    if not usual or _pattern(text) == usual or not examples:
        return text
    parts, model = _PARTS.findall(text), _PARTS.findall(examples[0])
    if len(parts) != len(model) or any(a.isdigit() != b.isdigit() for a, b in zip(parts, model, strict=True)):
        return text
    seps = _PARTS.split(examples[0])
    letters = {part.upper(): part for example in examples for part in _PARTS.findall(example) if not part.isdigit()}
    if any(not part.isdigit() and part.upper() not in letters for part in parts):
        return text
    written = [part if part.isdigit() else letters[part.upper()] for part in parts]
    widths = {len(p) for example in examples for p in _PARTS.findall(example) if p.isdigit()}
    if len(widths) == 1:
        width = widths.pop()
        written = [part.lstrip("0").zfill(width) if part.isdigit() else part for part in written]
    return seps[0] + "".join(part + sep for part, sep in zip(written, seps[1:], strict=False))
