"""Words that would name an arm: gone with their near spellings from what people typed, kept where the kit uses them."""

import pytest

from outcomes.blinding.arm_words import ArmWords, kit_words

WORDS = ArmWords.of(["zebradev", "Zebra device", "usual", "Usual care", "T-1", "Übungsgerät plus Therapie"])


@pytest.mark.parametrize(
    "text",
    [
        "zebra", "Zebras", "ZEBRA", "zebradevice", "the zebbra broke", "zerba", "zbra", "MyZebraTeam", "zebra_3",
        "zébra", "Usual", "ususal", "health care", "seen by T-1", "Ubungsgerat", "Übungsgeräte", "by Therapie",
        "devices",
    ],
)  # fmt: skip
def test_a_word_of_an_arm_and_its_near_spellings_go_from_prose(text):
    said = WORDS.prose(text)
    assert "[hidden]" in said
    assert not any(word in said.casefold() for word in ("zebr", "zebb", "zerb", "zbra", "usual", "t-1", "gera"))


@pytest.mark.parametrize("text", ["stroke, left hand", "the arm", "and with", "T-12", "zeal", "bra", "car", ""])
def test_other_words_stay(text):
    assert WORDS.prose(text) == text


def test_ids_keep_the_words_the_kit_uses_itself():
    assert WORDS.name("usual_care_score") == "usual_care_score"
    assert WORDS.name("zebra_hours") == "hidden_hours"
    assert WORDS.name("items_zebradev.xlsx") == "items_hidden.xlsx"
    assert {"care", "usual", "device"} <= kit_words()
    assert "zebra" not in kit_words()
