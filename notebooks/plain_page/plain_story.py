"""The result in plain words, for participants, families and funders: groups only, short words, numbers of page one."""

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from notebooks.plain_page.readability import readability
from notebooks.report.reader.summary_sheet import answer_of
from notebooks.report.run import Run
from notebooks.show.names import uncapped
from notebooks.show.numbers import number
from outcomes import Study

TEAM = "The study team writes here: "
LOOK = """:root { color-scheme: light dark; } body { font: 1.15rem/1.6 system-ui, Arial, sans-serif; max-width: 38rem;
margin: 0 auto; padding: 1.5rem; } h1 { font-size: 1.7rem; line-height: 1.2; }
h2 { font-size: 1.25rem; margin: 1.8rem 0 0.3rem; }
p { margin: 0.4rem 0; } .team { border: 1px dashed; padding: 0.5rem 0.8rem; } .foot { font-size: 0.9rem; }
@page { size: A4; margin: 18mm; }"""


@dataclass(frozen=True)
class Part:
    """A heading with its short paragraphs; `team`: what only the study team can say, as a blank with a hint."""

    heading: str
    lines: tuple[str, ...]
    team: str = ""


class Recorded:
    """Numbers of the first page by name."""

    def __init__(self, answer: Mapping):
        frame = dict(answer["frame"])
        self._rows = {name: {column: frame[column][k] for column in frame} for k, name in enumerate(frame["part"])}

    def row(self, start: str) -> dict | None:
        """The first number whose name begins so."""
        return next((row for name, row in self._rows.items() if name.startswith(start)), None)

    def whole(self, name: str) -> str | None:
        """A count, written."""
        row = self._rows.get(name)
        return None if row is None else number(row["estimate"], 0)


def write_plain(study: Study, runs: Sequence[Run], to: Path) -> None:
    """Write the page, where the report has an answer."""
    answer = answer_of(runs)
    if answer is None:
        to.unlink(missing_ok=True)
        return
    to.write_text(plain_html(study.protocol.title, plain_parts(study, answer)), encoding="utf-8")


def plain_parts(study: Study, answer: Mapping) -> list[Part]:
    """The story in its parts. Numbers are those of the first page, rounded."""
    told, known = answer["plain"], Recorded(answer)
    people = known.whole("people enrolled") or str(len(study.participants))
    population = study.protocol.estimand.get("population", "")
    return [
        Part("Why was this study done?", (), "why it was done, and what is usual today"),
        Part(
            "What was tried?", _tried(study, told), "" if study.protocol.estimand.get("treatment") else "what was tried"
        ),
        Part("Who took part?", (f"{people} people took part.", *([f"They were {population}."] if population else []))),
        Part("What was found?", _found(told, known)),
        Part("How sure is this?", _sure(told, known)),
        Part("What went wrong?", _wrong(study)),
        Part("What is next?", _next(known), "what comes next, and whom to ask"),
    ]


def plain_html(title: str, parts: Sequence[Part]) -> str:
    """The page; how easy it is to read stands at its foot."""
    body: list[str] = []
    text: list[str] = []
    for part in parts:
        body.append(f"<h2>{html.escape(part.heading)}</h2>")
        body += [f"<p>{html.escape(line)}</p>" for line in part.lines]
        if part.team:
            body.append(f'<p class="team">{TEAM}{html.escape(part.team)}.</p>')
        text += part.lines
    found = readability(" ".join(text))
    foot = (
        f"Reading ease of this page: {number(min(found.ease, 100), 0)} of 100 (Flesch; 60 and more is plain English), "
        f"about school year {number(max(found.grade, 1), 0)}. It tells of groups, not of any one person, and is no "
        "medical advice."
    )
    name = f"{html.escape(title)}: in plain words"
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<title>{name}</title><link rel="icon" href="data:,"><style>{LOOK}</style></head>'
        f"<body><main><h1>{name}</h1>{''.join(body)}"
        f'<p class="foot">{html.escape(foot)}</p></main></body></html>'
    )


def _tried(study: Study, told: Mapping) -> tuple[str, ...]:
    treatment = study.protocol.estimand.get("treatment", "")
    lines = [f"This study tried {uncapped(treatment)}."] if treatment else []
    if told["kind"] == "between":
        dealt = (
            "Chance decided who was in which group."
            if study.protocol.randomised
            else "The groups were not set by chance."
        )
        lines += [f"There were {len(told['groups'])} groups: {' and '.join(map(uncapped, told['groups']))}.", dealt]
    if told["kind"] == "within":
        lines.append("Each person had both in turn.")
    return tuple(lines)


