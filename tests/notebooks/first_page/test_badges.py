"""The words at the head of the first page: locked, how often departed from, blinded."""

from types import SimpleNamespace

import pytest

from notebooks.first_page.answer_words import badges
from outcomes.lock.lock_file import LOCKED


@pytest.mark.parametrize(
    ("departures", "words"),
    [
        (0, "Plan locked 2026-01-01"),
        (1, "Plan locked 2026-01-01, 1 departure"),
        (2, "Plan locked 2026-01-01, 2 departures"),
    ],
)
def test_departures_are_counted_in_words(departures, words):
    lock = SimpleNamespace(events=[SimpleNamespace(event=LOCKED, day="2026-01-01")])
    study = SimpleNamespace(lock=lock, departures=("one",) * departures, masked=False)
    assert badges(study)[0] == (words, departures > 0)
