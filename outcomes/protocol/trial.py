"""The protocol of a study (`study.toml`) as frozen records."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from outcomes.library.instrument import Threshold
from outcomes.protocol.device_tables import Channel, Level, TotalMotion
from outcomes.protocol.series_tables import SeriesFolder, SeriesOutcome


@dataclass(frozen=True)
class Arm:
    """One arm; exactly one arm of a parallel study is the reference the others are compared with."""

    id: str
    label: str
    reference: bool = False


@dataclass(frozen=True)
class PlannedVisit:
    """A planned visit: `day` counts from the start of the study, `window` is the days allowed around it."""

    id: str
    label: str
    day: float
    window: tuple[float, float] | None = None


@dataclass(frozen=True)
class Period:
    """A period of a crossover: the visits it starts and ends with, and what each sequence (arm) got in it."""

    id: str
    start: str
    end: str
    treatments: Mapping[str, str]  # arm -> treatment


@dataclass(frozen=True)
class BothHands:
    """Which hand is analysed of a participant with both hands affected.

    analysed: "weaker", "stronger" (at baseline, by the outcome `by`), "dominant", "non-dominant", "left" or "right".
    """

    analysed: str
    by: str = ""


@dataclass(frozen=True)
class Measure:
    """A total score the study brings that is no instrument of the catalogue; id is `<instrument>.<scale>`."""

    id: str
    label: str
    unit: str
    better: str  # "higher" or "lower"
    low: float | None = None
    high: float | None = None
    step: float | None = None  # smallest difference between two scores


@dataclass(frozen=True)
class WideSheet:
    """A file (or a sheet of a workbook) with several answers, totals, trials, visits or dates side by side in one row.

    table: "items", "totals", "trials", "angles" or "visits" (whose values are dates). across: what the columns are:
    "item", "scale", "instrument", "trial", "side", "visit" or "date" (dates of visits).
    columns: our id (item, scale, instrument or outcome, trial, side, visit) -> header in the file; empty with a
    `prefix`: header = prefix + id. fixed: columns that the file does not have and that are the same in every row, e.g.
    instrument or side. One file may have several of these.
    """

    file: str
    table: str
    across: str
    columns: Mapping[str, str] = field(default_factory=dict)
    prefix: str = ""
    fixed: Mapping[str, str] = field(default_factory=dict)
    sheet: str = ""  # of a workbook; blank: the first

    @property
    def spread(self) -> str:
        """The column of the table that the file's columns stand for."""
        return "visit" if self.across == "date" else self.across

    @property
    def value(self) -> str:
        """The column of the table that the cells under them fill."""
        return {"visits": "date", "angles": "degrees"}.get(self.table, "value")


@dataclass(frozen=True)
class ModelChoice:
    """How change is modelled.

    time: "visit" (a mean per visit), "linear" or "piecewise" (slopes; knots in `knots`).
    time_unit: "day", "week" or "month" (of 30.4375 days); the unit of a slope.
    days: when slopes, and correlations that fade with time, take a score to be from: "planned" (the visit's planned
    day) or "actual" (the participant's own, by the dates in `visits`).
    baseline: "covariate", "change" (the change from it is the response), "constrained" (common baseline mean),
    "outcome" (an ordinary visit) or "auto".
    missing_baseline: of a covariate: "mean" (set to the mean of everybody, never by arm), "mean-and-indicator" or
    "leave-out".
    random / covariance: None lets `fit_change` choose by its written rules; df: "auto" as well.
    site: column of the participants with the site of each; site_effect: "random" (sites and treatment by site as
    variances), "fixed" or "auto" (by the number of sites). strata: whether the strata of the randomisation are fixed
    effects.
    """

    label: str = "main"
    time: str = "visit"
    time_unit: str = "week"
    days: str = "planned"
    knots: tuple[float, ...] = ()
    baseline: str = "auto"
    missing_baseline: str = "mean"
    random: str | None = None
    correlated: bool = True
    covariance: str | None = None
    by_arm: bool = False
    covariates: tuple[str, ...] = ()
    method: str = "reml"
    df: str = "auto"
    site: str | None = None
    site_effect: str = "auto"
    strata: bool = True


@dataclass(frozen=True)
class Randomisation:
    """How participants came into their arms, as far as study.toml says ([randomisation]).

    randomised: None where it is not stated. strata: columns of the participants within whose levels the arms were
    dealt. assessed: people assessed for eligibility; excluded: reason -> people not enrolled (for the flow of
    participants).
    """

    randomised: bool | None = None
    strata: tuple[str, ...] = ()
    assessed: int | None = None
    excluded: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class PlannedEvent:
    """An intercurrent event of the estimand: where the study's tables tell of it, and the strategy for values after it.

    table, column, values: for example adverse_events, term, ("injection",); upper and lower case are alike. score: what
    stands for the value in a mean under the composite strategy, None where the protocol names none.
    """

    id: str
    label: str
    strategy: str
    table: str
    column: str
    values: tuple[str, ...]
    score: float | None = None


@dataclass(frozen=True)
class Privacy:
    """[privacy] of study.toml: what reports may show. None of it decides a number, so none is part of the plan.

    identifiers: direct identifiers that the checks find are printed; otherwise they are masked. free_text: columns of
    text stay in a blinded report. smallest_cell: counts of people below it, and what is computed from so few, are left
    out of tables and figures; 0 leaves out none.
    """

    identifiers: bool = False
    free_text: bool = False
    smallest_cell: int = 0


