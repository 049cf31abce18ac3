"""Reading `study.toml` into the records of `protocol.py`: strictly, and with every problem named at once."""

from collections.abc import Mapping
from pathlib import Path

from outcomes.errors import StudyError
from outcomes.protocol.bounded_toml import read_toml
from outcomes.protocol.device_tables import (
    Channel,
    may_list_events,
    read_channels,
    read_levels,
    read_stiffness_grades,
    read_total_motion,
)
from outcomes.protocol.keys import (
    ARM,
    BOTH_HANDS,
    CHECKS,
    DEPARTURE,
    DESIGNS,
    ELIGIBILITY,
    ESTIMAND,
    HAND_BY_BASELINE,
    HAND_BY_SIDE,
    IN_WORDS,
    MEASURE,
    PERIOD,
    PRIVACY,
    RANDOMISATION,
    TABLE,
    TEXT,
    TOP,
    VISIT,
    WIDE,
    choice,
    known_keys,
    needed,
    nested,
    shown,
    tables_of,
    unlike,
    word_table,
    words,
)
from outcomes.protocol.model_choice import read_model
from outcomes.protocol.outcome_lists import read_outcomes, read_thresholds, read_values
from outcomes.protocol.planned_events import planned_event
from outcomes.protocol.series_tables import SeriesOutcome, read_series, read_series_outcomes
from outcomes.protocol.trial import (
    Arm,
    BothHands,
    Departure,
    Measure,
    Period,
    PlannedVisit,
    Privacy,
    Protocol,
    Randomisation,
    WideSheet,
)
from outcomes.sheets import SHEETS

# What the columns of a wide table may stand for; the first is meant where nothing is said.
_ACROSS = {
    "items": ("item", "visit", "side", "instrument"),
    "totals": ("scale", "visit", "instrument", "side"),
    "trials": ("trial", "visit", "side", "instrument"),
    "angles": ("movement", "visit", "side", "digit", "joint"),
    "visits": ("date",),
}


def read_protocol(path: Path) -> Protocol:
    """The protocol in `path`.

    Raises:
        StudyError: with every problem of the file, each with what was found, what is allowed and what to do.
    """
    content = read_toml(path)
    problems: list[str] = []
    protocol = _protocol(content, problems)
    if problems:
        raise StudyError(
            f"{path.name} has {len(problems)} problem{'s' if len(problems) > 1 else ''}.\n" + "\n".join(problems)
        )
    return protocol


