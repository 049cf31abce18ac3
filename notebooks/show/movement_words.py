"""Recordings and the measures taken of them in a clinician's words: fingers, joints, motions, measures."""

from outcomes.protocol.series_tables import FOLLOWERS, OF_TWO_HANDS, SeriesOutcome

DIGITS = {"index": "index finger", "middle": "middle finger", "ring": "ring finger", "little": "little finger"}
SHORT_JOINTS = ("cmc", "dip", "ip", "mcp", "pip")  # written in capitals, as charts do
MOTIONS = {"assisted": "with the device"}
QUANTITIES = {"degrees": "joint angle"}
MEASURE_WORDS = {
    "range": "range of motion",
    "highest": "largest angle",
    "lowest": "smallest angle",
    "peak-velocity": "highest speed",
    "movement-time": "time of the movement",
    "spectral-arc-length": "smoothness (spectral arc length)",
    "log-dimensionless-jerk": "smoothness (log dimensionless jerk)",
    "lag": "delay of the following hand",
    "lag-size": "delay between the hands, without its direction",
    "gain": "size of the following hand's movement, as a part of the leading hand's",
    "offset": "mean distance of the following hand from the leading one",
    "error-before": "distance of the hands at any moment (root mean square), delay included",
    "error-after": "distance of the hands (root mean square), delay taken out",
    "concordance": "agreement of the hands at any moment (concordance)",
    "concordance-after": "agreement of the hands (concordance), delay taken out",
    "force-peak": "highest force",
    "force-plateau": "force held (mean of the plateau)",
    "time-to-90": "time to 90 % of the force held",
    "rate-of-rise": "how fast the force rises",
    "impulse": "force times the time it was held",
    "steadiness": "unsteadiness of the force held (SD as a share of the mean)",
    "steadiness-detrended": "unsteadiness of the force held (SD as a share of the mean), slow sinking left out",
    "time-above": "time above a force",
    "excursions-above": "number of times above a force",
}
REPETITIONS = {
    "mean": "mean of the repetitions",
    "first": "first repetition",
    "first-minus-later": "first repetition less the mean of the later ones",
}


def place_words(digit: str, joint: str, quantity: str = "") -> str:
    """ "index", "pip" -> "index finger, PIP joint"; the quantity where no place is named."""
    joint = f"{joint.upper()} joint" if joint.lower() in SHORT_JOINTS else joint
    told = ", ".join(filter(None, (DIGITS.get(digit.lower(), digit), joint)))
    return told or QUANTITIES.get(quantity, quantity)


def motion_words(motion: str) -> str:
    """ "assisted" -> "with the device"."""
    return MOTIONS.get(motion, motion)


def measure_words(measure: str) -> str:
    """ "spectral-arc-length" -> "smoothness (spectral arc length)"."""
    return MEASURE_WORDS.get(measure, measure)


def declared(one: SeriesOutcome) -> str:
    """An outcome of recordings as study.toml declares it: what, where, which hand and motion, filter, repetitions."""
    motions = " or ".join(map(motion_words, one.motion))
    if one.measure in OF_TWO_HANDS:
        leader = one.leader or "left"
        hand = "as the column role says" if leader == "leader" else f"{leader} hand leads, {FOLLOWERS[leader]} follows"
    else:
        hand = "each hand" if one.hand == "each" else f"{one.hand} hand"
    window = f"from {one.window_s[0]:g} to {one.window_s[1]:g} s" if one.window_s else ""
    low_pass = f"low-pass {one.cutoff_hz:g} Hz" if one.cutoff_hz else ""
    chosen = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in one.options.items())
    parts = (measure_words(one.measure), place_words(one.digit, one.joint), hand, motions, window, low_pass, chosen,
             REPETITIONS[one.repeated])  # fmt: skip
    return "; ".join(filter(None, parts))
