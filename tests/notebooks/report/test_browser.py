"""The report page in a real browser, without a network."""

import pytest


@pytest.fixture(scope="module")
def opened(browser, stroke_report):
    """The page, with everything it said or asked for while it was drawn. Shared: tests leave it as they found it."""
    context = browser.new_context(viewport={"width": 1100, "height": 900}, offline=True)
    page, said, asked = context.new_page(), [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((stroke_report / "report.html").as_uri())
    page.wait_for_selector("body[data-drawn=yes]", timeout=60_000)
    yield page, said, asked
    context.close()


def test_the_page_opens_offline_without_console_messages_or_requests(opened, stroke_report):
    page, said, asked = opened
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [(stroke_report / "report.html").as_uri()]
    assert page.locator(".plot").count() >= 4
    assert page.evaluate("[...document.querySelectorAll('.plot')].every(plot => plot.querySelector('.main-svg'))")
    # 192 scores of 24 people and 24 model means in the trajectories: every point is drawn.
    assert page.locator(".plot .scatterlayer .point").count() >= 192 + 24


def test_contents_follow_the_scroll(opened):
    page, _, _ = opened
    page.evaluate("document.getElementById('methods').scrollIntoView()")
    page.wait_for_function("document.querySelector('.contents [aria-current]')?.getAttribute('href') === '#methods'")
    page.evaluate("window.scrollTo(0, 0)")
    page.wait_for_function("document.querySelector('.contents [aria-current]')?.getAttribute('href') === '#answer'")


def test_the_first_number_of_the_answer_stands_within_400_pixels(opened):
    page, _, _ = opened
    assert page.locator("#answer .ap-said data").first.bounding_box()["y"] < 400


def test_code_is_in_the_appendix_behind_one_button(browser, stroke_report):
    page = browser.new_page()
    page.goto((stroke_report / "appendix.html").as_uri())
    assert page.locator("details.code:visible").count() == 0
    assert page.locator("details.code[open]").count() == 0
    page.get_by_role("button", name="Show the code of every step").click()
    assert page.locator("details.code[open]").count() == page.locator("details.code").count() > 10
    page.get_by_role("button", name="Hide the code of every step").click()
    assert page.locator("details.code[open]").count() == 0
    page.close()


def test_the_page_fits_a_phone(opened):
    page, said, _ = opened
    page.set_viewport_size({"width": 375, "height": 800})
    # Figures follow the window in their own time on a busy machine; the page must get there.
    page.wait_for_function("document.documentElement.scrollWidth <= 375", timeout=15_000)
    assert said == []
    page.set_viewport_size({"width": 1100, "height": 900})


def test_a_figure_can_be_saved_from_the_page(opened, tmp_path):
    page, _, _ = opened
    with page.expect_download() as waiting:
        page.locator("button[data-save=svg]").first.click()
    waiting.value.save_as(tmp_path / "figure.svg")
    assert "<svg" in (tmp_path / "figure.svg").read_text(encoding="utf-8")
