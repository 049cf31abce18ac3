"""Results of an earlier run, taken again only where they are the very bytes this computer's user had written.

A report folder travels: it may come from a stranger, and anyone may edit what is in it. So every kept result carries a
seal, an HMAC over its question and its bytes, and the secret of the seal lies with the user's own settings, never in a
folder of a report or a study. What has no right seal is computed again. Kept are JSON texts; nothing is ever run.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import zlib
from contextlib import suppress
from pathlib import Path

from platformdirs import user_state_path

NAME = re.compile(r"[0-9a-f]{64}\.kept")
SEAL = 32  # bytes of the HMAC-SHA-256 in front
MOST = 500_000_000  # bytes a kept text may unfold to


class Kept:
    """The kept results of one folder. A question is a hash of everything its answer depends on."""

    def __init__(self, folder: Path):
        self._folder = folder
        self._secret = _secret()
        self._asked: set[str] = set()

    def take(self, question: str):
        """What was kept for a question; None where nothing was, or where it is not as it was written."""
        self._asked.add(question)
        if self._secret is None:
            return None
        try:
            sealed = self._path(question).read_bytes()
        except OSError:
            return None
        if not hmac.compare_digest(sealed[:SEAL], self._seal(question, sealed[SEAL:])):
            return None
        return json.loads(zlib.decompressobj().decompress(sealed[SEAL:], MOST))

    def keep(self, question: str, answer: object) -> None:
        """Keep an answer that JSON can hold."""
        self._asked.add(question)
        if self._secret is None:
            return
        body = zlib.compress(json.dumps(answer, ensure_ascii=False).encode(), 1)
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._path(question)
        draft = path.with_suffix(f".{os.getpid()}")
        draft.write_bytes(self._seal(question, body) + body)
        draft.replace(path)  # whole or not at all, whoever writes beside

    def still(self, question: str) -> None:
        """Keep what is there for a question, although nobody needs it this time."""
        self._asked.add(question)

    def sweep(self) -> None:
        """Remove what nobody asked for: it belongs to other data, another plan or other code."""
        if self._folder.is_dir() and not self._folder.is_symlink():
            for path in self._folder.iterdir():
                if NAME.fullmatch(path.name) and path.stem not in self._asked:
                    path.unlink()

    def _path(self, question: str) -> Path:
        return self._folder / f"{question}.kept"

    def _seal(self, question: str, body: bytes) -> bytes:
        return hmac.digest(self._secret or b"", question.encode() + body, "sha256")


def question(*parts: str) -> str:
    """The name of a question: a hash of the parts, of which none can run into the next."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def _secret() -> bytes | None:
    """The secret of this user on this computer, made at first use; None where it cannot be kept."""
    path = user_state_path("outcomes-kit") / "seal.key"
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with suppress(FileExistsError):
            made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(made, "wb") as file:
                file.write(secrets.token_bytes(SEAL))
        found = path.read_bytes()
        return found if len(found) == SEAL else None
    return None
