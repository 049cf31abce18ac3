"""The examples in the guide's texts are run: Python blocks and `outcomes` commands, each page in a folder of its own.

A block that cannot be run where the guide is built says so in a comment before it: `<!-- not run: reason -->`.
"""

import contextlib
import io
import os
import re
import shlex
import tempfile
from collections.abc import Iterator
from pathlib import Path

_BLOCK = re.compile(r"(?P<skip><!-- not run: [^>]+ -->\n)?```(?P<kind>python|console)\n(?P<code>.*?)```", re.S)


def run_examples(folder: Path) -> list[str]:
    """What went wrong, one text a block; nothing where all ran."""
    problems = []
    for page in sorted(folder.rglob("*.md")):
        problems += [f"{page.relative_to(folder)}: {problem}" for problem in run_page(page)]
    return problems


def run_page(page: Path) -> list[str]:
    """The blocks of one page in order, sharing their names and one folder."""
    found = list(_blocks(page.read_text(encoding="utf-8")))
    if not found:
        return []
    names: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as place, contextlib.chdir(place):
        for line, kind, code in found:
            try:
                if kind == "python":
                    with contextlib.redirect_stdout(io.StringIO()):
                        exec(compile(code, f"{page.name}, line {line}", "exec"), names)
                else:
                    _run_commands(code)
            except Exception as error:
                return [f"line {line}: {type(error).__name__}: {error}"]
    return []


def _blocks(text: str) -> Iterator[tuple[int, str, str]]:
    for match in _BLOCK.finditer(text):
        if not match["skip"]:
            yield text[: match.start()].count("\n") + 1, match["kind"], match["code"]


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
