"""What can be typed behind `outcomes`: the commands, their options, an example of each.

Nothing that takes a while to load is imported here: help and version must come at once.
"""

import argparse
from pathlib import Path

from notebooks.command_line.report_commands import (
    application_command,
    compare_command,
    notebooks_command,
    plan_command,
    report_command,
    rerun_command,
)
from notebooks.command_line.site_commands import merge_command, moments_command
from notebooks.command_line.study_commands import (
    check_command,
    demo_command,
    import_command,
    lock_command,
    new_command,
    share_command,
    thresholds_command,
    unblind_command,
)

ABOUT = "From a folder of bedside assessments to scores, models of change, responders and a report that can be rerun."
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


def command_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="outcomes", description=ABOUT)
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
    new.set_defaults(run=new_command)

    bringing = commands.add_parser(
        "import", help="a clinic's workbook or an export -> a study folder; exit status 1 while a question is open"
    )
    bringing.add_argument("files", type=Path, nargs="+", metavar="FILE", help="XLSX, CSV, TSV, Parquet, SPSS, Stata")
    bringing.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="the study folder to write")
    bringing.add_argument("--check", action="store_true", help="show what would be written, write nothing")
    bringing.add_argument("--answers", type=Path, metavar="FILE", help="answers as [[questions]] of a TOML file")
    bringing.set_defaults(run=import_command)

    sizes = commands.add_parser("thresholds", help="published sizes of change of an instrument or outcome, with keys")
    sizes.add_argument("outcome", metavar="INSTRUMENT", help="an instrument's id, or instrument.scale")
    sizes.add_argument("--population", help="part of the population's description, for example stroke")
    sizes.add_argument("--phase", help="part of the phase's description, for example chronic")
    sizes.set_defaults(run=thresholds_command)

    demo = commands.add_parser("demo", help="write the demo study, invented data of a plainly invented trial")
    demo.add_argument("folder", type=Path, help="folder to write; a name ending in .xlsx: a clinic's workbook of it")
    demo.add_argument("--preset", default="demo", help="which invented study (default: demo)")
    demo.add_argument("--seed", type=int, default=1)
    demo.set_defaults(run=demo_command)

    checking = commands.add_parser("check", help="findings in a study folder; exit status 1 if any blocks the analysis")
    checking.add_argument("folder", type=Path)
    checking.add_argument(
        "--unmasked", action="store_true", help="of a blinded study: show the arms by name, to those who may know them"
    )
    checking.set_defaults(run=check_command)

    locking = commands.add_parser(
        "lock", help="freeze the analysis plan, before unblinding; departures are then listed"
    )
    locking.add_argument("folder", type=Path)
    locking.add_argument("--again", default="", metavar="REASON", help="lock an amended plan; earlier locks are kept")
    locking.set_defaults(run=lock_command)

    opening = commands.add_parser("unblind", help="show the arms of a blinded study by name from now on; needs a lock")
    opening.add_argument("folder", type=Path)
    opening.set_defaults(run=unblind_command)

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
    sharing.set_defaults(run=share_command)

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
    report.set_defaults(run=report_command)

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
    applying.set_defaults(run=application_command)

    planning = commands.add_parser(
        "plan", help="the analysis plan as a page and a word-processor file, from study.toml alone, before any data"
    )
    planning.add_argument("folder", type=Path, help="folder with study.toml")
    planning.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder to write")
    planning.set_defaults(run=plan_command)

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
    again.set_defaults(run=rerun_command)

    comparing = commands.add_parser(
        "compare", help="compare two reports, computing nothing; exit status 1 where they differ, 2: no report"
    )
    comparing.add_argument("first", type=Path, metavar="A", help="folder of a report")
    comparing.add_argument("second", type=Path, metavar="B", help="folder of another")
    comparing.add_argument("--csv", type=Path, metavar="FILE", help="write the whole comparison to a file")
    comparing.set_defaults(run=compare_command)

    sums = commands.add_parser(
        "moments", help="write the sums of a study that may leave the hospital, to be merged with other sites'"
    )
    sums.add_argument("folder", type=Path)
    sums.add_argument("--to", type=Path, required=True, metavar="FILE", help="file to write (JSON)")
    sums.add_argument("--plan", type=Path, metavar="FILE", help="study.toml that all sites follow (default: its own)")
    sums.add_argument("--minimum", type=int, default=5, metavar="N", help="least number of people alike (default: 5)")
    sums.add_argument("--leave-out", action="store_true", help="leave people in smaller groups out, and say how many")
    sums.set_defaults(run=moments_command)

    merging = commands.add_parser("merge", help="fit the plan's models to the sums of several sites; page and tables")
    merging.add_argument("files", type=Path, nargs="+", metavar="FILE", help="files of outcomes moments")
    merging.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder for page, tables and record")
    merging.set_defaults(run=merge_command)

    copying = commands.add_parser(
        "notebooks", help="copy the notebooks into a folder of your own, to run and to change"
    )
    copying.add_argument("folder", type=Path)
    copying.set_defaults(run=notebooks_command)

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
