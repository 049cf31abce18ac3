"""The sentences of the first page: the answer, its caution, and what stands under the tiles. Numbers are marks."""

from collections.abc import Sequence

from notebooks.analysis import Analysis
from notebooks.first_page.how_sure import HowSure
from notebooks.first_page.main_result import Difference, MainResult, Span
from notebooks.first_page.named_numbers import NO_BREAK, NamedNumbers, Said, person
from notebooks.first_page.people_passed import Passed
from notebooks.show.names import Names, uncapped, unit_words
from outcomes import Study
from outcomes.lock.lock_file import LOCKED

DESIGNS = {"single-arm": "One-group", "parallel": "parallel", "crossover": "Crossover"}
COUNTED = {2: "Two-arm", 3: "Three-arm", 4: "Four-arm", 5: "Five-arm", 6: "Six-arm"}
STARTS = ("after", "before", "at ", "end of", "during", "on ")
CAN_CALL = 150  # people below which a page says that they are a pilot


def about(study: Study, result: MainResult | None, numbers: NamedNumbers) -> list[str]:
    """Design, people, visits and the visit spoken of, for the line under the title."""
    protocol, names = study.protocol, Names(study.protocol)
    design = DESIGNS[protocol.design]
    if protocol.design == "parallel":
        design = f"{COUNTED.get(len(protocol.arms), 'Many-arm')} parallel"
    enrolled = len(study.participants.drop_duplicates("participant"))
    people = numbers.count("people enrolled", enrolled)
    told = [f"{design} {'pilot' if enrolled < CAN_CALL else 'trial'}", f"{people.value} people"]
    if result is not None and result.kind == "between":
        parts = [numbers.count(f"people enrolled, {one.label}", one.enrolled).value for one in result.groups]
        told[-1] += f" ({' + '.join(parts)})"
    elif result is not None and protocol.design == "crossover":
        told[-1] += f", {len(protocol.periods)} periods each" if protocol.periods else ""
    last = protocol.later_visits[-1].id if protocol.later_visits else protocol.baseline.id
    told.append(f"{len(protocol.visits)} visits to {names.visit_words(last)}")
    if result is not None and result.visit:
        named = protocol.primary_visit is not None and protocol.primary_visit.id == result.visit
        told.append(f"{'primary visit' if named else 'last visit shown'}: {names.visit_words(result.visit)}")
    return told


def badges(study: Study) -> list[tuple[str, bool]]:
    """Locked or not, blinded or not; strong ones first."""
    if study.lock is not None:
        day = next((event.day for event in study.lock.events if event.event == LOCKED), "")
        count = len(study.departures)
        left = f", {count} {'departure' if count == 1 else 'departures'}" if count else ""
        lock = (f"Plan locked {day}{left}", bool(study.departures))
    else:
        lock = ("Plan not locked", False)
    seen = ("Blinded", True) if study.masked else ("Not blinded", False)
    return [lock, seen]


def at_visit(names: Names, visit: str) -> str:
    """ "At week 8", "After treatment"."""
    told = names.visit_words(visit)
    return told[:1].upper() + told[1:] if told.startswith(STARTS) else f"At {told}"


def headline(analysis: Analysis, result: MainResult, numbers: NamedNumbers) -> tuple[list[str], list[Said]]:
    """The answer: one sentence per comparison, strong words between asterisks; and its numbers."""
    protocol, names = analysis.study.protocol, Names(analysis.study.protocol)
    level = f"{100 * protocol.level:g}{NO_BREAK}% interval"
    measure, unit = names.everyday(result.outcome), unit_words(result.unit)
    told, said = [], []
    if result.kind in ("between", "within"):
        for one in result.compared(result.visit):
            number = _put(numbers, f"difference, {one.group.label} against {one.reference.label}", one.span, result)
            said.append(number)
            told.append(_compared(one, number, result, names, measure, unit, level))
        return told, said
    for change in result.at(result.visit):
        number = _put(numbers, "change, everybody", change.span, result)
        said.append(number)
        worse = change.span.estimate < 0 and not _nothing(change.span.estimate, result.decimals)
        who = "both arms together" if len(protocol.arms) == 2 else "all arms together"
        people = f"the {number.n} people" + (f" ({who})" if result.kind == "pooled" else "")
        told.append(
            f"{at_visit(names, result.visit)}, {people} had {'worsened' if worse else 'improved'} by "
            f"*{number.size}{NO_BREAK}{unit}* on the {measure} ({_signed_interval(number, worse, level)})."
        )
    return told, said


