"""What each key of study.toml says, from `key_texts.toml`, beside the keys the reader of protocols knows."""

import tomllib
from collections.abc import Mapping
from pathlib import Path

from outcomes.protocol import device_tables, keys

# Where a table of keys stands in study.toml -> its keys. A test holds the texts and the keys together.
KEY_TABLES: Mapping[str, Mapping[str, str]] = {
    "top": keys.TOP,
    "[[arms]]": keys.ARM,
    "[[visits]]": keys.VISIT,
    "outcomes = [{ ... }]": keys.OUTCOME,
    "[thresholds]": keys.THRESHOLD,
    "[estimand]": dict.fromkeys(keys.ESTIMAND, keys.TEXT),
    "[randomisation]": keys.RANDOMISATION,
    "[model]": keys.MODEL,
    "[measures.<id>]": keys.MEASURE,
    "[[events]]": keys.EVENT,
    "[[periods]]": keys.PERIOD,
    "[both_hands]": keys.BOTH_HANDS,
    "[eligibility]": keys.ELIGIBILITY,
    "[checks]": keys.CHECKS,
    "[[departures]]": keys.DEPARTURE,
    "[[wide]]": keys.WIDE,
    "[channels.<id>]": device_tables.CHANNEL,
    "[[levels]]": device_tables.LEVEL,
    "[safety]": device_tables.SAFETY,
    "[total_motion]": device_tables.TOTAL_MOTION,
    "[passive_motion]": device_tables.PASSIVE_MOTION,
    "[privacy]": keys.PRIVACY,
}


def key_texts() -> dict[str, dict[str, str]]:
    """Table -> key -> text; "about" says what the table is for."""
    path = Path(__file__).parent / "key_texts.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))
