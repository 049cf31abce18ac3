"""Planned time on an axis: in weeks where every visit falls on one, with the visit the study speaks of in bold."""

from collections.abc import Mapping, Sequence

from notebooks.figures.layout.letter_widths import text_width
from notebooks.figures.style import BAND, GREY, INK
from notebooks.show.names import Names
from notebooks.show.numbers import short


class TimeAxis:
    """The visits drawn, in order of their planned day. wanted: the visit the study speaks of, "" where none is."""

    def __init__(self, names: Names, visits: Sequence[str], wanted: str = ""):
        days = {visit.id: visit.day for visit in names.protocol.visits if visit.id in set(visits)}
        self.days: Mapping[str, float] = dict(sorted(days.items(), key=lambda pair: pair[1]))
        self.wanted = wanted if wanted in self.days else ""
        self.planned = names.protocol.estimand.get("visit") == self.wanted != ""
        weekly = all(day % 7 == 0 for day in self.days.values())
        self.unit, self._step = ("Week", 7) if weekly else ("Day", 1)

    @property
    def first(self) -> float:
        return min(self.days.values())

    @property
    def span(self) -> float:
        """From the first visit to the last, days."""
        return max(max(self.days.values()) - self.first, 1e-9)

    def label(self, visit: str) -> str:
        """Time of a visit in the unit of the axis."""
        return short(self.days[visit] / self._step)

    def across(self, visit: str, ends: tuple[float, float]) -> float:
        """Place of a visit on a panel from ends[0] to ends[1] (px), of the range of `axis`."""
        low, high = self.range
        return ends[0] + (self.days[visit] - low) / (high - low) * (ends[1] - ends[0])

    @property
    def range(self) -> tuple[float, float]:
        """Ends of the axis: a little room beyond the first and last visit."""
        return self.first - 0.05 * self.span, self.first + 1.05 * self.span

    def shown(self, ends: tuple[float, float], size: float, texts: Mapping[str, str] | None = None) -> list[str]:
        """Visits whose labels (or these texts) fit beside each other; the wanted, the first and the last go first."""
        words = texts or {visit: self.label(visit) for visit in self.days}
        order = [visit for visit in (self.wanted, *list(self.days)[:1], *list(self.days)[-1:], *self.days) if visit]
        kept: list[str] = []
        for visit in dict.fromkeys(order):
            at, half = self.across(visit, ends), text_width(words[visit], size) / 2 + 1
            if all(
                abs(at - self.across(other, ends)) >= half + text_width(words[other], size) / 2 + 1 for other in kept
            ):
                kept.append(visit)
        return [visit for visit in self.days if visit in kept]

    def axis(self, ends: tuple[float, float], width: int, size: float) -> dict:
        """The axis of a panel from ends[0] to ends[1] px of a figure of this width."""
        shown = self.shown(ends, size)
        labels = [f"<b>{self.label(visit)}</b>" if visit == self.wanted else self.label(visit) for visit in shown]
        return {
            "domain": [ends[0] / width, ends[1] / width],
            "range": list(self.range),
            "tickvals": [self.days[visit] for visit in shown],
            "ticktext": labels,
            "tickfont": {"size": size},
            "showgrid": False,
            "tickangle": 0,
        }

    def counts(
        self,
        rows: Sequence[tuple[str, str, Mapping[str, str]]],
        ends: tuple[float, float],
        width: int,
        size: float,
        step: float,
    ) -> list[dict]:
        """The unit of the axis and, under its labels, one line of n each: its name, its colour, visit -> n."""
        under = {"xref": "paper", "yref": "paper", "y": 0, "showarrow": False, "yanchor": "middle"}
        words = []

        def write(x: float, text: str, shift: float, colour: str, anchor: str) -> None:
            place = {"x": x / width, "xanchor": anchor, "text": text, "yshift": shift}
            words.append(under | place | {"font": {"size": size, "color": colour}})

        write(ends[0] - 12, self.unit, -13, INK, "right")
        for place, (name, colour, counts) in enumerate(rows, 1):
            write(ends[0] - 12, name, -16 - step * place, colour, "right")
            for visit in self.shown(ends, size, counts):
                write(self.across(visit, ends), counts[visit], -16 - step * place, colour, "center")
        return words

    def band(self, axis: str = "x") -> list[dict]:
        """The band of the wanted visit, through the whole height."""
        if not self.wanted:
            return []
        day, half = self.days[self.wanted], 0.03 * self.span
        ends = {"x0": day - half, "x1": day + half, "y0": 0, "y1": 1, "xref": axis, "yref": "paper"}
        return [{"type": "rect", "fillcolor": BAND, "line": {"width": 0}, "layer": "below"} | ends]

    def band_name(self, size: float, axis: str = "x") -> list[dict]:
        """The word over the band, where the protocol names the visit."""
        if not self.planned:
            return []
        low, high = self.range
        share = (self.days[self.wanted] - low) / (high - low)
        anchor = "right" if share > 0.85 else "left" if share < 0.15 else "center"
        place = {"x": self.days[self.wanted], "xref": axis, "xanchor": anchor, "y": 1, "yref": "paper"}
        look = {"yanchor": "bottom", "showarrow": False, "font": {"size": size, "color": GREY}}
        return [place | look | {"text": "primary visit"}]
