"""What do repeated passive motions do from the first to the last, at each visit, with the device off and on?"""

import pandas as pd

from notebooks.figures.device.stretch_lines import stretch_lines
from notebooks.show.exhibits import Exhibits, gather, together
from notebooks.show.names import Names
from notebooks.show.tables import Table
from outcomes import Study
from outcomes.scoring.repeated_motion import first_to_last
from stats.errors import FitError
from stats.measurement.first_to_last import change_over_sets

QUANTITIES = {"torque": ("Highest torque", "N m", 2), "degrees": ("Angle reached", "degrees", 1)}
KEPT = ("visit", "what", "condition", "velocity")
NONE = "repeated motion: the sheet of angles numbers no repetitions."


def sets_of(study: Study) -> pd.DataFrame:
    """The sets of repetitions with `what` was moved and the arm."""
    sets = first_to_last(study)
    parts = sets[["digit", "joint", "movement", "mode"]].astype(str)
    what = parts.apply(lambda row: " ".join(part for part in row if part), axis=1)
    return sets.assign(what=what if len(sets) else pd.Series(dtype="str"))


def stretches_table(study: Study) -> Exhibits:
    """First, last and change of torque and angle, apart by visit, motion, condition and velocity."""
    sets, names = sets_of(study), Names(study.protocol)
    if sets.empty:
        return gather((), (NONE,))
    parts, refused, notes = [], [], []
    for quantity, (label, unit, digits) in QUANTITIES.items():
        try:
            found = change_over_sets(sets, quantity, unit=unit, kept=KEPT)
        except FitError as why:
            refused.append(f"{label.lower()}: {why}")
            continue
        notes += list(found.notes)
        frame = found.frame(study.protocol.level)
        frame["velocity"] = pd.to_numeric(frame["velocity"], errors="coerce")
        parts.append(frame.assign(quantity=label, digits=digits))
    if not parts:
        return gather((), refused)
    cut = int(sets["cut"].sum())
    frame = pd.concat(parts, ignore_index=True).rename(columns={"digits": "decimals"})
    table = Table(
        "first_to_last_repetition",
        "From the first to the last repetition",
        names.labelled(frame),
        {"Quantity": "{quantity}", "Motion": "{what}", "Visit": "{visit_label}", "Device": "{condition}",
         "Degrees per second": "{velocity}", "First": "{first}", "Last": "{last}",
         "Change (interval)": "{estimate} ({conf_low} to {conf_high})", "Unit": "{unit}", "n": "{n}"},
        keys=("quantity", "what", "visit", "condition", "velocity"),
        group="Quantity",
        decimals="decimals",
        notes=(
            f"Interval level {study.protocol.level:.0%}. Device: unassisted is off, assisted is on; slow and fast are "
            "different outcomes. Nothing is pooled over visits, conditions or velocities, and the joint, range and "
            "position have to be the same to be compared.",
            f"{cut} repetitions ended at a torque limit: their torque is at least the limit and is left out.",
            "No published important change of these was found: described only.",
            *dict.fromkeys(notes),
        ),
    )  # fmt: skip
    return gather((table,), refused)


def stiffness_table(study: Study) -> Exhibits | Table:
    """Grades of stiffness at the first and at the last repetition: people in each grade."""
    grades = study.protocol.stiffness_grades
    sets = sets_of(study)
    sets = sets[sets["stiffness_first"].notna() & sets["stiffness_last"].notna()] if len(sets) else sets
    if sets.empty or not grades:
        return gather((), ("grades of stiffness: none were written down at a first and a last repetition.",))
    names, made = Names(study.protocol), []
    kept = ["visit", "what", "condition", "velocity"]
    for key, own in sets.fillna({"velocity": -1.0}).groupby(kept, sort=False):
        step = own["stiffness_last"] - own["stiffness_first"]
        row = dict(zip(kept, key, strict=True)) | {"n": len(own)}
        for end in ("first", "last"):
            counts = own[f"stiffness_{end}"].astype(int).value_counts()
            row[end] = ", ".join(f"{grade} {counts.get(place, 0)}" for place, grade in enumerate(grades))
        made.append(
            row | {"less": int((step < 0).sum()), "same": int((step == 0).sum()), "more": int((step > 0).sum())}
        )
    frame = pd.DataFrame(made)
    frame["velocity"] = frame["velocity"].mask(frame["velocity"] < 0)
    return Table(
        "stiffness_grades",
        "Grades of stiffness, first and last repetition",
        names.labelled(frame),
        {"Motion": "{what}", "Visit": "{visit_label}", "Device": "{condition}", "Degrees per second": "{velocity}",
         "First": "{first}", "Last": "{last}", "Less stiff": "{less}", "Same": "{same}", "Stiffer": "{more}",
         "Sets": "{n}"},
        keys=("what", "visit", "condition", "velocity"),
        notes=("Grades in the study's own order, the least stiff first; grades are ranks and are not averaged.",),
    )  # fmt: skip


def stretches_figure(study: Study):
    """First and last torque (or angle, where no torque was measured) of every person."""
    sets = sets_of(study)
    if sets.empty:
        return None
    quantity = "torque" if sets["torque_first"].notna().any() else "degrees"
    return stretch_lines(sets, quantity, *QUANTITIES[quantity], Names(study.protocol))


def stretches(study: Study) -> Exhibits:
    """The figure, first to last, and the grades of stiffness."""
    return together(stretches_figure(study), stretches_table(study), stiffness_table(study))
