"""Layouts that clinics type every day: visits alone below the name of a test, trials at every visit, parts of a test.

People and values are invented; what each layout means is stated by hand. How clinics lay out their tables: common
practice, no source.
"""

import pytest

from outcomes.importing.language.code_pairs import heading_codes
from outcomes.importing.language.headings import FAMILIES, Around, recognise
from outcomes.library.known import find_instrument
from outcomes.library.registry import instruments
from tests.outcomes.importing.test_any_answer import book, line
from tests.outcomes.importing.test_code_books import asked, imported, table
from tests.outcomes.importing.test_unusual_columns import numbers, people, read_as_meant

TRIALS = ("Grip R kg pre 1", "Grip R kg pre 2", "Grip R kg post 1", "Grip R kg post 2")

# Sheets, and what is converted of A1: by outcome, hand and visit.
SHEETS = {
    "visits alone on the sheet of a test": (
        {"ARAT": line(("T0", "T1"), *numbers(count=2)),
         "BBT": line(("T0 left", "T0 right", "T1 left"), *numbers(step=3, count=3))},
        {"arat.total T0": "21", "arat.total T1": "31", "bbt.blocks left T0": "21", "bbt.blocks right T0": "24",
         "bbt.blocks left T1": "27"}),
    "tests below each other, each under its title": (
        {"Data": [["Box and Block Test"], *line(("T0 L", "T0 R"), *numbers(count=2)), ["Mean", 24.5, 34.5], [],
                  ["Nine Hole Peg Test (s)"], *line(("T0 L", "T0 R"), *numbers(step=5, count=2))]},
        {"bbt.blocks left T0": "21", "bbt.blocks right T0": "31", "nhpt.time left T0": "21",
         "nhpt.time right T0": "26"}),
    "codes that read like visits under a title": (
        {"Data": [["Box and Block Test"], ["ID", "T0 L", "T0 R"], *([f"S{n}", 20 + n, 30 + n] for n in range(1, 7))]},
        {"bbt.blocks left T0": "21", "bbt.blocks right T0": "31"}),
    "trials at every visit": (
        {"Data": line(TRIALS, *numbers(count=4))},
        {"grip.1 right pre": "21", "grip.2 right pre": "31", "grip.1 right post": "41", "grip.2 right post": "51"}),
    "trials at the first visit and means after it": (
        {"Data": line((*TRIALS[:2], "Grip R kg mean post"), *numbers(count=3))},
        {"grip.1 right pre": "21", "grip.2 right pre": "31", "grip.force right post": "41"}),
    "two follow-ups of one number each": (
        {"Data": line(("BBT R pre", "BBT R post", "BBT R FU1", "BBT R FU2"), *numbers(count=4))},
        {"bbt.blocks right pre": "21", "bbt.blocks right post": "31", "bbt.blocks right FU1": "41",
         "bbt.blocks right FU2": "51"}),
    "items at every visit": (
        {"Data": line([f"QuickDASH {visit} {n}" for visit in ("pre", "post") for n in range(1, 12)],
                      *(lambda n: 1 for _ in range(22)))},
        {f"quickdash.q{n} {visit}": "1" for visit in ("pre", "post") for n in range(1, 12)}),
    "changes beside the visits": (
        {"Data": [[None, "FMA-UE", None, None, None], ["ID", "pre", "post", "Δ", "%"],
                  *([f"A{n}", 20 + n, 30 + n, 10, 33.3] for n in range(1, 7))]},
        {"fma_ue.motor pre": "21", "fma_ue.motor post": "31"}),
    "sections of a test on its sheet": (
        {"FMA": line(("Pre A", "Pre B", "Pre total", "Post A"), *numbers(first=0, step=1, count=4))},
        {"fma_ue.a Pre": "1", "fma_ue.b Pre": "2", "fma_ue.motor Pre": "3", "fma_ue.a Post": "4"}),
    "sections of a test by some words of their names": (
        {"Data": line(("FMA-UE Shoulder/Elbow pre", "FMA-UE Coordination pre"), lambda n: 20 + n, lambda n: n)},
        {"fma_ue.a pre": "21", "fma_ue.d pre": "1"}),
    "numbers of trials in a line below the visits": (
        {"D": [["ID", "Grip R (kg) pre", None, "Grip R (kg) post", None], [None, 1, 2, 1, 2],
               *([f"A{n}", 10 + n, 20 + n, 30 + n, 40 + n] for n in range(1, 7))]},
        {"grip.1 right pre": "11", "grip.2 right pre": "21", "grip.1 right post": "31", "grip.2 right post": "41"}),
    "a line a test, visits over the values": (
        {"D": [["ID", "Test", "Side", "T0", "T1"],
               *([f"A{n}", test, side, 20 + n, 30 + n] for n in range(1, 7)
                 for test, side in (("BBT", "L"), ("BBT", "R"), ("9HPT", "R")))]},
        {"bbt.blocks left T0": "21", "bbt.blocks left T1": "31", "bbt.blocks right T0": "21",
         "bbt.blocks right T1": "31", "nhpt.time right T0": "21", "nhpt.time right T1": "31"}),
    "before and after an operation": (
        {"D": line(("Pre-Op BBT R", "6 wk Post-Op BBT R", "3 mo Post-Op BBT R"), *numbers(count=3))},
        {"bbt.blocks right Pre-Op": "21", "bbt.blocks right 6 wk": "31", "bbt.blocks right 3 mo": "41"}),
    "parts of tests": (
        {"Data": line(("ARAT grip pre", "MHQ pain pre", "MRC wrist ext R pre", "FMA_a_pre", "FMA wrist pre",
                       "UEMS left pre"),
                      lambda n: n, lambda n: 20 + n, lambda n: n % 5, lambda n: 10 + n, lambda n: n, lambda n: 10 + n)},
        {"arat.grip pre": "1", "mhq.pain pre": "21", "mrc.wrist_extensors right pre": "1", "fma_ue.a pre": "11",
         "fma_ue.b pre": "1", "uems.left pre": "11"}),
}  # fmt: skip


