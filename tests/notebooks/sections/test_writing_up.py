"""Methods in words, the estimand and the checklist."""

import re
from dataclasses import replace

import pytest

from notebooks.analysis import Analysis
from notebooks.report import record as records
from notebooks.sections.change import fit_outcomes
from notebooks.sections.methods_words import methods_text
from notebooks.sections.writing_up import checklist_table, estimand_table, reporting_items
from notebooks.show.names import Names
from synthetic_cohort import make_cohort

# Groups of items of the CONSORT 2010 list (numbers 1 to 25) and the five that the pilot extension adds (Eldridge et al.
# BMJ 2016;355:i5239: 4c, 6c, 19a, 22a, 26).
NUMBERS = range(1, 27)
ADDED = {"4c", "6c", "19a", "22a"}


@pytest.fixture(scope="module", params=["demo", "device_pilot", "crossover"])
def study(request):
    return make_cohort(request.param, seed=1).study


def test_methods_name_every_outcome_arm_and_visit_and_the_numbers_of_the_fits(study):
    text, names = " ".join(methods_text(Analysis(study)).paragraphs), Names(study.protocol)
    assert all(names.outcome(outcome) in text for outcome in study.protocol.outcomes)
    assert all(visit.label in text for visit in study.protocol.visits)
    assert len(study.protocol.arms) < 2 or all(names.arm(arm.id) in text for arm in study.protocol.arms)
    fits = fit_outcomes(Analysis(study))
    for one in fits.main:
        told = f"{names.outcome(one.outcome)} ({one.fit.n_participants} participants, {one.fit.n_rows} scores)"
        assert told in text
    assert all(reason in text for reason in fits.left_out)


def test_methods_draw_no_verdict_and_claim_no_efficacy(study):
    text = " ".join(methods_text(Analysis(study)).paragraphs).lower()
    assert not re.findall(r"\bsignifican|\befficac|\beffective|\bproves?\b|\bshows that", text)


def test_estimand_says_what_is_not_stated(study):
    table = estimand_table(study).frame.set_index("attribute")["stated"]
    assert table["Population"] == study.protocol.estimand["population"]
    bare = replace(study, protocol=replace(study.protocol, estimand={}))
    assert estimand_table(bare).frame["stated"].str.startswith("not stated: [estimand] ").all()


def test_the_checklist_has_every_number_of_the_published_list():
    text = ", ".join(item["id"] for item in reporting_items()["items"])
    single = set(re.findall(r"\d+[a-z]?", text.replace("23 to 26", "23, 24, 25, 26")))
    assert {re.match(r"\d+", one).group() for one in single} == set(map(str, NUMBERS))
    assert single >= ADDED
    assert {item["checked"] for item in reporting_items()["items"]} == {"read", "memory"}


def test_what_the_checklist_points_to_is_in_the_demo_report(demo_report):
    record = records.read(demo_report / "record.json")
    names = {name.split("/")[1] for name in record["sentences"]}
    names |= {path.stem for path in (demo_report / "tables").glob("*.csv")}
    names |= {f"figure/{path.stem}" for path in (demo_report / "figures").glob("*.csv")}
    # Only a locked plan has departures, only a crossover its table.
    elsewhere = {"departures", "crossover"}
    for item in reporting_items()["items"]:
        for start in item.get("shown_by", []):
            assert start in elsewhere or any(name == start or name.startswith(f"{start}__") for name in names), start


def test_an_item_without_its_exhibit_says_so(study):
    shown = {"baseline": "Participants at baseline", "figure/adherence": "figure adherence"}
    table = checklist_table(study, shown).frame.set_index("item")["shown"]
    assert table["15*"] == "Participants at baseline"
    assert table["5"] == "figure adherence"
    assert table["19*"] == "not in this report"
    assert table["4a"] == "not from data"
