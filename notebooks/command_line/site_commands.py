"""The commands of several sites that share sums and no rows: moments, merge."""

import argparse

from notebooks.command_line.printed import print_findings, refused


def moments_command(options: argparse.Namespace) -> int:
    from outcomes import check, read_study
    from stats.federated.site_file import site_file

    study = read_study(options.folder)
    findings = check(study)
    if findings.blocking:
        print_findings(findings)
        return refused("No file was written: correct what the findings above name, then run the command again.")
    content = site_file(study, options.to, plan=options.plan, minimum=options.minimum, leave_out=options.leave_out)
    left = f"; {content['left_out']} people left out, in groups too small" if content["left_out"] else ""
    print(
        f"{options.to}: sums of {content['people']} people for {len(content['outcomes'])} outcomes, no group of fewer "
        f"than {content['minimum']} people alike{left}.\n"
        "It holds means and spreads of groups, not rows. What it discloses and what not: stats/federated/guard.py. "
        "What was sent is remembered in the study folder (moments_sent.json), which stays here."
    )
    return 0


def merge_command(options: argparse.Namespace) -> int:
    from notebooks.merged_sites.merged_page import write_merged
    from stats.federated.merged import merge_files

    merged = merge_files(options.files)
    page = write_merged(merged, options.files, options.to)
    for outcome, why in merged.failed.items():
        print(f"{outcome}: {why}")
    print(f"{len(merged.fits)} outcomes of {len(options.files)} files: {page}")
    return 0 if merged.fits else 1