@pytest.mark.parametrize("what", SHEETS)
def test_a_sheet_is_read_as_its_layout_means_it(what, tmp_path):
    sheets, wanted = SHEETS[what]
    assumed = ("side", "affected_side", "summary_grip", "left_out_derived", "order_", "option_")
    read_as_meant(book(tmp_path / "w.xlsx", sheets), wanted, assumed=assumed)


def test_codes_in_a_heading_explain_its_cells(tmp_path):
    heads = ("Sex (1=M,2=F)", "Group 1=device 2=usual", "Affected side (1 = left, 2 = right)", "Visit (1=pre, 2=post)",
             "Pain (0=none, 10=worst)", "ARAT (99=refused)", "FMA-UE (max=66)")  # fmt: skip
    rows = [["ID", *heads], *([f"A{n}", n % 2 + 1, n % 2 + 1, n % 2 + 1, visit, 10, 99 if n == 2 else 20 + n, 30 + n]
                              for n in range(1, 7) for visit in (1, 2))]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}))
    assert people(proposal, "sex", "affected_side")["A1"] == ("female", "right")
    assert {label for _, label in proposal.described.arms} == {"device", "usual"}
    found = table(proposal)
    assert found["arat.total affected pre"] == {f"A{n}": "refused" if n == 2 else str(20 + n) for n in range(1, 7)}
    assert found["pain_nrs.rating post"]["A1"] == "10"
    assert found["fma_ue.motor affected post"]["A1"] == "31"


@pytest.mark.parametrize(
    ("text", "plain", "codes"),
    [
        ("Sex (1=M,2=F)", "Sex", {"1": "M", "2": "F"}),
        ("Hand [0=R; 1=L] tested", "Hand tested", {"0": "R", "1": "L"}),
        ("Group 1=device 2=usual care", "Group", {"1": "device", "2": "usual care"}),
        ("FMA-UE (max=66)", "FMA-UE (max=66)", {}),
        ("p = 0.03", "p = 0.03", {}),
        ("Grip (kg)", "Grip (kg)", {}),
    ],
)
def test_codes_of_a_heading(text, plain, codes):
    assert heading_codes(text) == (plain, codes)


