"""What a name in a study means: an instrument of the catalogue, or a measure the study declares."""

from functools import cache

from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument
from outcomes.library.registry import instrument
from outcomes.protocol.trial import Measure, Protocol


@cache
def find_instrument(name: str) -> Instrument | None:
    """The instrument with this id, None where the catalogue has none."""
    try:
        return instrument(name)
    except InstrumentError:
        return None


def find_measure(protocol: Protocol, name: str, scale: str) -> Measure | None:
    """A measure declared in study.toml; a blank scale stands for the only measure of that name."""
    named = [measure for measure in protocol.measures if measure.id.split(".")[0] == name]
    if not scale:
        return named[0] if len(named) == 1 else None
    return next((measure for measure in named if measure.id == f"{name}.{scale}"), None)
