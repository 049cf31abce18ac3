"""The good study is good: nothing is found in it, every row is accounted for."""

from outcomes import check, read_study
from outcomes.checks.accounting import accounting
from outcomes.scoring.score import score


def test_nothing_is_found_in_the_good_study(draft, tmp_path):
    study = read_study(draft.write(tmp_path))
    findings = check(study)
    assert findings.frame().empty, str(findings)
    assert not findings.blocking
    assert findings.raise_if_blocking() is findings


def test_every_row_of_the_good_study_is_scored_or_kept(draft, tmp_path):
    study = read_study(draft.write(tmp_path))
    account = accounting(study, score(study), check(study)).set_index("table")
    for name, frame in draft.tables.items():
        assert account.loc[name, "rows_read"] == len(frame)
        assert account.loc[name, "scored"] + account.loc[name, "kept"] == len(frame), name
    assert (account["unaccounted"] == 0).all(), account
