"""Every public name says shapes or columns, units, errors and source in its own docstring.

What has to be there is read from the code: the errors a function can end with from what it and its callees raise, the
frames and arrays from its signature. Held against closed cases below, so that the reading itself can be wrong only
where a test says so.
"""

import inspect
import re
from collections.abc import Iterator
from importlib import import_module
from types import FunctionType

import pytest

from notebooks.guide.docstrings import front_doors
from outcomes.errors import InstrumentError
from stats.errors import FitError, PlanError
from stats.result import Result
from tests.notebooks.guide.reached_errors import reached_errors

# A word that says what the rows, columns or entries of an argument are.
SHAPE = re.compile(
    r"columns?\b|\brows?\b|\bframes?\b|\btables?\b|\barrays?\b|sequence|mapping|->|\bids\b|\beach\b|by person|\(\w+[,)]"
    r"|\bone (?:or more|per|an?|number|value|recording|digit|frame)\b"
    r"|\ba (?:cost|rating|number|value|name|probability)\b"
    r"|\bas (?:in|for)\b|evenly sampled|\bkeys?\b|imputations",
    re.I,
)
# A word that says what a number is in, or that it has no unit.
UNIT = re.compile(
    r"\bunits?\b|degrees|\bpoints?\b|second|\bHz\b|newton|lbf|\bshares?\b|proportion|probabilit|\bSDs?\b|\bdays?\b"
    r"|months|years|people|participants|currency|0 to 1|\bodds\b|ratio\b|\bsquares?\b|standard deviation|whole number"
    r"|kappa|correlation|counts?\b|coefficient",
    re.I,
)
# A publication, a library, or the plain word that there is none.
SOURCE = re.compile(
    r"Sources?:|\b[A-Z][a-z]+(?: (?:et al\.?|&|and) ?[A-Z]?[a-z]*)? \(?(?:1[89]|20)\d\d\b|common practice|our choice"
)
HELD = re.compile(r"DataFrame|ndarray|_Buffer|Series|VisitTable|Sequence|Iterable|Mapping")
NUMBERS = re.compile(r"float|DataFrame|ndarray|Estimate|Series")
# What computes no number of its own: the name -> what it does instead.
NO_SOURCE = {"enrolled_arms": "looks up who is in which arm", "read_file": "reads a file"}
NO_UNIT = {"enrolled_arms": "gives names of arms"}
# An error that the reading finds and that cannot come up: the method -> why.
NEVER = {"MixedFit.visit_covariance": "the fit it belongs to was made with the covariance that is looked up again"}
# Rules of instruments and measures of recordings in `outcomes`; there the rest reads, checks and keeps.
RULES = ("convert_force", "grip_norm", "total_active_motion", "thresholds", "force_hold", "motion_range",
         "smoothness", "two_hands", "score_items")  # fmt: skip


def public() -> Iterator[tuple[str, str, object]]:
    """Package, name and thing, every thing once."""
    seen: set[int] = set()
    for package, names in front_doors().items():
        for name in names:
            thing = getattr(import_module(package), name)
            if id(thing) not in seen:
                seen.add(id(thing))
                yield package, name, thing


def functions() -> Iterator[tuple[str, str, FunctionType, str]]:
    """Package, name, function and docstring."""
    for package, name, thing in public():
        if inspect.isfunction(thing):
            yield package, name, inspect.unwrap(thing), inspect.getdoc(thing) or ""


def said_of(argument: str, doc: str) -> str:
    """What a docstring says of an argument: from "name:" or "name, other:" to the next one, or the end of the part."""
    found = []
    for match in re.finditer(rf"(?:^|[\s,;(`]){re.escape(argument)}`?(?:, \w+| and \w+| \([^)]*\))*:", doc):
        rest = doc[match.end() :]
        end = re.search(r"\n\n|(?<=[.;)])\s+\w+(?:, \w+)*: ", rest)
        found.append(rest[: end.start()] if end else rest)
    return " ".join(found)


def test_a_function_names_every_error_it_can_end_with():
    silent = {
        f"{package}.{name}": missing
        for package, name, function, doc in functions()
        if (missing := sorted(one for one in reached_errors(function) if one not in doc))
    }
    assert silent == {}


def test_a_method_names_every_error_it_can_end_with():
    """Of public records; what making one refuses stands with the class, the level of an interval with `Result`."""
    assert "FitError" in (Result.__doc__ or "")
    silent = {}
    for package, name, thing in public():
        if not inspect.isclass(thing):
            continue
        for method, held in vars(thing).items():
            function = held.fget if isinstance(held, property) else getattr(held, "__func__", held)
            made = method == "__post_init__"
            if not inspect.isfunction(function) or (method.startswith("_") and not made):
                continue
            if method in ("frame", "sentence", "as_dict") or f"{name}.{method}" in NEVER:
                continue
            doc = inspect.getdoc(thing if made else function) or ""
            if missing := sorted(one for one in reached_errors(inspect.unwrap(function)) if one not in doc):
                silent[f"{package}.{name}.{method}"] = missing
    assert silent == {}


def test_every_frame_and_array_has_its_rows_or_columns():
    silent = [
        f"{package}.{name}: {one.name}"
        for package, name, function, doc in functions()
        for one in inspect.signature(function).parameters.values()
        if one.kind is not one.VAR_KEYWORD
        and HELD.search(str(one.annotation))
        and not SHAPE.search(said_of(one.name, doc))
    ]
    assert silent == []


def test_numbers_have_their_unit():
    silent = [
        f"{package}.{name}"
        for package, name, function, doc in functions()
        if name not in NO_UNIT and NUMBERS.search(str(inspect.signature(function))) and not UNIT.search(doc)
    ]
    assert silent == []


def test_what_is_computed_has_its_source():
    silent = [
        f"{package}.{name}"
        for package, name, _, doc in functions()
        if (package.startswith("stats") or name in RULES) and name not in NO_SOURCE and not SOURCE.search(doc)
    ]
    assert silent == []


def test_no_exception_is_left_over():
    names = {name for _, name, _, _ in functions()}
    assert {*NO_SOURCE, *NO_UNIT, *RULES} <= names
    methods = {f"{name}.{one}" for _, name, thing in public() if inspect.isclass(thing) for one in vars(thing)}
    assert set(NEVER) <= methods


def _refuses():
    raise FitError("no")


def _calls():
    return _refuses()


def _catches():
    try:
        return _refuses()
    except FitError:
        return None


def _hands_on():
    try:
        return _refuses()
    except FitError:
        raise


def _turns():
    try:
        return _refuses()
    except ValueError as error:
        raise PlanError("no") from error


def _one_of_two():
    try:
        _refuses()
        raise InstrumentError("no")
    except FitError:
        return None


@pytest.mark.parametrize(
    ("function", "errors"),
    [
        (_refuses, {"FitError"}),
        (_calls, {"FitError"}),
        (_catches, set()),
        (_hands_on, {"FitError"}),
        (_turns, {"PlanError"}),
        (_one_of_two, {"InstrumentError"}),
    ],
)
def test_errors_are_read_from_the_code(function, errors):
    assert reached_errors(function) == errors


def test_what_is_said_of_an_argument_ends_at_the_next():
    doc = "Does.\n\nframe: one row a person. x, y: numbers. level: 0 to 1.\n\nshape: none"
    assert said_of("frame", doc).strip() == "one row a person."
    assert said_of("x", doc).strip() == "numbers."
    assert said_of("level", doc).strip() == "0 to 1."
    assert said_of("z", doc) == ""
