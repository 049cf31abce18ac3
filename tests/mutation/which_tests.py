"""Which tests of a room run which line of the modules that are changed: those are asked first whether they see it.

What a fixture shared by several tests runs is put down to every test that uses the fixture. What a test helper
remembers from one test to the next is put down to the first only: a change may then be called a survivor that another
test sees, never the other way round.
"""

import json
import os
import sys
import time
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import pytest

Line = tuple[str, int]


@dataclass(frozen=True)
class WhichTests:
    """The tests that run each line, in the order to ask them, and the processor seconds of all tests of the room."""

    of_line: dict[Line, list[str]]
    seconds: float

    def of(self, file: str, lines: Iterable[int]) -> list[str]:
        """The tests that run one of the lines of a file; none for a line that runs when the module is loaded."""
        return list(dict.fromkeys(test for line in lines for test in self.of_line.get((file, line), ())))


class LineTracer:
    """A plugin of pytest that notes which lines of some files run in which test."""

    def __init__(self, root: Path, files: Iterable[str]):
        self._files = {str(root / file): file for file in files}
        self._now: set[Line] = set()
        self._of_fixture: dict[str, set[Line]] = {}
        self._took: dict[str, float] = {}
        self._of_test: dict[str, set[Line]] = {}

    def _trace(self, frame: FrameType, event: str, argument: object):
        file = self._files.get(frame.f_code.co_filename)
        if file is None:
            return None

        def in_file(frame: FrameType, event: str, argument: object):
            self._now.add((file, frame.f_lineno))
            return in_file

        return in_file(frame, event, argument)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef) -> Generator[None, object, object]:
        outside, self._now = self._now, set()
        result = yield
        self._of_fixture.setdefault(fixturedef.argname, set()).update(self._now)
        self._now |= outside
        return result

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item) -> Generator[None, object, object]:
        self._now, start = set(), time.process_time()
        sys.settrace(self._trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            shared = (self._of_fixture.get(name, set()) for name in item.fixturenames)
            self._of_test[item.nodeid] = self._now.union(*shared)
            self._took[item.nodeid] = time.process_time() - start

    def found(self) -> dict:
        """What was noted, as JSON can hold it."""
        return {test: [self._took[test], sorted(lines)] for test, lines in self._of_test.items()}


def which_tests(root: Path, files: Iterable[str], tests: Sequence[str], options: list[str], noted: Path) -> WhichTests:
    """Run tests once, in a process of its own. noted: file with what was found, taken from there where it is.

    tests: paths, those most to the point first; they are asked in that order, of each path the quickest first.

    Raises RuntimeError where the tests do not all pass as they are.
    """
    if not noted.exists():
        child = os.fork()
        if not child:
            sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115  for the short life of this process
            tracer = LineTracer(root, files)
            code = int(pytest.main([*options, *(str(root / test) for test in tests)], plugins=[tracer]))
            if not code:
                noted.write_text(json.dumps(tracer.found()), encoding="utf-8")
            os._exit(code)
        if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0:
            raise RuntimeError(f"the tests do not pass without a change: {' '.join(options)}")
    found = json.loads(noted.read_text(encoding="utf-8"))
    place = {test: next(k for k, path in enumerate(tests) if test.startswith(path)) for test in found}
    of_line: dict[Line, list[str]] = {}
    for test in sorted(found, key=lambda test: (place[test], found[test][0])):
        for file, line in found[test][1]:
            of_line.setdefault((file, line), []).append(test)
    return WhichTests(of_line, sum(took for took, _ in found.values()))
