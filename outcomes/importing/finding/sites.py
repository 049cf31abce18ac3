"""Files or sheets that number their people alike: one person measured twice, or two sites with people of their own."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping

from outcomes.importing.finding.observations import Observation, Record
from outcomes.importing.finding.people import key_of
from outcomes.importing.language.cell_values import number_text
from outcomes.importing.language.vocabulary import simple, tokens, within
from outcomes.importing.questions import ASK, Questions

Code = tuple[str, ...]
NAME = "same codes"
_SURE = ("age", "sex")  # one difference is enough to ask
_DOUBTFUL = ("affected_side", "dominant_side", "diagnosis", "arm")  # may be a slip: most codes must differ


def part_sites(
    records: list[Record],
    observations: list[Observation],
    questions: Questions,
    hold: Callable[[Record], None],
) -> dict[str, str]:
    """Asks where codes clash and, once answered, gives people of different sites codes of their own.

    hold: keeps a record out while the question is open. Returns participant -> site, for those whose site is known.
    """
    scopes, clashing = _clashes(records, observations)
    if not clashing:
        return _named_sites(records)
    names = _names_of(scopes)
    one = next(r.participant for r in records if key_of(r.typed) in clashing)
    choices = ", ".join(f'"{scope}" = "{name}-"' for scope, name in names.items())
    answer = questions.ask(
        ASK,
        NAME,
        ", ".join(scopes),
        f"{len(clashing)} codes stand in {len(scopes)} places with other facts or values (e.g. {one}). Are they "
        f"different people, as at several sites? Then {', '.join(names.values())} is put before the code; a table of "
        f"your own, {{{choices}}}, says what else to put there.",
        ("different people", "the same people"),
    )
    if not answer and not _has_table(questions):
        for record in records:
            if key_of(record.typed) in clashing:
                hold(record)
        return {}
    if simple(answer).startswith(("the same", "same", "no")):
        return {}
    sites = {}
    for record in records:
        scope = _scope(record, scopes)
        if record.typed and scope:
            before = questions.ask(ASK, NAME, "", "", of=scope)
            own = before if _has_table(questions) and before else f"{names[scope]}-"
            record.participant = f"{own}{record.participant}"
            sites[record.participant] = names[scope]
    return sites if not all(name.isdigit() for name in names.values()) else {}


def _has_table(questions: Questions) -> bool:
    return isinstance(questions.answers.get(NAME.replace(" ", "_")), Mapping)


def _scope(record: Record, scopes: Iterable[str]) -> str:
    page = record.source.table.page
    return next((name for name in (page.file, page.name) if name in scopes), "")


def _clashes(records: list[Record], observations: list[Observation]) -> tuple[list[str], set[Code]]:
    """The files, or the sheets of one file, that clash, and the codes that do."""
    by_file = len({record.source.table.page.file for record in records}) > 1
    facts: dict[Code, dict[str, dict[str, str]]] = defaultdict(lambda: defaultdict(dict))
    for record in records:
        if not record.typed or record.source.table.form:
            continue
        page = record.source.table.page
        kept = facts[key_of(record.typed)][page.file if by_file else page.name]
        for role in (*_SURE, *_DOUBTFUL):
            text = simple(record.text(role))
            if text and role not in kept:
                kept[role] = text[:1] if role == "sex" else text
    shared = {code: scopes for code, scopes in facts.items() if len(scopes) > 1}
    sure = {code for code, scopes in shared.items() if any(_differ(scopes, role) for role in _SURE)}
    if not by_file:  # sheets of one workbook: one slip in a sheet per visit is no second site
        sure = sure if len(sure) > 1 and 2 * len(sure) >= len(shared) else set()
    doubtful = {code for code, scopes in shared.items() if any(_differ(scopes, role) for role in _DOUBTFUL)}
    valued = _other_values(observations, by_file) & shared.keys()
    most = max(2, 0.5 * len(shared))
    clashing = set(sure)
    if len(doubtful) >= most and (len(valued) >= most or (not valued and sure)):
        clashing |= doubtful
    if len(valued) >= max(3, 0.8 * len(shared)):
        clashing |= valued
    if clashing and (len(doubtful) >= most or len(valued) >= most):
        clashing |= shared.keys()
    involved = sorted({scope for code in clashing for scope in shared[code]})
    return involved, clashing


def _differ(scopes: Mapping[str, Mapping[str, str]], role: str) -> bool:
    said = {kept[role] for kept in scopes.values() if kept.get(role)}
    if role == "age" and all(number_text(text) for text in said):
        years = [float(number_text(text)) for text in said]
        return bool(years) and max(years) - min(years) > 1  # a birthday between two visits is no other person
    return len(said) > 1


def _other_values(observations: list[Observation], by_file: bool) -> set[Code]:
    """Codes whose same measurement has another value in most cells that two places share."""
    cells: dict[tuple[object, ...], dict[str, str]] = defaultdict(dict)
    for o in observations:
        if not o.text or not o.record.typed:
            continue
        page, m = o.record.source.table.page, o.meaning
        visit = o.visit.key if o.visit else None
        what = (m.table, m.instrument, m.scale, m.item, m.number, m.side, m.condition, m.stat, m.joint, m.digit)
        cells[key_of(o.record.typed), visit, what, m.mode, m.movement][page.file if by_file else page.name] = o.text
    tally: dict[Code, list[int]] = defaultdict(lambda: [0, 0])
    for key, texts in cells.items():
        if len(texts) > 1:
            counts = tally[key[0]]  # type: ignore[index]  # the first part of the key is the code
            counts[0] += len(set(texts.values())) > 1
            counts[1] += 1
    return {code for code, (other, both) in tally.items() if both and other > 0.5 * both}


def _names_of(scopes: list[str]) -> dict[str, str]:
    """A short name of each place: the words in which the names differ, else its number."""
    words = {scope: tokens(scope.rsplit(".", 1)[0]) for scope in scopes}
    common = set.intersection(*(set(parts) for parts in words.values()))
    typed = {
        scope: "".join(
            part for part in _parts(scope.rsplit(".", 1)[0]) if tokens(part) and not set(tokens(part)) <= common
        )
        for scope in scopes
    }
    if all(typed.values()) and len(set(typed.values())) == len(scopes):
        return typed
    return {scope: str(number) for number, scope in enumerate(scopes, 1)}


def _parts(text: str) -> list[str]:
    return "".join(mark if mark.isalnum() else " " for mark in text).split()


def _named_sites(records: list[Record]) -> dict[str, str]:
    """Sites by the names of sheets or files that say "site", where their people are others."""
    scopes: dict[str, set[str]] = defaultdict(set)
    for record in records:
        page = record.source.table.page
        for name in (page.sheet, page.file.rsplit(".", 1)[0]):
            if record.participant and "site" in within(name, "roles") and not record.text("site"):
                scopes[name].add(record.participant)
                break
    people = [person for found in scopes.values() for person in found]
    if len(scopes) < 2 or len(set(people)) < len(people):
        return {}
    names = _names_of(sorted(scopes))
    return {person: names[scope] for scope, found in scopes.items() for person in found}
