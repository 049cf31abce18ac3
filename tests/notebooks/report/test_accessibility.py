"""The report page through an automated accessibility audit, the rules of axe-core, in a real browser.

An audit by rules finds faults such as a button without a name or grey text that is too pale. It cannot say whether a
text makes sense to someone who hears it: that was looked at by people.
"""

import re

import pytest

audit = pytest.importorskip("axe_playwright_python.sync_playwright")

GRAVE = {"critical", "serious"}
# The rows of a table are made alike: those past the sixth add minutes of looking and nothing to find.
SHORTEN = "document.querySelectorAll('tbody tr:nth-child(n+7)').forEach(row => row.remove())"


def findings(page, leave_out: str = "") -> list[str]:
    """Every fault the audit is sure of: how grave, which rule, how often, an example. leave_out: a selector."""
    context = {"exclude": [[leave_out]]} if leave_out else None
    found = audit.Axe().run(page, context=context).response["violations"]
    return [f"{one['impact']} {one['id']} ({len(one['nodes'])}): {one['nodes'][0]['html'][:150]}" for one in found]


def grave(found: list[str]) -> list[str]:
    return [line for line in found if line.split()[0] in GRAVE]


@pytest.fixture(scope="module", params=["stroke_report", "demo_report"])
def report(request):
    return request.getfixturevalue(request.param)


VIEWS = {
    "desktop": ("report.html", 1100, "light"),
    "phone": ("report.html", 375, "light"),
    "dark": ("report.html", 1100, "dark"),
    "appendix": ("appendix.html", 1100, "light"),
}


@pytest.fixture(scope="module", params=VIEWS, ids=VIEWS)
def page(browser, report, request):
    name, width, scheme = VIEWS[request.param]
    if name == "appendix.html" and report.name != "stroke":
        pytest.skip("one appendix is enough: it is made by the same functions")
    context = browser.new_context(viewport={"width": width, "height": 900}, offline=True, color_scheme=scheme)
    page = context.new_page()
    page.goto((report / name).as_uri())
    page.wait_for_selector("body[data-drawn=yes]", timeout=60_000)
    page.evaluate(SHORTEN)
    yield page
    context.close()


def test_the_page_as_opened_and_with_its_folds_open_has_no_fault(page, report):
    """None at all is asked for, more than "no serious one": there is none today."""
    # The inside of a drawing is one picture to a reader, and slow to look through: done on the smaller report.
    leave_out = "" if report.name == "stroke" else ".plot > *"
    assert findings(page, leave_out) == []
    # The tables under the figures are made by one function: those of one report are enough.
    folds = {"fold": 3, "numbers": 3} if report.name == "stroke" else {"fold": 3}
    if page.locator("#all-code").count():
        page.locator("#all-code").click()
        folds = {"code": 4}
    for fold, least in folds.items():
        page.evaluate(f"document.querySelectorAll('details.{fold}').forEach(one => {{ one.open = true; }})")
        assert page.locator(f"details.{fold}[open]").count() >= least
    assert findings(page, leave_out) == []


def light(colour: str) -> float:
    """Relative luminance of "rgb(r, g, b)" (WCAG 2.2, definition of relative luminance)."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, success criterion 1.4.3: 4.5 for words)."""
    lighter, darker = sorted([light(one), light(other)], reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


WORDS_OF_FIGURES = """() => Array.from(document.querySelectorAll('.plot'))
  .filter(plot => plot.querySelector('.main-svg')).map(plot => [
    getComputedStyle(plot.querySelector('.main-svg')).backgroundColor,
    [...new Set(Array.from(plot.querySelectorAll('text, tspan')).map(text => getComputedStyle(text).fill))]])"""


def test_words_of_figures_can_be_read_on_a_dark_sheet_as_on_a_white_one(page):
    """The audit does not look into drawings. Paper and words change places in the dark.

    A count inside a filled bar has the colour of the paper.
    """
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    sheets = page.evaluate(WORDS_OF_FIGURES)
    assert len(sheets) > 2
    for paper, words in sheets:
        assert (light(paper) < 0.02) if dark else (light(paper) == 1)
        assert [(word, paper) for word in words if word != paper and contrast(word, paper) < 4.5] == []


PLANTED = {
    "a button without a name": ("<button></button>", "button-name"),
    "a picture without an alternative text": ("<img src='data:,'>", "image-alt"),
    "pale text": ("<p style='color:#bbb;background:#fff'>Too pale to read.</p>", "color-contrast"),
    "a region that scrolls and cannot be reached": (
        f"<pre style='overflow:auto;width:80px;height:40px'>{'a line that is wide<br>' * 20}</pre>",
        "scrollable-region-focusable",
    ),
}


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_found(browser, fault):
    """Control: an audit that finds nothing here would find nothing in the report either."""
    markup, rule = PLANTED[fault]
    page = browser.new_page()
    page.set_content(f"<html lang='en'><title>t</title><main><h1>Heading</h1>{markup}</main></html>")
    assert [line for line in grave(findings(page)) if rule in line]
    page.close()