def _compared(
    one: Difference, number: Said, result: MainResult, names: Names, measure: str, unit: str, level: str
) -> str:
    less = one.span.estimate < 0 and not _nothing(one.span.estimate, result.decimals)
    size = f"*{number.size}{NO_BREAK}{unit} {'less' if less else 'more'}*"
    interval = _signed_interval(number, less, level)
    if result.kind == "within":
        return (
            f"With {uncapped(one.group.label)}, people improved by {size} in a period on the {measure} than the same "
            f"people with {uncapped(one.reference.label)} ({interval})."
        )
    return (
        f"{at_visit(names, result.visit)}, people in {uncapped(one.group.label)} had improved by {size} on the "
        f"{measure} than people in {uncapped(one.reference.label)} ({interval})."
    )


def _nothing(size: float, decimals: int) -> bool:
    """Whether a size is 0 to the decimals it is said with: then it has no direction either."""
    return abs(size) < 0.5 * 10.0**-decimals


def _signed_interval(number: Said, turned: bool, level: str) -> str:
    if not number.known:
        return number.interval
    return f"{number.value}; {level} {number.interval}" if turned else f"{level} {number.interval}"


def _put(numbers: NamedNumbers, name: str, span: Span, result: MainResult) -> Said:
    return numbers.put(name, span.estimate, span.low, span.high, n=result.n, unit=result.unit, decimals=result.decimals)


def caution(analysis: Analysis, result: MainResult, passed: Sequence[Passed], numbers: NamedNumbers) -> str:
    """What a reader must know before the number is used, in one place."""
    study, names = analysis.study, Names(analysis.study.protocol)
    told = []
    if result.n < CAN_CALL:
        people = numbers.count("people in the model", result.n).value
        told.append(f"A pilot with {people} people in the model describes; it does not show that the treatment works.")
    if result.kind == "single":
        told.append("There is no comparison: recovery by itself and practice in the test are in this change.")
    if result.kind == "pooled":
        told.append("No difference and no count by arm is shown until the study is unblinded.")
    if result.kind == "within":
        told.append(
            "An effect that carries over into the next period would bend this; no test of a pilot rules it out."
        )
    if result.kind == "between" and not study.protocol.randomised:
        told.append("The arms were not dealt by chance: differences between the people are in it.")
    if study.lock is None:
        told.append("Nothing shows which choices were made before the data were seen.")
    told += against_thresholds(result, passed, numbers)
    if study.protocol.primary_visit is None and result.visit:
        told.append("The plan names no primary visit: the last one is shown.")
    last = next((one.id for one in reversed(study.protocol.later_visits) if result.at(one.id)), result.visit)
    if last != result.visit and result.kind == "between":
        for one in result.compared(last)[:1]:
            later = numbers.put(
                f"difference at the last visit, {one.group.label}", one.span.estimate, one.span.low, one.span.high,
                n=result.n, unit=result.unit, decimals=result.decimals,
            )  # fmt: skip
            told.append(f"{at_visit(names, last)} the difference is {later.value} ({later.interval}).")
    return " ".join(told)


def against_thresholds(result: MainResult, passed: Sequence[Passed], numbers: NamedNumbers) -> list[str]:
    """Where the interval lies against the sizes of change of the plan."""
    span = result.headline[0] if result.headline else None
    if span is None or span.low is None or span.high is None:
        return []
    named = [one for one in passed if one.unit == result.unit][:2]
    inside = [one for one in named if span.low <= one.value <= span.high]
    nothing = ["no change" if result.kind in ("single", "pooled") else "no difference"]
    included = (nothing if span.low <= 0 <= span.high else []) + ([_sizes(inside, numbers)] if inside else [])
    told = [f"includes {' and '.join(included)}"] if included else []
    for where, sizes in (
        ("below", [one for one in named if span.high < one.value]),
        ("above", [one for one in named if span.low > one.value]),
    ):
        if sizes:
            told.append(f"lies {where} {_sizes(sizes, numbers)}")
    return [f"The interval {' and '.join(told)}."] if told else []


def _sizes(sizes: Sequence[Passed], numbers: NamedNumbers) -> str:
    """ "4.25 and 7.25 (both MCID, Page 2012)", or each with its own source."""
    if len(sizes) == 2 and (sizes[0].kind, sizes[0].source) == (sizes[1].kind, sizes[1].source):
        values = [numbers.size(one.value, one.unit).value for one in sizes]
        return f"{' and '.join(values)} (both {sizes[0].kind}, {sizes[0].source})"
    return " and ".join(f"{numbers.size(one.value, one.unit).value} ({one.kind}, {one.source})" for one in sizes)


