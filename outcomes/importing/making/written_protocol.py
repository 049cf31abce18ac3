"""The text of study.toml that an import writes: filled in as far as the files and the answers go."""

from collections import Counter

import tomlkit

from outcomes.importing.language.vocabulary import simple
from outcomes.importing.making.accounts import Converted
from outcomes.importing.making.described_cells import Described
from outcomes.importing.making.schedule import Schedule
from outcomes.importing.questions import STUDY, Questions, as_numbers, slug
from outcomes.library.known import find_instrument

_CONTROL = (
    "control",
    "usual",
    "standard",
    "placebo",
    "sham",
    "conventional",
    "kontroll",
    "temoin",
    "controle",
    "habituel",
    "ublich",
    "gewohn",
    "habitual",
    "abituale",
    "gebruikelijk",
    "routine",
)


def study_text(title: str, schedule: Schedule, described: Described, done: Converted, questions: Questions) -> str:
    """study.toml; what waits for an answer has a comment there."""
    file = tomlkit.document()
    file.add(tomlkit.comment("Written by 'outcomes import' from the files named in import.toml. Check every line."))
    file["title"] = title
    arms = described.arms
    file["design"] = "parallel" if len(arms) > 1 else "single-arm"
    names = outcomes_of(done)
    primary = ""
    if len(names) > 1:
        answer = questions.ask(
            STUDY, "primary outcome", "study.toml, primary", "Which outcome is the primary one?", names
        )
        primary = (
            answer
            if answer in names
            else next((name for name in names if answer and simple(answer) == simple(name)), "")
        )
        if answer and not primary:
            questions.refuse("primary outcome", f"found {answer!r}, allowed {', '.join(names)}")
    why = "not answered yet: the outcome measured most often stands here" if not primary and len(names) > 1 else ""
    add_noted(file, "primary", primary or (names[0] if names else "score.total"), why)
    file["outcomes"] = names
    file["seed"] = 1
    if len(arms) > 1:
        _add_arms(file, arms, questions)
    _add_visits(file, schedule)
    _add_options(file, done, questions)
    if not names:
        file["measures"] = {"score.total": {"label": "Score", "unit": "points", "better": "higher"}}
    return tomlkit.dumps(file)


def add_noted(table, key: str, value: object, comment: str) -> None:
    """A key with a comment behind its value."""
    item = tomlkit.item(value)
    if comment:
        item.comment(comment)
    table.add(key, item)


def outcomes_of(done: Converted) -> list[str]:
    """Outcomes of the study, the one measured most often first."""
    counted: Counter[str] = Counter()
    for row in done.rows:
        name = row.cells.get("instrument", "")
        known = find_instrument(name)
        if known is None:
            continue
        scale = row.cells.get("scale") or (
            _scale_of_item(known, row.cells["item"]) if row.table == "items" else known.main_scale.id
        )
        counted[f"{name}.{scale}"] += 1 if row.table != "items" else 0
        counted[f"{name}.{scale}"] += 0
    return [name for name, _ in sorted(counted.items(), key=lambda entry: (-entry[1], entry[0]))]


def _scale_of_item(known, item: str) -> str:
    if item in known.main_scale.items or known.main_scale.kind == "composite":
        return known.main_scale.id
    return next((scale.id for scale in known.scales if item in scale.items), known.main_scale.id)


def _add_arms(file, arms: list[tuple[str, str]], questions: Questions) -> None:
    labels = [label for _, label in arms]
    likely = [label for label in labels if any(word in simple(label) for word in _CONTROL)]
    answer = questions.ask(
        STUDY,
        "reference arm",
        "study.toml, arms",
        "Which arm is the reference, with which the others are compared?",
        labels,
        likely[0] if len(likely) == 1 else "",
    )
    said = simple(answer)
    reference = next(
        (
            name
            for name, label in arms
            if said
            and (
                said
                in (simple(label), simple(name), simple(name.removeprefix("group_")))  # the code that was asked about
                or simple(label) in said
                or f" {simple(name)} " in f" {said} "
            )
        ),
        "",
    )
    if answer and not reference:
        questions.refuse("reference arm", f"found {answer!r}, allowed {', '.join(labels)}")
    chosen = reference or next((name for name, label in arms if label in likely), arms[0][0])
    tables = tomlkit.aot()
    for name, label in arms:
        table = tomlkit.table()
        table["id"], table["label"] = name, label
        if name == chosen:
            why = "" if reference else "not answered yet: which arm is the reference is a question of import.toml"
            add_noted(table, "reference", True, why)
        tables.append(table)
    file["arms"] = tables


def _add_visits(file, schedule: Schedule) -> None:
    tables = tomlkit.aot()
    last = -1.0
    for visit in schedule.visits:
        table = tomlkit.table()
        table["id"], table["label"] = visit.id, visit.label
        known = visit.day is not None and visit.day > last
        day = float(visit.day) if known and visit.day is not None else last + 1
        why = "" if known else "not answered yet: only the order is right, the planned day is a question of import.toml"
        add_noted(table, "day", int(day) if day.is_integer() else day, why)
        last = day
        tables.append(table)
    file["visits"] = tables


def _add_options(file, done: Converted, questions: Questions) -> None:
    """Scoring options that have no default."""
    chosen: dict[str, dict[str, object]] = {}
    for name in sorted({row.cells.get("instrument", "") for row in done.rows}):
        known = find_instrument(name)
        if known is None:
            continue
        for option in known.options.values():
            if option.default is not None or option.kind == "table":
                continue
            why = " ".join(option.why.split())
            key = f"option {name} {option.id}"
            answer = questions.ask(
                STUDY,
                key,
                f"study.toml, [instruments.{name}]",
                f"{known.name}, {option.id}: {why}",
                map(str, option.values),
            )
            if not answer:
                continue
            if option.kind == "number":
                numbers = as_numbers(answer)
                if len(numbers) != 1:
                    questions.refuse(key, f"found {answer!r}, allowed one number")
                    continue
                chosen.setdefault(name, {})[option.id] = int(numbers[0]) if numbers[0].is_integer() else numbers[0]
            elif option.kind == "words":
                chosen.setdefault(name, {})[option.id] = [word.strip() for word in answer.split(",")]
            else:
                fits = [value for value in option.values if slug(str(value)) == slug(answer)]
                if not fits:
                    questions.refuse(key, f"found {answer!r}, allowed {', '.join(map(str, option.values))}")
                    continue
                chosen.setdefault(name, {})[option.id] = fits[0]
        if done.summaries(name) == {"best"}:
            chosen.setdefault(name, {})["summary"] = "max"
    if chosen:
        file["instruments"] = chosen
