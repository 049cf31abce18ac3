"""What is exported: words inside their figure, large and dark enough, no title, no keys of the code.

Boxes of words are measured in the browser; contrast and lightness by the formulas of WCAG 2.2 and CIE 1976.
"""

import re

import pytest

from notebooks.figures.style import COLOURS, GREY, INK, SYMBOLS, arm_cue, cue
from notebooks.report.pictures import lean
from notebooks.show.authors import author_year
from notebooks.show.names import Names
from outcomes.library.registry import instruments, references
from outcomes.protocol.trial import Arm, Period, PlannedVisit, Protocol

SMALLEST = 6.5 / 72 * 96  # px of 6.5 points
KEY = re.compile(
    r"\b[a-z][a-z0-9]*(?:-[a-z0-9]+)*-(?:19|20)\d\d(?:-[a-z0-9]+)*\b"
)  # "page-2012", "...-page-2012-lowest"
MEASURE = """() => {
  const svg = document.querySelector("svg"), whole = svg.getBoundingClientRect();
  const words = [...svg.querySelectorAll("text")].filter(text => text.textContent.trim());
  return {width: whole.width, height: whole.height, texts: words.map(text => {
    const box = text.getBoundingClientRect(), parts = [text, ...text.querySelectorAll("tspan")];
    return {text: text.textContent, left: box.left, right: box.right, top: box.top, bottom: box.bottom,
            sizes: parts.map(part => parseFloat(getComputedStyle(part).fontSize)),
            fills: parts.map(part => getComputedStyle(part).fill)};
  })};
}"""


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb" or "rgb(r, g, b)" (WCAG 2.2)."""
    parts = (
        [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
        if colour.startswith("#")
        else [int(part) for part in re.findall(r"\d+", colour)[:3]]
    )
    linear = [part / 255 / 12.92 if part <= 10 else ((part / 255 + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(colour: str) -> float:
    """Contrast with white."""
    return 1.05 / (luminance(colour) + 0.05)


def lightness(colour: str) -> float:
    """CIE L*, what is left in grey print."""
    light = luminance(colour)
    return 116 * light ** (1 / 3) - 16 if light > 216 / 24389 else light * 24389 / 27


def test_colours_of_words_hold_on_white_and_two_arms_differ_in_grey_print_and_in_mark():
    assert min(contrast(colour) for colour in (*COLOURS, INK, GREY)) >= 4.5
    assert abs(lightness(COLOURS[0]) - lightness(COLOURS[1])) >= 20
    assert len(set(SYMBOLS)) == len(SYMBOLS)


def test_an_arm_and_a_treatment_have_one_cue_the_reference_the_second():
    arms = (Arm("a", "A", reference=True), Arm("b", "B"), Arm("c", "C"))
    visits = (PlannedVisit("v0", "Start", 0.0), PlannedVisit("v1", "End", 7.0))
    names = Names(Protocol("t", "parallel", arms, visits, ("bbt.blocks",), "bbt.blocks"))
    assert [arm_cue(names, arm) for arm in "bac"] == [cue(0), cue(1), cue(2)]
    assert arm_cue(names, "") == cue(0)
    periods = (
        Period("p1", "v0", "v1", {"a": "usual", "b": "device"}),
        Period("p2", "v0", "v1", {"a": "device", "b": "usual"}),
    )
    crossed = Names(Protocol("t", "crossover", arms[:2], visits, ("bbt.blocks",), "bbt.blocks", periods=periods))
    assert [arm_cue(crossed, name) for name in ("device", "usual")] == [cue(0), cue(1)]


def test_every_source_is_told_by_author_and_year_or_in_words_never_by_its_key():
    for key in references():
        told = author_year(key)
        assert told
        assert told != key
        assert len(told) <= 60
        assert not KEY.search(told)
    assert author_year("page-2012") == "Page 2012"
    assert author_year("lee-2001") == "van der Lee 2001"
    for instrument in instruments().values():
        for threshold in instrument.thresholds:
            assert author_year(threshold.source)


ATTRIBUTES = ('rx="20"', 'style="fill: rgb(1, 2, 3);"', 'x="0"', 'height="0"')


def test_a_lean_picture_keeps_its_words_and_places():
    svg = (
        '<g class="a b" data-index="0" transform="translate(205.99999999,3.14159)" style="opacity: 1; fill: red;">'
        '<text x="1.23456" data-unformatted="0.0056" style="pointer-events: all; fill-opacity: 1;">'
        "0.0056 (0.12345)</text></g>"
    )
    assert lean(svg) == (
        '<g style="fill: red;" transform="translate(205.99,3.14)">'
        '<text style="fill-opacity: 1;" x="1.23">0.0056 (0.12345)</text></g>'
    )


def test_the_order_in_which_attributes_were_set_does_not_show():
    one, other = (f"<svg><rect{' '.join(('', *parts))}/></svg>" for parts in (ATTRIBUTES, ATTRIBUTES[::-1]))
    assert one != other
    assert lean(one) == lean(other)


@pytest.fixture(scope="module")
def pictures(stroke_report, browser) -> dict[str, dict]:
    """Every picture of a report as the browser measures it: file name -> sizes and words."""
    page = browser.new_page(viewport={"width": 800, "height": 1200})
    found = {}
    for path in sorted((stroke_report / "figures").glob("*.svg")):
        svg = path.read_text(encoding="utf-8")
        page.set_content(f'<!DOCTYPE html><body style="margin:0">{svg}</body>')
        found[path.stem] = page.evaluate(MEASURE)
    page.close()
    assert len(found) >= 20
    return found


def test_no_word_leaves_its_picture_and_none_lies_on_another(pictures):
    wrong = []
    for name, picture in pictures.items():
        words = picture["texts"]
        for word in words:
            if word["left"] < -1 or word["top"] < -1:
                wrong.append((name, "outside", word["text"]))
            if word["right"] > picture["width"] + 1 or word["bottom"] > picture["height"] + 1:
                wrong.append((name, "outside", word["text"]))
        for place, one in enumerate(words):
            for other in words[place + 1 :]:
                across = min(one["right"], other["right"]) - max(one["left"], other["left"])
                down = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"])
                if across > 2 and down > 4.5:  # boxes hold room over and under the letters
                    wrong.append((name, one["text"], other["text"]))
    assert wrong == []


def test_words_are_large_and_dark_enough(pictures):
    for name, picture in pictures.items():
        for word in picture["texts"]:
            assert min(word["sizes"]) >= SMALLEST, (name, word["text"])
            for fill in word["fills"]:
                # White words stand on a dark bar or dot, and nowhere else.
                if fill == "rgb(255, 255, 255)":
                    assert name.startswith(("floor_and_ceiling", "agreement")), (name, word["text"])
                else:
                    assert contrast(fill) >= 4.5, (name, word["text"], fill)


def test_pictures_hold_no_title_and_no_key_and_their_words_stand_beside_them(pictures, stroke_report):
    for name, picture in pictures.items():
        told = " ".join(word["text"] for word in picture["texts"])
        beside = stroke_report / "figures" / f"{name.removesuffix('_89mm')}.txt"
        title, caption = beside.read_text(encoding="utf-8").split("\n\n", 1)
        assert title not in told, name
        assert re.search(r"\d", caption), name
        for text in (told, title, caption):
            assert "_" not in text, name
            assert not KEY.search(text), (name, KEY.search(text))
            assert not re.search(r"\.(?:toml|csv|json)\b", text), name
        assert not re.search(r"(?<![\w–])-\d", told), name  # a hyphen is no minus sign
