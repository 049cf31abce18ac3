"""Files of several sites together: the model of change of everybody, exactly as from all rows in one place."""

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from outcomes.lock.analysis_plan import plan_changes, plan_digest, plan_of
from outcomes.protocol.study_toml import read_protocol
from outcomes.protocol.trial import Protocol
from stats.change.change_fit import ChangeFit
from stats.errors import FitError
from stats.federated.added_sums import together_sums
from stats.federated.counted import together
from stats.federated.moments_file import read_file
from stats.federated.sums_fit import fit_sums


@dataclass(frozen=True)
class Merged:
    """What the files of all sites give: a fit per outcome, responders, baseline, and what each file was.

    fits: outcome -> model of change; failed: outcome -> why there is none. files: file, people, left_out, minimum.
    """

    design: Protocol
    fits: Mapping[str, ChangeFit]
    failed: Mapping[str, str]
    responders: pd.DataFrame
    baseline: pd.DataFrame
    files: pd.DataFrame
    notes: tuple[str, ...]


def merge_files(paths: Sequence[Path]) -> Merged:
    """Fit the plan's model of every outcome to the files of all sites.

    paths: a sequence of files that `outcomes moments` wrote.
    Raises FitError where files do not belong together (another plan, version or set of columns), StudyError
    where the plan in them cannot be read. Source: as `fit_change`; the sums give the same likelihood as the rows.
    """
    if not paths:
        raise FitError("No file of moments was given.")
    contents = [read_file(Path(path)) for path in paths]
    design = _plan(contents, paths)
    fits, failed = {}, {}
    for outcome in contents[0]["outcomes"]:
        absent = [
            str(path) for path, content in zip(paths, contents, strict=True) if outcome not in content["outcomes"]
        ]
        if absent:
            raise FitError(f"{outcome} is not in {', '.join(absent)}. Ask those sites to write their files again.")
        try:
            fits[outcome] = fit_sums(together_sums([content["outcomes"][outcome] for content in contents]), design)
        except FitError as error:
            failed[outcome] = str(error)
    files = pd.DataFrame({
        "file": [Path(path).name for path in paths], "people": [c["people"] for c in contents],
        "left_out": [c.get("left_out", 0) for c in contents], "minimum": [c["minimum"] for c in contents],
    })  # fmt: skip
    notes = [f"{int(files['people'].sum())} people in {len(files)} files; no row was here."]
    if files["left_out"].sum():
        notes.append(f"{int(files['left_out'].sum())} people were left out by their sites: groups too small to leave.")
    notes += _not_counted(contents, design)
    responders = together([c["responders"] for c in contents], ("outcome", "threshold", "value", "unit", "arm"))
    baseline = together([c["at_baseline"] for c in contents], ("arm", "what"))
    return Merged(design, fits, failed, responders, baseline, files, tuple(notes))


def _not_counted(contents: list[dict], design: Protocol) -> list[str]:
    """Thresholds of the plan that some site could not count, and why."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for content in contents:
        for entry in content["not_counted"]:
            reasons.setdefault((str(entry["outcome"]), str(entry["threshold"])), []).append(str(entry["why"]))
    counted = {(str(e["outcome"]), str(e["threshold"])) for c in contents for e in c["responders"]}
    for outcome in dict.fromkeys([*design.thresholds, *design.own_thresholds]):
        for size in design.chosen_thresholds(outcome):
            key = (outcome, size if isinstance(size, str) else size.key)
            if key not in counted and key not in reasons:
                reasons[key] = ["the files were written by a version that did not count it: write them again"]
    return [
        f"Responders of {outcome} by {threshold} were not counted at {len(why)} of {len(contents)} sites: "
        f"{'; '.join(dict.fromkeys(why))}"
        for (outcome, threshold), why in reasons.items()
    ]


def _plan(contents: list[dict], paths: Sequence[Path]) -> Protocol:
    """The one plan of all files."""
    designs = []
    for content, path in zip(contents, paths, strict=True):
        with tempfile.TemporaryDirectory() as folder:
            source = Path(folder) / "study.toml"
            source.write_text(str(content["study_toml"]), encoding="utf-8")
            design = read_protocol(source)
        if plan_digest(plan_of(replace(design, departures=()))) != content["plan_sha256"]:
            raise FitError(
                f"{path}: the hash of its plan is not that of the plan in it. Ask the site to write it again."
            )
        designs.append(design)
    first = plan_of(replace(designs[0], departures=()))
    for design, path in zip(designs[1:], paths[1:], strict=True):
        changes = plan_changes(first, plan_of(replace(design, departures=())))
        if changes:
            told = "; ".join(f"{c.key}: {c.was} in {paths[0]}, {c.now} in {path}" for c in changes[:5])
            raise FitError(
                f"The files follow different plans ({len(changes)} differences: {told}). Give every site the same "
                "plan: outcomes moments FOLDER --plan study.toml --to FILE."
            )
    return designs[0]
