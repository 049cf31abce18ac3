"""An instrument file with something wrong in it is refused, with the file, the part and what was found."""

from importlib import resources

import pytest

from outcomes.errors import InstrumentError
from outcomes.library import registry
from outcomes.library.instrument import allowed_text
from outcomes.library.loader import read_instruments
from outcomes.library.registry import Library, instruments

FILE = "bbt.toml"
TEXT = resources.files("outcomes.library").joinpath("instruments", FILE).read_text(encoding="utf-8")
SCALE = 'kind = "sum"\nitems = ["blocks"]'
REFUSED = {
    "no TOML": ("[[items]]", "[[items]", "not readable"),
    "an unable nobody knows": ('unable = "worst"', 'unable = "best"', "best"),
    "a kind nobody knows": ('kind = "sum"', 'kind = "dance"', "'dance'"),
    "a direction nobody knows": ('better = "higher"', 'better = "up"', "'up'"),
    "a range of nothing": (f"{SCALE}\nlow = 0\nhigh = 150", f"{SCALE}\nlow = 150\nhigh = 150", "150"),
    "no lowest score": (f"{SCALE}\nlow = 0\nhigh = 150", f"{SCALE}\nhigh = 150", "no lowest score"),
    "a threshold of no scale": ('scale = "blocks"\nvalue = 5.5', 'scale = "bricks"\nvalue = 5.5', "'bricks'"),
    "a threshold beyond the range": ("value = 5.5", "value = 500", "500"),
    "a quantity nobody knows": ('quantity = "smallest real difference"', 'quantity = "hope"', "'hope'"),
    "families nobody knows": ('families = ["stroke"]', 'families = ["moon"]', "moon"),
    "days without their source": ('phase = "mixed"', 'phase = "mixed"\nonset_days = [10, 5]', r"\[10, 5\]"),
    "an agreement of no scale": ("[[items]]", 'agreeing = ["bricks"]\n[[items]]', "bricks"),
    "items that are not there": ('items = ["blocks"]', 'items = ["bricks"]', "'bricks'"),
    "two scales of one name": ("[[thresholds]]", f'[[scales]]\nid = "blocks"\nlabel = "b"\n{SCALE}\nlow = 0\nhigh = 9\n'
                               "[[thresholds]]", "twice: blocks"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_a_file_with_a_mistake_is_refused_by_name(what):
    old, new, words = REFUSED[what]
    assert old in TEXT
    assert read_instruments(TEXT, FILE)
    with pytest.raises(InstrumentError, match=words) as refused:
        read_instruments(TEXT.replace(old, new, 1), FILE)
    assert FILE in str(refused.value)


PAIRED = "mal.toml"
PAIRS = resources.files("outcomes.library").joinpath("instruments", PAIRED).read_text(encoding="utf-8")
OF_PAIRS = {
    "a gate on other items than it opens": (
        'items = ["amount_*"]\nat_least', 'items = ["amount_1"]\nat_least', "1 opening"),
    "what goes together without a partner": (
        '[[together]]\nitems = ["amount_*", "quality_*"]', '[[together]]\nitems = ["amount_*", "quality_1"]', "match"),
    "numbered items without a count": ("count = 30\n", "", "have no count"),
    "an option of a kind nobody knows": (
        "[[together]]", '[options.mood]\nkind = "dance"\nwhy = "none"\n\n[[together]]', "'dance' is not known"),
}  # fmt: skip


@pytest.mark.parametrize("what", OF_PAIRS)
def test_items_in_pairs_that_do_not_match_are_refused(what):
    old, new, words = OF_PAIRS[what]
    assert old in PAIRS
    with pytest.raises(InstrumentError, match=words) as refused:
        read_instruments(PAIRS.replace(old, new, 1), PAIRED)
    assert PAIRED in str(refused.value)


def test_a_form_has_the_items_it_names():
    """The 7-item form of an instrument of 13: its own scale counts the items it lists."""
    short = [found for name, found in instruments().items() if name.startswith("cahai_")]
    assert {len(found.items) for found in short} == {7, 8, 9, 13}
    assert allowed_text(short[0], "no such item") == ""


def test_keys_of_thresholds_belong_to_one_finding(monkeypatch):
    """Two files that use a key for different values, and one that takes over what is not there."""
    other = TEXT.replace('id = "bbt"', 'id = "other"', 1)
    wrong = {
        "twice": ({FILE: TEXT, "other.toml": other.replace("value = 5.5", "value = 6.5", 1)}, "is used twice"),
        "lost": ({FILE: TEXT.replace("value = 5.5", 'value = 5.5\nrepeats = ["nothing"]', 1)}, "repeats nothing"),
    }
    for texts, words in wrong.values():
        with monkeypatch.context() as patch:
            patch.setattr(registry, "instruments", lambda texts=texts: Library(texts))
            with pytest.raises(InstrumentError, match=words):
                registry.threshold_keys.__wrapped__()


def test_an_id_and_a_source_belong_to_one_instrument():
    with pytest.raises(InstrumentError, match="'bbt' is used by another"):
        Library({"one.toml": TEXT, "two.toml": TEXT})
    with pytest.raises(InstrumentError, match="nobody-1900"):
        Library({FILE: TEXT.replace('"mathiowetz-1985-bbt"', '"nobody-1900"', 1)})["bbt"]
