"""A page as a PDF of exactly one A4 sheet, to send or to lay on a table; the report's first page is without codes."""

import asyncio
import base64
import html
import re
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from choreographer import Browser, Tab

from notebooks.first_page.answer_page import NAME, TEMPLATES
from notebooks.report.pictures import NO_BROWSER, find_browser
from notebooks.report.record import contents
from notebooks.report.run import Run

SCALES = (1.0, 0.96, 0.92, 0.88, 0.84, 0.8, 0.75, 0.7, 0.65, 0.6)  # tried in turn until everything stands on one sheet
A4 = {"paperWidth": 8.27, "paperHeight": 11.69}
LOOK = (
    "@page { size: A4; margin: 9mm 12mm 8mm; } "
    'body { margin: 0; font-family: Arial, "Liberation Sans", Helvetica, sans-serif; }'
)
PAGES = re.compile(rb"/Type\s*/Page\b(?!s)")
LOADED = 'document.readyState === "complete" && document.getElementById("answer") !== null'
LIMIT_S = 60


def answer_of(runs: Sequence[Run]) -> dict | None:
    """The content of the first page, where the report has one."""
    found = (content for run in runs for content in contents(run.notebook) if content["kind"] == NAME)
    return next(found, None)


def write_sheet(page: str, to: Path) -> list[str]:
    """Print a page (its content in an element with the id "answer") on one A4 sheet; says why where it cannot be."""
    browser = find_browser()
    missing = f"{to.name} was not written: "
    if browser is None:
        return [missing + NO_BROWSER.partition(": ")[2]]
    try:
        with ThreadPoolExecutor(1) as thread:  # a loop of its own: a notebook that calls this has one running already
            sheet = thread.submit(asyncio.run, _alone(browser, page)).result()
    except (RuntimeError, OSError, TimeoutError) as error:
        return [f"{missing}{error or 'the browser gave no answer in time'}."]
    to.write_bytes(sheet)
    return []


def sheet_html(answer: dict, title: str) -> str:
    """The sheet as a page of its own."""
    css = (TEMPLATES / "answer.css").read_text(encoding="utf-8")
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f'<style>{LOOK}{css}</style></head><body><div id="answer"><h1>{html.escape(title)}</h1>{answer["sheet"]}</div>'
        "</body></html>"
    )


def page_count(sheet: bytes) -> int:
    """Pages of a PDF as a browser writes it."""
    return len(PAGES.findall(sheet))


async def _loaded(tab: Tab) -> None:
    """Wait until the sheet is there; a new tab shows a blank page first."""
    there = {"expression": LOADED, "returnByValue": True}
    for _ in range(LIMIT_S * 20):
        answer = await tab.send_command("Runtime.evaluate", params=there)
        if answer.get("result", {}).get("result", {}).get("value"):
            return
        await asyncio.sleep(0.05)
    raise RuntimeError("the browser did not load the page")


async def _alone(browser_path: str, page: str) -> bytes:
    async with Browser(path=browser_path) as browser:
        return await printed(browser, page)


async def printed(browser: Browser, page: str) -> bytes:
    """The page as PDF at the largest scale at which it is one sheet. Raises RuntimeError where there is none."""
    with tempfile.TemporaryDirectory(prefix="outcomes-", ignore_cleanup_errors=True) as scratch:
        file = Path(scratch) / "summary.html"
        file.write_text(page, encoding="utf-8")
        tab = await browser.create_tab(file.as_uri())
        await _loaded(tab)
        for scale in SCALES:
            told = {"printBackground": True, "preferCSSPageSize": True, "scale": scale, **A4}
            answer = await tab.send_command("Page.printToPDF", params=told)
            if "error" in answer:
                raise RuntimeError(str(answer["error"].get("message", answer["error"])))
            sheet = base64.b64decode(answer["result"]["data"])
            if page_count(sheet) == 1:
                return sheet
    raise RuntimeError(f"the first page has more than one sheet even at {SCALES[-1]:.0%} of its size")
