"""The examples in the guide's texts are run: Python blocks and `outcomes` commands, each page in a folder of its own.

A block that is not run says why in a comment before it: `<!-- not run: reason -->`. A block that the reader types into
a file says so: `<!-- file: NAME -->` writes it, `<!-- added to: NAME -->` adds it at the end.
"""

import contextlib
import io
import os
import re
import shlex
import tempfile
from collections.abc import Iterator
from pathlib import Path

_BLOCK = re.compile(
    r"(?:<!-- (?P<what>not run|file|added to): (?P<said>[^>]+) -->\n)?"
    r"```(?P<kind>python|console|toml|text)\n(?P<code>.*?)```",
    re.S,
)


def run_examples(folder: Path) -> list[str]:
    """What went wrong, one text a block; nothing where all ran."""
    problems = []
    for page in sorted(folder.rglob("*.md")):
        problems += [f"{page.relative_to(folder)}: {problem}" for problem in run_page(page)]
    return problems


def run_page(page: Path, *, folder: Path | None = None, whole: bool = False) -> list[str]:
    """The blocks of one page in order, sharing their names and one folder (a temporary one where none is given).

    whole: also the blocks that only the full build of the guide runs. Returns what went wrong.
    """
    found = list(_blocks(page.read_text(encoding="utf-8"), whole))
    if not found:
        return []
    names: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as place, contextlib.chdir(folder or place):
        for line, match in found:
            try:
                _do(match, f"{page.name}, line {line}", names)
            except Exception as error:  # an example is any code: whatever it raises is what went wrong with it
                return [f"line {line}: {type(error).__name__}: {error}"]
    return []


def _blocks(text: str, whole: bool = False) -> Iterator[tuple[int, re.Match]]:
    for match in _BLOCK.finditer(text):
        left_out = match["what"] == "not run" and not (whole and "full build" in match["said"])
        if not left_out and (match["kind"] not in ("toml", "text") or match["what"]):
            yield text[: match.start()].count("\n") + 1, match


def _do(match: re.Match, where: str, names: dict[str, object]) -> None:
    if match["what"] in ("file", "added to"):
        with Path(match["said"].strip()).open("w" if match["what"] == "file" else "a", encoding="utf-8") as file:
            file.write(match["code"])
    elif match["kind"] == "console":
        _run_commands(match["code"])
    else:
        with contextlib.redirect_stdout(io.StringIO()):
            exec(compile(match["code"], where, "exec"), names)


def _run_commands(code: str) -> None:
    """Runs lines that begin with `$ outcomes`; others are what the terminal printed. "# exit 1" may follow one."""
    from notebooks.commands import main

    for line in code.splitlines():
        if not line.startswith("$ outcomes "):
            continue
        command, _, said = line.removeprefix("$ outcomes ").partition("  # exit ")
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
            status = main(shlex.split(os.path.expandvars(command)))
        if status != int(said or 0):
            raise RuntimeError(f"outcomes {command} ended with {status}: {printed.getvalue()[-500:]}")