EVENTS = ("Baseline", "Week 6", "Follow-up 3 months")


@pytest.mark.parametrize(
    ("event", "label"),
    [
        (lambda name, arm: f"{name} (Arm {arm}: {('Device', 'Usual')[arm - 1]})", "Device"),
        (lambda name, arm: f"{name} group {'AB'[arm - 1]}", "A"),
    ],
)
def test_an_event_named_with_its_arm_is_one_visit_and_names_the_arm(event, label, tmp_path):
    rows = [[n, event(name, n % 2 + 1), 20 + n] for n in range(1, 9) for name in EVENTS]
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": [["ID", "Event", "ARAT total"], *rows]}))
    assert len(proposal.schedule.visits) == 3
    assert len(proposal.done.rows) == 24
    assert label in {label for _, label in proposal.described.arms}
    arms = people(proposal, "arm")
    assert arms["1"] == arms["3"] != arms["2"]


# Read as another score for a reason: the sum of MRC grades is an instrument of its own, and the name of this edition of
# the other ends in the name of its main score.
NAMESAKES = {("mrc", "sum"), ("scim", "total")}


@pytest.mark.parametrize("name", [name for name in instruments() if len(find_instrument(name).scales) > 1])
def test_a_part_of_a_test_is_never_taken_for_its_main_score(name):
    """ "ARAT grip" is no ARAT: the part is recognised, or the import asks."""
    known = find_instrument(name)
    for scale in known.scales:
        if scale is known.main_scale or (name, scale.id) in NAMESAKES:
            continue
        for part in (scale.id.replace("_", " "), scale.label.split("(")[0].strip()):
            for test in (known.short or known.name, known.name):
                part = part.upper() if len(part) == 1 else part
                meaning = recognise([f"{test} {part} pre"], Around())
                right = meaning.instrument == name or name in FAMILIES.get(meaning.instrument, ())
                itself = meaning.scale == scale.id or (meaning.item and scale.items == (meaning.item,))
                asks = meaning.rest or meaning.part or meaning.near or not meaning.instrument
                assert (right and itself) or asks, f"{test} {part}: {meaning}"


def test_a_second_test_in_a_heading_is_asked_about():
    assert recognise(["ARAT and NHPT pre"], Around()).part == "nhpt"
    assert recognise(["FMA hand pre"], Around()).part == "hand"
    assert recognise(["QuickDASH pain pre"], Around()).part == "pain_nrs"
    assert recognise(["Lateral pinch grip strength (kg) pre"], Around()).part == ""
    assert recognise(["Fugl-Meyer FMA-UE pre"], Around()).part == ""


# Words for the hands and the visits as trials type them (common practice, no source), and what they mean.
HANDS = {"L": "left", "Right": "right", "aff": "affected", "unaff": "other", "non-affected": "other",
         "paretic": "affected", "nonparetic": "other", "less affected": "other", "contralesional": "affected",
         "ipsilesional": "other",
         "intact": "other", "weak": "affected", "sound": "other"}  # fmt: skip
VISITS = {"pre": ("pre",), "T1": ("ordinal", 1), "baseline": ("pre",), "week 6": ("time", 42), "6w": ("time", 42),
          "FU": ("fu", None, None), "3mo": ("time", 91), "discharge": ("post",), "endpoint": ("post",),
          "V2": ("ordinal", 2), "day 14": ("time", 14), "post-test": ("post",)}  # fmt: skip
TESTS = ("ARAT", "FMA-UE", "9HPT", "Box and Block", "MAL AOU", "MAS wrist flexors", "SIS hand", "key pinch")


