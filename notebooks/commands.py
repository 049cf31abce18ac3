"""The console command `outcomes`: import, new, check, thresholds, lock, unblind, report, rerun, compare, demo.

Only what a subcommand needs is imported, and when it is asked for: help and version must come at once.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

ALONE = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


EXAMPLES = {
    "new": ["new my_trial --instruments bbt grip", "new my_trial --arms usual practice --visits baseline=0 week8=56"],
    "import": ["import clinic.xlsx --to my_trial", "import clinic.xlsx --to my_trial --check"],
    "thresholds": ["thresholds fma_ue --population stroke"],
    "demo": ["demo demo_study", "demo demo.xlsx", "demo crossed --preset crossover"],
    "check": ["check my_trial", "check my_trial | less"],
    "lock": ["lock my_trial", 'lock my_trial --again "The ethics board asked for another visit."'],
    "unblind": ["unblind my_trial"],
    "share": ["share my_trial --to my_trial_shared"],
    "report": ["report my_trial --to my_report", "report my_trial --to quick --only 0 3 --no-pictures"],
    "application": ["application my_trial --to for_the_panel"],
    "plan": ["plan my_trial --to analysis_plan"],
    "rerun": ["rerun my_report", "rerun my_report --study my_trial --csv differences.csv"],
    "compare": ["compare my_report other_report"],
    "moments": ["moments my_site --to my_site.json"],
    "merge": ["merge site_a.json site_b.json --to all_sites"],
    "notebooks": ["notebooks my_notebooks"],
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line. Exit status 0: all went well; 1: something must be done; 2: a wrong call."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")  # minus signs and dashes on any console
    options = command_parser().parse_args(arguments)
    if "numpy" not in sys.modules:  # the same digits on any number of cores; the work is spread over processes
        os.environ.update(dict.fromkeys(ALONE, "1"))
    from outcomes.errors import InstrumentError, StudyError
    from stats.errors import FitError, PlanError

    try:
        status = options.run(options)
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # whoever read the output has enough: nothing is wrong, nothing more can be said
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (StudyError, InstrumentError, FitError, PlanError) as error:
        return _refused(str(error))
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        return _refused(f"A file or folder cannot be read or written{where}: {error.strerror or error}.")
    except KeyboardInterrupt:
        return _refused("Stopped. What was there before is as it was.")


def command_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="outcomes", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and how to cite it, and stop")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    new = commands.add_parser("new", help="write a study folder to fill in, with its data dictionary")
    new.add_argument("folder", type=Path)
    new.add_argument("--title", default="My study")
    new.add_argument("--instruments", nargs="+", metavar="ID", help="what is measured (default: fma_ue arat bbt grip)")
    new.add_argument("--arms", nargs="*", metavar="ID", help="the reference first; none after it: a single-arm study")
    new.add_argument("--visits", nargs="+", metavar="ID=DAY", help="for example baseline=0 week4=28")
    new.add_argument("--people", nargs="+", default=(), metavar="CODE", help="codes to write into the sheets already")
    new.add_argument("--sheets", choices=("workbook", "csv", "both"), help="default: both; the workbook with --people")
    new.add_argument("--device", action="store_true", help="with the sheets of a trial of a device")
    new.set_defaults(run=_new)

    bringing = commands.add_parser(
        "import", help="a clinic's workbook or an export -> a study folder; exit status 1 while a question is open"
    )
    bringing.add_argument("files", type=Path, nargs="+", metavar="FILE", help="XLSX, CSV, TSV, Parquet, SPSS, Stata")
    bringing.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="the study folder to write")
    bringing.add_argument("--check", action="store_true", help="show what would be written, write nothing")
    bringing.add_argument("--answers", type=Path, metavar="FILE", help="answers as [[questions]] of a TOML file")
    bringing.set_defaults(run=_import)

    sizes = commands.add_parser("thresholds", help="published sizes of change of an instrument or outcome, with keys")
    sizes.add_argument("outcome", metavar="INSTRUMENT", help="an instrument's id, or instrument.scale")
    sizes.add_argument("--population", help="part of the population's description, for example stroke")
    sizes.add_argument("--phase", help="part of the phase's description, for example chronic")
    sizes.set_defaults(run=_thresholds)

    demo = commands.add_parser("demo", help="write the demo study, invented data of a plainly invented trial")
    demo.add_argument("folder", type=Path, help="folder to write; a name ending in .xlsx: a clinic's workbook of it")
    demo.add_argument("--preset", default="demo", help="which invented study (default: demo)")
    demo.add_argument("--seed", type=int, default=1)
    demo.set_defaults(run=_demo)

    checking = commands.add_parser("check", help="findings in a study folder; exit status 1 if any blocks the analysis")
    checking.add_argument("folder", type=Path)
    checking.add_argument(
        "--unmasked", action="store_true", help="of a blinded study: show the arms by name, to those who may know them"
    )
    checking.set_defaults(run=_check)

    locking = commands.add_parser(
        "lock", help="freeze the analysis plan, before unblinding; departures are then listed"
    )
    locking.add_argument("folder", type=Path)
    locking.add_argument("--again", default="", metavar="REASON", help="lock an amended plan; earlier locks are kept")
    locking.set_defaults(run=_lock)

    opening = commands.add_parser("unblind", help="show the arms of a blinded study by name from now on; needs a lock")
    opening.add_argument("folder", type=Path)
    opening.set_defaults(run=_unblind)

    sharing = commands.add_parser(
        "share", help="a copy of a study fit to share: no identifiers, days for dates, new codes, labelled files"
    )
    sharing.add_argument("folder", type=Path)
    sharing.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder for the copy")
    sharing.add_argument("--seed", help="seed of the new codes (default: drawn, recorded in the study folder)")
    sharing.add_argument(
        "--coarsen", action="store_true", help="make rare combinations of age, sex, diagnosis and site coarser"
    )
    sharing.add_argument(
        "--fewest", type=int, default=3, metavar="N", help="people who must share a combination (default: 3)"
    )
    sharing.add_argument(
        "--cdisc", action="store_true", help="also write answers, scores and people as CDISC SDTM tables and ODM file"
    )
    sharing.set_defaults(run=_share)

    report = commands.add_parser("report", help="run the notebooks; write report, figures, tables, record")
    report.add_argument("folder", type=Path)
    report.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder for the report")
    report.add_argument(
        "--shareable", action="store_true", help="leave out inputs, every person's rows, dates and free text"
    )
    report.add_argument(
        "--only", nargs="+", default=(), metavar="NOTEBOOK", help="first characters of the notebooks wanted"
    )
    report.add_argument("--processes", type=int, metavar="N", help="notebooks run at a time (default: one per core)")
    report.add_argument("--no-pictures", action="store_true", help="write no picture files")
    report.add_argument("--quiet", action="store_true", help="no progress lines")
    report.set_defaults(run=_report)

    applying = commands.add_parser(
        "application", help="published trials beside the pilot, size and price of the next trial; a page for a panel"
    )
    applying.add_argument("folder", type=Path, help="study folder with a sheet `published` (and `costs`)")
    applying.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder to write")
    applying.add_argument(
        "--kind", help="effect on the axis, for example mean-difference (default) or pre-post-control"
    )
    applying.add_argument(
        "--correlation", type=float, nargs="+", metavar="R", help="of baseline and end, where assumed"
    )
    applying.add_argument("--pool", action="store_true", help="a pooled line of the published trials")
    applying.add_argument("--with-pilot", action="store_true", help="pool the own pilot with them")
    applying.add_argument("--target", metavar="KEY", help="key of a threshold, or label of the study's own")
    applying.add_argument("--power", type=float, help="default: 0.9")
    applying.add_argument("--attrition", type=float, metavar="SHARE", help="share lost (default: the pilot's)")
    applying.add_argument("--intraclass", type=float, metavar="ICC", help="correlation inside therapists or sites")
    applying.add_argument("--cluster-size", type=float, metavar="N", help="people per therapist or site")
    applying.add_argument("--willingness", type=float, nargs="+", metavar="MONEY", help="to pay for one more responder")
    applying.add_argument(
        "--later-patients",
        type=float,
        metavar="N",
        help="people treated after the next trial: is a larger one worth it",
    )
    applying.set_defaults(run=_application)

    planning = commands.add_parser(
        "plan", help="the analysis plan as a page and a word-processor file, from study.toml alone, before any data"
    )
    planning.add_argument("folder", type=Path, help="folder with study.toml")
    planning.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder to write")
    planning.set_defaults(run=_plan)

    again = commands.add_parser(
        "rerun",
        help="verify the files of a report, compute it again and compare; exit status 1 on a change, 2: no report",
    )
    again.add_argument("report", type=Path, metavar="DIR", help="folder of a report")
    again.add_argument(
        "--study", type=Path, metavar="FOLDER", help="other data for the same analysis (default: those of the report)"
    )
    again.add_argument("--processes", type=int, metavar="N", help="notebooks run at a time (default: one per core)")
    again.add_argument("--csv", type=Path, metavar="FILE", help="write the whole comparison to a file")
    again.add_argument("--no-pictures", action="store_true", help="do not draw the pictures again to compare them")
    again.add_argument("--quiet", action="store_true", help="no progress lines")
    again.set_defaults(run=_rerun)

    comparing = commands.add_parser(
        "compare", help="compare two reports, computing nothing; exit status 1 where they differ, 2: no report"
    )
    comparing.add_argument("first", type=Path, metavar="A", help="folder of a report")
    comparing.add_argument("second", type=Path, metavar="B", help="folder of another")
    comparing.add_argument("--csv", type=Path, metavar="FILE", help="write the whole comparison to a file")
    comparing.set_defaults(run=_compare)

    sums = commands.add_parser(
        "moments", help="write the sums of a study that may leave the hospital, to be merged with other sites'"
    )
    sums.add_argument("folder", type=Path)
    sums.add_argument("--to", type=Path, required=True, metavar="FILE", help="file to write (JSON)")
    sums.add_argument("--plan", type=Path, metavar="FILE", help="study.toml that all sites follow (default: its own)")
    sums.add_argument("--minimum", type=int, default=5, metavar="N", help="least number of people alike (default: 5)")
    sums.add_argument("--leave-out", action="store_true", help="leave people in smaller groups out, and say how many")
    sums.set_defaults(run=_moments)

    merging = commands.add_parser("merge", help="fit the plan's models to the sums of several sites; page and tables")
    merging.add_argument("files", type=Path, nargs="+", metavar="FILE", help="files of outcomes moments")
    merging.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder for page, tables and record")
    merging.set_defaults(run=_merge)

    copying = commands.add_parser(
        "notebooks", help="copy the notebooks into a folder of your own, to run and to change"
    )
    copying.add_argument("folder", type=Path)
    copying.set_defaults(run=_notebooks)

    for name, lines in EXAMPLES.items():
        one = commands.choices[name]
        one.formatter_class = argparse.RawDescriptionHelpFormatter
        one.epilog = "\n".join([f"example{'s' if len(lines) > 1 else ''}:", *(f"  outcomes {line}" for line in lines)])
    return parser


class _Version(argparse.Action):
    """Looks the version up where it is asked for: the library behind it takes a while to load."""

    def __call__(self, parser, namespace, values, option_string=None) -> None:
        from importlib import metadata

        try:
            version = metadata.version("outcomes-kit")
            print(f"outcomes {version}. Cite as: Outcomes kit, version {version}, a notebook kit for trial outcome "
                  "measures.")  # fmt: skip
        except metadata.PackageNotFoundError:
            print("outcomes, run from a folder without being installed")
        parser.exit()


def _new(options: argparse.Namespace) -> int:
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


def _import(options: argparse.Namespace) -> int:
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


def _thresholds(options: argparse.Namespace) -> int:
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


def _compare(options: argparse.Namespace) -> int:
    from notebooks.report.compare import compare_reports
    from notebooks.report.proof.told_differences import lines
    from outcomes.errors import StudyError

    try:
        compared = compare_reports(options.first, options.second)
    except StudyError as error:
        return _refused(str(error), 2)
    _write_comparison(compared, options.csv)
    print("\n".join(lines(compared)))
    return 0 if compared.unchanged and not compared.differences else 1


def _write_comparison(compared, path: Path | None) -> None:
    if path is not None:
        from outcomes.spreadsheet_cells import safe_cell

        compared.frame().map(safe_cell).to_csv(path, index=False)


def _demo(options: argparse.Namespace) -> int:
    from synthetic_cohort import make_cohort

    if options.folder.suffix == ".xlsx":
        from synthetic_cohort.clinic_workbook import write_clinic_workbook

        if options.folder.exists():
            return _refused(f"{options.folder} is there already. Name a new file for the demo workbook.")
        write_clinic_workbook(make_cohort(options.preset, seed=options.seed), options.folder)
        print(f"Demo workbook written. Next: outcomes import {options.folder} --to {options.folder.stem}")
        return 0
    if options.folder.exists() and any(options.folder.iterdir()):
        return _refused(f"The folder {options.folder} is not empty. Name a new folder for the demo study.")
    make_cohort(options.preset, seed=options.seed, folder=options.folder)
    print(
        f"Demo study written to {options.folder}. Next: outcomes report {options.folder} --to {options.folder}_report"
    )
    return 0


def _check(options: argparse.Namespace) -> int:
    import pandas as pd

    from notebooks.report.drawn_letters import letters_drawn
    from outcomes import check, read_study

    if not options.unmasked:
        letters_drawn(options.folder, print)
    # A check is hundreds of questions to small tables of texts: Arrow's start at each costs more than it saves.
    with pd.option_context("mode.string_storage", "python"):
        study = read_study(options.folder, masked=not options.unmasked)
        findings = check(study)
    _print_findings(findings, study)
    if study.masked:
        print("Those who may know the arms check all of it with --unmasked.")
    return 1 if findings.blocking else 0


def _lock(options: argparse.Namespace) -> int:
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


def _unblind(options: argparse.Namespace) -> int:
    from outcomes import unblind

    lock = unblind(options.folder)
    event = lock.events[-1]
    told = f" In the blinded reports {event.reason}." if event.reason else ""
    print(
        f"The study {event.title!r} was unblinded on {event.day}, after the lock with the hash {event.before}.{told} "
        "Reports show the arms by name from now on, and say which changes of the plan came after this."
    )
    return 0


def _share(options: argparse.Namespace) -> int:
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


def _moments(options: argparse.Namespace) -> int:
    from outcomes import check, read_study
    from stats.federated.site_file import site_file

    study = read_study(options.folder)
    findings = check(study)
    if findings.blocking:
        _print_findings(findings)
        return _refused("No file was written: correct what the findings above name, then run the command again.")
    content = site_file(study, options.to, plan=options.plan, minimum=options.minimum, leave_out=options.leave_out)
    left = f"; {content['left_out']} people left out, in groups too small" if content["left_out"] else ""
    print(
        f"{options.to}: sums of {content['people']} people for {len(content['outcomes'])} outcomes, no group of fewer "
        f"than {content['minimum']} people alike{left}.\n"
        "It holds means and spreads of groups, not rows. What it discloses and what not: stats/federated/guard.py. "
        "What was sent is remembered in the study folder (moments_sent.json), which stays here."
    )
    return 0


def _merge(options: argparse.Namespace) -> int:
    from notebooks.merged_sites.merged_page import write_merged
    from stats.federated.merged import merge_files

    merged = merge_files(options.files)
    page = write_merged(merged, options.files, options.to)
    for outcome, why in merged.failed.items():
        print(f"{outcome}: {why}")
    print(f"{len(merged.fits)} outcomes of {len(options.files)} files: {page}")
    return 0 if merged.fits else 1


def _progress(options: argparse.Namespace) -> Callable[[str], None]:
    """Prints progress lines with the seconds since the start, on stderr."""
    start = time.perf_counter()

    def say(line: str) -> None:
        if not options.quiet:
            print(f"[{time.perf_counter() - start:6.1f} s] {line}", file=sys.stderr, flush=True)

    return say


def _rerun(options: argparse.Namespace) -> int:
    from notebooks.report.execute import NotebookError
    from notebooks.report.make import Blocked
    from notebooks.report.proof.told_differences import lines
    from notebooks.report.rerun import rerun
    from outcomes.errors import StudyError

    start = time.perf_counter()
    try:
        compared = rerun(
            options.report,
            options.study,
            processes=options.processes,
            pictures=not options.no_pictures,
            say=_progress(options),
            tell=_told,
        )
    except Blocked as blocked:
        _print_findings(blocked.findings)
        return _refused("Nothing was compared: the data have errors now, see the findings above.")
    except StudyError as error:
        return _refused(str(error), 2)
    except NotebookError as error:
        return _refused(str(error))
    _write_comparison(compared, options.csv)
    print("\n".join(lines(compared)))
    print(f"It took {time.perf_counter() - start:.0f} s.")
    return 0 if compared.proven else 1


def _told(line: str) -> None:
    print(line, flush=True)


def _report(options: argparse.Namespace) -> int:
    from notebooks.report.execute import NotebookError
    from notebooks.report.make import Blocked, make_report
    from notebooks.report.pictures import FORMATS
    from notebooks.report.shareable import make_shareable_report

    try:
        report = (make_shareable_report if options.shareable else make_report)(
            options.folder,
            options.to,
            only=options.only,
            processes=options.processes,
            pictures=() if options.no_pictures else FORMATS,
            say=_progress(options),
        )
    except Blocked as blocked:
        _print_findings(blocked.findings)
        return _refused("No report was made: correct what the findings above name, then run the command again.")
    except NotebookError as error:
        return _refused(f"{error} What was there before is as it was.")
    for line in report.missing:
        print(line)
    numbers = len(report.record["numbers"])
    print(f"Report: {report.page} ({numbers} numbers recorded in record.json). It took {report.seconds:.0f} s.")
    return 0


def _application(options: argparse.Namespace) -> int:
    from notebooks.application.gathered import wanted_from
    from notebooks.application.write_application import write_application
    from notebooks.report.make import Blocked

    names = ("kind", "correlation", "pool", "with_pilot", "target", "power", "attrition", "intraclass", "cluster_size",
             "willingness", "later_patients")  # fmt: skip
    try:
        made = write_application(
            options.folder, options.to, wanted_from(**{name: getattr(options, name) for name in names})
        )
    except Blocked as blocked:
        _print_findings(blocked.findings)
        return _refused("Nothing was written: correct what the findings above name, then run the command again.")
    for line in (*made.missing, *made.application.left_out):
        print(line)
    print(f"For the panel: {made.files[0]}. The paragraph: {made.files[-1]}.")
    return 0


def _plan(options: argparse.Namespace) -> int:
    from notebooks.plan_document.write_plan import write_plan

    made = write_plan(options.folder, options.to)
    for line in made.missing:
        print(line)
    print(f"The analysis plan: {made.files[0]} and {made.files[1].name}. SHA-256 of the plan: {made.digest}. Read it, "
          f"change study.toml where it is not what you mean, then: outcomes lock {options.folder}")  # fmt: skip
    return 0


def _notebooks(options: argparse.Namespace) -> int:
    from notebooks.own_copies import copy_notebooks

    copied = copy_notebooks(options.folder)
    print(
        f"{len(copied)} notebooks were copied to {options.folder}. Open them with: jupyter lab {options.folder}\n"
        "In each, name your study folder in the first code cell and run all cells; the last part, Adapt it, is yours."
    )
    return 0


def _print_findings(findings, study=None) -> None:
    """Findings by kind, the ones that block first; at the end what blocks."""
    from notebooks.show.findings_lines import finding_lines

    print("\n".join(finding_lines(findings, study)))


def _refused(message: str, status: int = 1) -> int:
    print(f"outcomes: {message}", file=sys.stderr)
    return status
