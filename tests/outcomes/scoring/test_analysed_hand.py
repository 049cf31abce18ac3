"""Of two affected hands the protocol's rule names one: worked out by hand for four people."""

import pandas as pd
import pytest

from outcomes import StudyError, check, read_study, score
from outcomes.scoring.analysed_hand import analysed_sides

PROTOCOL = """
title = "Two hands"
design = "single-arm"
primary = "grip.force"
{rule}
[[visits]]
id = "w0"
day = 0
[[visits]]
id = "w4"
day = 28
"""
# participant: affected, dominant, (left, right) at w0, (left, right) at w4; in kgf
PEOPLE = {
    "A": ("both", "right", (4, 9), (20, 8)),
    "B": ("both", "right", (7, 3), (7, 5)),
    "C": ("both", "left", (6, 6), (5, 7)),
    "D": ("both", "right", (None, 6), (8, 9)),
    "E": ("left", "right", (2, 9), (3, 9)),
}


def folder(tmp_path, rule: str):
    people = [{"participant": name, "affected_side": row[0], "dominant_side": row[1]} for name, row in PEOPLE.items()]
    trials = [
        {"participant": name, "visit": visit, "instrument": "grip", "side": side, "trial": trial, "value": value,
         "unit": "kgf"}
        for name, row in PEOPLE.items()
        for visit, forces in zip(("w0", "w4"), row[2:], strict=True)
        for side, value in zip(("left", "right"), forces, strict=True)
        if value is not None
        for trial in (1, 2, 3)
    ]  # fmt: skip
    pd.DataFrame(people).to_csv(tmp_path / "participants.csv", index=False)
    pd.DataFrame(trials).to_csv(tmp_path / "trials.csv", index=False)
    (tmp_path / "study.toml").write_text(PROTOCOL.format(rule=rule), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        # C's hands are equal: the dominant one. D has no left hand at baseline.
        ('analysed = "weaker"\nby = "grip.force"', {"A": "left", "B": "right", "C": "left", "D": ""}),
        ('analysed = "stronger"\nby = "grip.force"', {"A": "right", "B": "left", "C": "left", "D": ""}),
        ('analysed = "dominant"', {"A": "right", "B": "right", "C": "left", "D": "right"}),
        ('analysed = "non-dominant"', {"A": "left", "B": "left", "C": "right", "D": "left"}),
        ('analysed = "left"', dict.fromkeys("ABCD", "left")),
    ],
)
def test_the_rule_names_one_hand_for_every_visit(tmp_path, rule, expected):
    study = read_study(folder(tmp_path, f"[both_hands]\n{rule}"))
    scores = score(study)
    assert analysed_sides(scores, study).to_dict() == expected
    affected = scores[scores["hand"] == "affected"]
    assert {name: set(own["side"]) for name, own in affected.groupby("participant")} == {
        name: {side} for name, side in (expected | {"E": "left"}).items() if side
    }
    assert set(scores["hand"]) == {"affected", "other"}


def test_without_a_rule_both_hands_are_affected_and_the_checks_ask_for_one(tmp_path):
    study = read_study(folder(tmp_path, ""))
    scores = score(study)
    assert set(scores.loc[scores["participant"] != "E", "hand"]) == {"affected"}
    found = check(study).frame().set_index("rule").loc["two affected hands"]
    assert found["found"] == "4 participants with two affected hands tested"
    assert not check(study).blocking


def test_a_participant_whom_the_rule_leaves_without_a_hand_is_named(tmp_path):
    study = read_study(folder(tmp_path, '[both_hands]\nanalysed = "weaker"\nby = "grip.force"'))
    frame = check(study).frame()
    assert list(frame.loc[frame["rule"] == "no hand to analyse", "participant"]) == ["D"]


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        ('analysed = "worse"', r"\[both_hands\], analysed: found 'worse', allowed weaker, stronger"),
        ("", r"\[both_hands\], analysed: found ''"),
        ('analysed = "weaker"', r"\[both_hands\], by: found 'none', allowed an outcome of the study"),
        ('analysed = "weaker"\nby = "bbt.blocks"', r"found 'bbt.blocks', allowed an outcome of the study"),
        ('analysed = "left"\nside = "x"', r"\[both_hands\]"),
    ],
)
def test_a_rule_that_cannot_be_read_is_refused(tmp_path, rule, message):
    with pytest.raises(StudyError, match=message):
        read_study(folder(tmp_path, f"[both_hands]\n{rule}"))


def test_where_lower_is_better_the_weaker_hand_has_the_higher_score(tmp_path):
    path = folder(tmp_path, '[both_hands]\nanalysed = "weaker"\nby = "score.total"')
    toml = (path / "study.toml").read_text(encoding="utf-8").replace(
        'primary = "grip.force"', 'primary = "grip.force"\noutcomes = ["score.total"]'
    )  # fmt: skip
    toml += '\n[measures."score.total"]\nlabel = "Time"\nunit = "s"\nbetter = "lower"\n'
    (path / "study.toml").write_text(toml, encoding="utf-8")
    rows = [
        {"participant": name, "visit": "w0", "instrument": "score", "scale": "total", "side": side, "value": value}
        for name in "ABCD"
        for side, value in (("left", 10), ("right", 12))
    ]
    pd.DataFrame(rows).to_csv(path / "totals.csv", index=False)
    study = read_study(path)
    assert set(analysed_sides(score(study), study)) == {"right"}
