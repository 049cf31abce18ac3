"""The words that would name an arm, their near spellings, and texts without them.

Words are those of ids and labels of arms and of treatments. Near is a word that begins with one of them or holds it
(zebras, ZebraHours), or that differs by one letter (by two, where it is long). Two strengths: what people typed as
prose loses every such word; ids, headers and names of files only lose words that the kit itself does not use, because
`care` or `control` also stand in names of instruments, keys and sentences of the kit, where they tell nothing.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from rapidfuzz.distance import OSA

IN_PROSE, IN_IDS = "[hidden]", "hidden"
_WORD = re.compile(r"[^\W\d_]+")
_SHORTEST = 3  # letters of a word that tells; near spellings from 5, two letters away from 9
_NEAR, _FAR = 5, 9
_BETWEEN = frozenset(
    ("and", "the", "of", "with", "without", "plus", "for", "versus", "from", "not", "arm", "arms", "group", "groups",
     "treatment")
)  # fmt: skip
_PACKAGES = ("outcomes", "stats", "notebooks")
_SOURCES = (".py", ".toml", ".ipynb", ".j2", ".css", ".csv", ".js")


@dataclass(frozen=True)
class ArmWords:
    """Words of the arms of a blinded study, in small letters without accents, and their phrases as typed."""

    words: tuple[str, ...]
    phrases: tuple[str, ...]

    @classmethod
    def of(cls, texts: Iterable[str]) -> "ArmWords":
        """The words of ids and labels."""
        phrases = tuple(sorted({" ".join(text.split()) for text in texts if text.strip()}, key=len, reverse=True))
        words = {word for text in phrases for word in _plain_words(text)}
        return cls(tuple(sorted(word for word in words if len(word) >= _SHORTEST and word not in _BETWEEN)), phrases)

    def prose(self, text: str) -> str:
        """A text that people typed, without any word of an arm."""
        return self._without(text, self._tells, IN_PROSE)

    def name(self, text: str) -> str:
        """An id, a header or a name of a file, without words of an arm that the kit has no use of its own for."""
        return self._without(text, lambda word: self._tells(word) and word not in kit_words(), IN_IDS)

    def tells(self, text: str) -> bool:
        """Whether prose would lose a word."""
        return self.prose(text) != text

    def _without(self, text: str, telling: Callable[[str], bool], instead: str) -> str:
        for phrase in self.phrases:  # ids of signs that are no words (T-1), and labels as a whole
            if phrase in text and not any(len(word) >= _SHORTEST for word in _plain_words(phrase)):
                text = re.sub(rf"(?<![\w-]){re.escape(phrase)}(?![\w-])", instead, text)
        return _WORD.sub(lambda match: instead if telling(_plain(match[0])) else match[0], text)

    def _tells(self, word: str) -> bool:
        return any(_near(word, known) for known in self.words)


def _near(word: str, known: str) -> bool:
    if word == known:
        return True
    if len(known) < _NEAR:
        return False
    if known in word or (len(word) >= _NEAR and known.startswith(word)):
        return True
    most = 2 if len(known) >= _FAR else 1
    return abs(len(word) - len(known)) <= most and OSA.distance(word, known, score_cutoff=most) <= most


@cache
def _plain(word: str) -> str:
    text = unicodedata.normalize("NFKD", word.casefold())
    return "".join(sign for sign in text if not unicodedata.combining(sign))


def _plain_words(text: str) -> list[str]:
    return [_plain(word) for word in _WORD.findall(text)]


@cache
def kit_words() -> frozenset[str]:
    """Every word in the kit's own code, notebooks and data."""
    found: set[str] = set()
    for package in _PACKAGES:
        waiting = [files(package)]
        while waiting:
            place = waiting.pop()
            if place.is_dir():
                waiting += [part for part in place.iterdir() if not part.name.startswith((".", "__pycache__"))]
            elif place.name.endswith(_SOURCES):
                found |= set(_WORD.findall(place.read_bytes().decode("utf-8", "replace").casefold()))
    return frozenset(_plain(word) for word in found)
