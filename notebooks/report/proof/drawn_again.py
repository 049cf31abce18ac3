"""Pictures of a report beside the same pictures drawn again: what was edited is told from what another browser drew.

The same browser with the same fonts draws the same bytes, but for the dates inside a PDF. Another one draws none of
them so. Therefore, format by format: where some pictures come out the same, those that do not are named; where none
does, that is said, and of SVG the words are compared all the same. Pictures are read as data, and never shown or run.
"""

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
from PIL import Image

from notebooks.report.pictures import FORMATS, find_browser
from notebooks.report.place.draft import SHEET
from notebooks.report.proof.steady_names import named_by, steady_names

MOST = 50_000_000  # bytes of one picture
SHOWN = 3  # places of one picture
DATES = re.compile(rb"/(?:CreationDate|ModDate) ?\(D:[^)]*\)")
AGAIN = "To look at them, make the report again: outcomes report FOLDER --to ANOTHER."


@dataclass(frozen=True)
class PictureFinding:
    """A place in a picture, and what stands there: as recorded, and as drawn again."""

    name: str
    place: str
    recorded: str
    now: str


def pictures_of(report: Path) -> list[str]:
    """The pictures of a report by their places in the folder: those of figures, and the sheet."""
    found = [path for end in FORMATS for path in sorted((report / "figures").glob(f"*.{end}"))]
    sheet = report / SHEET
    return [path.relative_to(report).as_posix() for path in [*found, sheet] if _plain_file(path)]


def formats_of(report: Path) -> tuple[str, ...]:
    """The formats in which the figures of a report were drawn."""
    return tuple(end for end in FORMATS if any((report / "figures").glob(f"*.{end}")))


def compared_pictures(report: Path, again: Path | None) -> tuple[list[PictureFinding], str]:
    """What differs between the pictures of a report and those drawn again, and in words what was compared.

    again: the folder with the new pictures; None where nobody asked for them to be drawn.
    """
    names = pictures_of(report)
    if not names:
        return [], "Pictures: the report holds none."
    if again is None:
        return [], f"Pictures: {len(names)} were not compared, only verified by their hashes. {AGAIN}"
    if find_browser() is None:
        return [], (
            f"Pictures: {len(names)} were not compared, only verified by their hashes: drawing them again needs a "
            f"Chromium-family browser, and none was found. {AGAIN}"
        )
    found: list[PictureFinding] = []
    told = []
    for end in FORMATS:
        own = [name for name in names if name.endswith(f".{end}")]
        if own:
            findings, words = _of_format(report, again, own, end)
            found += findings
            told.append(words)
    return found, f"Pictures drawn again: {'; '.join(told)}."


def _of_format(report: Path, again: Path, names: Sequence[str], end: str) -> tuple[list[PictureFinding], str]:
    there = [name for name in names if _plain_file(again / name)]
    found = [PictureFinding(name, "whole picture", "a picture", "not drawn") for name in names if name not in there]
    differing = [name for name in there if _steady(report / name) != _steady(again / name)]
    same = len(there) - len(differing)
    if same:
        for name in differing:
            found += list(_where(report / name, again / name, name))[:SHOWN]
        return found, f"{same} of {len(names)} {end.upper()} the same"
    words = [finding for name in there for finding in _words_that_differ(report / name, again / name, name)]
    seen = f"their words {'differ' if words else 'are the same'}, their marks were" if end == "svg" else "they were"
    why = "as where another browser or other fonts drew them"
    return found + words, f"none of {len(names)} {end.upper()} is the same, {why}: {seen} not compared"


def _plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and path.stat().st_size <= MOST


def _steady(path: Path) -> bytes:
    """The bytes of a picture without what differs from one drawing to the next."""
    raw = path.read_bytes()
    if path.suffix == ".svg":
        return steady_names(raw.decode("utf-8", "replace")).encode()
    return DATES.sub(b"", raw) if path.suffix == ".pdf" else raw


def _where(recorded: Path, now: Path, name: str) -> Iterator[PictureFinding]:
    """Where two pictures of one name differ, as far as their format tells."""
    if recorded.suffix == ".svg":
        old, new = _items(recorded), _items(now)
        places = [(before, after) for before, after in zip(old, new, strict=False) if before != after]
        if len(old) != len(new):
            places.append((f"{len(old)} parts", f"{len(new)} parts"))
        # A picture whose parts are alike differs in signs between them: a comment, a declaration.
        places = places or [("as it is", "drawn otherwise")]
        yield from (PictureFinding(name, "part", *place) for place in places)
    elif recorded.suffix == ".png":
        yield PictureFinding(name, "dots", _dots_that_differ(recorded, now), "as drawn")
    else:
        yield PictureFinding(name, "contents", f"{recorded.stat().st_size} bytes", f"{now.stat().st_size} bytes")


def _words_that_differ(recorded: Path, now: Path, name: str) -> Iterator[PictureFinding]:
    if recorded.suffix != ".svg":
        return
    old, new = ([text for text in _items(path) if not text.startswith("<")] for path in (recorded, now))
    if old != new:
        gone, come = ([text for text in one if text not in other] for one, other in ((old, new), (new, old)))
        yield PictureFinding(name, "words", "; ".join(gone[:SHOWN]), "; ".join(come[:SHOWN]))


def _dots_that_differ(recorded: Path, now: Path) -> str:
    """How many dots of two pictures differ, and where. Of a picture of another size nothing is unpacked."""
    try:
        with Image.open(io.BytesIO(recorded.read_bytes()), formats=["PNG"]) as old, Image.open(now) as new:
            if old.size != new.size:
                return f"{old.size[0]} by {old.size[1]} dots, drawn {new.size[0]} by {new.size[1]}"
            other = np.asarray(old.convert("RGB")) != np.asarray(new.convert("RGB"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        return f"cannot be read ({type(error).__name__})"
    rows, columns = np.nonzero(other.any(axis=2))
    if not len(rows):
        return "the same dots, written otherwise"
    corners = f"from ({columns.min()}, {rows.min()}) to ({columns.max()}, {rows.max()})"
    return f"{len(rows)} dots differ, {corners}"


class _Parts(HTMLParser):
    """Elements with their attributes, and texts. No entity is looked up and nothing outside is asked for."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.items: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.items.append(f"<{tag} {' '.join(f'{key}={value}' for key, value in attrs)}>")

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.items.append(data.strip())


def _items(path: Path) -> list[str]:
    parts = _Parts()
    parts.feed(named_by(path.read_text(encoding="utf-8", errors="replace"), ""))
    parts.close()
    return parts.items
