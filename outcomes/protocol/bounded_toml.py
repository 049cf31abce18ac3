"""The text of study.toml as plain tables and values, within limits that every honest file keeps by far."""

import tomllib
from pathlib import Path

from outcomes.errors import StudyError

LARGEST = 1_000_000  # bytes
DEEPEST = 8  # tables and lists inside each other
MOST = 50_000  # values
_FAR = 2**53  # whole numbers up to here are exact wherever they are computed with


def read_toml(path: Path) -> dict:
    """The content of a TOML file that comes from outside.

    Raises:
        StudyError: where it cannot be read, is no TOML, or goes beyond a limit.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise StudyError(
                f"{path.name} is too large: found {size} bytes, allowed {LARGEST}. A protocol is some pages of text; "
                "is this another file?"
            )
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise StudyError(
            f"{path.name} is missing in the study folder {path.parent.name!r}: found no protocol; "
            "allowed is a file study.toml beside the tables. Write one, or start with 'outcomes new'."
        ) from error
    except OSError as error:
        raise StudyError(
            f"{path.name} cannot be read: found {error.strerror or error}; allowed is a file that can be opened. "
            "Look at what has this name, and at its permissions."
        ) from error
    except RecursionError as error:
        raise StudyError(
            f"{path.name} cannot be read: found brackets inside brackets without end; allowed are {DEEPEST} levels. "
            "Correct the line that opens them."
        ) from error
    except StudyError:
        raise
    except ValueError as error:  # no UTF-8, no TOML, or a number too long to be one
        raise StudyError(
            f"{path.name} cannot be read: found {str(error)[:300]}; allowed is TOML text in UTF-8. Correct that line "
            "(text stands in quotation marks, decimals have a point)."
        ) from error
    _within_limits(content, path.name)
    return content


def _within_limits(content: dict, file: str) -> None:
    """StudyError for tables too deep, too many values, and numbers that no protocol means."""
    waiting: list[tuple[str, object, int]] = [("", content, 0)]
    seen = 0
    while waiting:
        place, value, depth = waiting.pop()
        seen += 1
        if depth > DEEPEST or seen > MOST:
            what = f"more than {DEEPEST} tables inside each other" if depth > DEEPEST else f"more than {MOST} values"
            raise StudyError(f"{file} cannot be used: found {what} at {place[:80]}; allowed is less. Correct it.")
        if isinstance(value, dict):
            waiting += [(f"{place}.{key}".strip("."), part, depth + 1) for key, part in value.items()]
        elif isinstance(value, list):
            waiting += [(place, part, depth + 1) for part in value]
        elif isinstance(value, (int, float)) and not -_FAR <= value <= _FAR:  # not a number is neither
            raise StudyError(
                f"{file}, {place[:80]}: found a number beyond all use; allowed is a number of at most 15 digits. "
                "Correct it."
            )
