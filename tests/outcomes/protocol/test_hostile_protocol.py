"""A study.toml that means no good: refused in one readable message, never a traceback, a hang or a file read."""

import pytest

from outcomes import StudyError
from outcomes.protocol.study_toml import read_protocol

GOOD = """\
title = "A study"
design = "parallel"
primary = "fma_ue.motor"
seed = 7
arms = [{ id = "a", reference = true }, { id = "b" }]
visits = [{ id = "w0", day = 0 }, { id = "w4", day = 28, window = [-7, 7] }]

[model]
time = "piecewise"
knots = [2]
"""
HOSTILE = {
    "knots of words": (GOOD.replace("[2]", '["a"]'), "knots: found .*allowed a list of numbers"),
    "knots of tables": (GOOD.replace("[2]", "[{a = 1}]"), "knots: found"),
    "knots falling": (GOOD.replace("[2]", "[4, 2]"), "allowed rising numbers"),
    "a day of 400 digits": (GOOD.replace("28", "9" * 400), "a number beyond all use"),
    "a whole number of 5,000 digits": (GOOD.replace("seed = 7", "seed = " + "7" * 5000), "cannot be read"),
    "a hexadecimal one": (GOOD.replace("seed = 7", "seed = 0x" + "f" * 5000), "a number beyond all use"),
    "a day that is no number": (GOOD.replace("28", "nan"), "a number beyond all use"),
    "an endless day": (GOOD.replace("28", "inf"), "a number beyond all use"),
    "a negative seed": (GOOD.replace("seed = 7", "seed = -7"), "seed: found -7"),
    "3,000 brackets": (GOOD.replace("[2]", "[" * 3000 + "]" * 3000), "brackets inside brackets|tables inside each"),
    "20 brackets": (GOOD.replace("[2]", "[" * 20 + "]" * 20), "tables inside each other"),
    "3,000 dotted keys": (GOOD + ".".join(["a"] * 3000) + " = 1\n", "tables inside each other"),
    "60,000 values": (GOOD.replace("[2]", "[" + "1," * 60_000 + "]"), "more than 50000 values"),
    "two million bytes": (GOOD + "#" * 2_000_000, "too large: found 20"),
    "zero bytes": ("\0", "cannot be read"),
    "lists of lists of raters": ('scored_raters = [["R1"]]\n' + GOOD, "scored_raters: found"),
    "covariates that are tables": (GOOD + "covariates = [{a = 1}]\n", "covariates: found"),
    "an unknown covariance": (GOOD + 'covariance = "np.eye(3)"\n', "covariance: found"),
    "an outcome of recordings whose id is a blank": (
        GOOD + '[[series_outcomes]]\nid = " "\nlabel = "x"\nmeasure = "range"\nbetter = "higher"\n',
        "has no id",
    ),
    "an arm whose id is a blank": (GOOD.replace('id = "b"', 'id = " "'), "has no id"),
    "a very long unknown key": (GOOD + f"{'k' * 50_000} = 1\n", "unknown key k{80}: "),
}
OUTSIDE = ["../x.csv", "..\\\\x.csv", "/etc/passwd", "C:\\\\x.csv", "sub/x.csv", "..", ".hidden.csv", "~/../x.csv"]


def read(tmp_path, text: str):
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_protocol(path)


def test_the_good_one_is_good(tmp_path):
    assert read(tmp_path, GOOD).model.knots == (2.0,)


@pytest.mark.parametrize("case", HOSTILE)
def test_one_readable_message(case, tmp_path):
    text, says = HOSTILE[case]
    with pytest.raises(StudyError, match=says) as refusal:
        read(tmp_path, text)
    message = str(refusal.value)
    assert "found" in message
    assert "allowed" in message
    assert len(message) < 3000


@pytest.mark.parametrize("file", OUTSIDE)
def test_a_file_outside_the_study_folder_is_not_read(file, tmp_path):
    with pytest.raises(StudyError, match="allowed the name of a file in the study folder"):
        read(tmp_path, GOOD + f'\n[[wide]]\nfile = "{file}"\nprefix = "x"\n')


def test_a_folder_called_study_toml(tmp_path):
    (tmp_path / "study.toml").mkdir()
    with pytest.raises(StudyError, match=r"study\.toml cannot be read: found .*allowed"):
        read_protocol(tmp_path / "study.toml")
