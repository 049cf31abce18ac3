"""130 administrations scored by hand from the published rules, ten for each of the thirteen most used instruments.

The table holds the arithmetic as it was written down (`working`), not a number the program gave: "none" where the rules
give no score, "refused" where an answer is none of the form's.
"""

import math
import re
import tomllib
from collections import Counter
from fnmatch import fnmatchcase
from pathlib import Path

import pandas as pd
import pytest

from outcomes import InstrumentError, instrument, score_items
from outcomes.library.registry import instruments

TABLE = pd.read_csv(Path(__file__).parents[2] / "reference" / "hand_scored.csv", dtype="str", keep_default_na=False)


def filled_in(name: str, text: str) -> dict[str, object]:
    """Answers by item: `pattern=answer` in order, later ones count; `q{1..27}` is a row of numbers."""
    given: dict[str, object] = {}
    for token in text.split():
        pattern, _, answer = token.partition("=")
        row = re.fullmatch(r"(.*)\{(\d+)\.\.(\d+)\}", pattern)
        patterns = [f"{row[1]}{n}" for n in range(int(row[2]), int(row[3]) + 1)] if row else [pattern]
        hit = [item.id for item in instrument(name).items for one in patterns if fnmatchcase(item.id, one)]
        assert hit, token
        given |= dict.fromkeys(hit, answer.replace("_", " ") or None)
    return given


@pytest.mark.parametrize("row", [pytest.param(row, id=row["id"]) for row in TABLE.to_dict("records")])
def test_scored_as_by_hand(row):
    answers, options = filled_in(row["instrument"], row["answers"]), tomllib.loads(row["options"])
    if row["working"] == "refused":
        with pytest.raises(InstrumentError, match="allowed"):
            score_items(row["instrument"], answers, **options)
        return
    record = score_items(row["instrument"], answers, **options)[row["scale"]]
    if row["working"] == "none":
        assert math.isnan(record.value)
        assert record.reason
        return
    expected = eval(row["working"], {"__builtins__": {}, "log": math.log})  # our own table of arithmetic
    assert record.value == pytest.approx(expected, abs=1e-9)


# Scored by worked examples or held to the properties of their form alone (tests/outcomes/library); none joins them.
WITHOUT = {
    "abilhand_stroke", "aha_stroke", "arm_use", "barthel_100", "barthel_20", "borg_cr10", "borg_rpe", "copm",
    "cue_q_v1", "cue_q_v2", "cue_t", "dash_sport", "dash_work", "eq5d5l", "fim", "fma_ue_30", "frenchay_arm",
    "goal_attainment", "grassp_v1", "groc_11", "groc_15", "groc_7", "jebsen_modified", "mal_26", "mhq",
    "mhq_brief", "minnesota", "monofilaments", "motor_assessment_arm", "motricity_arm", "mrc", "mrc_sum",
    "mrs", "mts", "nihss_arm", "pain_nrs", "pain_vas", "pinch_key", "pinch_palmar", "pinch_tip", "prwe",
    "prwhe", "psfs_3", "psfs_5", "purdue", "rivermead_arm", "rom_active", "rom_passive", "scim", "sis_16",
    "sollerman", "ssqol", "sus", "tam", "thumb_opposition", "tpm", "two_point", "uems", "workload_raw",
    "workload_weighted",
}  # fmt: skip


def test_ten_for_each_of_the_thirteen_most_used_instruments():
    counts = Counter(TABLE["id"].str.rsplit("-", n=1).str[0])
    assert sorted(counts.values(), reverse=True)[:13] == [10] * 13
    assert (TABLE["rule"] != "").all()


def test_a_new_instrument_brings_administrations_scored_by_hand():
    """Each with its rule and source in `tests/reference/hand_scored.csv`; the older ones without are listed above."""
    assert set(instruments()) - set(TABLE["instrument"]) == WITHOUT
