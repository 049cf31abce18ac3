"""The same study in every format gives the same tables and scores; what was converted is in the findings."""

import openpyxl
import pandas as pd
import pyreadstat
import pytest

from outcomes import StudyError, check, read_study, score

TABLES = ("participants", "visits", "items", "totals", "trials", "angles", "sessions", "adverse_events")


@pytest.fixture
def rewritten(make_draft, tmp_path):
    """Writes the good study with its tables in another format; returns the folder and that of the original."""

    def rewrite(write) -> tuple:
        draft = make_draft(small=True)
        original = draft.write(tmp_path / "csv")
        draft.tables, tables = {}, draft.tables
        folder = draft.write(tmp_path / "other")
        for name, frame in tables.items():
            write(frame, folder / name)
        return folder, original

    return rewrite


def typed(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with numbers as numbers, as a program that knows types would store it."""
    frame = frame.copy()
    for column in frame:
        values = pd.to_numeric(frame[column], errors="coerce")
        if values.notna().all():
            frame[column] = values
        elif column == "date":
            frame[column] = pd.to_datetime(frame[column])
    return frame


def to_xlsx(frame, path):
    typed(frame).to_excel(f"{path}.xlsx", index=False)


def to_spss(frame, path):
    pyreadstat.write_sav(typed(frame), f"{path}.sav")


def to_stata(frame, path):
    typed(frame).to_stata(f"{path}.dta", write_index=False)


WAYS = {
    "tab": lambda frame, path: frame.to_csv(f"{path}.tsv", sep="\t", index=False),
    "semicolon": lambda frame, path: frame.to_csv(f"{path}.csv", sep=";", index=False),
    "byte-order mark": lambda frame, path: frame.to_csv(f"{path}.csv", index=False, encoding="utf-8-sig"),
    "UTF-16": lambda frame, path: frame.to_csv(f"{path}.csv", index=False, encoding="utf-16"),
    "Windows line ends": lambda frame, path: frame.to_csv(f"{path}.csv", index=False, lineterminator="\r\n"),
    "quoted": lambda frame, path: frame.to_csv(f"{path}.csv", index=False, quoting=1),
    "capital name": lambda frame, path: frame.to_csv(
        f"{str(path).replace(path.name, path.name.upper())}.CSV", index=False
    ),
    "workbook": to_xlsx,
    "Parquet of text": lambda frame, path: frame.to_parquet(f"{path}.parquet"),
    "Parquet of types": lambda frame, path: typed(frame).to_parquet(f"{path}.parquet"),
    "SPSS": to_spss,
    "Stata": to_stata,
}


@pytest.mark.parametrize("way", WAYS)
def test_every_format_gives_the_same_study(way, rewritten):
    folder, original = rewritten(WAYS[way])
    read, expected = read_study(folder), read_study(original)
    for name in TABLES:
        one, other = read.table(name), expected.table(name)
        apart = ["file", "typed", "date"]
        pd.testing.assert_frame_equal(
            one.drop(columns=apart, errors="ignore"), other.drop(columns=apart, errors="ignore"), check_dtype=False
        )
        if "date" in one:
            assert (one["date"] == other["date"]).all()
    pd.testing.assert_frame_equal(score(read), score(expected))
    findings = check(read).frame()
    assert set(findings["rule"]) <= {"semicolons between cells", "encoding converted"}, findings.to_string()


def test_a_workbook_of_sheets_is_a_study(make_draft, tmp_path):
    draft = make_draft(small=True)
    expected = score(read_study(draft.write(tmp_path / "csv")))
    draft.tables, tables = {}, draft.tables
    folder = draft.write(tmp_path / "book")
    with pd.ExcelWriter(folder / "all.xlsx") as book:
        for name, frame in tables.items():
            typed(frame).to_excel(book, sheet_name=name.title(), index=False)
        pd.DataFrame({"a": [1]}).to_excel(book, sheet_name="Remarks", index=False)
    study = read_study(folder)
    pd.testing.assert_frame_equal(score(study), expected)
    assert study.files["items"] == "all.xlsx, sheet Items"
    assert set(study.hashes) == {"all.xlsx", "study.toml"}


def test_headings_merged_over_the_column_names_are_understood(make_draft, tmp_path):
    """As people lay out sheets: a title, then a heading merged over a group of columns, then the names."""
    draft = make_draft(small=True)
    expected = score(read_study(draft.write(tmp_path / "csv")))
    frame = draft.tables.pop("trials")
    (tmp_path / "csv" / "trials.csv").unlink()
    book = openpyxl.Workbook()
    page = book.active
    page["A1"] = "Trials of the dynamometer"
    page["A2"] = "Who and when"
    page.merge_cells("A2:B2")
    page["C2"] = "instrument"
    page.merge_cells("C2:C3")  # a name that stands above its blank cell
    for number, name in enumerate(frame.columns, 1):
        if name != "instrument":
            page.cell(3, number, name)
    for row in frame.itertuples(index=False):
        page.append(list(row))
    book.save(tmp_path / "csv" / "trials.xlsx")
    study = read_study(tmp_path / "csv")
    pd.testing.assert_frame_equal(score(study), expected)
    assert list(study.trials["row"][:2]) == [4, 5]
    assert "header below row 1" in set(check(study).frame()["rule"])


def test_labelled_codes_of_spss_come_as_their_labels(make_draft, tmp_path):
    draft = make_draft(small=True)
    folder = draft.write(tmp_path)
    (folder / "participants.csv").unlink()
    people = typed(draft.tables["participants"])
    people["affected_side"] = people["affected_side"].map({"left": 1, "right": 2})
    labels = {"affected_side": {1: "Left", 2: "Right"}}
    pyreadstat.write_sav(people, str(folder / "participants.sav"), variable_value_labels=labels)
    assert list(read_study(folder).participants["affected_side"]) == ["left", "right"] * 2


def test_headers_of_a_study_are_mapped_in_the_protocol(draft, tmp_path):
    draft.tables["totals"] = draft.tables["totals"].rename(columns={"value": "Punktzahl", "visit": "Zeitpunkt"})
    draft.toml += '\n[columns.totals]\nvalue = "Punktzahl"\nvisit = "Zeitpunkt"\n'
    study = read_study(draft.write(tmp_path))
    findings = check(study)
    assert set(findings.frame()["rule"]) == {"header read as"}
    assert study.header("totals", "value") == "Punktzahl"
    draft.set("totals", 2, "Punktzahl", "999")
    assert check(read_study(draft.write(tmp_path))).frame().iloc[0]["column"] == "Punktzahl"


@pytest.mark.parametrize("name", ["totals.xlsx", "totals.parquet", "totals.sav", "totals.dta"])
def test_a_file_that_is_not_what_it_says_is_refused(name, draft, tmp_path):
    folder = draft.write(tmp_path)
    (folder / "totals.csv").rename(folder / name)
    with pytest.raises(StudyError, match=name):
        read_study(folder)


def test_a_file_of_zero_bytes_between_is_refused(draft, tmp_path):
    draft.raw["totals.csv"] = b"PK\x03\x04\x00\x00\x00"
    with pytest.raises(StudyError, match="not a text table"):
        read_study(draft.write(tmp_path))
