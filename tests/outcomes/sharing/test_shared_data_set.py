"""A study made fit to share: what it must not hold any more, and that it is the same study.

Read back by other libraries: json and csv of the standard library, pyreadstat for the labels. The layout of the
description is the one of Data Package v2, https://datapackage.org/standard/table-schema.
"""

import csv
import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pyreadstat
import pytest

from outcomes import StudyError, check, read_study, score, share_study
from outcomes.sharing.rare_people import coarsened, rare_people
from outcomes.sharing.renewed_codes import SEED_FILE, new_codes
from synthetic_cohort import make_cohort

ANY_DATE = re.compile(
    r"(?<!\d)(?:19|20)\d\d[-/.]\d\d?[-/.]\d\d?(?!\d)|(?<![\d.])\d\d?[-/.]\d\d?[-/.](?:19|20)\d\d(?!\d)"
)
NAMES = ("Petra Schulze", "j.doe@example.org", "MRN 4455667", "moved to Mrs Miller", "fell off a ladder at the harbour")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """The demo with what tired people type: names, addresses, notes, their own columns."""
    folder = tmp_path_factory.mktemp("told") / "study"
    make_cohort("demo", seed=1, folder=folder)
    people = pd.read_csv(folder / "participants.csv", dtype=str, keep_default_na=False)
    people["Name"] = [NAMES[0], *[""] * (len(people) - 1)]
    people["contact"] = [*[""] * (len(people) - 1), NAMES[1]]
    people["notes"] = ["", NAMES[2], *["fine"] * (len(people) - 2)]
    people["site"] = ["Harbour Clinic", "North Ward"] * (len(people) // 2)
    people["education"] = ["school", "college", "school"] * (len(people) // 3)
    people.loc[0, "diagnosis"] = NAMES[4] + ", then a stroke"
    people.to_csv(folder / "participants.csv", index=False)
    items = pd.read_csv(folder / "items.csv", dtype=str, keep_default_na=False)
    items[items["instrument"].isin(["fma_ue", "bbt"])].to_csv(folder / "items.csv", index=False)
    visits = pd.read_csv(folder / "visits.csv", dtype=str, keep_default_na=False)
    visits.loc[visits["reason"] != "", "reason"] = NAMES[3]
    visits.to_csv(folder / "visits.csv", index=False)
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("[model]", '[model]\ncovariates = ["education"]')
    gone = (', "arat.total"', ', "nhpt.pegs_per_s"', ', "sis.hand"', '"arat.total" = ["arat-total-lee-2001-limits"]\n')
    for part in gone:
        text = text.replace(part, "")
    (folder / "study.toml").write_text(text.replace("steering group", "meeting on 2021-05-06"), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def shared(told, tmp_path_factory):
    return share_study(told, tmp_path_factory.mktemp("out") / "copy")


def everything(folder):
    """Every text of every file: tables of SPSS and Stata and their labels too."""
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".sav", ".dta"):
            frame, meta = (pyreadstat.read_sav if path.suffix == ".sav" else pyreadstat.read_dta)(str(path))
            yield path, frame.to_csv() + repr((meta.column_labels, meta.variable_value_labels, meta.notes))
        elif path.is_file():
            yield path, path.read_text(encoding="utf-8")
        yield path, path.name


def test_no_date_id_name_or_free_text_is_left(told, shared):
    ids = set(pd.read_csv(told / "participants.csv")["participant"])
    words = {*ids, *NAMES, "Petra", "Miller", "ladder", "Harbour", "North Ward"}
    events = pd.read_csv(told / "adverse_events.csv")["term"]
    raters = set(pd.read_csv(told / "visits.csv")["rater"].dropna())
    words |= {*events, *raters}
    for path, text in everything(shared.folder):
        assert not ANY_DATE.search(text), path
        for word in words:
            assert not re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text), (path, word)
    assert not (shared.folder / SEED_FILE).exists()
    assert json.loads((told / SEED_FILE).read_text())["seed"]


def test_the_copy_is_the_same_study(told, shared):
    before, after = read_study(told), read_study(shared.folder)
    assert not check(after).blocking
    old, new = score(before), score(after)
    old = old.assign(participant=old["participant"].map(shared.codes["participant"]))
    keys = ["participant", "visit", "outcome", "side", "condition"]
    old, new = (frame.set_index(keys)["value"].sort_index() for frame in (old, new))
    assert len(old) > 500
    pd.testing.assert_series_equal(old, new, check_names=False, check_index_type=False, rtol=1e-12)
    # Days between the visits of a participant are what they were.
    codes = shared.codes["participant"]
    spans = [study.visits.pivot(index="participant", columns="visit", values="date") for study in (before, after)]
    spans = [wide.sub(wide["baseline"], axis=0).apply(lambda column: column.dt.days) for wide in spans]
    spans[0].index = spans[0].index.map(codes)
    pd.testing.assert_frame_equal(spans[0].sort_index(), spans[1].sort_index(), check_names=False)
    assert after.protocol.model.covariates == ("education",)
    assert set(after.participants["education"]) == {"school", "college"}
    assert set(after.participants["site"]) == {"site 01", "site 02"}
    assert "notes" not in after.participants


def test_the_order_of_the_codes_tells_nothing_and_is_the_same_again(told, shared, tmp_path):
    codes = pd.Series(shared.codes["participant"]).drop("")
    old = codes.index.to_series().rank()
    assert abs(np.corrcoef(old, codes.rank())[0, 1]) < 0.6  # 24 people: beyond it, one in 500 random orders
    assert (codes.rank() != old).sum() > 15
    table = pd.read_csv(shared.folder / "participants.csv")
    assert list(table["participant"]) == sorted(table["participant"])  # the file's order is that of the new codes
    again = share_study(told, tmp_path / "again")
    assert again.codes == shared.codes
    for name in ("participants.csv", "items.csv", "study.toml"):
        assert (again.folder / name).read_bytes() == (shared.folder / name).read_bytes()
    with pytest.raises(StudyError, match="another seed"):
        share_study(told, tmp_path / "third", seed=7)


def test_a_new_code_is_no_old_one():
    old = [f"S{number:02}" for number in range(1, 30)]
    new = new_codes("seed", "participant", old)
    assert len(set(new.values())) == 30
    assert not set(old) & set(new.values())


def test_the_description_fits_the_tables(shared):
    package = json.loads((shared.folder / "datapackage.json").read_text(encoding="utf-8"))
    assert {resource["path"] for resource in package["resources"]} == {
        path.name for path in shared.folder.glob("*.csv") if path.name != "codebook.csv"
    }
    casts = {"string": str, "integer": int, "number": float}
    book = list(csv.DictReader((shared.folder / "codebook.csv").open(encoding="utf-8")))
    for resource in package["resources"]:
        with (shared.folder / resource["path"]).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == list(rows[0])
        assert resource["bytes"] == (shared.folder / resource["path"]).stat().st_size
        for field in fields:
            missing = field.get("missingValues", resource["schema"]["missingValues"])
            values = [row[field["name"]] for row in rows if row[field["name"]] not in missing]
            assert all(casts[field["type"]](value) is not None for value in values)
            if "enum" in field.get("constraints", {}):
                assert set(values) <= set(field["constraints"]["enum"])
            assert any(line["column"] == field["name"] and line["label"] for line in book)


def test_labels_for_spss_and_stata(shared):
    table = pd.read_csv(shared.folder / "items.csv")
    people = pd.read_csv(shared.folder / "participants.csv")
    for read, ending in ((pyreadstat.read_sav, "spss/{}.sav"), (pyreadstat.read_dta, "stata/{}.dta")):
        frame, meta = read(str(shared.folder / ending.format("items")))
        numbers = pd.to_numeric(table["value"], errors="coerce")
        np.testing.assert_array_equal(frame["value"].to_numpy(dtype=float), numbers.to_numpy())
        assert (frame.loc[numbers.isna(), "value_reason"] == table.loc[numbers.isna(), "value"].fillna("")).all()
        assert all(meta.column_names_to_labels.values())
        frame, meta = read(str(shared.folder / ending.format("participants")))
        arms = frame["arm"].map(meta.variable_value_labels["arm"])
        assert list(arms) == list(people["arm"].map({"practice": "Home task practice", "usual": "Usual care"}))


def test_rare_combinations_are_listed_and_made_coarser_by_the_rule():
    rng = np.random.default_rng(4)
    people = pd.DataFrame(
        {
            "participant": [f"S{n:02}" for n in range(40)],
            "age": rng.integers(40, 80, 40).astype(float),
            "sex": rng.choice(["female", "male"], 40),
            "diagnosis": [*["stroke"] * 39, "rare disease"],
            "site": rng.choice(["A", "B"], 40),
        }
    )
    before = rare_people(people, ("site",), 3)
    assert "S39" in set(before.people["participant"])
    assert len(before.people) > 30
    counts = people.groupby(["age", "sex", "diagnosis", "site"])["participant"].transform("size")
    assert set(before.people["participant"]) == set(people.loc[counts < 3, "participant"])
    frame, steps = coarsened(people, ("site",), 3)
    assert "bands of" in steps[0]
    assert frame.loc[39, "diagnosis"] == "other"
    after = rare_people(frame, ("site",), 3)
    assert len(after.people) == 0 or f"{len(after.people)} people are rare still" in steps[-1]
    assert ((frame["age"] - people["age"]).abs().dropna() <= 10).all()
    same, none = coarsened(people.assign(age=50.0, sex="male", diagnosis="stroke", site="A"), ("site",), 3)
    assert not none
    assert (same["age"] == 50.0).all()


def test_what_cannot_be_shared_is_refused(told, tmp_path):
    with pytest.raises(StudyError, match="lie in one another"):
        share_study(told, told / "copy")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(StudyError, match="holds other files"):
        share_study(told, tmp_path / "full")
    assert (tmp_path / "full" / "mine.txt").read_text() == "mine"
    with pytest.raises(StudyError, match="fewest"):
        share_study(told, tmp_path / "new", fewest=1)
    blinded = tmp_path / "blinded"
    shutil.copytree(told, blinded)
    text = (blinded / "study.toml").read_text(encoding="utf-8")
    (blinded / "study.toml").write_text("blinded = true\n" + text, encoding="utf-8")
    from outcomes.blinding.letters import draw_letters

    draw_letters(blinded, replace(read_study(told).protocol, blinded=True))
    with pytest.raises(StudyError, match="unblind"):
        share_study(blinded, tmp_path / "copy")


def test_days_in_place_of_dates(told, shared, tmp_path):
    """A sheet with `day` is read as days from baseline: out of order and outside the window is seen, never a date."""
    folder = tmp_path / "days"
    shutil.copytree(shared.folder, folder)
    visits = pd.read_csv(folder / "visits.csv")
    first = visits["participant"].iloc[0]
    visits.loc[(visits["participant"] == first) & (visits["visit"] == "week8"), "day"] = 300
    visits.loc[(visits["participant"] == "S05") & (visits["visit"] == "week4"), "day"] = 3
    visits.to_csv(folder / "visits.csv", index=False)
    found = check(read_study(folder)).frame()
    outside = found[(found["rule"] == "visit outside its window") & (found["participant"] == first)]
    assert any("day 300" in text for text in outside["found"])
    assert not found["rule"].isin(["date implausible"]).any()
    assert not any(ANY_DATE.search(text) or "1700" in text for text in [*found["found"], *found["allowed"]])
    assert (found["rule"] == "visits out of order").any()
    text = (folder / "visits.csv").read_text().replace(",300", ",3oo")
    (folder / "visits.csv").write_text(text)
    assert "not a date" in set(check(read_study(folder)).frame()["rule"])
