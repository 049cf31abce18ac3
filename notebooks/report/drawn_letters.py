"""Before a blinded study is shown: its letters are drawn, once."""

from collections.abc import Callable
from pathlib import Path

from outcomes.blinding.letters import NAME, draw_letters, is_masked
from outcomes.lock.lock_file import DamagedLock, read_lock
from outcomes.protocol.study_toml import read_protocol


def letters_drawn(folder: str | Path, say: Callable[[str], None]) -> None:
    """Draw the letters of a blinded study where that was not done yet, and say so."""
    path = Path(folder)
    if not (path / "study.toml").is_file():
        return
    protocol = read_protocol(path / "study.toml")
    try:
        lock = read_lock(path)
    except DamagedLock:
        lock = None
    if is_masked(protocol, lock) and draw_letters(path, protocol):
        say(f"blinded: letters were drawn for the arms and recorded in {NAME}; keep that file in the study folder")