def _found(told: Mapping, known: Recorded) -> tuple[str, ...]:
    if told["kind"] == "none":
        return ("There is no result yet.",)
    row = known.row("difference, ") or known.row("change, ")
    if row is None:
        return ("There is no result yet.",)
    decimals = 0 if abs(row["estimate"]) >= 3 else row["decimals"]
    size = number(abs(row["estimate"]), decimals)
    measure, unit = told["measure"], told["unit"]
    lines = [
        f"The main measure was the {measure} ({told['range']})."
        if told["range"]
        else f"The main measure was the {measure}."
    ]
    when = f"At {told['visit']}, " if told["visit"] else ""
    if told["kind"] in ("between", "within"):
        first, second = uncapped(told["groups"][0]), uncapped(told["groups"][-1])
        word = "more" if row["estimate"] >= 0 else "less"
        text = f"{when}people with {first} had gained about {size} {unit} {word} than with {second}."
    elif told["kind"] == "pooled":
        text = (
            f"{when}all people together had changed by about {size} {unit}. Nobody may know yet who was in which group."
        )
    else:
        text = f"{when}people had {'gained' if row['estimate'] >= 0 else 'lost'} about {size} {unit}."
    lines.append(text[:1].upper() + text[1:])
    counts = []
    for group in told["groups"] if told["kind"] != "pooled" else ():
        passed, of = known.whole(f"passed, {group}"), known.whole(f"observed, {group}")
        if passed is not None and of is not None:
            counts.append(f"{passed} of {of}" + (f" with {uncapped(group)}" if len(told["groups"]) > 1 else " people"))
    if counts and told["passed"]:
        lines.append(f"{' and '.join(counts)} gained {told['passed']}. An earlier study used that size of change.")
    return tuple(lines)


def _sure(told: Mapping, known: Recorded) -> tuple[str, ...]:
    row = known.row("difference, ") or known.row("change, ")
    lines = []
    if row is not None and row["conf_low"] is not None and told["kind"] != "none":
        decimals = 0 if row["conf_high"] - row["conf_low"] >= 3 else row["decimals"]
        low, high = (number(row[name], decimals) for name in ("conf_low", "conf_high"))
        lines.append(f"The true size may be anything from about {low} to {high} {told['unit']}.")
        if row["conf_low"] < 0 < row["conf_high"]:
            lines.append("That range holds zero: there may be no gain at all.")
    lines.append("This was a small study. It can not show that the treatment works.")
    if told["kind"] == "single":
        lines.append("There was no other group to compare with. People may have got better on their own.")
    return tuple(lines)


def _wrong(study: Study) -> tuple[str, ...]:
    if study.masked:
        return ("This can not be told yet, since nobody may know who was in which group.",)
    events = study.adverse_events
    if events.empty:
        return ("No harm was written down. That does not mean that there was none.", *_faults(study))
    people = events["participant"].nunique()
    serious = events.loc[events["serious"].eq("yes"), "participant"].nunique()
    first = (
        f"{people} {'person' if people == 1 else 'people'} had a health problem during the study, linked to it or not."
    )
    second = "None of these was serious." if not serious else f"For {serious} of them it was serious."
    return first, second, *_faults(study)


def _faults(study: Study) -> tuple[str, ...]:
    """What went wrong with devices."""
    faults = study.device_deficiencies
    if faults.empty:
        return ()
    times, harmed = len(faults), int(faults["event"].ne("").sum())
    harm = f"{harmed} of these led to a health problem." if harmed else "None of these led to a health problem."
    return f"Something was wrong with a device {'once' if times == 1 else f'{times} times'}.", harm


def _next(known: Recorded) -> tuple[str, ...]:
    met, amend, stop = (known.whole(f"criteria in {zone}") for zone in ("go", "amend", "stop"))
    if met is None and amend is None and stop is None:
        return ()
    total = sum(int(one) for one in (met, amend, stop) if one is not None)
    return (f"Before it began, the team set {total} goals for the study itself. It met {met or 0} of them in full.",)
