"""The folder of a report: where it may be, and how a new report takes the place of an earlier one in one step.

A report is written into a folder beside its own and swapped with it when it is whole. Whoever looks sees the earlier
report or the new one, never a mixture, even if the run is killed; what a killed run left is removed by the next one.
"""

import contextlib
import ctypes
import errno
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from notebooks.report.place.one_writer import Busy, only_one
from outcomes.errors import StudyError

Say = Callable[[str], None]
MARK = "about_this_folder.txt"
SHEET = "summary.pdf"
TAKEN_OVER = ("kept", "notebooks", "figures", SHEET)  # files of an earlier run that the next one may find unchanged
OWN = {MARK, "report.html", "appendix.html", "plain.html", "report.docx", "record.json", "requirements.txt",
       "instruments.md", "tables",
       "inputs", *TAKEN_OVER}  # fmt: skip
SWAP = 2  # RENAME_EXCHANGE of Linux and RENAME_SWAP of macOS
AT_CWD = -100
CANNOT_SWAP = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP}


@contextlib.contextmanager
def placed(to: Path, study: Path, say: Say = lambda line: None, own: Callable[[Path], set[str]] = lambda at: set()
           ) -> Iterator[tuple[Path, Path]]:  # fmt: skip
    """A folder to write the report into, and the one it will be: at the end of the `with` the first becomes the second.

    After an error the earlier report is as it was and the draft is gone. own: names in a report folder that the kit
    wrote, besides the usual ones; what is there otherwise is the user's own and moves with the report. Raises
    StudyError where no report may be written, or where another process writes one.
    """
    refuse(to, study)
    target = to.resolve()
    made = _parents(target)
    try:
        with _alone(target, say):
            _put_back(target, say)
            refuse(to, study)
            draft = _beside(target, "draft")
            try:
                _begin(draft, target)
                yield draft, target
                _carry_over(target, draft, OWN | own(target))
                _into_place(draft, target)
            finally:
                _remove(draft)
    except BaseException:
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def refuse(to: Path, study: Path) -> None:
    """Raise StudyError where a report of this study may not be written to `to`."""
    if to.exists() and not to.is_dir():
        raise StudyError(f"The report cannot be written to {to}: a file has that name. Name a folder after --to.")
    target, data = to.resolve(), study.resolve()
    if _same(target, data):
        raise StudyError(
            f"The report cannot be written into the study folder itself ({to}). Name another folder after --to."
        )
    if any(_same(target, above) for above in data.parents):
        raise StudyError(
            f"The report cannot be written to {to}: the study folder {study} lies inside it, and a report replaces all "
            "that its folder holds. Name a folder after --to that does not hold the data."
        )
    if any(_same(data, above) for above in target.parents):
        raise StudyError(
            f"The report cannot be written to {to}: it lies inside the study folder {study}, which holds the data and "
            "nothing else. Name a folder outside it after --to."
        )
    if not to.exists():
        return
    others = sorted(path.name for path in to.iterdir())
    if others and MARK not in others:
        raise StudyError(
            f"The folder {to} holds other files ({', '.join(others[:3])}). Name an empty or a new folder after --to."
        )
    if os.path.ismount(target) or not os.access(target, os.W_OK):
        why = "is read-only" if not os.access(target, os.W_OK) else "is the top of a file system of its own"
        raise StudyError(
            f"The folder {to} {why}. A report is written beside its folder and swapped with it when it is whole: name "
            "a folder after --to that can be replaced."
        )


def _same(one: Path, other: Path) -> bool:
    try:
        return one == other or os.path.samefile(one, other)
    except OSError:  # one of them does not exist yet
        return False


def _parents(target: Path) -> list[Path]:
    """Make the folders above the report; those that were not there, the lowest first."""
    made = []
    for folder in target.parents:
        if folder.exists():
            break
        made.append(folder)
    target.parent.mkdir(parents=True, exist_ok=True)
    return made


@contextlib.contextmanager
def _alone(target: Path, say: Say) -> Iterator[None]:
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(only_one(_beside(target, "lock"), say))
        except Busy as busy:
            raise StudyError(
                f"Another report is being written to {target} now ({busy.holder.rstrip(',')}). Wait for its end, or "
                "name another folder after --to."
            ) from None
        except PermissionError:
            raise StudyError(
                f"No report can be written to {target}: the folder above it, {target.parent}, is read-only. A report "
                "is written beside its folder and swapped with it when it is whole. Name a folder after --to in a "
                "place where you may write."
            ) from None
        yield


def _beside(target: Path, what: str) -> Path:
    return target.parent / f".{target.name}.outcomes-{what}"


def _put_back(target: Path, say: Say) -> None:
    """Undo what a run left that was killed between two steps of a swap."""
    earlier = _beside(target, "earlier")
    if earlier.is_dir() and not target.exists():
        earlier.rename(target)
        say("a run was stopped while it put its report into place; the earlier report is back")
    _remove(earlier)


def _begin(draft: Path, target: Path) -> None:
    """An empty draft, but for the results of the earlier report and of a run that was killed: they are sealed."""
    if draft.is_symlink() or not draft.is_dir():
        _remove(draft)
    draft.mkdir(exist_ok=True)
    for path in draft.iterdir():
        if path.name not in TAKEN_OVER or path.is_symlink():
            _remove(path)
    for name in TAKEN_OVER:
        source, copy = target / name, draft / name
        if source.is_symlink() or not source.exists():
            continue
        if source.is_dir():
            copy.mkdir(exist_ok=True)
        for path in source.iterdir() if source.is_dir() else [source]:
            to = copy / path.name if source.is_dir() else copy
            if path.is_file() and not path.is_symlink() and not to.exists():
                shutil.copyfile(path, to)


def _carry_over(target: Path, draft: Path, own: set[str]) -> None:
    """Copy what users put into an earlier report into the new one."""
    if not target.is_dir():
        return
    for path in target.iterdir():
        copy = draft / path.name
        if path.name in own or copy.exists():
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, copy, symlinks=True)
        else:
            shutil.copy2(path, copy, follow_symlinks=False)


def _into_place(draft: Path, target: Path) -> None:
    """The draft becomes the report. In one step where the system can; the folder left at `draft` is the earlier one."""
    if not target.exists():
        draft.rename(target)
        return
    shutil.copymode(target, draft)
    if swap(draft, target):
        return
    earlier = _beside(target, "earlier")
    target.rename(earlier)
    draft.rename(target)
    _remove(earlier)


def swap(one: Path, other: Path) -> bool:
    """Let two folders change their names in one step; False where this system or file system has no such step."""
    names = os.fsencode(one), os.fsencode(other)
    if sys.platform not in ("linux", "darwin"):
        return False
    system = ctypes.CDLL(None, use_errno=True)
    if sys.platform == "linux" and hasattr(system, "renameat2"):
        failed = system.renameat2(AT_CWD, names[0], AT_CWD, names[1], SWAP)
    elif sys.platform == "darwin" and hasattr(system, "renamex_np"):
        failed = system.renamex_np(*names, SWAP)
    else:
        return False
    if not failed:
        return True
    number = ctypes.get_errno()
    if number in CANNOT_SWAP:
        return False
    raise OSError(number, os.strerror(number), str(other))


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