@pytest.mark.parametrize(
    "form", ["{test} {hand} {visit}", "{visit} {test} {hand}", "{test}_{visit}_{hand}", "{test} ({hand}) {visit}"]
)
def test_hand_and_visit_stand_in_any_order(form):
    for test in TESTS:
        alone = recognise([test], Around())
        for hand, side in HANDS.items():
            for visit, key in VISITS.items():
                heading = form.format(test=test, hand=hand, visit=visit)
                meaning = recognise([heading], Around())
                assert (meaning.outcome, meaning.item, meaning.side) == (alone.outcome, alone.item, side), heading
                assert meaning.visit.key == key, heading
                assert not meaning.rest, heading


def questions(proposal):
    return {question.id: question for question in proposal.questions}


TWO_GROUPS = [["ID", "ARAT pre", "ARAT post"], ["Device group"], *([f"K{n}", 20 + n, 30 + n] for n in range(1, 5)),
              ["Usual care"], *([f"K{n}", 20 + n, 30 + n] for n in range(5, 9))]  # fmt: skip


@pytest.mark.parametrize("rows", [TWO_GROUPS, [*TWO_GROUPS[:6], [], *TWO_GROUPS[6:], [], ["entered by AB"]]])
def test_words_above_the_lines_of_people_may_be_their_arms(rows, tmp_path):
    path = book(tmp_path / "w.xlsx", {"Data": rows})
    assert questions(imported(path))["people_by_heading"].open
    proposal = imported(path, {"people_by_heading": "arms"})
    arms = people(proposal, "arm")
    assert len(arms) == 8
    assert {label for _, label in proposal.described.arms} == {"Device group", "Usual care"}
    assert arms["K1"] == arms["K4"] != arms["K5"] == arms["K8"]


@pytest.mark.parametrize(
    ("answer", "persons", "hands"),
    [
        ("hands of one person", 4, {"left", "right"}),
        ("two people", 8, {"affected"}),
        ("", 0, set()),
        ("as the moon has it", 0, set()),
    ],
)
def test_codes_in_pairs_that_end_in_a_hand_are_asked_about(answer, persons, hands, tmp_path):
    rows = [["ID", "BBT pre", "BBT post"], *([f"K{n}{hand}", 20 + n, 30 + n] for n in range(1, 5) for hand in "LR")]
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}), {"hands_in_codes_data": answer})
    assert len(people(proposal)) == persons
    assert {row.cells["side"] for row in proposal.done.rows} == (hands if persons != 8 else {""})
    assert questions(proposal)["hands_in_codes_data"].open is (not persons)


@pytest.mark.parametrize(("answer", "values"), [("yes", 132), ("leave out", 0), ("", 0)])
def test_as_many_worded_columns_as_the_form_has_items_are_one_question(answer, values, tmp_path):
    words = ["alfa", "bravo", "charlie", "echo", "foxtrot", "hotel", "juliett", "kilo", "pain", "lima", "oscar"]
    heads = [f"QuickDASH [{word}]" for word in words]
    rows = [["ID", "Visit", *heads], *([f"A{n}", visit, *(1 + (n + k) % 5 for k in range(11))]
                                       for n in range(1, 7) for visit in ("pre", "post"))]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}), {"items_in_words_quickdash_data": answer})
    assert len(proposal.done.rows) == values
    assert not [name for name in questions(proposal) if name.startswith(("column", "word"))]
    if values:
        assert [row.cells["item"] for row in proposal.done.rows[:11]] == [f"q{n}" for n in range(1, 12)]


def test_days_by_a_letter_are_visits_in_french(tmp_path):
    rows = [["Sujet", "FMA-UE J0", "FMA-UE J30"], *([f"S{n}", 20 + n, 30 + n] for n in range(1, 7))]
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}))
    assert [visit.day for visit in proposal.schedule.visits] == [0, 30]


