"""The section of a blinded report: what is hidden, what could still tell the arms apart, and from whom it hides."""

import re

import pandas as pd

from notebooks.report.run import Run, section
from notebooks.show.exhibits import Exhibits, Prose, gather
from outcomes import Study
from outcomes import columns as c

ABOUT = """# This report is blinded

**Question:** what is hidden here, and what could still tell the arms apart?"""
CODE = "blinding.what_is_hidden(study)"
NO_COPY = """The study is blinded. Its files name the arms, so none is copied here; record.json holds their hashes.
'outcomes rerun' needs the study folder: outcomes rerun DIR --study FOLDER. After 'outcomes unblind' a new report holds
a copy of the data.
"""
LETTERS = (
    "Letters stand for the arms, drawn at random and recorded in the study folder; they stay the same from report to "
    "report. A difference is taken from the first letter, which need not be the reference arm: after unblinding it is "
    "taken from the reference, and its sign may turn."
)
PROTECTS = (
    "This protects readers from learning by accident which arm is which. It does not stop anyone who holds the study "
    "folder, and whoever knows what one participant got, and sees that participant's letter, knows it for all."
)


def what_is_hidden(study: Study) -> Exhibits:
    """What stands for what, what was left out, what could unmask."""
    return gather(
        (
            Prose("blinded", (LETTERS, PROTECTS), heading="Letters for arms"),
            Prose("hidden", study.hidden, heading="What is left out while the study is blinded"),
            Prose("could unmask", could_unmask(study), heading="What could still tell the arms apart"),
        )
    )


def could_unmask(study: Study) -> tuple[str, ...]:
    """What a reader could tell the arms by, as far as the data show it."""
    people = study.participants.drop_duplicates(c.PARTICIPANT)
    sizes = people[c.ARM].astype(str).value_counts().sort_index()
    told = ", ".join(f"{arm} {size}" for arm, size in sizes.items())
    lines = [f"Numbers per arm ({told}), where the plan puts more people into one arm than into another."]
    stems = people.groupby(people[c.ARM].astype(str))[c.PARTICIPANT].agg(
        lambda codes: {re.sub(r"\d+", "", str(code)).casefold() for code in codes}
    )
    if len(stems) > 1 and not set.intersection(*stems):
        lines.append("The codes of participants differ from arm to arm. Give them codes that say nothing.")
    raters = _raters_by_arm(study, people)
    if raters:
        lines.append(f"Raters who saw one arm only: {', '.join(raters)}.")
    lines.append(
        "Texts that people typed (title, diagnosis, further columns), an arm that loses more people or misses more "
        "visits, and an effect so large that readers guess."
    )
    return tuple(lines)


def _raters_by_arm(study: Study, people: pd.DataFrame) -> list[str]:
    """Raters with rows of a single arm, where there are several arms and raters."""
    arms = people.set_index(c.PARTICIPANT)[c.ARM].astype(str)
    frames = [study.table(name) for name in ("visits", "items", "totals", "trials", "angles")]
    parts = [frame[[c.PARTICIPANT, "rater"]] for frame in frames if "rater" in frame and len(frame)]
    if not parts:
        return []
    rows = pd.concat(parts).drop_duplicates()
    rows = rows[rows["rater"].fillna("").astype(str) != ""]
    seen = rows.assign(arm=rows[c.PARTICIPANT].map(arms)).groupby("rater")["arm"].nunique()
    return [str(rater) for rater in seen[seen == 1].index] if arms.nunique() > 1 else []


def blinding_run(study: Study) -> Run:
    """The section of a blinded report."""
    return section("blinded", ABOUT, CODE, what_is_hidden(study))
