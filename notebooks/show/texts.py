"""Texts of people (titles, labels, reasons) inside HTML and SVG."""

import html


def escaped(text: str) -> str:
    """The text with what HTML would read as markup escaped."""
    return html.escape(text, quote=False)
