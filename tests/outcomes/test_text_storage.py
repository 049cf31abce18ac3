"""Where texts lie in memory changes no answer, and no option of pandas outside."""

from pathlib import Path

import pandas as pd

from outcomes import check, read_study, score

STUDY = Path(__file__).resolve().parents[1] / "studies" / "five_person_cohort"


def test_large_and_small_storage_give_the_same_scores_and_findings(monkeypatch):
    small = read_study(STUDY)
    assert small.participants["participant"].dtype.storage == "python"
    scores, found = score(small), check(small).paragraphs()
    monkeypatch.setattr("outcomes.text_storage._FEW_BYTES", 0)
    monkeypatch.setattr("outcomes.text_storage._FEW_ROWS", 0)
    large = read_study(STUDY)
    assert large.participants["participant"].dtype.storage == pd.StringDtype().storage
    assert score(large).to_csv() == scores.to_csv()
    assert check(large).paragraphs() == found


def test_the_option_of_the_user_stays():
    with pd.option_context("mode.string_storage", "pyarrow"):
        check(read_study(STUDY))
        assert pd.get_option("mode.string_storage") == "pyarrow"
