"""The page is made of the instrument files: whatever they state must be on it."""

import pytest

from outcomes import InstrumentError
from outcomes.library.catalogue_page import catalogue_markdown, catalogue_pages
from outcomes.library.registry import instruments, references

PAGES = {page.id: page for page in catalogue_pages()}
TEXT = catalogue_markdown()


@pytest.mark.parametrize("found", [pytest.param(found, id=found.id) for found in instruments().values()])
def test_every_statement_of_a_file_is_on_its_page(found):
    page = PAGES[found.id]
    assert page.scales["outcome"].tolist() == [f"{found.id}.{scale.id}" for scale in found.scales]
    for scale, line in zip(found.scales, page.scales.itertuples(), strict=True):
        assert line.range.startswith(f"{scale.low:g} ")
        assert scale.high is None or f" to {scale.high:g} " in line.range
        assert scale.better in line.direction
        if scale.missing_source:
            assert any(references()[scale.missing_source]["citation"] in source for source in page.sources)
    assert set(page.thresholds["key"]) == {entry.key for entry in found.thresholds}
    for entry in found.thresholds:
        line = page.thresholds.set_index("key").loc[entry.key]
        assert f"{entry.value:g} {entry.unit}" in line["size"]
        assert line["size"].startswith("more than") == entry.strict
        assert line["source"] == references()[entry.source]["citation"]
        assert any(line["source"] in source for source in page.sources)
    assert len(page.properties) == len(found.properties)
    assert set(page.options["option"]) == set(found.options)
    assert f"(`{found.id}`)" in TEXT


def test_numbered_items_are_one_row_and_others_keep_their_own():
    assert PAGES["sis_16"].items.values.tolist() == [["q1 to q16", "Item 1 to 16", "1, 2, 3, 4, 5", "missing"]]
    activities, others = PAGES["dash"].items.values.tolist()[:2]
    assert activities == ["q1 to q21", "Activity 1 to 21", "1, 2, 3, 4, 5, unable", "counts 5"]
    assert others == ["q22", "Social life, item 22", "1, 2, 3, 4, 5", "no answer: refused"]
    reflexes = PAGES["fma_ue"].items.set_index("item")
    assert reflexes.loc["a1_reflex_flexors", "allowed answers"] == "0, 2"
    assert "1+" in PAGES["mas"].items["allowed answers"].iloc[0]


def test_tables_have_as_many_cells_in_every_line():
    for block in TEXT.split("\n\n"):
        if block.startswith("| "):
            cells = {line.replace("\\|", "").count("|") for line in block.splitlines()}
            assert len(cells) == 1, block[:200]


def test_a_page_can_be_of_a_few_instruments():
    assert [page.id for page in catalogue_pages(["nhpt", "arat", "nhpt"])] == ["nhpt", "arat"]
    with pytest.raises(InstrumentError, match="No instrument 'x'"):
        catalogue_pages(["x"])
