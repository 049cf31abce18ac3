"""The commands that write pages: report, rerun, compare, application, plan, notebooks."""

import argparse
import time

from notebooks.command_line.printed import print_findings, progress, refused, told, write_comparison


def report_command(options: argparse.Namespace) -> int:
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
            say=progress(options),
        )
    except Blocked as blocked:
        print_findings(blocked.findings)
        return refused("No report was made: correct what the findings above name, then run the command again.")
    except NotebookError as error:
        return refused(f"{error} What was there before is as it was.")
    for line in report.missing:
        print(line)
    numbers = len(report.record["numbers"])
    print(f"Report: {report.page} ({numbers} numbers recorded in record.json). It took {report.seconds:.0f} s.")
    return 0


def rerun_command(options: argparse.Namespace) -> int:
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
            say=progress(options),
            tell=told,
        )
    except Blocked as blocked:
        print_findings(blocked.findings)
        return refused("Nothing was compared: the data have errors now, see the findings above.")
    except StudyError as error:
        return refused(str(error), 2)
    except NotebookError as error:
        return refused(str(error))
    write_comparison(compared, options.csv)
    print("\n".join(lines(compared)))
    print(f"It took {time.perf_counter() - start:.0f} s.")
    return 0 if compared.proven else 1


def compare_command(options: argparse.Namespace) -> int:
    from notebooks.report.compare import compare_reports
    from notebooks.report.proof.told_differences import lines
    from outcomes.errors import StudyError

    try:
        compared = compare_reports(options.first, options.second)
    except StudyError as error:
        return refused(str(error), 2)
    write_comparison(compared, options.csv)
    print("\n".join(lines(compared)))
    return 0 if compared.unchanged and not compared.differences else 1


def application_command(options: argparse.Namespace) -> int:
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
        print_findings(blocked.findings)
        return refused("Nothing was written: correct what the findings above name, then run the command again.")
    for line in (*made.missing, *made.application.left_out):
        print(line)
    print(f"For the panel: {made.files[0]}. The paragraph: {made.files[-1]}.")
    return 0


def plan_command(options: argparse.Namespace) -> int:
    from notebooks.plan_document.write_plan import write_plan

    made = write_plan(options.folder, options.to)
    for line in made.missing:
        print(line)
    print(f"The analysis plan: {made.files[0]} and {made.files[1].name}. SHA-256 of the plan: {made.digest}. Read it, "
          f"change study.toml where it is not what you mean, then: outcomes lock {options.folder}")  # fmt: skip
    return 0


def notebooks_command(options: argparse.Namespace) -> int:
    from notebooks.own_copies import copy_notebooks

    copied = copy_notebooks(options.folder)
    print(
        f"{len(copied)} notebooks were copied to {options.folder}. Open them with: jupyter lab {options.folder}\n"
        "In each, name your study folder in the first code cell and run all cells; the last part, Adapt it, is yours."
    )
    return 0
