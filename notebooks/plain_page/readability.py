"""How hard a text is to read, by two old formulas that count words, sentences and syllables."""

import re
from dataclasses import dataclass

WORD = re.compile(r"[A-Za-z]+(?:'[a-z]+)?")
SENTENCE = re.compile(r"[.!?]+(?:\s|$)")
VOWELS = re.compile(r"[aeiouy]+")


@dataclass(frozen=True)
class Readability:
    """Counts of a text. ease: Flesch 1948 (J Appl Psychol 32:221-233), 0 to 100, higher is easier; grade: school years.

    grade: Kincaid et al. 1975 (US Navy Research Branch Report 8-75). Both were made for English prose; numbers written
    as digits are no words here, and syllables are counted by groups of vowels, right for about nine words in ten.
    """

    words: int
    sentences: int
    syllables: int

    @property
    def ease(self) -> float:
        return 206.835 - 1.015 * self.words / self.sentences - 84.6 * self.syllables / self.words

    @property
    def grade(self) -> float:
        return 0.39 * self.words / self.sentences + 11.8 * self.syllables / self.words - 15.59


def readability(text: str) -> Readability:
    """Counts of an English text.

    >>> found = readability("The cat sat on the mat. It was happy.")
    >>> (found.words, found.sentences, found.syllables)
    (9, 2, 10)
    """
    words = WORD.findall(text)
    sentences = max(1, len(SENTENCE.findall(text)))
    return Readability(max(1, len(words)), sentences, sum(map(syllables, words)))


def syllables(word: str) -> int:
    """Groups of vowels; a silent e at the end is none."""
    small = word.lower().removesuffix("'s")
    groups = len(VOWELS.findall(small))
    silent = small.endswith("e") and not small.endswith(("le", "ee", "ye")) and groups > 1
    silent = silent or (small.endswith("ed") and not small.endswith(("ted", "ded")) and groups > 1)
    return max(1, groups - silent)
