"""What a synthetic cohort is made from: one frozen record, read from and written to TOML.

Everything here is invented unless a preset names a source. Abilities are latent and have standard deviation 1 in
the population the curves were drawn for; `curves.toml` says how each instrument answers to them.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from outcomes.errors import StudyError
from synthetic_cohort.device.device_plan import DevicePlan
from synthetic_cohort.recordings.recording_plan import RecordingPlan
from synthetic_cohort.toml_records import record_from, toml_text

CONSTRUCTS = ("impairment", "dexterity", "strength", "use", "spasticity", "sensation")


@dataclass(frozen=True)
class Arm:
    """One arm, or one sequence of a crossover.

    effect: construct -> shift in latent units at the end of a treatment window, over and above the natural course.
    windows: (first day, last day) of each treatment period; the effect grows linearly inside one.
    """

    id: str
    label: str
    n: int
    reference: bool = False
    effect: Mapping[str, float] = field(default_factory=dict)
    windows: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True)
class Visit:
    """A planned visit; dates fall inside `window` (days around `day`), more often near the planned day."""

    id: str
    label: str
    day: float
    window: tuple[float, ...] = (-3.0, 3.0)


@dataclass(frozen=True)
class Severity:
    """One class of the mix: share of the people, mean and spread of their latent impairment at entry."""

    label: str
    share: float
    mean: float
    sd: float


@dataclass(frozen=True)
class People:
    """Who takes part. `onset_months` is the median, `onset_spread` the SD of its logarithm."""

    prefix: str = "P"
    age_mean: float = 62.0
    age_sd: float = 11.0
    age_low: float = 20.0
    age_high: float = 88.0
    women: float = 0.45
    affected_left: float = 0.5
    both_affected: bool = False
    left_handed: float = 0.1
    onset_months: float = 24.0
    onset_spread: float = 0.7
    onset_low: float = 6.0
    diagnoses: Mapping[str, float] = field(default_factory=lambda: {"stroke": 1.0})
    sites: tuple[str, ...] = ("Site 1",)
    raters: tuple[str, ...] = ("R1", "R2")
    therapists: int = 0
    first_day: str = "2021-03-08"
    recruitment_days: int = 240


@dataclass(frozen=True)
class Course:
    """How ability moves: natural recovery (saturating), personal drift, spread of response, what is kept later.

    recovering: construct -> how much of recovery and drift it takes part in (1 fully; left out: not at all).
    """

    recovery_gain: float = 0.0
    recovery_half_time_days: float = 45.0
    recovery_sd: float = 0.0
    recovering: Mapping[str, float] = field(
        default_factory=lambda: {"impairment": 1.0, "dexterity": 1.0, "strength": 1.0, "use": 1.0, "sensation": 1.0}
    )
    drift_sd: float = 0.1
    drift_days: float = 60.0
    response_sd: float = 0.0
    therapist_sd: float = 0.0
    dose_response: float = 0.0
    effect_half_life_days: float = 0.0  # 0: the effect is kept


@dataclass(frozen=True)
class OtherHand:
    """The other hand's ability: its own mean and spread, and how far it shares person, course and treatment."""

    mean: float = 2.2
    sd: float = 0.5
    correlation: float = 0.3
    shares_change: float = 0.0


@dataclass(frozen=True)
class Missing:
    """Chances of a missed visit and of leaving for good, each on the logit scale.

    `*_on_observed` multiplies the primary score seen at the last attended visit: missing at random.
    `*_on_unseen` multiplies the score of the visit itself, which nobody sees when it is missed: not at random;
    `*_on_unseen_change` its difference from the last seen one (people who do not improve stay away): not at random.
    Scores count in steps of `unit` from `centre`. With all of them zero visits are missing completely at random.
    The first visit is always attended.
    """

    missed: float = 0.0
    missed_on_observed: float = 0.0
    missed_on_unseen: float = 0.0
    dropout: float = 0.0
    dropout_on_observed: float = 0.0
    dropout_on_unseen: float = 0.0
    missed_on_unseen_change: float = 0.0
    dropout_on_unseen_change: float = 0.0
    centre: float = 0.0
    unit: float = 1.0
    instrument: float = 0.0  # one instrument not done at an attended visit
    reasons: tuple[str, ...] = ("unwell", "no transport", "appointment forgotten", "on holiday")
    leaving_reasons: tuple[str, ...] = ("moved away", "new illness", "no longer wished to take part")

    @property
    def completely_at_random(self) -> bool:
        """True where no score decides who comes."""
        by_score = (
            *(self.missed_on_observed, self.missed_on_unseen, self.missed_on_unseen_change),
            *(self.dropout_on_observed, self.dropout_on_unseen, self.dropout_on_unseen_change),
        )
        return not any(by_score)


