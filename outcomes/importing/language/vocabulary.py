"""Words of headings and cells: split into tokens and looked up in `words.toml`."""

import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files

from outcomes.library.registry import instruments

Phrases = Mapping[tuple[str, ...], tuple[tuple[str, str], ...]]
_LONGEST = 7
_SPLIT = re.compile(r"[a-z]+|[^\W\d_a-z]+|\d+(?:[.,]\d+)?|[+°%]")
# "FMApre", "patID": a capital after a small letter, or two small letters after a run of capitals, begin a new word.
_JOINED = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z]{3})(?=[a-z]{2})")
_APART = str.maketrans({"ß": "ss", "ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ı": "i", "∆": "δ"})


def simple(text: str) -> str:
    """Lower case without accents, in any script; a hyphen, an underscore and every other mark a blank."""
    folded = unicodedata.normalize("NFKD", text.translate(_APART).lower().translate(_APART))
    bare = "".join(mark for mark in folded if not unicodedata.combining(mark))
    return " ".join(re.sub(r"[^\w+°%]|_", " ", bare).split())


@cache
def tokens(text: str) -> tuple[str, ...]:
    """The words and numbers of a text; "Grip R1" gives grip, r, 1; "FMApre" fma, pre."""
    return tuple(_SPLIT.findall(simple(_JOINED.sub(" ", text))))


@cache
def groups() -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    """The lists of `words.toml`."""
    text = files("outcomes.importing.language").joinpath("words.toml").read_text(encoding="utf-8")
    return {
        name: {meaning: tuple(words) for meaning, words in group.items()} for name, group in tomllib.loads(text).items()
    }


@cache
def phrases(*names: str) -> Phrases:
    """Token sequences of some groups and what each may mean, as (group, meaning)."""
    found: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for name in names:
        for meaning, words in groups()[name].items():
            for word in words:
                key = tokens(word)
                if key and (name, meaning) not in found.setdefault(key, []):
                    found[key].append((name, meaning))
    if "instruments" in names:
        for key, meaning in _catalogue().items():
            if key not in found:
                found[key] = [("instruments", meaning)]
    return {key: tuple(meanings) for key, meanings in found.items()}


@cache
def _catalogue() -> Mapping[tuple[str, ...], str]:
    """Ids, names and short forms of the catalogue that name one instrument; none that ends with a number, which would
    take the 30th item of a form for the form of 30 items."""
    found: dict[tuple[str, ...], set[str]] = {}
    for known in instruments().values():
        for text in (known.id, known.name, known.name.split(",")[0], known.short):
            words = tokens(text)
            if words and not words[-1].isdigit() and words != ("motion",):
                found.setdefault(words, set()).add(known.id)
    return {words: next(iter(named)) for words, named in found.items() if len(named) == 1}


def whole(text: str, group: str) -> str:
    """What the whole text means in a group, "" where it is none of its words."""
    meanings = phrases(group).get(tokens(text), ())
    return meanings[0][1] if meanings else ""


def within(text: str, group: str) -> list[str]:
    """Every meaning of a group whose words stand in the text, the longest words first."""
    return [meaning for _, _, meanings in spans(tokens(text), group) for _, meaning in meanings]


def spans(words: tuple[str, ...], *names: str) -> Iterator[tuple[int, int, tuple[tuple[str, str], ...]]]:
    """Phrases found in the words from left to right, the longest first at each place: (start, end, meanings)."""
    known = phrases(*names)
    start = 0
    while start < len(words):
        for end in range(min(len(words), start + _LONGEST), start, -1):
            if meanings := known.get(words[start:end]):
                yield start, end, meanings
                start = end
                break
        else:
            start += 1
