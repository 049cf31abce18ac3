"""Every sheet of a study made fit to share, its recordings, and what stops a copy that is not the same study.

The study is invented; what the copy must hold is counted by hand from what is typed here. Names, places and dates are
those of nobody.
"""

import json

import pandas as pd
import pytest

from outcomes import StudyError, check, read_study, score, share_study
from outcomes.sharing import data_set
from outcomes.sharing.masked_identifiers import masked_identifiers
from outcomes.sharing.rare_people import coarsened, rare_people
from outcomes.sharing.renewed_codes import new_codes
from tests.outcomes.movement.test_series_folder import as_parquet, folder, recordings

PROTOCOL = """
title = "Two hands at home"
design = "parallel"
primary = "quickdash.total"
outcomes = ["quickdash.total", "bbt.blocks", "nhpt.time"]
scored_raters = ["Anna Berg"]
[[arms]]
id = "usual"
label = "Usual care"
reference = true
[[arms]]
id = "glove"
label = "Glove"
[[visits]]
id = "pre"
day = 0
[[visits]]
id = "post"
label = "After six weeks"
day = 42
[model]
covariates = ["dose"]
[randomisation]
randomised = true
[instruments.nhpt]
ceiling_s = 120
[checks.off]
"part against the rest" = "P9 went home on 2024-05-06"
[estimand]
population = "people fitted with the glove"
"""
SERIES = """
[series]
file_names = "{participant}_{visit}"
[[series_outcomes]]
id = "wheel.range"
measure = "range"
better = "higher"
joint = "wheel"
"""
MORE = {
    "adverse_events": ["participant,date,term,severity,serious,related,event",
                       "P1,2024-02-02,skin red at the harbour,very bad,no,no,E1", "P8,2024-02-02,fell,mild,no,no,E2"],
    "device_deficiencies": ["deficiency,participant,device,date,category,event,could_have_been_serious,description",
                            "D1,P1,SN-1,2024-02-01,durability,E1,no,strap", "D2,,SN-2,,durability,,no,case"],
    "wear_log": ["participant,date,minutes_prescribed,minutes_worn,device", "P1,2024-01-15,60,50,SN-1"],
    "published": ["source,arm,outcome,n,mean,sd", "A 2019,glove,quickdash.total,20,9,4",
                  "A 2019,control,quickdash.total,20,6,4"],
    "costs": ["item,price,currency,price_year,participant,quantity", "glove,100,EUR,2024,P1,1",
              "room,5,EUR,2024,,1", "taxi,10,EUR,2024,P99,2", "drive home of a.berg@example.org,7,EUR,2024,P2,1"],
}  # fmt: skip


def study(place, protocol=PROTOCOL, leave=(), more=MORE):
    """Eight people, one without a dated visit, one whose baseline visit has no date; P1 was rated by two raters."""
    place.mkdir(parents=True)
    (place / "study.toml").write_text(protocol)
    rows = {
        "participants": ["participant,arm,age,sex,affected_side,dose,fitted,therapist"],
        "visits": ["participant,visit,date,status,reason,rater"],
        "items": ["participant,visit,instrument,item,value,rater"],
        "totals": ["participant,visit,instrument,scale,side,value,rater"],
    }
    for n in range(1, 9):
        rows["participants"].append(f"P{n},{('usual', 'glove')[n % 2]},{50 + n % 2},{('female', 'male')[n % 2]},left,"
                                    f"{n * 0.5},2024-01-{n:02d},{('Doe', 'Roe')[n % 2]}")  # fmt: skip
        for late, visit in enumerate(("pre", "post")):
            if n != 8 and (n, visit) != (7, "pre"):
                rows["visits"].append(f"P{n},{visit},2024-0{1 + late * 2}-{10 + n},attended,,Anna Berg")
            for rater in ("Anna Berg", "Bo Hill")[: 1 + (n == 1)]:
                rows["items"] += [f"P{n},{visit},quickdash,q{i},{1 + (n + i + late) % 5},{rater}" for i in range(1, 12)]
            rows["totals"].append(f"P{n},{visit},bbt,blocks,left,{20 + n + 3 * late},Anna Berg")
            rows["totals"].append(f"P{n},{visit},nhpt,,left,{30 + n},Anna Berg")
    for name, lines in (rows | more).items():
        if name not in leave:
            (place / f"{name}.csv").write_text("\n".join([*lines, ""]))
    return place


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    place = tmp_path_factory.mktemp("sheets")
    return share_study(study(place / "study"), place / "copy", seed=5, standard=True, coarsen=True)


def table(shared, name):
    return pd.read_csv(shared.folder / f"{name}.csv", keep_default_na=False, dtype=str)


