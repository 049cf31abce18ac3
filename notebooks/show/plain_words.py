"""Texts without ids: outcomes and visits by their labels, thresholds and sources as readers cite them."""

import re
from collections.abc import Mapping
from functools import cache

from notebooks.show.numbers import short
from outcomes.library.registry import references, thresholds

KEY = re.compile(r"(?<![\w.-])[a-z][a-z0-9_]*(?:-[\w.]+)+(?![\w-])")
TABLE_OF_TOML = re.compile(r"\[\[?[a-z_]+\]\]? (?=[a-z])")  # "[estimand] visit": the name alone is enough
JOINED = re.compile(r"(?<=[A-Za-z0-9])_(?=[A-Za-z0-9])")


@cache
def known_keys() -> dict[str, str]:
    """Keys of published thresholds and of sources, with what readers call them."""
    told = {key: fields["short"] for key, fields in references().items() if "-" in key}
    for row in thresholds().to_dict("records"):
        told[row["key"]] = f"{short(row['value'])} {row['unit']}, {references()[row['source']]['short']}"
    return told


def in_plain_words(text: str, words: Mapping[str, str]) -> str:
    """A text with labels in place of ids. words: id of an outcome or a visit -> how a sentence calls it."""
    text = KEY.sub(lambda found: known_keys().get(found[0], found[0]), text)
    for known in sorted(words, key=len, reverse=True):
        if known in text and not known.isalpha():  # "start" is a word as well as a visit
            whole = rf"(?<![\w.]){re.escape(known)}(?![\w]|\.\w)"
            text = re.sub(whole, words[known].replace("\\", r"\\"), text)
    text = TABLE_OF_TOML.sub("", text).replace("study.toml", "the plan")
    return JOINED.sub(" ", text)
