"""study.toml is read strictly, and every problem of a file is named at once with found, allowed and what to do."""

import pytest

from outcomes import StudyError
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import ModelChoice

GOOD = """\
title = "A study"
design = "parallel"
primary = "fma_ue.motor"
outcomes = ["arat.total", "fma_ue.motor"]
seed = 7
level = 0.9

[[arms]]
id = "a"
reference = true

[[arms]]
id = "b"
label = "Arm B"

[[visits]]
id = "w0"
day = 0

[[visits]]
id = "w4"
label = "Week 4"
day = 28
window = [-7, 7]

[thresholds]
"fma_ue.motor" = ["k1", "k2"]

[estimand]
treatment = "as assigned"

[model]
time = "linear"
random = "1 + time"
covariates = ["age"]

[[sensitivity]]
label = "no slope"
random = "1"

[measures."comfort.total"]
better = "lower"
low = 0
high = 20

[instruments.nhpt]
ceiling_s = 120

[columns.items]
value = "Punktzahl"

[[criteria]]
name = "retention"
"""


def read(tmp_path, text: str):
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_protocol(path)


def test_every_part_of_a_protocol_is_read(tmp_path):
    protocol = read(tmp_path, GOOD)
    assert (protocol.title, protocol.design, protocol.seed, protocol.level) == ("A study", "parallel", 7, 0.9)
    assert protocol.outcomes == ("fma_ue.motor", "arat.total")  # the primary first, none twice
    assert [(arm.id, arm.label, arm.reference) for arm in protocol.arms] == [("a", "a", True), ("b", "Arm B", False)]
    assert protocol.reference_arm == "a"
    assert protocol.baseline.id == "w0"
    assert [(visit.id, visit.day, visit.window) for visit in protocol.visits] == [("w0", 0, None), ("w4", 28, (-7, 7))]
    assert protocol.thresholds == {"fma_ue.motor": ("k1", "k2")}
    assert protocol.estimand == {"treatment": "as assigned"}
    assert protocol.model == ModelChoice(time="linear", random="1 + time", covariates=("age",))
    assert protocol.sensitivity == (ModelChoice(label="no slope", random="1"),)
    measure = protocol.measures[0]
    assert (measure.id, measure.better, measure.low, measure.high, measure.unit) == (
        "comfort.total", "lower", 0, 20, "points",
    )  # fmt: skip
    assert protocol.instruments == {"nhpt": {"ceiling_s": 120}}
    assert protocol.columns == {"items": {"value": "Punktzahl"}}
    assert protocol.criteria == ({"name": "retention"},)


