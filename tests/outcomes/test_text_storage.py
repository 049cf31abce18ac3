"""Where texts lie in memory changes no answer, and no option of pandas outside."""

import pandas as pd

from outcomes import check, read_study, score
from synthetic_cohort import make_cohort


def test_large_and_small_storage_give_the_same_scores_and_findings(tmp_path, monkeypatch):
    make_cohort("device_pilot", seed=1, folder=tmp_path / "study")
    small = read_study(tmp_path / "study")
    assert small.participants["participant"].dtype.storage == "python"
    scores, found = score(small), check(small).paragraphs()
    monkeypatch.setattr("outcomes.text_storage._FEW_BYTES", 0)
    monkeypatch.setattr("outcomes.text_storage._FEW_ROWS", 0)
    large = read_study(tmp_path / "study")
    assert large.participants["participant"].dtype.storage == pd.StringDtype().storage
    assert score(large).to_csv() == scores.to_csv()
    assert check(large).paragraphs() == found


def test_the_option_of_the_user_stays(tmp_path):
    make_cohort("null_trial", seed=1, folder=tmp_path / "study")
    with pd.option_context("mode.string_storage", "pyarrow"):
        check(read_study(tmp_path / "study"))
        assert pd.get_option("mode.string_storage") == "pyarrow"
