"""The text of a new study.toml: filled in as far as it can be, with a comment where the study must decide."""

from collections.abc import Sequence

from outcomes.findings import as_text
from outcomes.library.instrument import Instrument
from outcomes.library.registry import thresholds
from outcomes.protocol.keys import ESTIMAND, HAND_BY_BASELINE, HAND_BY_SIDE


def protocol_text(
    chosen: Sequence[Instrument], *, title: str, arms: Sequence[str], visits: Sequence[tuple[str, float]]
) -> str:
    """A study.toml that `read_study` accepts as it is."""
    outcomes = [f"{found.id}.{found.main_scale.id}" for found in chosen]
    design = "parallel" if len(arms) > 1 else "single-arm"
    lines = [
        "# The protocol of the study: what was decided before the data. Lines that begin with # are comments.",
        f"title = {_text(title)}",
        f'design = "{design}"  # single-arm, parallel or crossover',
        f"primary = {_text(outcomes[0] if outcomes else 'score.total')}",
        f"outcomes = [{', '.join(map(_text, outcomes))}]",
        "seed = 1  # of every random number, so that a second run gives the same numbers",
        "level = 0.95  # of intervals",
    ]
    if len(arms) > 1:
        lines.append("# blinded = true  # people see letters in place of the arms until the command 'outcomes unblind'")
        for number, arm in enumerate(arms):
            reference = "reference = true  # the arm the others are compared with" if number == 0 else ""
            lines += ["", "[[arms]]", f"id = {_text(arm)}", f"label = {_text(_label(arm))}", *filter(None, [reference])]
    for name, day in visits:
        lines += ["", "[[visits]]", f"id = {_text(name)}", f"label = {_text(_label(name))}"]
        lines.append(f"day = {as_text(float(day))}")
        lines.append("window = [-7, 7]  # days before and after the planned day that are still this visit")
    lines += ["", "# Published sizes of change, by source: there is no default. Take out the # of those you choose."]
    lines += ["[thresholds]", *_threshold_lines(outcomes)]
    if any(found.sided for found in chosen):
        lines += ["", "# Where participants have two affected hands: which one is analysed. Take out the #."]
        lines += ["# [both_hands]", f'# analysed = "weaker"  # or {", ".join((*HAND_BY_BASELINE[1:], *HAND_BY_SIDE))}']
        lines += ['# by = "<outcome>"  # weaker, stronger: at baseline, by this outcome of both hands']
    lines += ["", "[estimand]"]
    if len(visits) > 2:
        lines += [f"# visit: the visit the primary question is about, one of {', '.join(n for n, _ in visits[1:])}"]
    asked = visits[1][0] if len(visits) == 2 else ""
    lines += [f"{name} = {_text(asked if name == 'visit' else '')}" for name in ESTIMAND]
    if len(arms) > 1:
        lines += [
            "",
            "[randomisation]",
            "randomised = true  # false: arms chosen in another way, never compared as equal",
        ]
        lines += ['# strata = ["<column of participants>"]  # arms were dealt within its levels']
        lines += ["# assessed = 0  # people assessed for eligibility", '# excluded = { "<reason>" = 0 }']
    lines += ["", "[model]", 'time = "visit"  # visit: a mean per visit; linear: a slope']
    lines += ['time_unit = "week"', 'baseline = "auto"']
    for found in chosen:
        lines += _option_lines(found)
    if not outcomes:
        lines += [
            "",
            "# A total that no instrument gives.",
            '[measures."score.total"]',
            'label = "Score"',
        ]
        lines += ['unit = "points"', 'better = "higher"', "low = 0", "high = 100"]
    return "\n".join(lines) + "\n"


def _threshold_lines(outcomes: Sequence[str]) -> list[str]:
    """One list per outcome, every published key in it as a comment."""
    lines = []
    for outcome in outcomes:
        published = thresholds(outcome)
        if published.empty:
            lines.append(f"# {outcome}: {published.attrs['reason']}")
            continue
        lines.append(f"{_text(outcome)} = [")
        for row in published.itertuples():
            what = f"{row.quantity} {row.value:g} {row.unit}; {row.population}; {row.method}"
            lines.append(f"  # {_text(str(row.key))},  # {what}")
        lines.append("]")
    return lines


def _option_lines(found: Instrument) -> list[str]:
    """Scoring options without a default: the study has to choose."""
    open_choices = [option for option in found.options.values() if option.default is None]
    if not open_choices:
        return []
    lines = ["", f"[instruments.{found.id}]"]
    for option in open_choices:
        choices = " or ".join(_value(value) for value in option.values) or f"a {option.kind}"
        lines.append(f"# {option.id} = {choices}  # {' '.join(option.why.split())}")
    return lines


def _value(value: object) -> str:
    return _text(value) if isinstance(value, str) else str(value)


def _text(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'


def _label(name: str) -> str:
    return name.replace("_", " ").capitalize()


DEVICE_TEXT = """
# A trial of a device. Take out the # of what the study has.
# [channels.index_press]          # a force of the study's own in the sheet of trials: outcome "index_press.force"
# label = "Press of the index finger"
# unit = "N"                      # N, kgf or lbf
# summary = "mean"                # or max of the trials of one administration
#
# [[levels]]                      # people who reach an absolute level; none is built in
# id = "carry"
# label = "Force of the carrying task"
# outcome = "index_press.force"
# value = 0
# unit = "N"
# reason = "why it is just this level"
#
# [passive_motion]
# grades = ["none", "slight", "moderate", "marked"]   # grades of stiffness, the least stiff first
#
# [total_motion]
# system = "percent"              # grades of total active motion: percent, degrees or pip-dip
# reference = "published"         # or "other hand"
#
# [safety]
# event_list = false              # true: the report may print single events and deficiencies
"""
