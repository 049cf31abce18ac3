"""[series] and [[series_outcomes]] of study.toml: what the folder of recordings holds, and which measures are taken
of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from outcomes.protocol.keys import FLAG, LIST, NUMBER, TABLE, TEXT, choice, known_keys, needed, unlike

COLUMNS = (
    "participant", "visit", "time", "hand", "digit", "joint", "motion", "role", "repetition", "degrees", "force",
    "torque",
)  # fmt: skip
QUANTITIES = ("degrees", "force", "torque")
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
ANGLE_UNITS = ("degrees", "radians")
FORCE_UNITS = ("N", "kgf", "lbf")
MOTIONS = ("active", "passive", "assisted")
HANDS = ("each", "left", "right", "affected", "other")
LEADERS = ("left", "right", "affected", "other", "leader")  # "leader": as the column role says
REPEATED = ("mean", "first", "first-minus-later")
FOLLOWERS = {"left": "right", "right": "left", "affected": "other", "other": "affected", "leader": "follower"}

# Measure -> its quantity, its unit ("force" that of the force), and its options beside the common ones
MEASURES: Mapping[str, tuple[str, str, tuple[str, ...]]] = {
    "range": ("degrees", "degrees", ("kind", "share")),
    "highest": ("degrees", "degrees", ("kind", "share")),
    "lowest": ("degrees", "degrees", ("kind", "share")),
    "peak-velocity": ("degrees", "degrees/s", ()),
    "movement-time": ("degrees", "s", ("fraction",)),
    "spectral-arc-length": ("degrees", "arc length", ("fraction", "highest_hz", "threshold", "padding")),
    "log-dimensionless-jerk": ("degrees", "log jerk", ("fraction", "by")),
    "lag": ("degrees", "s", ("lag_window_s", "smallest_range")),
    "lag-size": ("degrees", "s", ("lag_window_s", "smallest_range")),
    "gain": ("degrees", "ratio", ("lag_window_s", "smallest_range")),
    "offset": ("degrees", "degrees", ("lag_window_s", "smallest_range")),
    "error-before": ("degrees", "degrees", ("lag_window_s", "smallest_range")),
    "error-after": ("degrees", "degrees", ("lag_window_s", "smallest_range")),
    "concordance": ("degrees", "coefficient", ("lag_window_s", "smallest_range")),
    "concordance-after": ("degrees", "coefficient", ("lag_window_s", "smallest_range")),
    "force-peak": ("force", "force", ()),
    "force-plateau": ("force", "force", ()),
    "time-to-90": ("force", "s", ()),
    "rate-of-rise": ("force", "force/s", ("rise_window_s",)),
    "impulse": ("force", "force s", ()),
    "steadiness": ("force", "%", ()),
    "steadiness-detrended": ("force", "%", ()),
    "time-above": ("force", "s", ("level",)),
    "excursions-above": ("force", "times", ("level",)),
    "resistance-slope": ("degrees", "N m/degree", ()),
    "resistance-damping": ("degrees", "N m s/degree", ()),
}
OF_TWO_HANDS = (
    "lag", "lag-size", "gain", "offset", "error-before", "error-after", "concordance", "concordance-after",
)  # fmt: skip
OF_TORQUE = ("resistance-slope", "resistance-damping")  # of angle and torque of the same motion together
OF_DERIVATIVES = ("peak-velocity", "movement-time", "spectral-arc-length", "log-dimensionless-jerk", *OF_TORQUE)
OPTIONS = {
    "kind": TEXT, "share": NUMBER, "fraction": NUMBER, "highest_hz": NUMBER, "threshold": NUMBER, "padding": NUMBER,
    "by": TEXT, "lag_window_s": NUMBER, "smallest_range": NUMBER, "rise_window_s": NUMBER, "level": NUMBER,
}  # fmt: skip
SERIES = {
    "columns": TABLE, "channels": TABLE, "file_names": TEXT, "time_unit": TEXT, "rate": NUMBER, "angle_unit": TEXT,
    "force_unit": TEXT, "angle_limits": LIST, "force_limits": LIST, "longest_gap_s": NUMBER, "one_clock": FLAG,
}  # fmt: skip
OUTCOME = {
    "id": TEXT, "label": TEXT, "measure": TEXT, "better": TEXT, "digit": TEXT, "joint": TEXT, "hand": TEXT,
    "leader": TEXT, "motion": LIST, "window_s": LIST, "cutoff_hz": NUMBER, "repeated": TEXT,
} | OPTIONS  # fmt: skip


@dataclass(frozen=True)
class SeriesFolder:
    """What the recordings are: header map, units, limits of the sensors, clock.

    columns: our column -> header in the files. channels: header -> hand, digit, joint, quantity, for files with one
    column a sensor. file_names: pattern of the files' names with columns in braces, e.g.
    "{participant}_{visit}_{hand}". rate: samples a second where it is known better than the time stamps tell it.
    longest_gap_s: gaps up to it are filled. one_clock: both hands were recorded by one clock; without one no lag is
    given.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    channels: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    file_names: str = ""
    time_unit: str = "s"
    rate: float | None = None
    angle_unit: str = "degrees"
    force_unit: str = "N"
    angle_limits: tuple[float, float] | None = None
    force_limits: tuple[float, float] | None = None
    longest_gap_s: float = 0.1
    one_clock: bool = True


