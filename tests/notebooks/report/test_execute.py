"""A figure shown in a notebook of a report is the data that plotly's own renderer of that MIME type gives."""

import numpy as np
import plotly.graph_objects as go
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

from notebooks.report.execute import _figure_as_data


def test_a_figure_is_shown_as_plotly_itself_shows_it():
    figure = go.Figure(go.Scatter(x=np.array([0.1, np.nan, 1 / 3]), y=["a", "b", "c"], name="<b>"))
    figure.update_layout(title_text="ä", xaxis_range=[0, 1])
    InteractiveShell.instance()
    with capture_output() as captured:
        _figure_as_data(figure)
    (shown,) = captured.outputs
    from plotly.io import renderers  # loads the checks of notebook files, which the report does without

    assert shown.data == renderers["plotly_mimetype"].to_mimebundle(figure.to_dict())
