"""No page of a report says nan, inf or None."""

import pytest

from tests.notebooks.unwritten import in_page, in_text


@pytest.mark.parametrize("report", ["stroke_report", "cohort_report", "demo_report"])
def test_a_page_has_no_unwritten_number(report, request):
    assert in_page(request.getfixturevalue(report)) == []


@pytest.mark.parametrize("text", ["95 % interval nan to nan", "the p value is None.", "(inf to 3)", "-inf", "NaN"])
def test_an_unwritten_number_is_seen(text):
    assert in_text(text)


@pytest.mark.parametrize("text", ["None of the 12 participants", "infinite", "finance", "Nancy", "information"])
def test_words_are_left_alone(text):
    assert not in_text(text)
