"""Freezing the analysis plan before unblinding, and what has departed from it since."""

import datetime
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from outcomes.blinding import NAME as LETTERS_FILE
from outcomes.errors import StudyError
from outcomes.lock_file import LOCKED, NAME, Event, Lock, of_another_study, sound_lock, write_lock
from outcomes.plan import plan_digest, plan_of
from outcomes.protocol import Protocol
from outcomes.protocol_file import read_protocol
from outcomes.reading.tables import empty
from outcomes.sheets import SHEETS
from outcomes.study import Study, read_study


def lock_plan(study: Study | str | Path, *, again: str = "", now: datetime.datetime | None = None) -> Lock:
    """Freeze the analysis plan of a study folder: writes `study.lock.json` into it, or adds to it.

    The plan is read from study.toml as it is in the folder, in a canonical form (`outcomes.plan`); beside it stand the
    date, the SHA-256 of the plan, and the participants, rows and file hashes of this moment. Data may come later, and
    may grow. again: the reason for locking a second time; the earlier locks are kept and the report lists both.
    now: the date, by default the clock's.

    Raises:
        StudyError: where the plan is locked already and `again` is blank, where study.toml has an error, or where
            the lock file is damaged.
    """
    folder = Path(study.folder if isinstance(study, Study) else study)
    event = moment(folder, LOCKED, now)
    lock = sound_lock(folder)
    if lock is None and again.strip():
        raise StudyError(f"The plan in {folder} is not locked yet. Lock it first, without a reason for doing it again.")
    if lock is not None and of_another_study(lock, event.participants):
        raise StudyError(
            f"{NAME} in {folder} was made in another study folder ({lock.locks[-1].title!r}): none of its participants "
            "is here. Take the file out, then lock this study's own plan."
        )
    if lock is not None and not again.strip():
        last = lock.locks[-1]
        same = event.plan_sha256 == last.plan_sha256
        state = "is as it was locked" if same else "has changed since: 'outcomes check' lists the departures"
        raise StudyError(
            f"The plan in {folder} was locked on {last.day}, and {state}. A plan is locked once; a later change stays "
            "in study.toml with its reason under [[departures]]. To lock an amended plan, give the reason: "
            'outcomes lock FOLDER --again "reason". The earlier lock is kept.'
        )
    if lock is None:
        made = Lock((event,))
    else:
        made = lock.with_event(replace(event, reason=" ".join(again.split()), before=lock.events[-1].sha256))
    write_lock(made, folder)
    return made


def moment(folder: Path, kind: str, now: datetime.datetime | None = None) -> Event:
    """The plan and the data of a folder at this moment, as an event without a reason or an event before."""
    try:
        read: Study | None = read_study(folder, masked=False)
        note = ""
    except StudyError as error:
        read, note = None, str(error).splitlines()[0]
    # A study.toml that cannot be read stops here; tables that are not there yet, or wrong, can still be corrected.
    protocol = read.protocol if read else read_protocol(_there(folder) / "study.toml")
    _refuse_errors(read or _without_data(folder, protocol), bool(read))
    plan = plan_of(protocol)
    return Event(
        event=kind,
        date=(now or datetime.datetime.now(datetime.UTC)).astimezone(datetime.UTC).isoformat(timespec="seconds"),
        plan_sha256=plan_digest(plan),
        plan=plan,
        title=protocol.title,
        participants=tuple(sorted(set(read.participants["participant"].astype(str)))) if read else (),
        rows=dict(read.rows_read) if read else {},
        files={name: digest for name, digest in read.hashes.items() if name != NAME} if read else _file_hashes(folder),
        note=note,
    )


def _there(folder: Path) -> Path:
    if not folder.is_dir():
        raise StudyError(f"{folder}: there is no such study folder; allowed is a folder with study.toml. Correct it.")
    return folder


def _refuse_errors(study: Study, with_data: bool) -> None:
    """Errors in study.toml itself; data that are missing or wrong do not keep a plan from being locked."""
    from outcomes.checks import plan  # checks know studies and locks, so they are not imported above

    found = plan.of_study_file(study, with_data)
    if found.blocking:
        raise StudyError("\n".join(["A plan with errors is not locked.", *found.paragraphs(("error",))]))


def _without_data(folder: Path, protocol: Protocol) -> Study:
    """The study as it is before its first row."""
    return Study(folder=folder, protocol=protocol, **{name: empty(sheet) for name, sheet in SHEETS.items()})


def _file_hashes(folder: Path) -> Mapping[str, str]:
    files = sorted(entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith((".", "~")))
    left_out = (NAME, LETTERS_FILE)
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files if file.name not in left_out}