def _protocol(content: dict, problems: list[str]) -> Protocol:
    content = known_keys(content, TOP, "study.toml", problems)
    for name in ("title", "design", "visits", "primary"):
        if name not in content:
            problems.append(f"study.toml has no {name}: found none, allowed {IN_WORDS[TOP[name]]}. Add it.")
    design = choice(content, "design", DESIGNS, "study.toml", problems, "parallel")
    arms = tuple(_arm(arm, n, problems) for n, arm in enumerate(tables_of(content, "arms", problems), 1))
    visits = tuple(_visit(visit, n, problems) for n, visit in enumerate(tables_of(content, "visits", problems), 1))
    unlike((arm.id for arm in arms), "[[arms]] id", problems)
    unlike((visit.id for visit in visits), "[[visits]] id", problems)
    _check_arms(arms, design, problems)
    blinded = content.get("blinded", False)
    if blinded and len(arms) < 2:
        problems.append(
            f"study.toml, blinded: found true with {len(arms)} [[arms]], allowed with 2 or more. "
            "Letters hide which arm is which; with one arm there is nothing to hide. Take the line out."
        )
    if "visits" in content and not visits:
        problems.append("study.toml plans no visit: found 0, allowed 1 or more. Add a [[visits]] table per visit.")
    primary = str(content.get("primary", ""))
    named, planned, averaged = read_outcomes(content.get("outcomes", []), tuple(visit.id for visit in visits), problems)
    measures = tuple(_measure(name, table, problems) for name, table in content.get("measures", {}).items())
    listed = dict(content.get("thresholds", {}))
    for name, table in content.get("measures", {}).items():
        if isinstance(table, dict) and table.get("thresholds"):
            before = listed.get(name, [])
            listed[name] = [*(before if isinstance(before, list) else [before]), *table["thresholds"]]
    thresholds, own = read_thresholds(listed, measures, problems)
    outcomes = tuple(dict.fromkeys(([primary] if primary else []) + named))
    for outcome in outcomes:
        if outcome.count(".") != 1 or not all(outcome.split(".")):
            problems.append(
                f"study.toml, outcome {outcome!r}: not an outcome id; allowed is <instrument>.<scale>, "
                'e.g. "fma_ue.motor". Correct it.'
            )
    seed = content.get("seed", 1)
    if seed < 0:
        problems.append(f"study.toml, seed: found {seed}, allowed a whole number from 0. Correct it.")
    level = content.get("level", 0.95)
    if not 0.5 <= level < 1:
        problems.append(f"study.toml, level: found {level}, allowed 0.5 to below 1, e.g. 0.95. Correct it.")
    sensitivity = tuple(
        read_model({"label": f"sensitivity {n}"} | table, f"[[sensitivity]] {n}", problems)
        for n, table in enumerate(tables_of(content, "sensitivity", problems), 1)
    )
    series = read_series(content.get("series", {}), problems)
    taken = read_series_outcomes(tables_of(content, "series_outcomes", problems), series.force_unit, problems)
    estimand = known_keys(content.get("estimand", {}), dict.fromkeys(ESTIMAND, TEXT), "[estimand]", problems)
    _check_primary_visit(estimand, visits, problems)
    _check_planned(primary, planned.get(primary), estimand, visits, problems)
    channels = read_channels(content.get("channels", {}), problems)
    return Protocol(
        title=str(content.get("title", "")),
        design=design,
        arms=arms,
        visits=visits,
        outcomes=outcomes,
        primary=primary,
        model=read_model(content.get("model", {}), "[model]", problems),
        sensitivity=sensitivity,
        thresholds=thresholds,
        own_thresholds=own,
        planned_visits=planned,
        averaged=averaged,
        values=read_values(content.get("values", {}), {name: sheet.names for name, sheet in SHEETS.items()}, problems),
        estimand=estimand,
        randomisation=_randomisation(content.get("randomisation", {}), design, problems),
        measures=_with_channels(_with_series(measures, taken), channels),
        series=series,
        series_outcomes=taken,
        instruments=nested(content.get("instruments", {}), "instruments", problems),
        columns=_columns(content.get("columns", {}), problems),
        scored_raters=words(content.get("scored_raters", []), "study.toml, scored_raters", problems),
        wide=tuple(_wide(table, n, problems) for n, table in enumerate(tables_of(content, "wide", problems), 1)),
        periods=tuple(
            _period(table, n, arms, visits, problems)
            for n, table in enumerate(tables_of(content, "periods", problems), 1)
        ),
        both_hands=_both_hands(content["both_hands"], outcomes, problems) if "both_hands" in content else None,
        events=tuple(
            planned_event(table, n, problems) for n, table in enumerate(tables_of(content, "events", problems), 1)
        ),
        criteria=tuple(tables_of(content, "criteria", problems)),
        switched_off=_switched_off(content.get("checks", {}), problems),
        eligibility=_eligibility(content.get("eligibility", {}), problems),
        level=float(level),
        seed=int(seed),
        blinded=blinded,
        privacy=_privacy(content.get("privacy", {}), problems),
        departures=tuple(
            _departure(table, n, problems) for n, table in enumerate(tables_of(content, "departures", problems), 1)
        ),
        channels=channels,
        levels=read_levels(tables_of(content, "levels", problems), problems),
        total_motion=read_total_motion(content.get("total_motion", {}), problems),
        stiffness_grades=read_stiffness_grades(content.get("passive_motion", {}), problems),
        event_list=may_list_events(content.get("safety", {}), problems),
    )


def _check_primary_visit(estimand: Mapping, visits: tuple[PlannedVisit, ...], problems: list[str]) -> None:
    later = [visit.id for visit in sorted(visits, key=lambda visit: visit.day)[1:]]
    if "visit" in estimand and estimand["visit"] not in ("", *later):
        problems.append(
            f"[estimand], visit: found {estimand['visit']!r}, allowed the id of a visit after the first: "
            f"{', '.join(later) or 'none is planned'}. Name the visit the primary question is about."
        )


def _check_planned(
    primary: str,
    named: tuple[str, ...] | None,
    estimand: Mapping,
    visits: tuple[PlannedVisit, ...],
    problems: list[str],
) -> None:
    """The primary outcome is planned at the first visit and at the primary one."""
    first = min(visits, key=lambda visit: visit.day).id if visits else ""
    needed_at = [visit for visit in (first, estimand.get("visit", "")) if visit]
    if named is not None and not set(needed_at) <= set(named):
        problems.append(
            f"study.toml, outcomes, {primary}, visits: found {', '.join(named)}, allowed a list that holds "
            f"{' and '.join(needed_at)}: a change of the primary outcome needs both. Correct it."
        )