PROBLEMS = {
    "unknown key, with the near one": (
        'seed = 7', 'sed = 7', "unknown key sed: found sed, allowed title.*Did you mean seed"),
    "unknown table": ("[estimand]", "[estimend]", "unknown key estimend.*Did you mean estimand"),
    "design": ('"parallel"', '"factorial"', "design: found 'factorial', allowed single-arm, parallel, crossover"),
    "number as text": ("seed = 7", 'seed = "7"', "seed: found '7', allowed a whole number"),
    "truth as number": ("seed = 7", "seed = true", "seed: found True, allowed a whole number"),
    "level": ("level = 0.9", "level = 95", "level: found 95, allowed 0.5 to below 1"),
    "no title": ('title = "A study"\n', "", "no title"),
    "no primary": ('primary = "fma_ue.motor"\n', "", "no primary"),
    "outcome without scale": ('"arat.total"', '"arat"', "'arat': not an outcome id; allowed is <instrument>.<scale>"),
    "two references": ('id = "b"', 'id = "b"\nreference = true', "found 2, allowed 1"),
    "no reference": ("reference = true", "reference = false", "found 0, allowed 1"),
    "arm twice": ('id = "b"', 'id = "a"', "'a' twice"),
    "arm without id": ('id = "b"\n', "", r"\[\[arms\]\] 2 has no id"),
    "single-arm with two arms": ('"parallel"', '"single-arm"', "found 2, allowed 0 or 1"),
    "visit twice": ('id = "w4"', 'id = "w0"', "'w0' twice"),
    "visit without day": ("day = 28\n", "", r"\[\[visits\]\] 2 has no day"),
    "window the wrong way round": ("[-7, 7]", "[7, -7]", "window: found"),
    "window of one number": ("[-7, 7]", "[7]", "window: found"),
    "unknown model key": ('random = "1 + time"', 'randm = "1"', "unknown key randm.*Did you mean random"),
    "model time": ('time = "linear"', 'time = "spline"', "time: found 'spline', allowed visit, linear, piecewise"),
    "sensitivity method": ('label = "no slope"', 'method = "bayes"', "method: found 'bayes', allowed reml, ml"),
    "measure without direction": ('better = "lower"\n', "", "better: found '', allowed higher, lower"),
    "measure of an empty range": ("high = 20", "high = 0", "allowed low below high"),
    "measure without scale": ('"comfort.total"', '"comfort"', "allowed <name>.<scale>"),
    "threshold outside quotation marks": ('"fma_ue.motor" = ["k1", "k2"]', "fma_ue.motor = 5", "Put the outcome in"),
    "options of no instrument": (
        "[instruments.nhpt]\nceiling_s = 120", "[instruments]\nnhpt = 120", "instruments.*nhpt"),
    "unknown sheet": ("[columns.items]", "[columns.item]", "unknown key item.*Did you mean items"),
    "unknown column": ('value = "Punktzahl"', 'valu = "x"', "unknown key valu.*Did you mean value"),
    "plain list of arms": ('[[arms]]\nid = "a"\nreference = true\n\n[[arms]]\nid = "b"\nlabel = "Arm B"\n', "",
                           "a parallel study compares arms: found 0, allowed 2 or more"),
    "period of an unplanned visit": ("[[criteria]]", '[[periods]]\nid = "one"\nstart = "w0"\nend = "w9"\n'
                                     'treatments = { a = "x", b = "y" }\n[[criteria]]', "found 'w9', allowed w0, w4"),
    "period that leaves out an arm": ("[[criteria]]", '[[periods]]\nid = "one"\nstart = "w0"\nend = "w4"\n'
                                      'treatments = { a = "x" }\n[[criteria]]', "one entry for each of a, b"),
    "wide sheet without columns": (
        "[[criteria]]", '[[wide]]\nfile = "x.csv"\n[[criteria]]', "neither columns nor prefix"),
    "broken text": ("seed = 7", "seed = seven", "cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("case", PROBLEMS)
def test_problems_are_named(case, tmp_path):
    old, new, message = PROBLEMS[case]
    assert old in GOOD
    with pytest.raises(StudyError, match=message):
        read(tmp_path, GOOD.replace(old, new, 1))


def test_all_problems_are_named_at_once(tmp_path):
    text = GOOD.replace('"parallel"', '"factorial"').replace("day = 28\n", "").replace("seed = 7", "sed = 7")
    with pytest.raises(StudyError) as refusal:
        read(tmp_path, text)
    message = str(refusal.value)
    assert "3 problems" in message.splitlines()[0]
    for part in ("factorial", "[[visits]] 2 has no day", "unknown key sed"):
        assert part in message


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(GOOD, encoding="utf-8-sig")
    assert read_protocol(path).title == "A study"


def test_a_single_arm_study_needs_no_arms(tmp_path):
    text = GOOD.replace('"parallel"', '"single-arm"')
    start, end = text.index("[[arms]]"), text.index("[[visits]]")
    protocol = read(tmp_path, text[:start] + text[end:])
    assert protocol.arms == ()
    assert protocol.reference_arm is None


def test_the_primary_outcome_is_planned_where_its_change_begins_and_ends(tmp_path):
    more = '[[visits]]\nid = "w8"\nday = 56\n\n[thresholds]'
    text = GOOD.replace("[thresholds]", more).replace('"as assigned"', '"as assigned"\nvisit = "w8"')
    text = text.replace(
        '["arat.total", "fma_ue.motor"]', '["arat.total", { id = "fma_ue.motor", visits = ["w0", "w8"] }]'
    )
    protocol = read(tmp_path, text)
    assert [visit.id for visit in protocol.visits_of("fma_ue.motor")] == ["w0", "w8"]
    assert [visit.id for visit in protocol.visits_of("arat.total")] == ["w0", "w4", "w8"]
    for wrong in ('["w8"]', '["w0", "w4"]'):
        with pytest.raises(StudyError, match=r"outcomes, fma_ue\.motor, visits: found .* a list that holds w0 and w8"):
            read(tmp_path, text.replace('["w0", "w8"]', wrong))
