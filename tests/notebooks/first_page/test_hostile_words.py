"""Words of a study that are HTML stay words on the first page, in every place that shows them."""

from html.parser import HTMLParser

import pytest

from notebooks.analysis import Analysis
from notebooks.first_page.answer_page import first_page
from outcomes import read_study
from tests.notebooks.report.hostile_report import hostile_study


class Elements(HTMLParser):
    """Elements and handlers that no page of ours has."""

    def __init__(self):
        super().__init__()
        self.strange: list[str] = []

    def handle_starttag(self, tag, attrs):
        named = [name for name, _ in attrs if name.startswith("on")]
        if tag in ("script", "img") or named:
            self.strange.append(f"{tag} {named}")


@pytest.mark.parametrize("number", range(3))
def test_no_label_becomes_an_element(number, tmp_path):
    """Labels of arms and visits, diagnoses and remarks are scripts and images with a handler (own texts)."""
    page = first_page(Analysis(read_study(hostile_study(number, tmp_path / "study")))).html()
    assert "probe()" in page  # the texts are there
    reader = Elements()
    reader.feed(page)
    assert not reader.strange
