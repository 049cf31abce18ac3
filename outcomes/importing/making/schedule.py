"""The visits of the study, from every way in which the tables name them."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from statistics import median

from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.questions import CONFIRM, STUDY, Questions, as_numbers, slug

_DAYS_APART, _SHARE_APART = 10.0, 0.15  # from which the day in a visit's name is another one than the dates say (ours)
_NEAR = 0.2  # share of the day by which dates may differ from a round number of weeks


@dataclass
class Visit:
    """One planned visit. keys: every way of naming it."""

    id: str
    label: str
    word: VisitWord
    keys: set[tuple[object, ...]] = field(default_factory=set)
    words: list[str] = field(default_factory=list)
    day: float | None = None


class Schedule:
    """All planned visits in their order."""

    def __init__(self, visits: list[Visit]):
        self.visits = visits

    def find(self, word: VisitWord | None) -> Visit | None:
        """The visit a word names; the only one where a study has one visit and nothing is said."""
        if word is None:
            return self.visits[0] if len(self.visits) == 1 else None
        return next((visit for visit in self.visits if word.key in visit.keys), None)


def make_schedule(scopes: Iterable[tuple[str, list[VisitWord]]], questions: Questions) -> Schedule:
    """One list of visits from the words of every table; words of other kinds are matched by order, and said so.

    scopes: the name of a table (or of all sheets named after visits) and its visit words.
    """
    distinct = []
    for name, words in scopes:
        seen: dict[tuple[object, ...], VisitWord] = {}
        for word in words:
            seen.setdefault(word.key, word)
        distinct.append((name, list(seen.values())))
    if not distinct:
        return Schedule([Visit("baseline", "Baseline", VisitWord("pre", "Baseline"), {("pre",)}, day=0.0)])
    main = max(distinct, key=lambda entry: len(entry[1]))
    visits = [_visit(word) for word in _ordered(main[1])]
    schedule = Schedule(visits)
    for name, words in distinct:
        unknown = [word for word in words if schedule.find(word) is None]
        if not unknown:
            for word in words:
                _also(schedule.find(word), word)
            continue
        known = [word for word in words if word not in unknown]
        ordered = _ordered(words)
        pairs = list(zip(visits, ordered, strict=False))
        if len(words) == len(visits) and all(schedule.find(word) in (None, visit) for visit, word in pairs):
            said = ", ".join(f"{visit.label} = {word.label}" for visit, word in pairs)
            answer = questions.ask(
                CONFIRM,
                f"visit words {name}",
                name,
                f"Visits are named in different ways. Are these the same visits: {said}?",
                ("yes", "no"),
                "yes",
            )
            if not answer.lower().startswith("n"):
                for visit, word in pairs:
                    visit.keys.add(word.key)
                    _also(visit, word)
                continue
        for word in unknown:
            match = _lonely(word, visits, known, schedule)
            if match and _is_same(match, word, name, questions):
                match.keys.add(word.key)
                _also(match, word)
            else:
                visits.append(_visit(word))
    schedule.visits.sort(key=lambda visit: visit.word.order)
    _own_ids(schedule.visits)
    return schedule


def _is_same(match: Visit, word: VisitWord, name: str, questions: Questions) -> bool:
    text = f"Is {word.label!r} the visit {match.label!r}?"
    answer = questions.ask(CONFIRM, f"visit {word.label}", name, text, ("yes", "no"), "yes")
    return not answer.lower().startswith("n")


def _visit(word: VisitWord) -> Visit:
    name = slug(word.label)
    if word.kind == "ordinal" and word.label.strip().isdigit():
        name = f"visit{word.number}"
    return Visit(name, word.label, word, {word.key}, [word.label], day=word.day)


def _own_ids(visits: list[Visit]) -> None:
    seen: set[str] = set()
    for visit in visits:
        base, number = visit.id, 2
        while visit.id in seen:
            visit.id, number = f"{base}_{number}", number + 1
        seen.add(visit.id)


def _also(visit: Visit | None, word: VisitWord) -> None:
    assert visit is not None  # every word that comes here names a visit
    if word.label not in visit.words:
        visit.words.append(word.label)
    if visit.day is None:
        visit.day = word.day


def _ordered(words: list[VisitWord]) -> list[VisitWord]:
    """In time, where the words say so; as they came where they do not."""
    if any(word.kind == "word" for word in words):
        return words
    return sorted(words, key=lambda word: word.order)


def _lonely(word: VisitWord, visits: list[Visit], known: list[VisitWord], schedule: Schedule) -> Visit | None:
    """A first visit under another name: "baseline" beside "T0"; a follow-up beside one follow-up."""
    first, taken = visits[0], {id(schedule.find(other)) for other in known}
    starts = word.kind == "pre" or (word.kind == "ordinal" and word.number in (0,)) or word.key == ("pre",)
    if starts and id(first) not in taken and (first.word.kind in ("pre", "ordinal") or first.day == 0):
        return first
    if word.kind == "fu":
        later = [visit for visit in visits if visit.word.kind == "fu" and id(visit) not in taken]
        return later[0] if len(later) == 1 else None
    if word.day is not None:
        same = [visit for visit in visits if visit.day == word.day]
        return same[0] if same else None
    return None


def plan_days(schedule: Schedule, dates: dict[str, dict[str, date]], questions: Questions) -> None:
    """Planned days: from the words, else from the dates (to be confirmed), else asked.

    dates: participant -> visit id -> date.
    """
    visits = schedule.visits
    if visits[0].day is None:
        visits[0].day = 0.0
    seen = {visit.id: _usual(visits[0].id, visit.id, dates) for visit in visits}
    against = [visit for visit in visits if _against(visit.day, seen[visit.id])]
    if all(visit.day is not None for visit in visits) and not against:
        days = [visit.day for visit in visits if visit.day is not None]
        if days == sorted(days) and len(set(days)) == len(days):
            return
    if against:
        _ask_days(visits, against, seen, questions)
        return
    guesses = [visit.day if visit.day is not None else seen[visit.id] for visit in visits]
    # Where one guess is none, the second comparison is not made; the type checker does not see that.
    sure = all(guess is not None for guess in guesses) and guesses == sorted(set(guesses), key=guesses.index)  # type: ignore[type-var]
    names = ", ".join(visit.label for visit in visits)
    text = f"On which days after the first visit are {names} planned? The days in that order."
    proposal = ", ".join(f"{guess:g}" for guess in guesses if guess is not None) if sure else ""
    if sure:
        text += " The proposal is what the names say, or the usual distance between the dates."
    answer = questions.ask(CONFIRM if sure else STUDY, "visit days", "study.toml, visits", text, (), proposal)
    numbers = as_numbers(answer) if answer else []
    numbers = _understood(answer, numbers, visits, questions)
    for number, visit in enumerate(visits):
        visit.day = numbers[number] if numbers else guesses[number]
    _in_time(visits, numbers)


def _against(said: float | None, seen: float | None) -> bool:
    """Whether the dates say another day than the name of the visit: "3 months" may be counted from its end."""
    return said is not None and seen is not None and abs(said - seen) > max(_DAYS_APART, _SHARE_APART * said)


def _ask_days(visits: list[Visit], against: list[Visit], seen: dict[str, float | None], questions: Questions) -> None:
    """Names and dates of visits disagree: the days are asked, with what both say."""
    told = "; ".join(f"{visit.label!r} says {visit.day:g}, the dates say about {seen[visit.id]:g}" for visit in against)
    names = ", ".join(visit.label for visit in visits)
    answer = questions.ask(
        STUDY,
        "visit days",
        "study.toml, visits",
        f"On which days after the first visit are {names} planned? The days in that order. {told}.",
    )
    numbers = as_numbers(answer) if answer else []
    numbers = _understood(answer, numbers, visits, questions)
    for number, visit in enumerate(visits):
        visit.day = numbers[number] if numbers else seen[visit.id] if seen[visit.id] is not None else visit.day
    _in_time(visits, numbers)


def _understood(answer: str, numbers: list[float], visits: list[Visit], questions: Questions) -> list[float]:
    """The days of an answer: one a visit, each another one, the first visit's the least."""
    good = len(numbers) == len(visits) == len(set(numbers)) and numbers[0] == min(numbers)
    if answer and not good:
        allowed = f"{len(visits)} different numbers, one a visit, the first visit's the least"
        questions.refuse("visit days", f"found {answer!r}, allowed {allowed}")
    return numbers if good else []


def _in_time(visits: list[Visit], numbers: list[float]) -> None:
    """Visits in the order of the days somebody answered: "after" may come before or behind "3 months"."""
    if numbers:
        visits.sort(key=lambda visit: visit.day or 0.0)


def _usual(first: str, other: str, dates: dict[str, dict[str, date]]) -> float | None:
    """The usual number of days between two visits, in whole weeks where the dates are near to one."""
    gaps = [(days[other] - days[first]).days for days in dates.values() if first in days and other in days]
    if first == other:
        return 0.0
    if len(gaps) < 2:
        return None
    middle = float(median(gaps))
    if len(set(gaps)) == 1 and len(gaps) > 2:
        return middle  # everybody came on that very day
    weeks = round(middle / 7) * 7.0
    return weeks if abs(weeks - middle) <= max(2.0, _NEAR * 7) else float(round(middle))
