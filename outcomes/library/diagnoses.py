"""Diagnoses in people's own words, and the families that thresholds were published for."""

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from outcomes.errors import InstrumentError

ANY = "any"  # a review over several populations


@dataclass(frozen=True)
class Family:
    """A family of diagnoses. words, unless: regular expressions; within: the larger family it belongs to."""

    name: str
    words: tuple[re.Pattern[str], ...]
    unless: tuple[re.Pattern[str], ...]
    within: str


@cache
def families() -> Mapping[str, Family]:
    """Every family of diagnoses by name."""
    content = tomllib.loads((files("outcomes") / "library" / "diagnoses.toml").read_text(encoding="utf-8"))
    known = {
        name: Family(
            name,
            tuple(re.compile(word) for word in raw["words"]),
            tuple(re.compile(word) for word in raw.get("unless", ())),
            raw.get("within", ""),
        )
        for name, raw in content.items()
    }
    lost = sorted({family.within for family in known.values() if family.within} - set(known))
    if lost:
        raise InstrumentError(f"diagnoses.toml: families lie within {', '.join(lost)}, which there are none of.")
    return known


@cache
def families_of(diagnosis: str) -> frozenset[str]:
    """The families a diagnosis belongs to, with the larger ones each lies within; empty where the words say nothing.

    >>> sorted(families_of("Ischaemic stroke, left MCA"))
    ['stroke']
    >>> sorted(families_of("cervical cord injury, complete"))
    ['spinal cord injury', 'tetraplegia']
    """
    plain = unicodedata.normalize("NFKD", diagnosis.casefold().replace("ß", "ss"))
    text = "".join(letter for letter in plain if not unicodedata.combining(letter)).replace("-", " ")
    found: set[str] = set()
    for family in families().values():
        if any(word.search(text) for word in family.words) and not any(word.search(text) for word in family.unless):
            found.add(family.name)
    for name in tuple(found):
        while families()[name].within:
            name = families()[name].within
            found.add(name)
    return frozenset(found)


def belongs(diagnosis: str, wanted: tuple[str, ...]) -> bool | None:
    """Whether a diagnosis is of one of the families; None where its words do not say.

    Who is known to be of a larger family only ("spinal cord injury") is not known to be of one within it.
    """
    own = families_of(diagnosis)
    if ANY in wanted or own & set(wanted):
        return True
    within = {families()[name].within for name in wanted if name in families()}
    deepest = {name for name in own if not any(families()[other].within == name for other in own)}
    return None if not own or (deepest & within) else False
