"""Letters in place of arms: which letter an arm has, and where that is kept.

What this protects from: that people who read a report, a table or a figure learn by accident who got what. What it
does not protect from: someone who holds the study folder, or who knows what a single participant got. The letters
come from a random seed in `study.blinding.json`, which stays in the study folder and is never copied into a report;
the seed in study.toml plays no part, because readers know it.
"""

import datetime
import hashlib
import json
import os
import secrets
import string
from collections.abc import Iterable
from pathlib import Path

from outcomes.errors import StudyError
from outcomes.lock.lock_file import Lock
from outcomes.protocol.trial import Protocol

NAME = "study.blinding.json"
FORMAT = 1
ABOUT = (
    "The random seed behind the letters that stand for the arms while the study is blinded. Keep it in the study "
    "folder, away from everyone who is to stay blind; a report never copies it. Without it the letters are lost."
)


def is_masked(protocol: Protocol, lock: Lock | None) -> bool:
    """Whether people see letters: the protocol says blinded, and no unblinding is recorded."""
    return protocol.blinded and (lock is None or lock.unblinded is None)


def draw_letters(folder: str | Path, protocol: Protocol, seed: str | None = None) -> bool:
    """Draw the letters of the arms once and record their seed in the study folder; False where that was done before.

    seed: 32 hexadecimal digits; from the computer's source of chance where not given.
    """
    content = {
        "about": ABOUT,
        "format": FORMAT,
        "seed": seed or secrets.token_hex(16),
        "drawn": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "arms": _arms_digest(protocol),
    }
    try:
        with (Path(folder) / NAME).open("x", encoding="utf-8") as file:
            file.write(json.dumps(content, indent=1) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        return False
    return True


def arm_letters(folder: str | Path, protocol: Protocol) -> dict[str, str]:
    """Arm id -> letter. The order of the arms by the SHA-256 of seed and id: the same on every computer, for ever.

    Raises:
        StudyError: where no letters were drawn, the file cannot be read, or the arms are not those it was drawn for.
    """
    return dict(zip(ranked(folder, protocol, (arm.id for arm in protocol.arms)), _letters(), strict=False))


def ranked(folder: str | Path, protocol: Protocol, names: Iterable[str], kind: str = "arm") -> list[str]:
    """Names in the order that the recorded seed gives them."""
    seed = _seed(Path(folder), protocol)
    return sorted(set(names), key=lambda name: hashlib.sha256(f"{seed}\n{kind}\n{name}".encode()).hexdigest())


def _seed(folder: Path, protocol: Protocol) -> str:
    path = folder / NAME
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        seed, arms = str(content["seed"]), content["arms"]
    except FileNotFoundError as error:
        raise StudyError(
            f"study.toml in {folder} says blinded = true, but no letters were drawn for the arms: {NAME} is missing. "
            "If this is the study folder, run 'outcomes check' on it once: that draws and records them. If they were "
            "drawn before, bring the file back: other letters would mislead readers of earlier reports."
        ) from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StudyError(f"{path} cannot be read ({error}). Bring back the file as it was written.") from error
    if arms != _arms_digest(protocol):
        raise StudyError(
            f"The arms of study.toml are not those that the letters in {path} were drawn for. Bring back the ids of "
            "the arms; or take the file out, so that new letters are drawn, and tell the readers of earlier reports."
        )
    return seed


def _arms_digest(protocol: Protocol) -> str:
    ids = "\n".join(sorted(arm.id for arm in protocol.arms))
    return hashlib.sha256(ids.encode()).hexdigest()


def _letters() -> Iterable[str]:
    yield from string.ascii_uppercase
    yield from (f"Z{number}" for number in range(2, 1000))
