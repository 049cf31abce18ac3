"""How the difference between arms moves as the imputed values of one arm are made worse or better."""

import numpy as np
import plotly.graph_objects as go

from notebooks.figures.style import COLOURS, GREY, INK, faint, finish
from notebooks.show.names import Names
from notebooks.show.numbers import number
from stats.missing.tipping import TippingPoint

KEYS = ["shift"]
POINTS = ["shift", "estimate", "conf_low", "conf_high", "p_value"]
DRAWN = 61  # shifts drawn and recorded, of those that were computed


def tipping_figure(found: TippingPoint, outcome: str, names: Names) -> go.Figure:
    """Estimate and interval along the shift; lines at no difference, at no shift and where the answer changes."""
    digits = names.decimals(outcome)
    rows = found.grid.iloc[np.unique(np.linspace(0, len(found.grid) - 1, DRAWN).astype(int))]
    figure = go.Figure()
    figure.add_scatter(x=rows["shift"], y=rows["conf_high"], mode="lines", line={"width": 0}, showlegend=False,
                       hoverinfo="skip")  # fmt: skip
    figure.add_scatter(x=rows["shift"], y=rows["conf_low"], mode="lines", line={"width": 0}, fill="tonexty",
                       fillcolor=faint(COLOURS[0], 0.18), showlegend=False, hoverinfo="skip")  # fmt: skip
    figure.add_scatter(x=rows["shift"], y=rows["estimate"], mode="lines", line={"color": COLOURS[0], "width": 2},
                       showlegend=False)  # fmt: skip
    figure.add_hline(y=0, line={"color": GREY, "width": 1})
    figure.add_vline(x=0, line={"color": INK, "width": 1, "dash": "dot"})
    crossings = [one for one in (found.down, found.up) if not np.isnan(one)]
    for one in crossings:
        figure.add_vline(x=one, line={"color": COLOURS[1], "width": 1.5, "dash": "dash"})
    unit = found.unit
    arm, visit = names.arm(found.arm), names.visit(str(found.visit))
    compared = names.compared(found.comparison)
    figure.update_xaxes(title=f"Shift of the imputed values of {arm}, {unit}")
    figure.update_yaxes(title=f"Difference, {unit}")  # whose is in the title above
    told = " and ".join(number(one, digits) for one in crossings)
    limit = f"{1 - found.alpha:.0%} interval"
    ending = f"the {limit} meets 0 at a shift of {told}" if crossings else f"no shift brings the {limit} to 0 or off it"
    finding = f"{names.outcome(outcome)}, {visit}, {compared}: {ending} ({unit})."
    return finish(
        figure,
        name="tipping_point",
        title="How far missing values may move",
        finding=finding,
        caption=f"Difference between the arms with its {limit}, {found.n_participants} participants, if the "
        f"{found.n_imputed} imputed values of {arm} were that much higher or lower than missing at random says. "
        "Dotted: no shift; dashed: where the interval meets 0. Whether such a shift is plausible is for clinicians to "
        "say.",
        alt="Line with a band.",
        points=rows[POINTS].reset_index(drop=True),
        keys=KEYS,
        unit=unit,
        height=300,
    )
