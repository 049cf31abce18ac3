"""How texts lie in memory: those of small tables as Python's own, those of large ones as pandas chooses (Arrow).

Reading, checking and scoring a pilot is hundreds of questions to small tables of texts, and Arrow's start at each costs
more than it saves: with Python's texts they take 0.6 of the time, a report 0.75. From about 50,000 rows on Arrow is
quicker. The answers are the same.
"""

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from functools import wraps
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

import pandas as pd

from outcomes.study import Study

Given = ParamSpec("Given")
Answer = TypeVar("Answer")

_FEW_ROWS = 50_000
_FEW_BYTES = 3_000_000
# Bytes of a text file that hold as much as one byte of these: an archive, and columns of repeated words.
_DENSE = {".xlsx": 5, ".parquet": 20}
_OPTION, _PYTHON = "mode.string_storage", "python"


def texts_of_files(paths: Iterable[Path]) -> AbstractContextManager:
    """The storage for what is read inside: by the size of the files, for their rows are not known yet."""
    size = sum(path.stat().st_size * _DENSE.get(path.suffix.lower(), 1) for path in set(paths))
    return pd.option_context(_OPTION, _PYTHON) if size < _FEW_BYTES else nullcontext()


def texts_of(study: Study) -> AbstractContextManager:
    """The storage for what is made of a study inside."""
    return pd.option_context(_OPTION, _PYTHON) if _is_small(study) else nullcontext()


def set_texts_of(study: Study) -> None:
    """The storage for all that follows in this process, which works on one study."""
    if _is_small(study):
        pd.set_option(_OPTION, _PYTHON)


def by_size(function: Callable[Concatenate[Study, Given], Answer]) -> Callable[Concatenate[Study, Given], Answer]:
    """Runs a function of a study with the storage that suits the size of the study."""

    @wraps(function)
    def call(study: Study, /, *given: Given.args, **named: Given.kwargs) -> Answer:
        with texts_of(study):
            return function(study, *given, **named)

    return call


def _is_small(study: Study) -> bool:
    return sum(study.rows_read.values()) < _FEW_ROWS
