"""The import as a command: files in, study folder out, questions on the terminal or in import.toml."""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from outcomes.errors import StudyError
from outcomes.importing.preview import preview
from outcomes.importing.proposal import Proposal, propose
from outcomes.importing.questions import Question
from outcomes.importing.writing import IMPORT_FILE, write_folder


def run_import(
    files: Sequence[str | Path],
    to: str | Path,
    *,
    check: bool = False,
    answers: str | Path | None = None,
    ask: Callable[[Question], str] | None = None,
    say: Callable[[str], None] = print,
) -> int:
    """Imports the files into a study folder and says what was done.

    check: shows a preview and writes nothing. answers: a TOML file with [[questions]] (id, answer) as in import.toml.
    ask: puts one question to a person and returns the answer, "" to leave it open; None where nobody is there.

    Returns 0 where every cell is converted or set aside, 1 where questions or findings are open.
    Raises:
        StudyError: a file cannot be read, or the folder holds something else.
    """
    folder = Path(to)
    known, columns, title = read_import_file(folder / IMPORT_FILE)
    if answers is not None:
        path = Path(answers)
        if not path.is_file():
            raise StudyError(f"{path}: the file with the answers is missing. Correct its name.")
        said, other_columns, _ = read_import_file(path)
        known, columns = {**known, **said}, {**columns, **other_columns}
    proposal = propose(files, known, columns, title)
    if ask is not None:
        proposal = _put_questions(proposal, ask)
    if check:
        say(preview(proposal))
        return int(bool(proposal.open or proposal.done.findings))
    write_folder(proposal, folder)
    say(summary(proposal, folder))
    return int(bool(proposal.open or proposal.done.findings))


def read_import_file(path: Path) -> tuple[dict[str, str | Mapping[str, str]], dict[str, dict[str, str]], str]:
    """Answers, meanings of columns and the title in an import.toml; nothing where there is no such file.

    Raises:
        StudyError: the file is no TOML, or its parts are of another kind.
    """
    if not path.exists():
        return {}, {}, ""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StudyError(
            f"{path.name} cannot be read: {error}. Correct that line (text stands in quotation marks)."
        ) from error
    questions = content.get("questions", [])
    if not isinstance(questions, list) or not all(isinstance(entry, dict) for entry in questions):
        raise StudyError(
            f"{path.name}, questions: allowed is one [[questions]] table each, with id and answer. Correct it."
        )
    answers: dict[str, str | Mapping[str, str]] = {}
    for entry in questions:
        answer = entry.get("answer", "")
        if answer in ("", None, {}):
            continue
        if isinstance(answer, dict):
            answers[str(entry.get("id", ""))] = {str(key): str(value) for key, value in answer.items()}
        elif isinstance(answer, bool):
            answers[str(entry.get("id", ""))] = "yes" if answer else "no"
        elif isinstance(answer, list):
            answers[str(entry.get("id", ""))] = ", ".join(map(str, answer))
        else:
            answers[str(entry.get("id", ""))] = str(answer)
    columns = content.get("columns", {})
    if not isinstance(columns, dict) or not all(isinstance(table, dict) for table in columns.values()):
        raise StudyError(f"{path.name}, columns: allowed is one [columns.<sheet>] table each. Correct it.")
    kept = {str(sheet): {str(k): str(v) for k, v in table.items()} for sheet, table in columns.items()}
    return answers, kept, str(content.get("title", ""))


def _put_questions(proposal: Proposal, ask: Callable[[Question], str]) -> Proposal:
    """Asks until every question is answered or left open; an answer may bring up new questions."""
    passed: set[str] = set()
    while True:
        todo = [question for question in proposal.open if question.id not in passed]
        if not todo:
            return proposal
        answers = dict(proposal.answers)
        for question in todo:
            passed.add(question.id)
            if answer := ask(question).strip():
                answers[question.id] = answer
        proposal = propose(proposal.files, answers, proposal.columns, proposal.title)


_SHOWN = 3  # places of one kind of finding that are named on the terminal


def _findings(findings: Sequence[Mapping[str, str]]) -> list[str]:
    """One line a kind of finding, with its first places; all stand in the folder's account."""
    kinds: dict[tuple[str, str], list[str]] = {}
    for finding in findings:
        place = f"{finding['place']} ({finding['found']!r})" if finding["found"] else finding["place"]
        kinds.setdefault((finding["what"], finding["advice"]), []).append(place)
    lines = []
    for (what, advice), places in kinds.items():
        more = f" and {len(places) - _SHOWN} more" if len(places) > _SHOWN else ""
        lines.append(f"Finding: {what} at {', '.join(places[:_SHOWN])}{more}. {advice}")
    return lines


def summary(proposal: Proposal, folder: Path) -> str:
    """What an import did, in a few lines."""
    counts = proposal.ledger.counts()
    lines = [
        f"{folder}: {len(proposal.described.participants)} participants, "
        f"{len(proposal.schedule.visits) if proposal.schedule else 0} visits, {len(proposal.done.rows)} values.",
        "Cells: "
        + ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))
        + f" = {sum(counts.values())}.",
    ]
    if proposal.new_columns:
        lines.append("New since the last import: " + "; ".join(proposal.new_columns) + ".")
    lines += _findings(proposal.done.findings)
    if proposal.open:
        many = len(proposal.open)
        there = "1 question is open. Answer it" if many == 1 else f"{many} questions are open. Answer them"
        lines.append(f"{there} in {folder / IMPORT_FILE} and run the import again:")
        lines += [f"  {question.id} ({question.place}): {question.text}" for question in proposal.open]
    assumed = [question for question in proposal.questions if question.kind == "confirm" and not question.answer]
    if assumed:
        made = "1 assumption was" if len(assumed) == 1 else f"{len(assumed)} assumptions were"
        lines.append(f"{made} made; to change one, answer it in {folder / IMPORT_FILE} and run the import again:")
        lines += [f"  {question.text} ({question.place}) -> {question.proposal}" for question in assumed]
    return "\n".join(lines)
