"""One temporary folder for a whole run, browser included; those of killed runs are removed by the next one.

Under it lies whatever must not outlive the run. Of a blinded study that is a copy of the data, which names the arms.
"""

import contextlib
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from notebooks.report.place.one_writer import Busy, only_one

PREFIX = "outcomes-run-"  # short: browsers and IPython put sockets below, whose paths have a limit
OURS = re.compile(rf"{PREFIX}(\d+)-\w+")
LOCK = "lock"


@contextlib.contextmanager
def own_scratch() -> Iterator[Path]:
    """A folder for temporary files; during the `with` those of this process and of its children are made in it."""
    base = Path(tempfile.gettempdir())
    remove_left_behind(base)
    folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=base))
    before, told = tempfile.tempdir, os.environ.get("TMPDIR")
    try:
        with only_one(folder / LOCK):
            tempfile.tempdir = os.environ["TMPDIR"] = str(folder)
            yield folder
    finally:
        tempfile.tempdir = before
        if told is None:
            os.environ.pop("TMPDIR", None)
        else:
            os.environ["TMPDIR"] = told
        shutil.rmtree(folder, ignore_errors=True)


def remove_left_behind(base: Path) -> None:
    """Remove the scratch folders of this user whose process is no more."""
    for folder in base.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError, Busy):
            named, found = OURS.fullmatch(folder.name), folder.lstat()
            if named is None or folder.is_symlink() or (hasattr(os, "getuid") and found.st_uid != os.getuid()):
                continue
            if (folder / LOCK).is_file():
                with only_one(folder / LOCK):
                    pass
            elif _lives(int(named[1])):  # it is making its lock just now
                continue
            shutil.rmtree(folder, ignore_errors=True)


def _lives(process: int) -> bool:
    if sys.platform == "win32":  # asking would end it
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass
    return True