@dataclass(frozen=True)
class SeriesOutcome:
    """One outcome taken from recordings. digit, joint: "" where the recordings name none.

    hand: whose rows there are ("each": one row a hand); of two hands: the row is of both, `leader` says which one
    leads. motion: which conditions are scored, "assisted" ones as assisted. window_s: part of each recording.
    cutoff_hz: low-pass. repeated: how repetitions become one row.
    """

    id: str
    label: str
    measure: str
    better: str
    unit: str
    digit: str = ""
    joint: str = ""
    hand: str = "each"
    leader: str = ""
    motion: tuple[str, ...] = ("active", "assisted")
    window_s: tuple[float, float] | None = None
    cutoff_hz: float | None = None
    repeated: str = "mean"
    options: Mapping[str, object] = field(default_factory=dict)

    @property
    def quantity(self) -> str:
        """Which column of the recordings it is taken from."""
        return MEASURES[self.measure][0]


def read_series(table: object, problems: list[str]) -> SeriesFolder:
    """The [series] table."""
    where, standard = "[series]", SeriesFolder()
    table = known_keys(table, SERIES, where, problems)
    columns = known_keys(table.get("columns", {}), dict.fromkeys(COLUMNS, TEXT), "[series.columns]", problems)
    channels = {}
    for header, about in table.get("channels", {}).items():
        place = f"[series.channels.{header}]"
        about = known_keys(about, dict.fromkeys(("hand", "digit", "joint", "role", "quantity"), TEXT), place, problems)
        choice(about, "quantity", QUANTITIES, place, problems, "degrees")
        channels[header] = {name: str(value) for name, value in about.items()}
    if channels and set(columns) & set(QUANTITIES):
        problems.append(f"{where}: found channels and a column of values, allowed one of them. Take one out.")
    rate = table.get("rate")
    if rate is not None and not rate > 0:
        problems.append(f"{where}, rate: found {rate}, allowed samples a second above 0. Correct it.")
    gap = table.get("longest_gap_s", standard.longest_gap_s)
    if not 0 <= gap <= 1:
        problems.append(f"{where}, longest_gap_s: found {gap}, allowed 0 to 1 s. Cut the recording at longer gaps.")
    return SeriesFolder(
        columns=columns,
        channels=channels,
        file_names=table.get("file_names", ""),
        time_unit=choice(table, "time_unit", tuple(TIME_UNITS), where, problems, "s"),
        rate=None if rate is None else float(rate),
        angle_unit=choice(table, "angle_unit", ANGLE_UNITS, where, problems, "degrees"),
        force_unit=choice(table, "force_unit", FORCE_UNITS, where, problems, "N"),
        angle_limits=_two(table, "angle_limits", where, problems),
        force_limits=_two(table, "force_limits", where, problems),
        longest_gap_s=float(gap),
        one_clock=table.get("one_clock", True),
    )


