"""study.toml of a shared data set: the plan as it is, without what belonged to the files it was read from.

Header maps, code words and wide sheets go, because the shared tables have the kit's own columns; departures and the
reasons of rules switched off go, because people typed them while they looked at the data; a date, an address or a name
in any other text is masked.
"""

import re
from collections.abc import Iterator, Mapping

import tomlkit

from outcomes.checks.people.identifiers import ANY_DATE, identifies
from outcomes.protocol.bounded_toml import read_toml
from outcomes.sharing.shared_tables import Shared
from outcomes.study import Study

_OF_THE_FILES = ("columns", "values", "wide", "departures", "blinded", "privacy")
_OF_THE_RECORDINGS = ("columns", "channels", "file_names", "time_unit", "angle_unit")
MASKED = "[left out]"
_KEPT_WITH_STUDY = "switched off in the study; the reason is kept there"


def words_of(study: Study) -> set[str]:
    """Words of study.toml that may name a column of the study's own: of models, strata, events and criteria."""
    content = read_toml(study.folder / "study.toml")
    parts = [content.get(key) for key in ("model", "sensitivity", "randomisation", "events", "criteria", "estimand")]
    found: set[str] = set()
    for text in _texts(parts):
        found |= {text, *re.findall(r"[^\W\d]\w*", text)}
    return found


def shared_protocol(study: Study, shared: Shared) -> str:
    """The text of the shared study.toml."""
    content = {key: value for key, value in read_toml(study.folder / "study.toml").items() if key not in _OF_THE_FILES}
    raters = shared.codes["rater"]
    if "scored_raters" in content:
        content["scored_raters"] = [
            code for text in content["scored_raters"] if (code := raters.get(str(text).strip()))
        ]
    if isinstance(content.get("checks"), Mapping) and isinstance(content["checks"].get("off"), Mapping):
        content["checks"] = {"off": dict.fromkeys(content["checks"]["off"], _KEPT_WITH_STUDY)}
    if "series" in content:
        content["series"] = {key: value for key, value in content["series"].items() if key not in _OF_THE_RECORDINGS}
    document = tomlkit.document()
    document.add(tomlkit.comment("The plan of a shared data set. Days stand for dates; codes were renewed."))
    for key, value in content.items():
        document[key] = _masked(value)
    return tomlkit.dumps(document)


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part)


def _masked(value: object) -> object:
    """Texts without dates, and none that could lead to one person; dates as TOML values go as well."""
    if isinstance(value, Mapping):
        return {key: _masked(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_masked(part) for part in value]
    if isinstance(value, str):
        return MASKED if identifies(value) else ANY_DATE.sub(MASKED, value)
    return value if isinstance(value, (bool, int, float)) else MASKED
