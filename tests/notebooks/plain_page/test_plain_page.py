"""The page in plain words: easy to read by measure, of groups only, with the numbers of the first page."""

import re
from dataclasses import replace

import pytest

from notebooks.plain_page.plain_story import _wrong
from notebooks.plain_page.readability import readability, syllables
from notebooks.report import record as records
from synthetic_cohort import make_cohort
from synthetic_cohort.preset_files import preset


def test_readability_is_that_of_the_formulas():
    """Counted by hand: 9 words, 2 sentences, 10 syllables; Flesch 1948 and Kincaid 1975 worked out on paper."""
    found = readability("The cat sat on the mat. It was happy.")
    assert found.ease == pytest.approx(206.835 - 1.015 * 4.5 - 84.6 * 10 / 9)
    assert found.grade == pytest.approx(0.39 * 4.5 + 11.8 * 10 / 9 - 15.59)
    by_hand = {"people": 2, "gained": 1, "practice": 2, "treatment": 2, "range": 1, "study": 2, "noticed": 2}
    assert {word: syllables(word) for word in by_hand} == by_hand


def test_faults_of_a_device_stand_beside_the_harm_to_people():
    study = make_cohort(preset("device_pilot").without_recordings(), seed=1, flaws={}).study
    faults = study.device_deficiencies
    lines = _wrong(study)
    assert f"Something was wrong with a device {len(faults)} times." in lines
    assert f"{(faults['event'] != '').sum()} of these led to a health problem." in lines
    assert readability(" ".join(lines)).ease >= 60
    one = replace(study, device_deficiencies=faults[faults["event"] == ""].head(1))
    assert _wrong(one)[-2:] == ("Something was wrong with a device once.", "None of these led to a health problem.")
    assert not [line for line in _wrong(replace(study, device_deficiencies=faults.head(0))) if "device" in line]


@pytest.mark.parametrize("name", ["stroke_report", "cohort_report", "demo_report"])
def test_the_page_is_plain_english_about_groups(name, request):
    report = request.getfixturevalue(name)
    page = (report / "plain.html").read_text(encoding="utf-8")
    body = page.partition("<main>")[2].partition('<p class="foot">')[0]
    text = re.sub(r"<[^>]+>", " ", re.sub(r'<p class="team">.*?</p>', " ", body))
    assert readability(text).ease >= 60  # "plain English" by Flesch's own table
    codes = re.findall(r"^([^,\n]+),", (report / "inputs" / "participants.csv").read_text(encoding="utf-8"), re.M)[1:]
    assert [one for one in codes if not one.isdigit() and re.search(rf"\b{re.escape(one)}\b", text)] == []
    assert "The study team writes here" in body
    known = {one["name"]: one["value"] for one in records.read(report / "record.json")["numbers"]}
    assert f"{known['answer/people enrolled/estimate']:.0f} people took part" in text