def size_note(result: MainResult, size: Span | None, passed: Sequence[Passed], numbers: NamedNumbers) -> str:
    """Under the first tile: the effect in SD, and what the lines are."""
    told = []
    if size is not None:
        said = numbers.put("size of the effect", size.estimate, size.low, size.high, unit="SD", n=result.n, decimals=2)
        told.append(f"{said.value} SD at baseline ({said.interval}).")
    if passed:
        told.append("The sizes of the plan are for the change of one person; here they are drawn for scale.")
    return " ".join(told)


def passed_title(passed: Passed, numbers: NamedNumbers) -> str:
    """The question over the second tile."""
    size = f"{numbers.size(passed.value, passed.unit).value} {unit_words(passed.unit)}"
    if passed.rule.startswith(">="):
        return f"How many improved by {size} or more?"
    return f"How many improved by more than {size}?"


def passed_note(passed: Sequence[Passed], kind: str, labels: dict[str, str], numbers: NamedNumbers) -> str:
    """Under the second tile: whose threshold, the difference with its interval, the missing, the other thresholds."""
    first = passed[0]
    signs = "\N{BLACK CIRCLE} passed \N{WHITE CIRCLE} did not \N{MULTIPLICATION SIGN} missing."
    if first.crowded:
        signs = "Filled: passed; outline: did not; line: missing."
    told = [f"{first.kind[:1].upper()}{first.kind[1:]}, {first.source}. {signs}"]
    for one in first.differences[:1]:
        said = numbers.put(f"passed, difference, {one.group.label}", one.span.estimate, one.span.low, one.span.high,
                           unit="percentage points")  # fmt: skip
        text = f"Difference {said.value} percentage points ({said.interval})"
        if one.enrolled is not None:
            all_ = numbers.put(f"passed, difference, everyone enrolled, {one.group.label}", one.enrolled.estimate,
                               one.enrolled.low, one.enrolled.high, unit="percentage points")  # fmt: skip
            text += f"; with the missing as not passed {all_.value} ({all_.interval})"
        told.append(text + ".")
    if not first.differences and len(first.shares) == 1 and first.shares[0].span is not None:
        span = first.shares[0].span
        said = numbers.put("passed, share", span.estimate, span.low, span.high, n=first.shares[0].observed, unit="%")
        told.append(f"{said.value}{NO_BREAK}% ({said.interval}).")
    for place, other in enumerate(passed[1:2]):
        counts = [
            f"{numbers.count(f'passed size {place + 2}, {share.group.label}', share.passed).value} of "
            f"{numbers.count(f'observed size {place + 2}, {share.group.label}', share.observed).value}"
            for share in other.shares
        ]
        told.append(f"At {numbers.size(other.value, other.unit).value} ({other.source}): {' against '.join(counts)}.")
    told.append("Not a count of people helped.")
    return " ".join(told)


def sure_note(
    sure: HowSure, result: MainResult, missing: dict[str, int], labels: dict[str, str], numbers: NamedNumbers
) -> str:
    """Under the third tile: the furthest choice, the most influential person, the missing."""
    told = []
    decimals, unit = result.decimals, result.unit
    if sure.furthest is not None:
        said = numbers.put("furthest other choice", sure.furthest[2], unit=unit, decimals=decimals)
        # One person left out may lie further; the word is then for the choices of a whole analysis only.
        person_further = sure.influential is not None and (
            abs(sure.influential[1] - sure.by_plan) > abs(sure.furthest[2] - sure.by_plan)
        )
        head = "Furthest with everybody in" if person_further else "Furthest"
        told.append(f"{head}: {said.value}, {sure.furthest[1]} ({sure.furthest[0]}).")
    if sure.influential is not None:
        said = numbers.put("without the most influential person", sure.influential[1], unit=unit, decimals=decimals)
        told.append(f"Without {person(sure.influential[0])} it is {said.value}.")
    if missing:
        parts = []
        for arm, count in missing.items():
            said = numbers.count(f"missing, {labels[arm]}", count)
            parts.append(f"{said.value} in {uncapped(labels[arm])}" if len(labels) > 1 else said.value)
        told.append(f"No score pair: {', '.join(parts)}.")
    if sure.refused:
        told.append(f"Refused: {numbers.count('other choices refused', sure.refused).value}.")
    return " ".join(told)