def test_every_sheet_keeps_what_it_says_and_loses_who_and_when(whole):
    codes = whole.codes["participant"]
    people = table(whole, "participants").set_index("participant")
    # Fitted ten days before the baseline visit; P7 was first seen at the second visit, 42 days after a planned start.
    start = pd.Timestamp("2024-03-17") - pd.Timedelta(days=42)
    assert people.loc[codes["P3"], "fitted"] == "-10"
    assert people.loc[codes["P7"], "fitted"] == str((pd.Timestamp("2024-01-07") - start).days)
    assert people.loc[codes["P8"], "fitted"] == ""
    assert people.loc[codes["P3"], "dose"] == "1.5"
    assert set(people["therapist"]) == {"therapist 01", "therapist 02"}
    events = table(whole, "adverse_events").set_index("participant")
    first = events.loc[codes["P1"]]
    assert (first["term"][:6], first["severity"], first["day"]) == ("event ", "other", "22")
    assert events.loc[codes["P8"], "day"] == ""
    deficiencies = table(whole, "device_deficiencies")
    mine, nobody = (deficiencies[deficiencies["participant"] == code].iloc[0] for code in (codes["P1"], ""))
    assert mine["event"] == first["event"]
    assert mine["device"] == table(whole, "wear_log")["device"][0]
    assert nobody["device"] != mine["device"]
    assert "description" not in deficiencies
    costs = table(whole, "costs")
    assert sorted(zip(costs["item"], costs["participant"], costs["currency"], strict=True)) == sorted(
        [("glove", codes["P1"], "EUR"), ("room", "", "EUR"), ("cost 1", codes["P2"], "EUR")]
    )
    assert table(whole, "published")["mean"].tolist() == ["9", "6"]
    text = "\n".join(path.read_text() for path in whole.folder.rglob("*.*") if path.suffix in (".csv", ".toml", ".txt"))
    for word in ("Anna", "Bo Hill", "Doe", "harbour", "SN-1", "strap", "taxi", "a.berg", "2024-", "P99", "went home"):
        assert word not in text, word


def test_what_was_left_out_is_said(whole):
    said = "\n".join(whole.done)
    for words in (
        "1 participants have no dated baseline visit",
        "participants: dates of fitted became days",
        "adverse_events: 1 dates of people without any dated visit",
        "adverse_events: 2 texts of term became codes",
        'adverse_events: 1 cells of severity in other words than grades became "other"',
        "costs: 1 rows of nobody",
        "costs: 1 texts of item became codes",
    ):
        assert words in said


def test_the_second_rater_goes_along_and_is_scored_as_before(whole):
    copy = read_study(whole.folder)
    assert copy.protocol.scored_raters == (whole.codes["rater"]["Anna Berg"],)
    assert len(copy.second_ratings) == 22
    assert len(score(copy)) == len(score(read_study(whole.source))) == 8 * 2 * 3


def test_the_description_names_the_people_only_where_there_are_some(whole):
    package = json.loads((whole.folder / "datapackage.json").read_text())
    keys = {resource["name"]: resource["schema"].get("foreignKeys") for resource in package["resources"]}
    assert keys["published"] is None
    assert keys["totals"][0]["reference"]["resource"] == "participants"
    book = table(whole, "../copy/codebook").set_index(["table", "column"])["values"]
    assert "blocks" in book["totals", "scale"]


def test_the_standard_layout_counts_study_days_and_does_without_a_sheet(whole):
    rows = table(whole, "cdisc/qs")
    # The baseline visit is day 1; 60 days later (11 January to 11 March of a leap year) is day 61.
    days = rows.groupby("VISIT")["QSDY"].unique()
    assert {day for day in days["pre"] if day} == {"1"}
    assert {day for day in days["After six weeks"] if day} == {"61", "43"}
    assert {row for row in rows["QSTESTCD"] if row.startswith("BBT")} == {"BBTS01"}


def test_a_shared_folder_is_written_anew_and_nothing_else_is(whole, tmp_path):
    place = study(tmp_path / "study", leave=("totals",), protocol=PROTOCOL.replace(', "bbt.blocks", "nhpt.time"', ""),
                  more={})  # fmt: skip
    to = tmp_path / "copy"
    share_study(place, to, standard=True)
    (to / "old.csv").write_text("of an earlier sharing")
    (to / "spss" / "old.sav").write_text("of an earlier sharing")
    again = share_study(place, to)
    assert not (to / "old.csv").exists()
    assert not (to / "spss" / "old.sav").exists()
    assert not (to / "cdisc").exists()
    assert {path.relative_to(to) for path in again.files} == {
        path.relative_to(to) for path in to.rglob("*") if path.is_file()
    }
    (tmp_path / "file").write_text("mine")
    with pytest.raises(StudyError, match="a file has that name"):
        share_study(place, tmp_path / "file")
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda value: -5 if value == 21 else value, "does not pass the checks"),
        (lambda value: value + 1 if value == 21 else value, "not all those of the study"),
    ],
)
def test_a_copy_that_is_not_the_same_study_is_refused(break_it, words, tmp_path, monkeypatch):
    """The writer is broken on purpose: a number that cannot be, and another one."""
    place = study(tmp_path / "study", more={})
    right = data_set._cell
    monkeypatch.setattr(data_set, "_cell", lambda value: right(break_it(value)))
    with pytest.raises(StudyError, match=words):
        share_study(place, tmp_path / "copy")