def _randomisation(table: dict, design: str, problems: list[str]) -> Randomisation:
    where = "[randomisation]"
    table = known_keys(table, RANDOMISATION, where, problems)
    if table.get("randomised") and design == "single-arm":
        problems.append(
            f"{where}, randomised: found true in a single-arm study, allowed false. Nothing was randomised between "
            "arms: take the line out, or correct the design."
        )
    excluded = table.get("excluded", {})
    assessed = table.get("assessed")
    for name, count in [("assessed", assessed), *((f"excluded, {reason}", n) for reason, n in excluded.items())]:
        if count is not None and (not isinstance(count, int) or isinstance(count, bool) or count < 0):
            problems.append(f"{where}, {name}: found {count!r}, allowed a whole number of people, 0 or more.")
            return Randomisation()
    if assessed is not None and sum(excluded.values()) > assessed:
        problems.append(
            f"{where}, excluded: found {sum(excluded.values())} people, allowed up to the {assessed} assessed. "
            "Correct the counts."
        )
    return Randomisation(
        table.get("randomised"),
        words(table.get("strata", []), f"{where}, strata", problems),
        assessed,
        {str(k): n for k, n in excluded.items()},
    )


def _privacy(table: object, problems: list[str]) -> Privacy:
    read = known_keys(table, PRIVACY, "[privacy]", problems)
    smallest = read.get("smallest_cell", 0)
    if smallest < 0 or smallest == 1:
        problems.append(
            f"[privacy], smallest_cell: found {smallest}, allowed 0 (no count is left out) or 2 and more people. Data "
            "providers ask for 3 to 11."
        )
    return Privacy(**read) if 0 <= smallest != 1 else Privacy()


def _switched_off(table: object, problems: list[str]) -> dict[str, str]:
    off = known_keys(table, CHECKS, "[checks]", problems).get("off", {})
    for name, reason in off.items():
        if not isinstance(reason, str) or not reason.strip():
            problems.append(
                f"[checks], off, {name}: found {reason!r}, allowed the reason in words. It is printed; write why the "
                "rule does not hold in this study."
            )
    return {str(name): str(reason) for name, reason in off.items()}


def _eligibility(table: object, problems: list[str]) -> dict[str, tuple[float, float]]:
    kept = {}
    for key, bounds in known_keys(table, ELIGIBILITY, "[eligibility]", problems).items():
        numbers = [end for end in bounds if isinstance(end, (int, float)) and not isinstance(end, bool)]
        if len(bounds) != 2 or len(numbers) != 2 or numbers[0] > numbers[1]:
            problems.append(
                f"[eligibility], {key}: found {bounds}, allowed the lowest and the highest, e.g. [18, 80] or "
                "[6, 600]. Correct it."
            )
        else:
            kept[key] = (float(numbers[0]), float(numbers[1]))
    return kept


def _with_series(declared: tuple[Measure, ...], taken: tuple[SeriesOutcome, ...]) -> tuple[Measure, ...]:
    """The study's own measures: those of [measures], and what is taken of recordings and not declared there as well."""
    own = {measure.id for measure in declared}
    return (*declared, *(Measure(one.id, one.label, one.unit, one.better) for one in taken if one.id not in own))


def _with_channels(declared: tuple[Measure, ...], channels: tuple[Channel, ...]) -> tuple[Measure, ...]:
    """Channels are measures too, with the thresholds and labels a measure may have."""
    own = {measure.id for measure in declared}
    made = (Measure(one.outcome, one.label, one.unit, one.better) for one in channels if one.outcome not in own)
    return (*declared, *made)


def _arm(table: dict, number: int, problems: list[str]) -> Arm:
    where = f"[[arms]] {number}"
    table = known_keys(table, ARM, where, problems)
    name = needed(table, "id", where, problems)
    return Arm(name, table.get("label", name), table.get("reference", False))


def _departure(table: dict, number: int, problems: list[str]) -> Departure:
    where = f"[[departures]] {number}"
    table = known_keys(table, DEPARTURE, where, problems)
    key, reason = (needed(table, name, where, problems) for name in ("key", "reason"))
    return Departure(key, str(table.get("date", "")), reason)


def _both_hands(table: dict, outcomes: tuple[str, ...], problems: list[str]) -> BothHands:
    where = "[both_hands]"
    table = known_keys(table, BOTH_HANDS, where, problems)
    analysed = choice(table, "analysed", (*HAND_BY_BASELINE, *HAND_BY_SIDE), where, problems, "")
    by = str(table.get("by", ""))
    if analysed in HAND_BY_BASELINE and by not in outcomes:
        problems.append(
            f"{where}, by: found {by or 'none'!r}, allowed an outcome of the study that is measured on both hands: "
            f"{', '.join(outcomes)}. Name the one that says which hand is {analysed}."
        )
    return BothHands(analysed, by)


