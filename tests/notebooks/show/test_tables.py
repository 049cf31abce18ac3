"""Tables as HTML: the quicker way through Arrow gives the very markup of a data frame."""

import warnings

import pandas as pd
import pytest
from great_tables import GT

from notebooks.show.tables import as_arrow

TEXTS = pd.DataFrame(
    {
        "c0": ["a", "a", "b <script>", "b <script>", ""],
        "c1": ["1.50", "−2.00", "nan", "", "3 to 4"],
        "c2": ['"quoted" & <b>bold</b>', "two\nlines", "ä – ß 手", "'", "a long text " * 20],
    },
    dtype=object,
)


@pytest.mark.parametrize("group", [None, "c0"])
def test_arrow_gives_the_markup_of_a_data_frame(group):
    """Checked against great_tables itself, given a pandas frame, for which it was written."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        one, other = (
            GT(frame, id="t", groupname_col=group).cols_label(c1="Estimate").cols_align("right", ["c1"]).as_raw_html()
            for frame in (TEXTS, as_arrow(TEXTS))
        )
    assert one == other
    assert "<script>" not in one
