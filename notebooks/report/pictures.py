"""Figures as files: SVG, PNG and PDF through plotly's exporter, one browser for the whole run."""

import asyncio
import os
import struct
import zlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import kaleido
from choreographer.browsers.chromium import Chromium

from notebooks.figures.one_column import in_column

FORMATS = ("svg", "png", "pdf")
IN_COLUMN = "_89mm"
DPI = 300
CSS_DPI = 96
NO_BROWSER = (
    "No picture files were written: they need a Chromium-family browser (Chromium, Chrome, Edge, Brave) and none was "
    "found. The report is whole without one; each figure can be saved from the page with the buttons under it."
)


def find_browser() -> str | None:
    """Path of a Chromium-family browser; the variable BROWSER_PATH goes first."""
    named = os.environ.get("BROWSER_PATH")
    if named is not None:
        return named if Path(named).is_file() else None
    found = Chromium.find_browser(skip_local=False)
    return str(found) if found else None


def write_figures(
    figures: Mapping[str, dict],
    to: Path,
    formats: Sequence[str] = FORMATS,
    say: Callable[[str], None] = lambda line: None,
) -> list[str]:
    """Write each figure (name -> plotly specification) in each format; the returned lines say what is missing and why.

    Each is written for the whole width of a page (183 mm) and, with `_89mm` in its name, for one column. A PNG carries
    300 dots per inch in its header, so that a page layout gives it the size it was drawn for.
    """
    browser = find_browser()
    if browser is None:
        return [NO_BROWSER]
    if not figures:
        return []
    to.mkdir(parents=True, exist_ok=True)
    say(f"writing {len(figures)} figures as {', '.join(formats)}")
    # In a thread of its own: a notebook that calls this has an event loop running already.
    with ThreadPoolExecutor(1) as thread:
        failed = thread.submit(lambda: asyncio.run(_write_all(figures, to, formats, browser))).result()
    for name in figures if "png" in formats else ():
        for part in (name, f"{name}{IN_COLUMN}"):
            _tag_resolution(to / f"{part}.png")
    return failed


class _Printer(kaleido.Kaleido):
    """One browser whose pages stay loaded: reading plotly.js anew for every picture took most of the time."""

    async def _return_kaleido_tab(self, tab) -> None:
        await self.tabs_ready.put(tab)


async def _write_all(figures: Mapping[str, dict], to: Path, formats: Sequence[str], browser: str) -> list[str]:
    jobs = []
    for name, spec in figures.items():
        for part, layout in ((name, spec["layout"]), (f"{name}{IN_COLUMN}", in_column(spec["layout"]))):
            layout = {key: value for key, value in layout.items() if key != "meta"}
            size = {side: layout[side] for side in ("width", "height") if side in layout}
            for ending in formats:
                scale = DPI / CSS_DPI if ending == "png" else 1
                jobs.append(
                    {
                        "fig": {"data": spec["data"], "layout": layout},
                        "path": str(to / f"{part}.{ending}"),
                        "opts": {"format": ending, "scale": scale} | size,
                    }
                )
    tabs = min(os.cpu_count() or 1, 4)
    async with _Printer(n=tabs, mathjax=False, path=browser) as printer:
        errors = await printer.write_fig_from_object(jobs)
    return [f"A picture could not be written: {error}" for error in errors or ()]


def _tag_resolution(path: Path) -> None:
    """Write the resolution into a PNG: a pHYs chunk (dots per metre) after the first one, the picture untouched."""
    if not path.exists():
        return
    picture = path.read_bytes()
    head = 8 + 25  # signature and the IHDR chunk, which comes first and has a fixed length
    dots = round(DPI / 0.0254)
    body = b"pHYs" + struct.pack(">IIB", dots, dots, 1)
    chunk = struct.pack(">I", 9) + body + struct.pack(">I", zlib.crc32(body))
    path.write_bytes(picture[:head] + chunk + picture[head:])
