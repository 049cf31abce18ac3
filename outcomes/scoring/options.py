"""Scoring options of one instrument: checked when given, asked for when an answer depends on one that was not."""

from collections.abc import Mapping

from outcomes.errors import InstrumentError
from outcomes.library.instrument import Instrument, Option

# Every scale made of items may be prorated, but only on request.
PRORATE = Option(
    "prorate",
    "number",
    (),
    "the smallest share of items (above 0, up to 1) from which a score is estimated where no published rule allows it",
)
# A count or a sum of points is a whole number, unless what was typed is the mean of several.
MEAN_OF = Option(
    "mean_of",
    "number",
    (),
    "how many trials or raters the numbers typed are means of, where counts or points were averaged before typing",
    1,
)


class Options:
    """The options one call or one study gives, with the defaults of the instrument's file."""

    def __init__(self, instrument: Instrument, given: Mapping[str, object]):
        self.instrument = instrument
        self.known = {**instrument.options, PRORATE.id: PRORATE, MEAN_OF.id: MEAN_OF}
        for name, value in given.items():
            if name not in self.known:
                raise InstrumentError(
                    f"{instrument.id}: no scoring option '{name}'. Its options are {', '.join(self.known)}."
                )
            _check(instrument.id, self.known[name], value)
        self.given = dict(given)

    def get(self, name: str) -> object:
        """The value given, else the file's default, else None."""
        return self.given.get(name, self.known[name].default)

    def number(self, name: str, because: str = "") -> float:
        """A number; NaN where it was not given, unless `because` says why it is needed now."""
        value = self.require(name, because) if because else self.get(name)
        return float("nan") if value is None else float(value)  # type: ignore[arg-type]  # checked when given

    def require(self, name: str, because: str) -> object:
        """The value given; InstrumentError naming the choices where it was not."""
        value = self.get(name)
        if value is None:
            raise InstrumentError(f"{self.instrument.id}: {because}. {self.ask(name)}")
        return value

    def ask(self, name: str) -> str:
        """What to write where: the choices, the reason, the two places an option can be given."""
        option = self.known[name]
        choices = " | ".join(repr(value) for value in option.values) or f"a {option.kind}"
        return (
            f"Give the option {name} = {choices} ({option.why}), in study.toml under "
            f"[instruments.{self.instrument.id}] or as {name}=... in the call."
        )


def _check(instrument_id: str, option: Option, value: object) -> None:
    where = f"{instrument_id}, option {option.id}"
    if option.values and value not in option.values:
        raise InstrumentError(f"{where}: {value!r}, allowed {', '.join(repr(entry) for entry in option.values)}.")
    if option.kind == "number":
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not value > 0:
            raise InstrumentError(f"{where}: {value!r}, allowed a number above 0.")
        if option.id == MEAN_OF.id and (value != int(value) or value > 20):
            raise InstrumentError(f"{where}: {value!r}, allowed a whole number from 1 to 20.")
        if option.id == PRORATE.id and value > 1:
            raise InstrumentError(f"{where}: {value!r}, allowed a share above 0 and up to 1.")
    if option.kind == "words" and not (isinstance(value, (list, tuple)) and value):
        raise InstrumentError(f"{where}: {value!r}, allowed a list of words.")
    if option.kind == "table" and not isinstance(value, Mapping):
        raise InstrumentError(f"{where}: {value!r}, allowed a table.")
