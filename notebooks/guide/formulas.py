"""Formulas as MathML, which browsers draw themselves: a page of the guide asks nothing of any other machine."""

from docutils.nodes import SkipNode, math, math_block
from latex2mathml.converter import convert
from sphinx.application import Sphinx


def setup(app: Sphinx) -> dict[str, bool]:
    """Registers the renderer `mathml`."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}


def _inline(translator, node: math) -> None:
    translator.body.append(convert(node.astext()))
    raise SkipNode


def _block(translator, node: math_block) -> None:
    translator.body.append(f'<div class="formula">{convert(node.astext(), display="block")}</div>')
    raise SkipNode
