"""The appendix on instruments: what each score is, its rules, thresholds and sources, from the instrument files."""

import html
from collections.abc import Iterable

import pandas as pd

from notebooks.report.page import grid_html, pairs_html
from outcomes.library.catalogue_page import CAUTION, InstrumentPage, catalogue_markdown, catalogue_pages
from outcomes.library.registry import instruments
from outcomes.study import Study


def used_instruments(study: Study) -> list[str]:
    """Instruments of the catalogue that the study names, primary outcome first."""
    named = [outcome.partition(".")[0] for outcome in (study.protocol.primary, *study.protocol.outcomes)]
    for table in ("items", "totals", "trials"):
        frame = study.table(table)
        named += sorted(str(name) for name in frame["instrument"].dropna().unique()) if len(frame) else []
    return [name for name in dict.fromkeys(named) if name in instruments()]


def instruments_html(ids: Iterable[str]) -> str:
    """One fold per instrument, for the last section of the report; a sentence where there is none."""
    pages = catalogue_pages(ids)
    if not pages:
        return "<h3>Instruments</h3><p>No instrument of the catalogue is used; the measures are the study's own.</p>"
    folds = "".join(
        f"<details class='numbers'><summary>{html.escape(page.title)}</summary>{_page_html(page)}</details>"
        for page in pages
    )
    return f"<h3>Instruments</h3><p>{html.escape(CAUTION)} All instruments: instruments.md beside this page.</p>{folds}"


def instruments_markdown() -> str:
    """Every instrument of the catalogue as one text."""
    return catalogue_markdown()


def _page_html(page: InstrumentPage) -> str:
    parts = [pairs_html(page.title, ("What", "Text"), dict(page.facts))]
    named = (
        ("Scores", page.scales), ("Options", page.options), ("Thresholds", page.thresholds),
        ("Other published facts", page.properties),
    )  # fmt: skip
    parts += [_frame_html(f"{title}: {page.title}", frame) for title, frame in named if len(frame)]
    sources = "".join(f"<li>{html.escape(text)}</li>" for text in page.sources)
    return "".join(parts) + f"<p>Sources</p><ul>{sources}</ul>"


def _frame_html(caption: str, frame: pd.DataFrame) -> str:
    rows = frame.astype(object).where(frame.notna(), "").astype(str).to_numpy().tolist()
    return grid_html(caption, list(map(str, frame.columns)), rows)
