"""The commands about a study folder: new, import, thresholds, demo, check, lock, unblind, share."""

import argparse
import sys
from collections.abc import Sequence

from notebooks.command_line.printed import print_findings, refused


def new_command(options: argparse.Namespace) -> int:
    from outcomes.new_study.blank_folder import new_study

    given = {"instruments": options.instruments, "arms": options.arms, "visits": _visits(options.visits)}
    chosen = {name: value for name, value in given.items() if value is not None}
    kind = options.sheets or ("workbook" if options.people else "both")
    chosen |= {"device": options.device}
    written = new_study(options.folder, title=options.title, participants=options.people, sheets=kind, **chosen)
    sheets = ", ".join(path.name for path in written if path.suffix == ".csv" and path.stem != "data_dictionary")
    where = {"workbook": "the workbook study.xlsx.", "csv": f"the sheets {sheets}."}
    both = f"either the workbook study.xlsx or the sheets {sheets}; leave the other as it is."
    print(
        f"A study to fill in was written to {options.folder}.\n"
        f"1. study.toml: the plan (arms, visits, outcomes, thresholds). Read it and change what is not yours.\n"
        f"2. The data: {where.get(kind, both)}\n"
        f"   data_dictionary.csv says what each column holds. Sheets you have no data for stay empty.\n"
        f"3. outcomes check {options.folder}\n"
        f"4. outcomes report {options.folder} --to {options.folder}_report"
    )
    return 0


def _visits(given: Sequence[str] | None) -> list[tuple[str, float]] | None:
    """`week4=28` -> ("week4", 28)."""
    if given is None:
        return None
    visits = []
    for text in given:
        name, _, day = text.partition("=")
        try:
            visits.append((name, float(day)))
        except ValueError:
            from outcomes.errors import StudyError

            raise StudyError(
                f"Visit {text!r}: found no planned day, allowed is a name, = and a day, for example week4=28."
            ) from None
    return visits


def import_command(options: argparse.Namespace) -> int:
    from outcomes.importing.command import run_import

    ask = _asked if sys.stdin.isatty() and not options.check and options.answers is None else None
    return run_import(options.files, options.to, check=options.check, answers=options.answers, ask=ask)


def _asked(question) -> str:
    """Put one question of the import to the person at the terminal; a blank answer takes what is proposed, if any."""
    print(f"\n{question.text}")
    if question.place:
        print(f"  where: {question.place}")
    if question.choices:
        print(f"  answers: {', '.join(map(str, question.choices))}")
    blank = f"Enter: {question.proposal}" if question.proposal else "Enter: leave it open, for import.toml"
    return input(f"  answer ({blank}): ").strip() or question.proposal


def thresholds_command(options: argparse.Namespace) -> int:
    from outcomes import thresholds

    found = thresholds(options.outcome, population=options.population, phase=options.phase)
    if found.empty:
        print(found.attrs.get("reason") or f"No published threshold of {options.outcome} fits.")
        return 1
    for row in found.itertuples():
        print(f"{row.key}\n    {row.quantity} {row.value:g} {row.unit}; {row.population}; {row.method}; {row.citation}")
    print(f"{len(found)} listed; none is chosen for you. Those you take stand in study.toml as")
    print("[thresholds]")
    for outcome in dict.fromkeys(found["outcome"]):
        print(f'"{outcome}" = ["one key", "another key"]')
    return 0


def demo_command(options: argparse.Namespace) -> int:
    from synthetic_cohort import make_cohort

    if options.folder.suffix == ".xlsx":
        from synthetic_cohort.clinic_workbook import write_clinic_workbook

        if options.folder.exists():
            return refused(f"{options.folder} is there already. Name a new file for the demo workbook.")
        write_clinic_workbook(make_cohort(options.preset, seed=options.seed), options.folder)
        print(f"Demo workbook written. Next: outcomes import {options.folder} --to {options.folder.stem}")
        return 0
    if options.folder.exists() and any(options.folder.iterdir()):
        return refused(f"The folder {options.folder} is not empty. Name a new folder for the demo study.")
    make_cohort(options.preset, seed=options.seed, folder=options.folder)
    print(
        f"Demo study written to {options.folder}. Next: outcomes report {options.folder} --to {options.folder}_report"
    )
    return 0


def check_command(options: argparse.Namespace) -> int:
    from notebooks.report.drawn_letters import letters_drawn
    from outcomes import check, read_study

    if not options.unmasked:
        letters_drawn(options.folder, print)
    study = read_study(options.folder, masked=not options.unmasked)
    findings = check(study)
    print_findings(findings, study)
    if study.masked:
        print("Those who may know the arms check all of it with --unmasked.")
    return 1 if findings.blocking else 0


def lock_command(options: argparse.Namespace) -> int:
    from outcomes import lock_plan
    from outcomes.lock.lock_file import NAME

    lock = lock_plan(options.folder, again=options.again)
    event = lock.locks[-1]
    held = f"{len(event.participants)} participants" if event.participants else "no data yet"
    print(
        f"The analysis plan of {event.title!r} was locked on {event.day} ({held}). SHA-256 of the plan: "
        f"{event.plan_sha256}. Deposit this hash where others can see its date, such as the trial register. The "
        f"lock is {options.folder / NAME}: leave it there; reports list every departure from it."
    )
    if event.note and set(event.files) <= {"study.toml"}:
        print("The folder holds no data yet: none were checked.")
    elif event.note:
        print(f"The data could not be read, and were not checked: {event.note}")
    return 0


def unblind_command(options: argparse.Namespace) -> int:
    from outcomes import unblind

    lock = unblind(options.folder)
    event = lock.events[-1]
    told = f" In the blinded reports {event.reason}." if event.reason else ""
    print(
        f"The study {event.title!r} was unblinded on {event.day}, after the lock with the hash {event.before}.{told} "
        "Reports show the arms by name from now on, and say which changes of the plan came after this."
    )
    return 0


def share_command(options: argparse.Namespace) -> int:
    from notebooks.report.same_numbers import lines, same_numbers
    from outcomes.sharing.data_set import listing, share_study

    shared = share_study(
        options.folder,
        options.to,
        seed=options.seed,
        coarsen=options.coarsen,
        fewest=options.fewest,
        standard=options.cdisc,
    )
    print("\n".join([*shared.done, *shared.steps, *listing(shared.rare)]))
    same = same_numbers(shared)
    print("\n".join(lines(same)))
    print(
        f"A copy to share was written to {shared.folder} ({len(shared.files)} files). It is no proof that nobody can "
        "be recognised: somebody responsible for the data has to look through it. The seed of the codes and the list "
        "above stay here."
    )
    return 0 if not same.changed or shared.steps else 1
