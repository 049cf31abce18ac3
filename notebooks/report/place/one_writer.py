"""One process at a time in a folder: a lock that the system gives back when its process ends, however it ends."""

import contextlib
import datetime
import errno
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

TRIES = 50
FAR = 1 << 30  # the byte that is locked on Windows: the text before it stays readable for others
NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS}
MOST = 200  # characters of a lock that are read

_held: set[str] = set()  # a system lock does not keep out another thread of the same process


class Busy(Exception):  # noqa: N818 - somebody else is at work, which is no fault
    """Another process holds the lock; `holder` says which, in words."""

    def __init__(self, holder: str):
        super().__init__(f"The lock is held by {holder}.")
        self.holder = holder


@contextlib.contextmanager
def only_one(path: Path, say: Callable[[str], None] = lambda line: None) -> Iterator[None]:
    """Hold the lock file `path` during the `with`; it is removed at the end.

    The lock of a process that is no more is taken over, and that is said. Raises Busy where a living one holds it.
    """
    key = os.path.abspath(path)
    if key in _held:
        raise Busy(f"this process ({os.getpid()})")
    descriptor = _locked(path)
    _held.add(key)
    try:
        earlier = _text(descriptor)
        if earlier:
            say(f"{earlier} was stopped before its end; its lock is taken over")
        began = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, f"process {os.getpid()}, begun {began},".encode())
        yield
    finally:
        _held.discard(key)
        if sys.platform == "win32":  # an open file cannot be removed there
            os.close(descriptor)
            path.unlink(missing_ok=True)
        else:
            path.unlink(missing_ok=True)
            os.close(descriptor)


def _locked(path: Path) -> int:
    """A descriptor of the lock file, locked. The file may go away between opening and locking it: then once more."""
    for _ in range(TRIES):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            if not _take(descriptor):
                raise Busy(_text(descriptor) or "another process")
            if os.path.samestat(os.fstat(descriptor), os.stat(path)):
                return descriptor
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)
    raise Busy("processes that come and go")


def _take(descriptor: int) -> bool:
    """Whether the lock is ours now. A file system without locks lets everybody in."""
    try:
        if sys.platform == "win32":
            os.lseek(descriptor, FAR, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            # A lock of the process: workers forked from it do not hold it when it is killed.
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in NO_LOCKS
    return True


def _text(descriptor: int) -> str:
    os.lseek(descriptor, 0, os.SEEK_SET)
    text = os.read(descriptor, MOST).decode("utf-8", "replace")
    return "".join(letter for letter in text if letter.isprintable())