def read_series_outcomes(tables: list[dict], force_unit: str, problems: list[str]) -> tuple[SeriesOutcome, ...]:
    """The [[series_outcomes]] tables, in their order."""
    outcomes = tuple(_outcome(table, number, force_unit, problems) for number, table in enumerate(tables, 1))
    unlike((outcome.id for outcome in outcomes), "[[series_outcomes]] id", problems)
    return outcomes


def _outcome(table: object, number: int, force_unit: str, problems: list[str]) -> SeriesOutcome:
    where = f"[[series_outcomes]] {number}"
    table = known_keys(table, OUTCOME, where, problems)
    name = needed(table, "id", where, problems)
    if name and (name.count(".") != 1 or not all(name.split("."))):
        problems.append(f'{where}, id: found {name!r}, allowed <name>.<scale>, e.g. "wheel.lag". Correct it.')
    measure = choice(table, "measure", tuple(MEASURES), where, problems, "range")
    _, unit, own = MEASURES[measure]
    for key in OPTIONS.keys() & table.keys():
        if key not in own:
            problems.append(
                f"{where}, {key}: found with measure {measure!r}, allowed there {', '.join(own) or 'none'}. Take "
                "it out."
            )
    if measure in ("time-above", "excursions-above") and "level" not in table:
        problems.append(f"{where} has no level: found none, allowed the force to exceed, in {force_unit}. Add it.")
    if measure in OF_DERIVATIVES and "cutoff_hz" not in table:
        problems.append(
            f"{where} has no cutoff_hz: found none, allowed the cut-off of the low-pass before differentiating, in Hz. "
            "Choose one for everybody, by residual analysis of pilot recordings."
        )
    leader = table.get("leader", "")
    if (measure in OF_TWO_HANDS) != bool(leader):
        problems.append(
            f"{where}, leader: found {leader or 'none'!r} with measure {measure!r}, allowed one of "
            f"{', '.join(LEADERS)} for a measure of two hands and none for one of a single hand. Correct it."
        )
    elif leader:
        choice(table, "leader", LEADERS, where, problems, "left")
    motion = [str(word) for word in table.get("motion", ["active", "assisted"])]
    if not motion or set(motion) - set(MOTIONS) or ("passive" in motion and len(motion) > 1):
        problems.append(
            f'{where}, motion: found {motion}, allowed ["passive"], or "active" and "assisted" or one of them: passive '
            "motion is an outcome of its own. Correct it."
        )
    if measure in OF_TORQUE and motion != ["passive"]:
        problems.append(
            f'{where}, motion: found {motion} with measure {measure!r}, allowed ["passive"]: who helps or hinders the '
            "motion changes its resistance. Correct it."
        )
    cutoff = table.get("cutoff_hz")
    if cutoff is not None and not cutoff > 0:
        problems.append(f"{where}, cutoff_hz: found {cutoff}, allowed above 0 Hz. Correct it.")
    return SeriesOutcome(
        id=name,
        label=table.get("label", name),
        measure=measure,
        better=choice(table, "better", ("higher", "lower"), where, problems, ""),
        unit=unit.replace("force", force_unit),
        digit=table.get("digit", "").strip().lower(),
        joint=table.get("joint", "").strip().lower(),
        hand=choice(table, "hand", HANDS, where, problems, "each"),
        leader=leader,
        motion=tuple(motion),
        window_s=_two(table, "window_s", where, problems),
        cutoff_hz=None if cutoff is None else float(cutoff),
        repeated=choice(table, "repeated", REPEATED, where, problems, "mean"),
        options={key: table[key] for key in own if key in table},
    )


def _two(table: Mapping, key: str, where: str, problems: list[str]) -> tuple[float, float] | None:
    value = table.get(key)
    if value is None:
        return None
    good = len(value) == 2 and all(isinstance(one, (int, float)) and not isinstance(one, bool) for one in value)
    if not good or value[0] >= value[1]:
        problems.append(f"{where}, {key}: found {value}, allowed two numbers, the lower one first. Correct it.")
        return None
    return (float(value[0]), float(value[1]))
