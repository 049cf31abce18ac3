"""What is done once to a study: its analysis plan is locked, and later its arms are unblinded."""

import datetime
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.blinding.letters import NAME as LETTERS_FILE
from outcomes.blinding.letters import arm_letters
from outcomes.checks.plan.study_file import of_study_file
from outcomes.errors import StudyError
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.lock.lock_file import LOCKED, NAME, UNBLINDED, Event, Lock, of_another_study, sound_lock, write_lock
from outcomes.lock.locked_cells import cells_of
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import Protocol
from outcomes.reading.study_folder import read_study
from outcomes.sharing.renewed_codes import SEED_FILE
from outcomes.sheets import SHEETS, empty
from outcomes.study import Study


def lock_plan(study: Study | str | Path, *, again: str = "", now: datetime.datetime | None = None) -> Lock:
    """Freeze the analysis plan of a study folder: writes `study.lock.json` into it, or adds to it.

    The plan is read from study.toml as it is in the folder, in a canonical form (`outcomes.lock.analysis_plan`);
    beside it stand the date, the SHA-256 of the plan, and the participants, rows and file hashes of this moment. Data
    may come later, and may grow. again: the reason for locking a second time; the earlier locks are kept and the
    report lists both. now: the date, by default the clock's.

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
    _not_before(lock, event, folder)
    write_lock(made, folder)
    return made


def unblind(folder: str | Path, *, now: datetime.datetime | None = None) -> Lock:
    """Record that a study is unblinded: date, hash of the lock, plan and data of this moment. From then on names show.

    folder: of the study. now: the moment to record, the present one where none is given.

    Raises:
        StudyError: where the plan was not locked, the study is not blinded, or was unblinded before.
    """
    from outcomes.locking import moment  # which reads studies, which are masked with this module

    folder = Path(folder)
    event = moment(folder, UNBLINDED, now)
    if not event.plan["blinded"]:
        raise StudyError(
            f"The study in {folder} is not blinded: study.toml does not say blinded = true. Nothing is to be unblinded."
        )
    lock = sound_lock(folder)
    if lock is None:
        raise StudyError(
            f"The plan in {folder} is not locked, so the study is not unblinded: a plan that can still be changed when "
            "the arms are known proves nothing. Lock it first: outcomes lock FOLDER."
        )
    if of_another_study(lock, event.participants):
        raise StudyError(f"The lock in {folder} was made in another study folder. Bring back this study's own lock.")
    if lock.unblinded is not None:
        raise StudyError(f"The study in {folder} was unblinded on {lock.unblinded.day}. The arms show their names.")
    made = lock.with_event(replace(event, reason=_key(folder), before=lock.events[-1].sha256))
    _not_before(lock, event, folder)
    write_lock(made, folder)
    return made


def moment(folder: Path, kind: str, now: datetime.datetime | None = None) -> Event:
    """The plan and the data of a folder at this moment, as an event without a reason or an event before."""
    try:
        read: Study | None = read_study(folder, masked=False)
        note = ""
    except StudyError as error:
        # without where the folder lies: the lock goes to others
        read, note = None, str(error).splitlines()[0].replace(f"{folder}: ", "")
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
        cells=cells_of(_tables(read)) if read else {},
    )


def _tables(study: Study) -> dict[str, pd.DataFrame]:
    """Every table; of items also the ratings that are only compared."""
    tables = {name: study.table(name) for name in SHEETS}
    return tables | {"items": pd.concat([study.items, study.second_ratings], ignore_index=True)}


def _not_before(lock: Lock | None, event: Event, folder: Path) -> None:
    """Dates of a lock never fall: an event that seems to come before the last one shows a wrong clock, or a wrong hand.

    Raises:
        StudyError: with both dates.
    """
    if lock is not None and event.moment < lock.events[-1].moment:
        raise StudyError(
            f"The date for {NAME} in {folder} cannot be: found {event.day}, allowed {lock.events[-1].day}, the date of "
            "the entry before, or later. Set the clock of this computer right."
        )


def _there(folder: Path) -> Path:
    if not folder.is_dir():
        raise StudyError(f"{folder}: there is no such study folder; allowed is a folder with study.toml. Correct it.")
    return folder


def _refuse_errors(study: Study, with_data: bool) -> None:
    """Errors in study.toml itself; data that are missing or wrong do not keep a plan from being locked."""
    found = of_study_file(study, with_data)
    if found.blocking:
        raise StudyError("\n".join(["A plan with errors is not locked.", *found.paragraphs(("error",))]))


def _without_data(folder: Path, protocol: Protocol) -> Study:
    """The study as it is before its first row."""
    return Study(folder=folder, protocol=protocol, **{name: empty(sheet) for name, sheet in SHEETS.items()})


def _file_hashes(folder: Path) -> Mapping[str, str]:
    files = sorted(entry for entry in folder.iterdir() if entry.is_file() and not entry.name.startswith((".", "~")))
    left_out = (NAME, LETTERS_FILE, SEED_FILE)
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files if file.name not in left_out}


def _key(folder: Path) -> str:
    """Which letter stood for which arm in the blinded reports; "" where none were drawn."""
    if not (folder / LETTERS_FILE).exists():
        return ""
    letters = arm_letters(folder, read_protocol(folder / "study.toml"))
    return "; ".join(f"{letter} was {arm}" for arm, letter in sorted(letters.items(), key=lambda pair: pair[1]))
