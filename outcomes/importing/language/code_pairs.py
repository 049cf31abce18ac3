"""Codes and their words in one text: "1=male;2=female", "Sex (1 = male, 2 = female)"."""

import re

from outcomes.importing.language.cell_values import number_text

_PAIR = re.compile(r"([^\s,;:|=]+(?: [^\s,;:|=]+)?)\s*=\s*([^,;|=\n]+?)(?=\s*(?:[,;|\n]|$|\s[^\s,;:|=]+\s*=))")
_IN_HEADING = re.compile(r"[(\[]([^()\[\]]*=[^()\[\]]*)[)\]]|(?<!\S)(\w{1,3}\s*=.*)$", re.DOTALL)


def pairs_of(text: str) -> dict[str, str]:
    """Codes and words in one text: "1=male;2=female", "1, male | 2, female", "0 = no, 1 = yes"."""
    if "=" in text:
        return {code.strip(): words.strip() for code, words in _PAIR.findall(text)}
    found = {}
    for part in re.split(r"[|;\n]", text):
        match = re.fullmatch(r"\s*(-?\d+|[A-Za-z])\s*[,:]\s*(.+?)\s*", part)
        if match:
            found[match[1]] = match[2]
    return found


def heading_codes(text: str) -> tuple[str, dict[str, str]]:
    """ "Sex (1 = male, 2 = female)": the heading without its codes, and code -> words; ("max = 66" is none)."""
    codes: dict[str, str] = {}
    for match in _IN_HEADING.finditer(text):
        found = {code: words for code, words in pairs_of(match[1] or match[2]).items() if len(code) <= 3}
        found = {code: words for code, words in found.items() if not number_text(words)}
        if found:
            codes |= found
            text = text.replace(match[0], " ")
    return " ".join(text.split()), codes
