"""Codes that name a hand behind the person: "K1L" and "K1R" may be two hands of one person."""

import re
from collections import defaultdict

from outcomes.importing.finding.mapped_tables import Source
from outcomes.importing.language.vocabulary import simple, whole
from outcomes.importing.questions import ASK, Questions, slug

_HAND_BEHIND = re.compile(r"(.*\d)[\s_\-./]*([^\W\d_]+)")


def code_and_hand(code: str) -> tuple[str, str]:
    """A code without the hand behind it, and that hand ("left", "right"); ("", "") where it has none."""
    match = _HAND_BEHIND.fullmatch(code.strip())
    side = whole(match[2], "sides") if match else ""
    return (match[1], side) if match and side in ("left", "right") else ("", "")


def ask_hands(sources: list[Source], questions: Questions) -> None:
    """Asks whether the codes of a table are people or hands, where nearly all end in one and most come in pairs."""
    for source in sources:
        table = source.table
        if table.key is None or table.form or source.one("side"):
            continue
        codes = [code for line in table.lines if (code := table.view.text(line, table.key).strip())]
        sides: dict[str, set[str]] = defaultdict(set)
        for code in codes:
            person, side = code_and_hand(code)
            sides[person].add(side)
        if len(codes) < 4 or "" in sides or sum(len(both) == 2 for both in sides.values()) < len(sides) / 2:
            continue
        name = f"hands in codes {source.name}"
        answer = questions.ask(
            ASK,
            name,
            source.name,
            f"The codes come in pairs that end in a hand ({', '.join(sorted(codes)[:2])}). Are they the hands of one "
            "person, or two people?",
            ("hands of one person", "two people"),
        )
        if simple(answer).startswith(("hands", "yes")):
            source.hands = True
        elif not simple(answer).startswith(("two", "people", "no")):
            if answer:
                questions.refuse(name, f"found {answer!r}, allowed hands of one person, two people")
            source.waits = slug(name)
