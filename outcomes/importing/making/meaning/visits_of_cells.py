"""At which visit a cell was measured."""

from collections import Counter

from outcomes.importing.finding.observations import Observation
from outcomes.importing.language.visit_words import VisitWord
from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Accounts
from outcomes.importing.making.schedule import Visit
from outcomes.importing.questions import ASK


def visit_of(accounts: Accounts, o: Observation) -> Visit | None:
    """The planned visit, None while a question about it is open."""
    other = o.column.meaning.other_visit
    if other is not None and not o.record.source.long:
        name = f"visit of {o.column.name}"
        choices = [word.label for word in (o.column.meaning.visit, other) if word]
        answer = accounts.questions.ask(
            ASK,
            name,
            f"{o.record.source.name}, {o.column.name}",
            f"The name of the column says {choices[0]}, its label {choices[1]}. From which visit are the values?",
            choices,
        )
        if not answer:
            accounts.hold(o, name)
            return None
        found = accounts.named(answer)
        if found is None and simple(answer) == simple(other.label):
            found = accounts.schedule.find(other) or _labelled(accounts, o, other)
        if found is None:
            accounts.questions.refuse(name, f"found {answer!r}, allowed {', '.join(choices)}")
            accounts.hold(o, name)
        return found
    found = accounts.schedule.find(o.visit)
    if found is not None:
        return found
    where = o.record.source.name
    own = f" {o.column.name}" if any(c.meaning.visit for c in o.record.source.columns) else ""
    name = f"visit of {where}{own}" if o.visit is None else f"visit {o.visit.label}"
    text = "From which visit are these values?" if o.visit is None else f"Which visit is {o.visit.label!r}?"
    answer = accounts.questions.ask(ASK, name, where, text, [v.label for v in accounts.schedule.visits])
    found = accounts.named(answer) if answer else None
    if found is None:
        if answer:
            accounts.questions.refuse(
                name, f"found {answer!r}, allowed {', '.join(v.label for v in accounts.schedule.visits)}"
            )
        accounts.hold(o, name)
    return found


def _labelled(accounts: Accounts, o: Observation, word: VisitWord) -> Visit | None:
    """The visit that most other columns with this word in their label have by their name."""
    named = Counter(
        c.meaning.visit
        for c in o.record.source.measures
        if c is not o.column and c.meaning.other_visit and c.meaning.other_visit.key == word.key
    )
    often = [visit for visit, count in named.items() if count == max(named.values())]
    return accounts.schedule.find(often[0]) if len(often) == 1 else None
