"""A blinded study with telling words in every text and code: what is made of it holds none, and scores are the same."""

import datetime

import pandas as pd
import pytest

from notebooks.analysis import Analysis
from notebooks.sections.plan_departures import recorded_plan
from outcomes import lock_plan, read_study, score
from outcomes.blinding.letters import draw_letters
from tests.blinding.telling import LEAK, told_study


@pytest.mark.parametrize("number", [0, 1])
def test_nothing_that_is_made_of_a_blinded_study_names_an_arm(number, tmp_path):
    folder = told_study(number, tmp_path / "study")
    open_ = read_study(folder, masked=False)
    draw_letters(folder, open_.protocol)
    lock_plan(folder, now=datetime.datetime(2025, 3, 1, tzinfo=datetime.UTC))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text.replace("level = 0.95", "level = 0.9"), encoding="utf-8")
    lock_plan(folder, again="the zebra arm was slow, says quokka")
    analysis = Analysis(read_study(folder))
    study = analysis.study
    seen = [analysis.findings.frame().to_csv(), str(analysis.findings), analysis.scores.to_csv(), repr(study.protocol),
            repr(recorded_plan(study)), repr(study.files), repr(study.headers), repr(study.hidden), repr(study.lines),
            *(study.shown_name(name) for name in study.hashes)]  # fmt: skip
    seen += [study.table(name).to_csv() for name in ("participants", "visits", "items", "trials", "totals", "angles")]
    assert not [LEAK.search(text)[0] for text in seen if LEAK.search(text)]
    before, after = score(open_), analysis.scores
    kept = set(study.protocol.outcomes) & set(open_.protocol.outcomes)
    sides = [frame[frame["outcome"].isin(kept)]["value"].dropna().sort_values() for frame in (before, after)]
    pd.testing.assert_series_equal(*(side.reset_index(drop=True) for side in sides))
    assert len(sides[0]) > 5
    assert not analysis.findings.blocking, str(analysis.findings)[:500]
