"""The guide as pages: its texts, and what is made from the code at each build.

Texts stand in `text/` and read as plain Markdown. Reference pages (functions, commands, keys, checks, instruments), the
tables of simulations and the pictures are made anew, so that they cannot differ from the code. Pages are put together
by Sphinx, which ends with an error on any warning: a link that leads nowhere, a page that nobody reaches.
"""

import argparse
import re
import shutil
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from notebooks.guide.code_blocks import run_examples
from notebooks.guide.gallery import gallery_page
from notebooks.guide.made_pages import made_pages

TEXT = Path(__file__).parent / "text"
SETTINGS = {
    "project": "Outcomes kit",
    "extensions": ["myst_parser", "notebooks.guide.formulas"],
    "html_math_renderer": "mathml",
    "myst_enable_extensions": ["dollarmath", "deflist", "colon_fence"],
    "myst_heading_anchors": 4,
    "html_theme": "alabaster",
    "html_theme_options": {
        "page_width": "1060px",
        "description": "Trial outcome measures",
        "font_family": "system-ui, sans-serif",
        "head_font_family": "system-ui, sans-serif",
        "font_size": "16px",
        "link": "#0b3c6f",
        "show_powered_by": False,
    },
    "html_sidebars": {"**": ["about.html", "searchfield.html", "navigation.html"]},
    "html_static_path": ["_look"],
    "html_css_files": ["look.css"],
    "html_show_copyright": False,
    "html_show_sphinx": False,
    "html_show_sourcelink": False,
    "html_copy_source": False,
    "exclude_patterns": ["_*"],
    "root_doc": "index",
    "nitpicky": True,
    "suppress_warnings": ["config.cache"],
}
LOOK = Path(__file__).parent / "look.css"


def build(to: Path, *, pictures: bool = True, say=print) -> Path:
    """Writes the guide to a folder and returns its first page.

    pictures: runs the three scenarios of the tutorial and draws the gallery (minutes; needs a browser). Without them
    the pages are whole, and a line stands where a picture would.

    Raises RuntimeError where Sphinx warns of anything.
    """
    from sphinx.application import Sphinx  # not needed to use the kit: the extra "guide" brings it

    with tempfile.TemporaryDirectory() as place:
        source = Path(place) / "source"
        shutil.copytree(TEXT, source)
        (source / "_look").mkdir()
        (source / "_look" / LOOK.name).write_text(LOOK.read_text(encoding="utf-8") + _dark_code(), encoding="utf-8")
        say("Making the reference pages.")
        for name, text in made_pages().items():
            path = source / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        if pictures:
            from notebooks.guide.photographs import draw_pictures

            draw_pictures(source / "pictures", say=say)
        drawn = source / "pictures" if pictures else None
        (source / "gallery.md").write_text(gallery_page(drawn), encoding="utf-8")
        _without_missing_pictures(source)
        say("Putting the pages together.")
        warnings = Path(place) / "warnings.txt"
        with warnings.open("w", encoding="utf-8") as stream:
            app = Sphinx(
                srcdir=source,
                confdir=None,
                outdir=to,
                doctreedir=Path(place) / "trees",
                buildername="html",
                confoverrides=SETTINGS,
                status=None,
                warning=stream,
            )
            app.build()
        found = warnings.read_text(encoding="utf-8").strip()
        if found:
            raise RuntimeError(f"The guide was built with warnings:\n{found.replace(str(source), 'text')}")
    return to / "index.html"


def _dark_code() -> str:
    """Colours of code on a dark page, where the reader's system asks for one."""
    from pygments.formatters import HtmlFormatter  # comes with Sphinx

    rules = HtmlFormatter(style="github-dark").get_style_defs("div.body .highlight")
    return f"@media (prefers-color-scheme: dark) {{\n{rules}\n}}\n"


def _without_missing_pictures(source: Path) -> None:
    """A line in place of a picture that was not drawn."""
    for page in source.rglob("*.md"):
        text = page.read_text(encoding="utf-8")

        def stand_in(match: re.Match, page: Path = page) -> str:
            there = (page.parent / match[2]).exists()
            return match[0] if there else f"*(picture: {match[1]}; drawn by a full build)*"

        page.write_text(re.sub(r"!\[([^\]]*)\]\(([^)]+)\)", stand_in, text), encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Exit status 1: a warning, an example that fails."""
    parser = argparse.ArgumentParser(prog="python -m notebooks.guide", description="Build the guide as pages.")
    parser.add_argument("--to", type=Path, default=Path("build") / "guide", metavar="FOLDER")
    parser.add_argument("--no-pictures", action="store_true", help="seconds instead of minutes")
    parser.add_argument("--no-examples", action="store_true", help="do not run the examples in the texts")
    asked = parser.parse_args(arguments)
    if not asked.no_examples:
        problems = run_examples(TEXT)
        if problems:
            print(*problems, sep="\n", file=sys.stderr)
            return 1
    try:
        page = build(asked.to, pictures=not asked.no_pictures)
    except RuntimeError as problem:
        print(problem, file=sys.stderr)
        return 1
    print(f"The guide is at {page}.")
    return 0