def _period(
    table: dict, number: int, arms: tuple[Arm, ...], visits: tuple[PlannedVisit, ...], problems: list[str]
) -> Period:
    where = f"[[periods]] {number}"
    table = known_keys(table, PERIOD, where, problems)
    name = needed(table, "id", where, problems)
    planned, sequences = [visit.id for visit in visits], {arm.id for arm in arms}
    for key in ("start", "end"):
        if table.get(key) not in planned:
            problems.append(f"{where}, {key}: found {table.get(key)!r}, allowed {', '.join(planned)}. Correct it.")
    treatments = word_table(table.get("treatments", {}), f"{where}, treatments", problems)
    if set(treatments) != sequences:
        problems.append(
            f"{where}, treatments: found {', '.join(treatments) or 'none'}, allowed one entry for each of "
            f"{', '.join(sorted(sequences))}. Say what each sequence got in this period."
        )
    return Period(name, str(table.get("start", "")), str(table.get("end", "")), treatments)


def _check_arms(arms: tuple[Arm, ...], design: str, problems: list[str]) -> None:
    if design == "single-arm":
        if len(arms) > 1:
            problems.append(
                f"study.toml: a single-arm study has one arm: found {len(arms)}, allowed 0 or 1. Change design or arms."
            )
        return
    if len(arms) < 2:
        problems.append(
            f"study.toml: a {design} study compares arms: found {len(arms)}, allowed 2 or more. Add [[arms]] tables, "
            'or set design = "single-arm".'
        )
    references = sum(arm.reference for arm in arms)
    if len(arms) >= 2 and references != 1:
        problems.append(
            f"study.toml: one arm is the reference the others are compared with: found {references}, allowed 1. "
            "Write reference = true in exactly one [[arms]] table."
        )


def _visit(table: dict, number: int, problems: list[str]) -> PlannedVisit:
    where = f"[[visits]] {number}"
    table = known_keys(table, VISIT, where, problems)
    name = needed(table, "id", where, problems)
    if "day" not in table:
        problems.append(f"{where} has no day: found none, allowed the planned day as a number. Add it.")
    window = table.get("window")
    if window is not None:
        good = len(window) == 2 and all(isinstance(day, (int, float)) and not isinstance(day, bool) for day in window)
        if not good or window[0] > window[1]:
            problems.append(
                f"{where}, window: found {shown(window)}, allowed two numbers, days before and after the planned day, "
                "e.g. [-7, 7]. Correct it."
            )
            window = None
    bounds = None if window is None else (float(window[0]), float(window[1]))
    return PlannedVisit(name, table.get("label", name), float(table.get("day", 0)), bounds)


def _measure(name: str, table: object, problems: list[str]) -> Measure:
    where = f'[measures."{name}"]'
    table = known_keys(table, MEASURE, where, problems)
    if name.count(".") != 1 or not all(name.split(".")):
        problems.append(f'{where}: found {name}, allowed <name>.<scale>, e.g. [measures."barthel.total"]. Correct it.')
    better = choice(table, "better", ("higher", "lower"), where, problems, "")
    low, high = table.get("low"), table.get("high")
    if low is not None and high is not None and low >= high:
        problems.append(f"{where}: found low {low} and high {high}, allowed low below high. Correct them.")
    return Measure(
        name,
        table.get("label", name),
        table.get("unit", "points"),
        better,
        None if low is None else float(low),
        None if high is None else float(high),
        None if table.get("step") is None else float(table["step"]),
    )


def _columns(table: Mapping, problems: list[str]) -> dict[str, dict[str, str]]:
    maps = nested(known_keys(table, dict.fromkeys(SHEETS, TABLE), "[columns]", problems), "columns", problems)
    return {
        name: known_keys(headers, dict.fromkeys(SHEETS[name].names, TEXT), f"[columns.{name}]", problems)
        for name, headers in maps.items()
    }


def _wide(table: dict, number: int, problems: list[str]) -> WideSheet:
    where = f"[[wide]] {number}"
    table = known_keys(table, WIDE, where, problems)
    kind = choice(
        table, "table", tuple(_ACROSS), where, problems, "visits" if table.get("across") == "date" else "items"
    )
    across = choice(table, "across", _ACROSS[kind], where, problems, _ACROSS[kind][0])
    if not table.get("columns") and not table.get("prefix"):
        problems.append(f"{where} has neither columns nor prefix: found none, allowed one of them. Add it.")
    strings = {key: word_table(table.get(key, {}), f"{where}, {key}", problems) for key in ("columns", "fixed")}
    return WideSheet(
        file=_in_folder(needed(table, "file", where, problems), where, problems),
        table=kind,
        across=across,
        columns=strings["columns"],
        prefix=table.get("prefix", ""),
        fixed=strings["fixed"],
        sheet=table.get("sheet", ""),
    )


def _in_folder(file: str, where: str, problems: list[str]) -> str:
    """The name of a file of the study folder itself: nothing outside it is read because study.toml says so."""
    if file.startswith(".") or any(mark in file for mark in "/\\:\0"):
        problems.append(
            f"{where}, file: found {shown(file)}, allowed the name of a file in the study folder, e.g. "
            '"clinic_export.xlsx". Put the file beside study.toml.'
        )
    return file
