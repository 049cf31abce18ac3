"""A source as a reader knows it: author and year, made of its citation; never the key it is filed under."""

import re

from outcomes.library.registry import references

YEAR = re.compile(r"\b(?:19|20)\d\d\b")
LONGEST = 40  # characters of a source without an author


def author_year(source: str) -> str:
    """ "page-2012" -> "Page 2012". A source that names no author gives its journal and year, or its first words."""
    return " and ".join(dict.fromkeys(_one(key) for key in re.split(r" / |; ", source)))


def _one(key: str) -> str:
    known = references().get(key)
    if known is None:
        return key
    text = known["citation"]
    year = YEAR.search(text)
    head = text[: year.start()] if year else text
    people = re.match(r"(?P<names>[^.;:(\d]+?)(?: et al)?\.\s", head)
    first = re.split(r",| and ", people["names"])[0].strip() if people else ""
    if first and year and len(first.split()) <= 4:
        return f"{first} {year[0]}"
    words = head.strip(" .,;(") if year else text
    if len(words) > LONGEST and year:
        words = words.rsplit(",", 1)[-1].strip()  # the journal
    if len(words) > LONGEST:
        words = words[:LONGEST].rsplit(" ", 1)[0]
    return f"{words} {year[0]}" if year else words
