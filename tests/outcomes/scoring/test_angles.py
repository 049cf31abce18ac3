"""Total motion, its grades, and angles of a study."""

import pandas as pd
import pytest

from outcomes import InstrumentError, read_study, score, total_active_motion
from outcomes.scoring.angles import angle_item, assisted_gain


@pytest.mark.parametrize(
    ("degrees", "system", "grade"),
    [  # limits as printed in the sources named in outcomes/scoring/angles.py
        (260, "percent", "excellent"), (259, "percent", "good"), (195.1, "percent", "good"), (195, "percent", "fair"),
        (130.1, "percent", "fair"), (130, "percent", "poor"),
        (220, "degrees", "excellent"), (219, "degrees", "good"), (180, "degrees", "good"), (179, "degrees", "fair"),
        (130, "degrees", "fair"), (129, "degrees", "poor"),
    ],
)  # fmt: skip
def test_grades_at_their_limits(degrees, system, grade):
    assert total_active_motion({"mcp": degrees, "pip": 0, "dip": 0}, system=system).grade == grade


def test_a_grade_can_refer_to_the_other_hand():
    graded = total_active_motion({"mcp": 80, "pip": 80, "dip": 40}, system="percent", reference=200)
    assert (graded.percent, graded.grade, graded.reference) == (100, "excellent", 200)


def test_the_gap_of_the_thumb_has_no_grade():
    for degrees in (80, 85, 97):  # the row that is missing in the printed table, its first and last degree with it
        assert total_active_motion({"mcp": 40, "ip": degrees - 40}, digit="thumb", system="degrees").grade == ""
    assert total_active_motion({"mcp": 40, "ip": 39}, digit="thumb", system="degrees").grade != ""
    assert total_active_motion({"mcp": 50, "ip": 50}, digit="thumb", system="degrees").grade == "good"


@pytest.mark.parametrize(
    ("flexion", "deficit", "options", "message"),
    [
        ({"mcp": 80, "pip": 80}, {}, {}, "missing dip"),
        ({"mcp": 80, "pip": 80, "dip": -1}, {}, {}, "0 degrees or more"),
        ({"mcp": 10, "pip": 0, "dip": 0}, {"pip": 30}, {}, "deficits exceed"),
        ({"mcp": 80, "pip": 80, "dip": 40}, {}, {"system": "best"}, "grading system 'best'"),
        ({"mcp": 50, "ip": 50}, {}, {"digit": "thumb", "system": "percent"}, "grading system 'percent'"),
        ({"mcp": 80, "pip": 80, "dip": 40}, {"wrist": 3}, {}, "unknown wrist"),
        ({"mcp": float("nan"), "pip": 80, "dip": 40}, {}, {}, "0 degrees or more"),
    ],
)
def test_impossible_input_is_refused(flexion, deficit, options, message):
    with pytest.raises(InstrumentError, match=message):
        total_active_motion(flexion, deficit, **options)


@pytest.mark.parametrize(
    ("row", "item"),
    [
        (("index", "MCP", "flexion", "active"), ("tam", "index_mcp_flexion")),
        (("Index", "PIP", "extension deficit", "passive"), ("tpm", "index_pip_deficit")),
        (("thumb", "IP", "extension", "assisted"), ("tam", "thumb_ip_deficit")),
        (("", "wrist", "extension", "active"), ("rom_active", "wrist_extension")),
        (("", "elbow", "extension", "passive"), ("rom_passive", "elbow_extension_deficit")),
        (("thumb", "cmc", "abduction", "active"), ("rom_active", "thumb_abduction")),
        (("", "knee", "flexion", "active"), None),
    ],
)
def test_rows_find_their_item(row, item):
    assert angle_item(*row) == item


def test_angles_of_a_study(tmp_path):
    (tmp_path / "study.toml").write_text(
        'title = "Angles"\ndesign = "single-arm"\nprimary = "tam.index"\noutcomes = ["tam.index"]\n'
        '[[visits]]\nid = "v1"\nlabel = "First"\nday = 0\n',
        encoding="utf-8",
    )
    (tmp_path / "participants.csv").write_text("participant,affected_side\nP1,left\nP2,right\n", encoding="utf-8")
    lines = ["participant,visit,side,digit,joint,movement,mode,degrees"]
    for mode, angles in (("active", (45, 60, 40)), ("passive", (60, 80, 50)), ("assisted", (50, 70, 45))):
        for joint, angle, deficit in zip(("mcp", "pip", "dip"), angles, (0, 10, 10), strict=True):
            lines.append(f"P1,v1,left,index,{joint},flexion,{mode},{angle}")
            # The assisted deficits are written as extension angles: -10 is 10 degrees short, +10 is hyperextension.
            sign, word = (-1, "extension") if mode == "assisted" else (1, "extension deficit")
            lines.append(f"P1,v1,left,index,{joint},{word},{mode},{sign * deficit}")
    lines.append("P2,v1,right,index,mcp,flexion,active,70")
    lines.append("P2,v1,right,,wrist,extension,active,35")
    (tmp_path / "angles.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    scores = score(read_study(tmp_path))
    found = scores.set_index(["participant", "outcome", "condition"])
    assert found.loc[("P1", "tam.index", "unassisted"), "value"] == 125
    assert found.loc[("P1", "tam.index", "assisted"), "value"] == 145
    assert found.loc[("P1", "tpm.index", "unassisted"), "value"] == 170
    assert found.loc[("P2", "rom_active.wrist_extension", "unassisted"), "value"] == 35
    assert pd.isna(found.loc[("P2", "tam.index", "unassisted"), "value"])  # a missing joint leaves no total
    assert "5 of 6 without a value" in found.loc[("P2", "tam.index", "unassisted"), "reason"]
    gain = assisted_gain(scores)
    assert gain[["scale", "unassisted", "assisted", "gain"]].values.tolist() == [["index", 125, 145, 20]]
