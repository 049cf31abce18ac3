"""Doubts of a data manager: switched off by name with a printed reason, and what the protocol admits.

That mistakes are found, and clean trials stay quiet, is shown in `test_planted_mistakes.py`.
"""

import pytest

from outcomes import check, read_study
from outcomes.findings import rules


@pytest.mark.parametrize("rule", [rule for rule in rules().values() if rule.doubt], ids=lambda rule: rule.name)
def test_every_doubt_says_why_and_is_a_warning_or_a_note(rule):
    assert rule.severity in ("warning", "note")
    assert not rule.doubt.endswith(".")


def test_a_doubt_is_switched_off_by_name_with_a_printed_reason(draft, tmp_path):
    draft.set("participants", 2, "age", "15")
    assert "age of a child" in set(check(read_study(draft.write(tmp_path / "on"))).frame()["rule"])
    draft.toml += '\n[checks.off]\n"age of a child" = "the study admits people from 14 years"\n'
    frame = check(read_study(draft.write(tmp_path / "off"))).frame()
    assert "age of a child" not in set(frame["rule"])
    told = frame[frame["rule"] == "rule switched off"]
    assert told["found"].tolist() == ["age of a child: the study admits people from 14 years"]
    draft.replace('"age of a child"', '"above maximum"')
    assert "rule cannot be switched off" in set(check(read_study(draft.write(tmp_path / "not"))).frame()["rule"])


def test_eligibility_of_the_protocol(draft, tmp_path):
    draft.toml += "\n[eligibility]\nage = [18, 60]\nonset_months = [6, 600]\n"
    draft.set("participants", 2, "age", "71").set("participants", 3, "onset", "2.5")
    frame = check(read_study(draft.write(tmp_path / "study"))).frame()
    assert frame[frame["rule"] == "age against the protocol"]["found"].tolist()[:1] == ["71"]
    onset = frame[frame["rule"] == "onset against the protocol"]
    assert onset["found"].tolist()[:1] == ["2.5 months"]
    assert onset["allowed"].iloc[0] == "6 to 600 months"