@dataclass(frozen=True)
class Departure:
    """What [[departures]] says of a key that is no longer as it was locked: when it was changed and why."""

    key: str
    date: str
    reason: str


@dataclass(frozen=True)
class Protocol:
    """Everything that was decided before the data: arms, visits, outcomes, thresholds, model, estimand."""

    title: str
    design: str  # "single-arm", "parallel" or "crossover"
    arms: tuple[Arm, ...]
    visits: tuple[PlannedVisit, ...]
    outcomes: tuple[str, ...]
    primary: str
    model: ModelChoice = field(default_factory=ModelChoice)
    sensitivity: tuple[ModelChoice, ...] = ()
    thresholds: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # outcome -> threshold keys
    estimand: Mapping[str, str] = field(default_factory=dict)
    randomisation: Randomisation = field(default_factory=Randomisation)
    measures: tuple[Measure, ...] = ()
    instruments: Mapping[str, Mapping[str, object]] = field(default_factory=dict)  # scoring options by instrument
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # table -> our name -> header in the file
    series: SeriesFolder = field(default_factory=SeriesFolder)  # what the folder of recordings holds
    series_outcomes: tuple[SeriesOutcome, ...] = ()  # measures taken of recordings
    scored_raters: tuple[str, ...] = ()  # raters whose ratings are scored; blank: all
    wide: tuple[WideSheet, ...] = ()  # files with several answers in one row
    periods: tuple[Period, ...] = ()  # crossover only
    both_hands: BothHands | None = None  # where participants have two affected hands
    events: tuple[PlannedEvent, ...] = ()  # intercurrent events of the estimand
    criteria: tuple[Mapping[str, object], ...] = ()  # progression criteria
    switched_off: Mapping[str, str] = field(default_factory=dict)  # plausibility rule -> why it does not hold here
    eligibility: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # age, onset_months: lowest, highest
    level: float = 0.95
    seed: int = 1
    blinded: bool = False  # people see letters in place of the arms until the study is unblinded
    departures: tuple[Departure, ...] = ()  # reasons for what differs from the locked plan
    privacy: Privacy = field(default_factory=Privacy)  # what reports may show
    values: Mapping[str, Mapping[str, Mapping[str, str]]] = field(
        default_factory=dict
    )  # table -> column -> code -> word
    own_thresholds: Mapping[str, tuple[Threshold, ...]] = field(default_factory=dict)  # outcome -> the study's own
    planned_visits: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # outcome -> visits, where not all
    averaged: Mapping[str, int] = field(default_factory=dict)  # outcome -> number of ratings its totals are the mean of
    channels: tuple[Channel, ...] = ()  # forces of the study's own in the sheet of trials
    levels: tuple[Level, ...] = ()  # absolute levels that people may reach
    total_motion: TotalMotion = field(default_factory=TotalMotion)  # how total active motion is graded
    stiffness_grades: tuple[str, ...] = ()  # the least stiff first
    event_list: bool = False  # the report may print single adverse events and deficiencies

    def channel(self, name: str) -> Channel | None:
        """The channel of force with this id; None where the study declares none."""
        return next((channel for channel in self.channels if channel.id == name), None)

    def chosen_thresholds(self, outcome: str) -> tuple[str | Threshold, ...]:
        """The thresholds study.toml names for an outcome: keys of published ones, records of the study's own."""
        return (*self.thresholds.get(outcome, ()), *self.own_thresholds.get(outcome, ()))

    @property
    def baseline(self) -> PlannedVisit:
        """The first planned visit."""
        return min(self.visits, key=lambda visit: visit.day)

    @property
    def later_visits(self) -> tuple[PlannedVisit, ...]:
        """The planned visits after the first, in order."""
        return tuple(sorted(self.visits, key=lambda visit: visit.day)[1:])

    @property
    def primary_visit(self) -> PlannedVisit | None:
        """The visit the primary question is about: [estimand] visit, or the only later one; None where it is open."""
        named = self.estimand.get("visit")
        if named:
            return next((visit for visit in self.visits if visit.id == named), None)
        return self.later_visits[0] if len(self.later_visits) == 1 else None

    def visits_of(self, outcome: str) -> tuple[PlannedVisit, ...]:
        """The visits an outcome is planned at, by their days: all, unless study.toml names some."""
        named = self.planned_visits.get(outcome)
        ordered = sorted(self.visits, key=lambda visit: visit.day)
        return tuple(visit for visit in ordered if named is None or visit.id in named)

    def headline_visit(self, seen: Collection[str]) -> str | None:
        """Of the visits at which an outcome was seen, the one to speak of: the primary visit, else the last later one.

        None where it was seen at no later visit.
        """
        if self.primary_visit is not None and self.primary_visit.id in seen:
            return self.primary_visit.id
        return next((visit.id for visit in reversed(self.later_visits) if visit.id in seen), None)

    @property
    def randomised(self) -> bool:
        """Whether arms are compared as randomised: a parallel study, unless [randomisation] says it was not."""
        return self.design == "parallel" and len(self.arms) > 1 and self.randomisation.randomised is not False

    @property
    def reference_arm(self) -> str | None:
        """Id of the reference arm; None in a single-arm study."""
        return next((arm.id for arm in self.arms if arm.reference), None)
