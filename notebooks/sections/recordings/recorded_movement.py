"""The recordings of a study and the measures taken of them, as the chapter on movement asks for them."""

from dataclasses import dataclass

from notebooks.analysis import Analysis
from notebooks.show.names import Names
from outcomes import Study
from outcomes import columns as c
from outcomes.protocol.series_tables import OF_TWO_HANDS, SeriesOutcome
from stats.change.conditions import ConditionFit, fit_conditions
from stats.errors import FitError
from stats.selection import Selection

NONE = "This study takes no measure of recordings over time."


@dataclass(frozen=True)
class Movement:
    """The recordings of a study and the measures taken of them."""

    analysis: Analysis

    @property
    def study(self) -> Study:
        """The study."""
        return self.analysis.study

    @property
    def names(self) -> Names:
        """Labels of the study."""
        return Names(self.study.protocol)

    @property
    def taken(self) -> tuple[SeriesOutcome, ...]:
        """Outcomes taken of recordings that have any."""
        there = set(self.study.series_values["outcome"]) if len(self.study.series_values) else set()
        return tuple(one for one in self.study.protocol.series_outcomes if one.id in there)

    def both_conditions(self, one: SeriesOutcome) -> ConditionFit | None:
        """The model of the affected hand with and without the device; None where not both were recorded, or no model
        can be fitted."""
        scores = self.analysis.scores
        rows = scores[(scores[c.OUTCOME] == one.id) & scores[c.VALUE].notna()]
        if set(rows[c.CONDITION]) < {"assisted", "unassisted"}:
            return None
        hand = "both" if one.measure in OF_TWO_HANDS else "affected"
        try:
            return fit_conditions(scores, Selection(one.id, hand=hand), design=self.study.protocol)
        except FitError:
            return None
