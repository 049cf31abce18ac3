"""What only a person can answer: one question a cause, with its places, and the answers as they were typed."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from outcomes.importing.language.cell_values import REASONS, number_text, reason_of
from outcomes.importing.language.vocabulary import simple, whole

ASK, STUDY, CONFIRM = "ask", "study", "confirm"
KINDS = {
    ASK: "cells wait for the answer",
    STUDY: "study.toml needs the answer",
    CONFIRM: "assumed as the proposal says until somebody answers otherwise",
}
_PLACES_SHOWN = 6


@dataclass
class Question:
    """One question. choices: answers that are understood (others may be, the text says which). answer: "" while open.

    An answer for single places may be typed as a table, place -> answer.
    """

    id: str
    kind: str
    text: str
    choices: tuple[str, ...] = ()
    proposal: str = ""
    answer: str | Mapping[str, str] = ""
    places: list[str] = field(default_factory=list)
    problem: str = ""  # why a typed answer was not understood

    @property
    def place(self) -> str:
        """The places in one text, the first ones only where they are many."""
        shown = self.places[:_PLACES_SHOWN]
        more = len(self.places) - len(shown)
        return ", ".join(shown) + (f" and {more} more" if more else "")

    @property
    def open(self) -> bool:
        return not self.answer or bool(self.problem)


class Questions:
    """Collects questions while the files are read, and gives the answers that are there."""

    def __init__(self, answers: Mapping[str, str | Mapping[str, str]]):
        self.answers = {key: value for key, value in answers.items() if value not in ("", None, {})}
        self.asked: dict[str, Question] = {}

    def ask(
        self, kind: str, name: str, place: str, text: str, choices: Iterable[str] = (), proposal: str = "", of: str = ""
    ) -> str:
        """The answer, or the proposal of a question to confirm; "" while a question is open.

        of: what an answer given as a table is looked up by.
        """
        name = slug(name)
        question = self.asked.get(name)
        if question is None:
            question = Question(name, kind, text, tuple(dict.fromkeys(choices)), proposal, self.answers.get(name, ""))
            self.asked[name] = question
        else:
            question.choices = tuple(dict.fromkeys((*question.choices, *choices)))
        if place and place not in question.places:
            question.places.append(place)
        answer = question.answer
        if isinstance(answer, Mapping):
            known = {simple(str(key)): str(value) for key, value in answer.items()}
            answer = known.get(simple(of)) or known.get(simple(place)) or known.get("rest", "")
        answer = str(answer).strip()
        if not answer:
            return proposal if kind == CONFIRM else ""
        if proposal and simple(answer) in ("yes", "y", "ja", "oui", "si", "ok", "true", "correct"):
            return proposal
        return matched(answer, question.choices)

    def refuse(self, name: str, why: str) -> None:
        """Notes that an answer was not understood: the question stays open."""
        self.asked[slug(name)].problem = why

    @property
    def listed(self) -> list[Question]:
        order = list(KINDS)
        return sorted(self.asked.values(), key=lambda question: order.index(question.kind))


def slug(text: str) -> str:
    """A short name for a question, stable as long as its cause is the same."""
    return re.sub(r"\W+", "_", simple(text)).strip("_")[:80] or "question"


def matched(answer: str, choices: Iterable[str]) -> str:
    """The choice an answer means, else the answer as typed."""
    said = simple(answer)
    choices = list(choices)
    for choice in choices:
        if simple(choice) == said:
            return choice
    if number_text(answer):
        return answer
    starts = [
        c for c in choices if simple(c) and (said.startswith(simple(c) + " ") or simple(c).startswith(said + " "))
    ]
    if len(starts) == 1 and not number_text(starts[0]):
        return starts[0]
    inside = [c for c in choices if len(simple(c)) > 3 and f" {simple(c)} " in f" {said} "]
    return inside[0] if len(inside) == 1 else answer


def as_value(answer: str, typed: str = "") -> tuple[str, str]:
    """An answer about a cell as (number, reason); ("", "") where it is neither. "keep" gives the number as typed."""
    text = answer.strip()
    if value := number_text(text):
        return value, ""
    if typed and re.match(r"(?i)\s*(keep|as typed|count|use it|the cell)", text):
        return typed, ""
    reason, _ = reason_of(text)
    if reason in REASONS or reason == "not applicable":
        return "", reason
    if match := re.match(r"\s*([-+]?\d+(?:[.,]\d+)?)\b(?!\s*[=:])", text):
        return match[1].replace(",", "."), ""
    for part in re.split(r"[,;:.(]", text):
        reason = whole(part, "reasons")
        if reason:
            return "", reason
    numbers = re.findall(r"[-+]?\d+(?:[.,]\d+)?", text)
    return (numbers[0].replace(",", "."), "") if len(numbers) == 1 else ("", "")


def as_numbers(answer: str) -> list[float]:
    """The numbers of an answer like "0, 42, 126"."""
    return [float(text) for text in re.findall(r"-?\d+(?:\.\d+)?", answer)]