@dataclass(frozen=True)
class Sessions:
    """Home or clinic practice: prescribed dose, and how much of it each person does (a share, between persons)."""

    arms: tuple[str, ...] = ()
    per_week: int = 5
    minutes: float = 30.0
    adherence_mean: float = 0.8
    adherence_sd: float = 0.15
    repetitions_per_minute: float = 6.0
    source: str = "diary"


@dataclass(frozen=True)
class Event:
    """A kind of adverse event with its rate per person and 28 days; `arms` empty: every arm."""

    term: str
    rate: float
    severity: str = "mild"
    serious: bool = False
    related: str = "unrelated"
    device_deficiency: bool = False
    arms: tuple[str, ...] = ()


@dataclass(frozen=True)
class Measure:
    """One instrument in the study.

    retest: intraclass correlation of the main scale between two visits without true change, in this cohort;
    occasion_sd: latent noise of one visit that gives it (None: found from `retest` by calibration).
    learning: latent gain of the score, not of the ability, at each repeat (it halves every time).
    rater_sd: spread of the raters' severity in latent units.
    visits: ids of the visits it is taken at; empty: all.
    options: scales or items (which of them are asked), full (every item is tested, no skip rule); for forces trials,
    trial_spread, repeat_above, unit, dial.
    """

    instrument: str
    hands: tuple[str, ...] = ("affected",)
    conditions: tuple[str, ...] = ("unassisted",)
    visits: tuple[str, ...] = ()
    retest: float = 0.95
    occasion_sd: float | None = None
    learning: float = 0.0
    rater_sd: float = 0.0
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class CohortDesign:
    """A whole invented trial: who, when, what is measured, what truly happens, what goes missing, what goes wrong.

    correlation: rows of the latent correlation matrix in the order of `CONSTRUCTS`.
    assist: construct -> latent help of the device while it is worn; assist_sd: its spread between persons.
    recordings: movement and force over time, see `RecordingPlan`.
    device: how a device is used and fails, see `DevicePlan`.
    flaws: kind of planted error -> how many (see `flaws.KINDS`).
    protocol: further keys of `study.toml`, copied as they are (outcomes, primary, thresholds, model, ...).
    Raises StudyError for a design that contradicts itself.
    """

    name: str
    title: str
    story: str
    kind: str  # "parallel", "single-arm" or "crossover"
    arms: tuple[Arm, ...]
    visits: tuple[Visit, ...]
    severity: tuple[Severity, ...]
    measures: tuple[Measure, ...]
    protocol: Mapping[str, Any]
    recordings: tuple[RecordingPlan, ...] = ()
    people: People = field(default_factory=People)
    course: Course = field(default_factory=Course)
    other_hand: OtherHand = field(default_factory=OtherHand)
    missing: Missing = field(default_factory=Missing)
    sessions: Sessions = field(default_factory=Sessions)
    events: tuple[Event, ...] = ()
    correlation: tuple[tuple[float, ...], ...] = (
        (1.0, 0.78, 0.75, 0.7, -0.5, 0.4),
        (0.78, 1.0, 0.7, 0.7, -0.45, 0.5),
        (0.75, 0.7, 1.0, 0.6, -0.35, 0.3),
        (0.7, 0.7, 0.6, 1.0, -0.35, 0.35),
        (-0.5, -0.45, -0.35, -0.35, 1.0, -0.15),
        (0.4, 0.5, 0.3, 0.35, -0.15, 1.0),
    )
    assist: Mapping[str, float] = field(default_factory=dict)
    assist_sd: float = 0.0
    flaws: Mapping[str, int] = field(default_factory=dict)
    device: DevicePlan = field(default_factory=DevicePlan)

    def __post_init__(self) -> None:
        """Refuse a design that cannot be drawn, naming the key and what is allowed."""
        if self.kind not in ("parallel", "single-arm", "crossover"):
            raise StudyError(f"design {self.name}: kind is {self.kind!r}, allowed parallel, single-arm, crossover.")
        if not self.arms or any(arm.n < 1 for arm in self.arms):
            raise StudyError(f"design {self.name}: every arm needs n of 1 or more; add people to the arms.")
        if not self.visits or list(self.visits) != sorted(self.visits, key=lambda visit: visit.day):
            raise StudyError(f"design {self.name}: visits must be listed in the order of their days.")
        total = sum(part.share for part in self.severity)
        if abs(total - 1.0) > 1e-9:
            raise StudyError(f"design {self.name}: severity shares add up to {total}, they must add up to 1.")
        for arm in self.arms:
            unknown = set(arm.effect) - set(CONSTRUCTS)
            if unknown:
                raise StudyError(
                    f"design {self.name}, arm {arm.id}: effect on {sorted(unknown)}, allowed {CONSTRUCTS}."
                )

    @property
    def n(self) -> int:
        """Number of people enrolled."""
        return sum(arm.n for arm in self.arms)

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Ids of the outcomes of the protocol, which names them or describes them in tables."""
        listed = self.protocol["outcomes"]
        return tuple(str(entry["id"] if isinstance(entry, Mapping) else entry) for entry in listed)

    @property
    def drawn_outcomes(self) -> tuple[str, ...]:
        """Outcomes of the instruments in `measures`: without recordings, channels of force and ratings of a device."""
        drawn = {measure.instrument for measure in self.measures}
        return tuple(outcome for outcome in self.outcomes if outcome.partition(".")[0] in drawn)

    @cached_property
    def text(self) -> str:
        """The design as TOML: what tells two designs apart."""
        return self.to_toml()

    def measure(self, instrument: str) -> Measure:
        """The design's entry of one instrument.

        Raises StudyError for one that is not measured.
        """
        for measure in self.measures:
            if measure.instrument == instrument:
                return measure
        known = ", ".join(measure.instrument for measure in self.measures)
        raise StudyError(f"design {self.name}: instrument {instrument!r} is not measured; it has {known}.")

    def clean(self) -> "CohortDesign":
        """The same cohort without planted errors, and with sensors that lose no sample."""
        whole = tuple(replace(plan, dropped=0.0, gaps=0.0) for plan in self.recordings)
        return replace(self, flaws={}, recordings=whole)

    def without_recordings(self) -> "CohortDesign":
        """The same cohort without movement and force over time, and without what is taken of them."""
        taken = {one["id"] for one in self.protocol.get("series_outcomes", [])}
        protocol = {key: value for key, value in self.protocol.items() if key not in ("series", "series_outcomes")}
        listed = [(one["id"] if isinstance(one, Mapping) else one, one) for one in protocol["outcomes"]]
        protocol["outcomes"] = [one for name, one in listed if name not in taken]
        return replace(self, recordings=(), protocol=protocol)

    def to_toml(self) -> str:
        """The design as TOML text; `CohortDesign.from_toml` reads it back to an equal design."""
        return toml_text(asdict(self))

    @classmethod
    def from_toml(cls, text: str) -> "CohortDesign":
        """Read a design from TOML text. Raises StudyError for an unknown or a missing key."""
        return record_from(cls, tomllib.loads(text), "design")

    @classmethod
    def from_file(cls, path: str | Path) -> "CohortDesign":
        """Read a design from a TOML file."""
        return cls.from_toml(Path(path).read_text(encoding="utf-8"))
