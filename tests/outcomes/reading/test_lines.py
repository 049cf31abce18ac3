"""From bytes to rows: no quotation mark swallows a row, no line goes missing, and the place of the mark is named.

Lines are counted here from the bytes of the files, not with the program's reader.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes import check, read_study, score
from outcomes.checks.accounting import line_accounting
from outcomes.reading.quoted_lines import quoted_lines


def lines_of(draft, table: str) -> list[str]:
    return draft.tables[table].to_csv(index=False).splitlines()


def with_lines(draft, table: str, lines: list[str], end: str = "\n"):
    draft.raw[f"{table}.csv"] = end.join(lines).encode()
    return draft


@pytest.fixture
def draft(make_draft):
    return make_draft(small=True)


@pytest.mark.parametrize("table", ["trials", "visits", "adverse_events", "totals", "participants"])
@pytest.mark.parametrize("column", [0, 1, -1])
def test_an_unclosed_mark_loses_no_row(table, column, draft, tmp_path):
    expected = read_study(draft.write(tmp_path / "good"))
    lines = lines_of(draft, table)
    cells = lines[1].split(",")
    cells[column] = '"' + cells[column]
    lines[1] = ",".join(cells)
    study = read_study(with_lines(draft, table, lines).write(tmp_path / "bad"))
    assert study.rows_read[table] == expected.rows_read[table] == len(lines) - 1
    findings = check(study)
    hit = findings.frame().query("rule == 'quotation mark never closed'")
    assert findings.blocking
    assert hit["file"].to_list() == [f"{table}.csv"]
    assert hit["row"].to_list() == [2]
    assert "opened in line 2" in hit["found"].item()
    assert (line_accounting(study)["unaccounted"] == 0).all()


@pytest.mark.parametrize(("first", "second"), [(3, 4), (3, 9), (2, 20)])
@pytest.mark.parametrize(("opens", "closes"), [(-1, -1), (1, 1), (0, 2), (2, 0)])
@pytest.mark.parametrize("where", ["before", "behind"])
def test_a_pair_of_marks_some_lines_apart_loses_no_row(first, second, opens, closes, where, draft, tmp_path):
    """The second mark before or behind the text of its cell: swallowed rows would change sums without a word."""
    lines = lines_of(draft, "trials")
    expected = read_study(draft.write(tmp_path / "good"))
    for number, column, place in ((first, opens, "before"), (second, closes, where)):
        cells = lines[number - 1].split(",")
        cells[column] = f'"{cells[column]}' if place == "before" else f'{cells[column]}"'
        lines[number - 1] = ",".join(cells)
    study = read_study(with_lines(draft, "trials", lines).write(tmp_path / "bad"))
    assert len(study.trials) == len(expected.trials)
    findings = check(study).frame()
    hit = findings[findings["rule"] == "quotation mark never closed"]
    assert first in hit["row"].to_list()
    assert f"opened in line {first}," in hit["found"].iloc[0]


def test_a_line_break_in_a_comment_is_a_cell_and_is_told(draft, tmp_path):
    lines = lines_of(draft, "visits")
    head = lines[0].split(",").index("reason")
    cells = lines[4].split(",")
    cells[head] = '"tired, slept badly\nand went home, by bus"'
    lines[4] = ",".join(cells)
    study = read_study(with_lines(draft, "visits", lines).write(tmp_path))
    assert study.visits.loc[3, "reason"] == "tired, slept badly\nand went home, by bus"
    findings = check(study)
    assert not findings.blocking, str(findings)
    assert findings.frame().query("rule == 'line break in a cell'")["row"].to_list() == [5]
    count = line_accounting(study).set_index("file").loc["visits.csv"]
    assert (count["lines"], count["header"], count["joined"], count["rows"]) == (len(lines) + 1, 1, 1, len(lines) - 1)


def test_a_short_row_is_told(draft, tmp_path):
    lines = lines_of(draft, "totals")
    lines[6] = ",".join(lines[6].split(",")[:-1])
    study = read_study(with_lines(draft, "totals", lines).write(tmp_path))
    hit = check(study).frame().query("rule == 'too few cells in a row'")
    assert hit["row"].to_list() == [7]
    assert (hit["found"].item(), hit["allowed"].item()) == ("5 cells", "6 cells")


def test_blank_cells_beyond_the_header_are_no_cells(draft, tmp_path):
    lines = lines_of(draft, "totals")
    lines[1:] = [line + ",," for line in lines[1:]]
    findings = check(read_study(with_lines(draft, "totals", lines).write(tmp_path)))
    assert "too many cells in a row" not in set(findings.frame()["rule"])


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_of_every_file_is_accounted_for(end, draft, tmp_path):
    lines = ["Export of the trials", "", *lines_of(draft, "trials"), "", ",,", ""]
    lines.insert(9, "")
    study = read_study(with_lines(draft, "trials", lines, end).write(tmp_path))
    table = line_accounting(study).set_index("file")
    assert (table["unaccounted"] == 0).all()
    for file in table.index:
        raw = (tmp_path / file).read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        assert table.loc[file, "lines"] == raw.count(b"\n") + (not raw.endswith(b"\n")), file
    assert table.loc["trials.csv", ["header", "blank"]].to_list() == [3, 3]
    assert len(score(study))


def test_columns_of_items_are_accounted_for_by_line(draft, tmp_path):
    wide = draft.tables["items"].query("instrument == 'arat'")
    wide = wide.pivot(index=["participant", "visit", "side"], columns="item", values="value").reset_index()
    draft.tables["items"] = draft.tables["items"].query("instrument != 'arat'").reset_index(drop=True)
    draft.raw["items_arat.csv"] = wide.to_csv(index=False).encode()
    study = read_study(draft.write(tmp_path))
    table = line_accounting(study).set_index("file")
    assert table.loc["items_arat.csv", ["lines", "rows", "unaccounted"]].to_list() == [len(wide) + 1, len(wide), 0]


@settings(max_examples=300)
@given(st.lists(st.text(alphabet='ab,"', max_size=12), min_size=1, max_size=12))
def test_every_line_is_in_exactly_one_row(lines):
    """Whatever the marks: rows and joined lines add up, and no character but marks and delimiters is lost."""
    text = "\n".join(lines) + "\n"
    rows = quoted_lines(text, ",")
    assert rows.lines == len(lines)
    assert len(rows.widths) + rows.joined == rows.lines
    if rows.cells is not None:
        kept = "".join("".join(row) for row in rows.cells)
        assert sum(map(kept.count, "ab")) == sum(map(text.count, "ab"))
        assert [len(row) for row in rows.cells] == list(rows.widths)
