"""Formulas as MathML, which browsers draw themselves: a page of the guide asks nothing of any other machine."""

import re

from docutils.nodes import SkipNode, math, math_block
from latex2mathml.converter import convert
from sphinx.application import Sphinx
from sphinx.util.logging import getLogger

_MARKUP = re.compile(r"<[^>]+>")


def setup(app: Sphinx) -> dict[str, bool]:
    """Registers the renderer `mathml`."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}


def as_mathml(formula: str, display: str = "inline") -> str:
    """MathML of a formula; a warning, which ends the build, where a command was not understood."""
    drawn = convert(formula, display=display)
    if "\\" in _MARKUP.sub("", drawn):
        getLogger(__name__).warning("A command of this formula is not known: %s", formula)
    return drawn


def _inline(translator, node: math) -> None:
    translator.body.append(as_mathml(node.astext()))
    raise SkipNode


def _block(translator, node: math_block) -> None:
    translator.body.append(f'<div class="formula">{as_mathml(node.astext(), display="block")}</div>')
    raise SkipNode