def test_a_rater_with_a_number_is_no_item_and_a_mode_is_asked_once(tmp_path):
    meaning = recognise(["FMA-UE rater 2 pre"], Around())
    assert (meaning.table, meaning.number, meaning.rest) == ("totals", None, ("rater",))
    heads = ("Wrist flex L pre", "Index MCP flex L pre", "Thumb IP flex L pre")
    cells = (lambda n: 40 + n, lambda n: 50 + n, lambda n: 30 + n)
    asks = imported(book(tmp_path / "w.xlsx", {"Range": line(heads, *cells)}))
    assert [name for name in questions(asks) if name.startswith("mode")] == ["mode_of_range"]
    told = imported(book(tmp_path / "v.xlsx", {"AROM": line(heads, *cells)}))
    assert {row.cells["mode"] for row in told.done.rows} == {"active"}


def test_hands_above_the_lines_are_hands(tmp_path):
    lines = [[f"K{n}", 20 + n, 30 + n] for n in range(1, 5)]
    rows = [["ID", "BBT pre", "BBT post"], ["Left hand"], *lines, ["Right hand"], *lines]
    found = table(imported(book(tmp_path / "w.xlsx", {"Data": rows})))
    assert set(found) == {
        "bbt.blocks left pre",
        "bbt.blocks left post",
        "bbt.blocks right pre",
        "bbt.blocks right post",
    }


def test_three_lines_of_headings_without_a_merged_cell(tmp_path):
    rows = [[None, "Grip strength (kg)", None, None, None, "Box and Blocks"],
            [None, "Pre", None, "Post", None, "Pre"], ["ID", "L", "R", "L", "R", "L"],
            *([f"A{n}", 10, 20, 11, 21, 30 + n] for n in range(1, 7))]  # fmt: skip
    found = table(imported(book(tmp_path / "w.xlsx", {"Data": rows})))
    assert {key: values["A1"] for key, values in found.items()} == {
        "grip.force left Pre": "10", "grip.force right Pre": "20", "grip.force left Post": "11",
        "grip.force right Post": "21", "bbt.blocks left Pre": "31"}  # fmt: skip


def test_a_column_of_weeks_is_the_visit(tmp_path):
    rows = [["ID", "Week", "FMA-UE/66"], *([f"A{n}", week, 30 + week + n] for n in range(1, 7) for week in (0, 6, 12))]
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}))
    assert [visit.day for visit in proposal.schedule.visits] == [0, 42, 84]
    assert not [name for name in asked(proposal) if name.startswith(("visit", "what", "column"))]
    assert list(table(proposal).values())[1]["A1"] == "37"


def test_numbered_dates_are_those_of_numbered_visits(tmp_path):
    rows = [["ID", "Date 1", "BBT R 1", "Date 2", "BBT R 2"],
            *([f"A{n}", f"2025-01-0{n}", 20 + n, f"2025-02-0{n}", 30 + n] for n in range(1, 7))]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}), {"numbers_bbt": "visits"})
    days = {(row["participant"], row["visit"]): row["date"] for row in proposal.described.visits}
    assert sorted(set(days.values())) == [f"2025-0{month}-0{n}" for month in (1, 2) for n in range(1, 7)]


@pytest.mark.parametrize(
    ("typed", "choices"), [("1:10", ("70", "not done", "leave out")), ("3 pegs", ("3", "not done", "leave out"))]
)
def test_a_time_in_minutes_and_a_count_of_pegs_are_asked_about(typed, choices, tmp_path):
    proposal = imported(
        book(tmp_path / "w.xlsx", {"D": line(("9HPT R pre (s)",), lambda n: typed if n == 2 else 30 + n)})
    )
    assert [q.choices for name, q in questions(proposal).items() if name.startswith("cell")] == [choices]


def test_codes_below_a_heading_nobody_knows_are_asked_for_above_a_note(tmp_path):
    rows = [["Study:", "Hand trial"], [], ["Zork.", "Age", "FMA-UE pre"],
            *([n, 50 + n, 30 + n] for n in range(1, 7)), [], ["* data entered by AB"]]  # fmt: skip
    proposal = imported(book(tmp_path / "w.xlsx", {"Data": rows}))
    assert questions(proposal)["participant_column"].choices == ("Zork.",)
