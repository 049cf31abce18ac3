"""What is recorded in an invented study, and how good the sensor is."""

from dataclasses import dataclass

from outcomes.errors import StudyError

KINDS = ("turning", "finger", "hold")


@dataclass(frozen=True)
class RecordingPlan:
    """One kind of recording, taken at every visit (or those named). Everything here is invented.

    kind: "turning" (both hands turn a wheel, the less affected one leads), "finger" (a finger joint bends and
    straightens) or "hold" (a force comes up and is held). amplitude: half the range in degrees, the range, or
    newtons, of a person of latent ability 0 in `construct`; `*_per_unit`: how much more per unit of it, `*_sd`:
    spread between people. repetition_sd: spread between repetitions, as a share of amplitude and gain. passive: what
    a finger moved by the therapist reaches more, first_stiff: how much less of it at the first repetition; assisted:
    what the device adds. Of the sensor: noise_sd (white), tremor and tremor_hz, drift over a recording, dropped
    (share of samples lost singly), gaps (chance of a recording with one gap of half a second). Of the clocks:
    clock_drift (of a wheel: seconds a second by which the clock of the affected hand gains on the other's),
    stamp_drift (share by which both clocks' time stamps run slower than the rate says).
    """

    name: str
    kind: str
    digit: str = ""
    joint: str = ""
    hands: tuple[str, ...] = ("affected", "other")
    motions: tuple[str, ...] = ("active",)
    visits: tuple[str, ...] = ()
    repetitions: int = 3
    seconds: float = 10.0
    rate: float = 60.0
    frequency_hz: float = 0.5
    construct: str = "dexterity"
    amplitude: float = 35.0
    amplitude_sd: float = 4.0
    amplitude_per_unit: float = 0.0
    gain: float = 0.8
    gain_sd: float = 0.05
    gain_per_unit: float = 0.08
    lag_s: float = 0.14
    lag_sd: float = 0.03
    lag_per_unit: float = -0.03
    offset_sd: float = 3.0
    repetition_sd: float = 0.02
    passive: float = 0.0
    first_stiff: float = 0.0
    assisted: float = 0.0
    noise_sd: float = 0.4
    tremor: float = 0.0
    tremor_hz: float = 7.0
    drift: float = 0.0
    dropped: float = 0.0
    gaps: float = 0.0
    clock_drift: float = 0.0
    stamp_drift: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a plan that cannot be drawn."""
        if self.kind not in KINDS:
            raise StudyError(f"recordings {self.name}: kind is {self.kind!r}, allowed {', '.join(KINDS)}.")
        if not (abs(self.clock_drift) < 0.1 and abs(self.stamp_drift) < 0.1):
            raise StudyError(
                f"recordings {self.name}: clock_drift {self.clock_drift}, stamp_drift {self.stamp_drift}; allowed "
                "between -0.1 and 0.1."
            )
        if not (self.rate > 0 and self.seconds > 0 and self.repetitions >= 1 and 0 <= self.dropped < 0.5):
            raise StudyError(
                f"recordings {self.name}: rate {self.rate}, seconds {self.seconds}, repetitions {self.repetitions}, "
                f"dropped {self.dropped}; allowed above 0, above 0, 1 or more, 0 to below 0.5."
            )
