"""Wide sheets give the same scores as long ones."""

import pandas as pd
import pytest

from outcomes import check, read_study, score


@pytest.fixture
def long_and_wide(make_draft, tmp_path):
    """The good study, and the same with its items in a wide shape that `shape` makes of them."""

    def both(shape) -> tuple:
        draft = make_draft(small=True)
        expected = read_study(draft.write(tmp_path / "long"))
        items = draft.tables.pop("items")
        shape(draft, items)
        return read_study(draft.write(tmp_path / "wide")), expected

    return both


def spread(items: pd.DataFrame, instrument: str) -> pd.DataFrame:
    """One row per participant and visit, one column per item."""
    part = items[items["instrument"] == instrument]
    wide = part.pivot(index=["participant", "visit", "side", "rater"], columns="item", values="value")
    return wide.reset_index()


def in_order(scores: pd.DataFrame) -> pd.DataFrame:
    """Scores follow the order of the files; here that does not matter."""
    return scores.sort_values(["participant", "visit", "outcome"], ignore_index=True)


def by_file(draft, items):
    for name in items["instrument"].unique():
        draft.tables[f"items_{name}"] = spread(items, name)


def by_header(draft, items):
    """One file; headers say instrument and item."""
    parts = [spread(items, name) for name in items["instrument"].unique()]
    keys = ["participant", "visit", "side", "rater"]
    named = [
        part.rename(columns={item: f"{name}.{item}" for item in part.columns.difference(keys)})
        for name, part in zip(items["instrument"].unique(), parts, strict=True)
    ]
    wide = named[0]
    for part in named[1:]:
        wide = wide.merge(part, on=keys)
    draft.tables["items"] = wide


def by_column(draft, items):
    """One file with a column `instrument`; items of other instruments are blank in the row."""
    parts = [spread(items, name).assign(instrument=name) for name in items["instrument"].unique()]
    draft.tables["items"] = pd.concat(parts, ignore_index=True).fillna("")


def by_protocol(draft, items):
    """Files and headers of the study's own, declared in study.toml."""
    for name in items["instrument"].unique():
        wide = spread(items, name)
        keys = ["participant", "visit", "side", "rater"]
        wide = wide.rename(columns={item: f"Q_{item}" for item in wide.columns.difference(keys)})
        draft.raw[f"form {name}.csv"] = wide.to_csv(index=False).encode()
        draft.toml += f'\n[[wide]]\nfile = "form {name}.csv"\nprefix = "Q_"\nfixed = {{ instrument = "{name}" }}\n'


@pytest.mark.parametrize("shape", [by_file, by_header, by_column, by_protocol])
def test_wide_items_give_the_scores_of_long_ones(shape, long_and_wide, assert_accounted):
    wide, expected = long_and_wide(shape)
    pd.testing.assert_frame_equal(in_order(score(wide)), in_order(score(expected)))
    findings = check(wide)
    assert set(findings.frame()["rule"]) <= {"header read as"}, str(findings)
    assert wide.rows_read["items"] == expected.rows_read["items"]  # answers, not sheet rows
    assert_accounted(wide, findings, plain_files=False)


def test_a_finding_in_a_wide_sheet_names_its_cell(make_draft, tmp_path):
    draft = make_draft(small=True)
    items = draft.tables.pop("items")
    by_file(draft, items)
    draft.set("items_arat", 3, "grasp_ball", "7")
    hit = check(read_study(draft.write(tmp_path))).frame().iloc[0]
    assert (hit["rule"], hit["file"], hit["row"], hit["column"]) == ("above maximum", "items_arat.csv", 3, "grasp_ball")


def test_totals_with_visits_side_by_side(make_draft, tmp_path):
    draft = make_draft(small=True)
    expected = score(read_study(draft.write(tmp_path / "long")))
    totals = draft.tables.pop("totals")
    comfort = totals[totals["instrument"] == "comfort"]
    draft.tables["totals"] = totals[totals["instrument"] == "bbt"].reset_index(drop=True)
    wide = comfort.pivot(index="participant", columns="visit", values="value").reset_index()
    wide = wide.rename(columns={"base": "Baseline", "w4": "T1", "w8": "T2"})
    draft.raw["comfort.csv"] = wide.to_csv(index=False).encode()
    draft.toml += (
        '\n[[wide]]\nfile = "comfort.csv"\ntable = "totals"\nacross = "visit"\n'
        'columns = { base = "Baseline", w4 = "T1", w8 = "T2" }\n'
        'fixed = { instrument = "comfort", scale = "total" }\n'
    )
    study = read_study(draft.write(tmp_path / "wide"))
    pd.testing.assert_frame_equal(score(study), expected)
    assert not check(study).blocking


def test_a_declared_column_that_is_missing_is_found(make_draft, tmp_path):
    draft = make_draft(small=True)
    draft.raw["comfort.csv"] = b"participant,visit,Now\nP01,w4,9\n"
    draft.toml += (
        '\n[[wide]]\nfile = "comfort.csv"\ntable = "totals"\nacross = "scale"\n'
        'columns = { total = "Now", later = "Then" }\nfixed = { instrument = "other" }\n'
    )
    found = check(read_study(draft.write(tmp_path))).frame()
    assert "Then" in found.loc[found["rule"] == "mapped header missing", "found"].iloc[0]
