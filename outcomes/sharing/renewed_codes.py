"""New codes for people, raters and places: drawn from a recorded seed, in an order that tells nothing of the old one.

The seed stays in the study folder, so that sharing again gives the same codes. Whoever holds the seed and the old codes
can pair them; whoever holds the shared data alone cannot.
"""

import datetime
import json
import random
import re
import secrets
from collections.abc import Iterable, Mapping
from pathlib import Path

from outcomes.errors import StudyError

SEED_FILE = "study.sharing.json"
_ABOUT = (
    "The random seed behind the codes of a shared copy of this study. Keep it in the study folder and never pass it "
    "on: with it and the old codes, the new codes can be traced back."
)
_PREFIXES = ("S", "Q", "N", "V", "X", "Y", "Z", "PERSON")


def recorded_seed(folder: Path, given: str | int | None = None) -> str:
    """The seed of earlier sharing of this study; else the one given, or one from the computer's source of chance.

    Raises:
        StudyError: where the file cannot be read or written, or holds another seed than the one given.
    """
    path = folder / SEED_FILE
    try:
        if path.exists():
            known = str(json.loads(path.read_text(encoding="utf-8"))["seed"])
            if given is not None and str(given) != known:
                raise StudyError(
                    f"{path} holds another seed than {given}: other codes would go out for the same people. Leave the "
                    "seed out, or take the file away if nothing was shared with it."
                )
            return known
        seed = secrets.token_hex(16) if given is None else str(given)
        drawn = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        path.write_text(json.dumps({"about": _ABOUT, "seed": seed, "drawn": drawn}, indent=1) + "\n", encoding="utf-8")
        return seed
    except StudyError:
        raise
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StudyError(
            f"{path} cannot be used ({error}): the seed of the new codes is recorded there. Bring back the file as it "
            "was written, or let the folder be written to."
        ) from error


def new_codes(seed: str, kind: str, old: Iterable[str], taken: Iterable[str] = ()) -> dict[str, str]:
    """Old code -> new code, in random order. A blank stays blank; no new code holds, or is held in, a word of `taken`.

    kind: what the codes are of ("participant", "rater", "site", ...); each kind has a draw of its own.

    Raises:
        StudyError: where every way of writing a new code is one of the old ones.
    """
    names = sorted({code for code in old if code})
    order = list(range(1, len(names) + 1))
    random.Random(f"{seed}\n{kind}").shuffle(order)
    width = max(2, len(str(len(names))))
    words = {word.casefold() for word in (*names, *taken) if word}
    own = () if kind == "participant" else (f"{kind} ", f"{kind} no. ")
    doubled = (first + second for first in _PREFIXES for second in _PREFIXES)
    drawn = ([f"{prefix}{number:0{width}}" for number in order] for prefix in (*own, *_PREFIXES, *doubled))
    codes = next((made for made in drawn if not any(_alike(code.casefold(), words) for code in made)), None)
    if codes is None:
        raise StudyError(
            f"No new codes for {kind}: found old codes like each of those the kit would draw ({', '.join(names[:3])}, "
            "...), allowed codes of another kind. Give the people or places other codes before the study is shared."
        )
    return dict(zip(names, codes, strict=True)) | {"": ""}


def _alike(code: str, words: set[str]) -> bool:
    return code in words or any(
        len(word) > 1 and not word.isdigit() and re.search(rf"(?<![^\W\d_]){re.escape(word)}(?!\d)", code)
        for word in words
    )


def renewed(texts: Iterable[str], codes: Mapping[str, str]) -> list[str]:
    """The new code of every text; what has none (a code of nobody) is a blank."""
    return [codes.get(text, "") for text in texts]
