"""A picture drawn twice is twice the same bytes: names drawn by chance are replaced by ones that follow from it."""

import hashlib
import re

NAMED = re.compile(r'<defs id="defs-([0-9a-f]{6})"')  # plotly: six signs by chance for each picture
NAMES = re.compile(r"""id="[^"]*"|href="#[^"]*"|url\((?:&quot;|')?#[^)]*\)""")


def steady_names(svg: str) -> str:
    """The SVG with names of its parts that follow from the picture alone."""
    return named_by(svg, hashlib.sha256(named_by(svg, "").encode()).hexdigest()[:6])


def named_by(svg: str, name: str) -> str:
    """The SVG with this name in place of the one drawn by chance; without such a one as it is."""
    found = NAMED.search(svg)
    return svg if found is None else NAMES.sub(lambda place: place[0].replace(found[1], name), svg)