@pytest.mark.parametrize("unused", [0, 2])
def test_recordings_go_out_under_new_codes_in_seconds_from_the_first_sample(unused, tmp_path):
    whole = recordings(1)
    whole = whole[whole["time"] < 4].assign(time=lambda frame: frame["time"] + 1_700_000_000)
    single = whole[(whole["participant"] == "P1") & (whole["visit"] == "v0")].groupby("hand").head(1)
    frame = pd.concat([whole, single.assign(repetition=2)]) if unused else whole
    place = folder(tmp_path / "study", as_parquet, frame=frame)
    shared = share_study(place, tmp_path / "copy")
    written = pd.read_parquet(tmp_path / "copy" / "series" / "recordings.parquet")
    said = [line for line in shared.done if "cannot be used" in line]
    assert said == [f"recordings: {unused} that cannot be used, or are of nobody, are left out."] * bool(unused)
    assert len(written) == len(whole)
    assert set(written["participant"]) == set(shared.codes["participant"].values()) - {""}
    first = whole[(whole["participant"] == "P2") & (whole["visit"] == "v1") & (whole["hand"] == "left")]
    keys = {"participant": shared.codes["participant"]["P2"], "visit": "v1", "hand": "left"}
    mine = written[(written[list(keys)] == pd.Series(keys)).all(axis=1)]
    assert mine["degrees"].to_numpy() == pytest.approx(first["degrees"].to_numpy(), abs=1e-9)
    assert mine["time"].to_numpy() == pytest.approx(first["time"].to_numpy() - 1_700_000_000, abs=1e-6)


def test_a_study_whose_only_recording_cannot_be_used_is_shared_without_it(tmp_path):
    place = study(tmp_path / "study", PROTOCOL + SERIES, more={})
    (place / "series").mkdir()
    (place / "series" / "P1_pre.csv").write_text("hand,joint,time,degrees\nleft,wheel,0.0,3\n")
    assert not check(read_study(place)).blocking
    shared = share_study(place, tmp_path / "copy")
    assert "recordings: 1 that cannot be used, or are of nobody, are left out." in shared.done
    assert not (tmp_path / "copy" / "series").exists()
    assert "file_names" not in (tmp_path / "copy" / "study.toml").read_text()


def test_people_who_are_rare_all_the_same_are_counted_and_listed():
    """Two people of one age without a diagnosis: no step makes them three."""
    people = pd.DataFrame({"participant": ["S1", "S2"], "age": [50.0, 71.0], "sex": ["female", ""]})
    frame, steps = coarsened(people, (), 3)
    assert steps[-1] == "2 people are rare still: fewer than 3 are alike even so."
    assert frame["age"].isna().all()
    assert (frame["sex"] == "").all()
    lines = data_set.listing(rare_people(people, (), 3), most=1)
    assert lines[1:] == ["  S1: 50, female (shared by 1)", "  ... and 1 more."]
    assert data_set.listing(rare_people(people, (), 3))[2] == "  S2: 71, blank (shared by 1)"


def test_codes_are_never_those_that_were_there():
    prefixes = ("S", "Q", "N", "V", "X", "Y", "Z", "PERSON")
    old = [f"{prefix}01" for prefix in prefixes]
    new = new_codes("seed", "participant", old)
    assert not set(new.values()) & set(old)
    places = new_codes("seed", "site", ["site 01", "site no. 01"])
    assert not set(places.values()) & {"site 01", "site no. 01"}
    every = [*old, *(f"{first}{second}01" for first in prefixes for second in prefixes)]
    with pytest.raises(StudyError, match="No new codes for participant"):
        new_codes("seed", "participant", ["P1"], taken=every)


def test_a_name_in_the_plan_alone_is_masked(tmp_path):
    plan = PROTOCOL.replace("P9 went home on 2024-05-06", "ask p.schulze@example.org")
    before = read_study(study(tmp_path / "study", plan, more={}), masked=False)
    masked = masked_identifiers(before)
    assert masked.identifiers == ("Masked: texts of study.toml.",)
    assert "p.schulze" in repr(before.protocol)
    assert "p.schulze" not in repr(masked.protocol)
    pd.testing.assert_frame_equal(masked.findings.frame(), before.findings.frame())
