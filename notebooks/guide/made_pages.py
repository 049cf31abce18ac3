"""Pages made from the code: commands, keys of study.toml, sheets, checks, instruments, thresholds, simulations."""

import argparse
import tomllib
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from notebooks.command_line.arguments import command_parser
from notebooks.guide.docstrings import function_pages
from notebooks.guide.key_texts import KEY_TABLES, key_texts
from outcomes.findings import rules
from outcomes.library.catalogue_page import catalogue_markdown
from outcomes.library.registry import instruments, thresholds
from outcomes.protocol.keys import IN_WORDS
from outcomes.sheets import SHEETS

SIMULATIONS = Path(__file__).resolve().parents[2] / "tests" / "simulation"


def made_pages() -> dict[str, str]:
    """Path inside the guide -> text."""
    return {
        "reference/commands.md": commands(),
        "reference/study_toml.md": study_toml(),
        "reference/sheets.md": sheets(),
        "reference/checks.md": checks(),
        "reference/thresholds.md": all_thresholds(),
        "reference/arguments.md": arguments(),
        **instrument_pages(),
        **function_pages(),
        "_made/default_model.md": default_model(),
        "_made/changes_of_level.md": default_model_by_shape(),
        "_made/missing_visits.md": missing_visits(),
        "_made/coverage_of_shares.md": coverage_of_shares(),
    }


def table(frame: pd.DataFrame) -> str:
    """A frame as a Markdown table; blanks for what is not there."""
    head = [str(name) for name in frame]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in frame.itertuples(index=False):
        cells = ["" if value is None or value != value else str(value).replace("|", "\\|") for value in row]
        lines.append("| " + " | ".join(cell.replace("\n", " ").replace("<", "&lt;") for cell in cells) + " |")
    return "\n".join(lines)


def commands() -> str:
    """Every command with its help, as the terminal prints it."""
    whole = command_parser()
    parts = ["# Commands", f"```text\n{whole.format_help().strip()}\n```"]
    for action in whole._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, one in action.choices.items():
                parts += [f"## outcomes {name}", f"```text\n{one.format_help().strip()}\n```"]
    return "\n\n".join(parts) + "\n"


def study_toml() -> str:
    """Every key with its type and what it decides."""
    texts = key_texts()
    parts = [
        "# Keys of study.toml",
        "The protocol of a study. Unknown keys are errors that name the nearest known one. Keys that decide a number "
        "are part of the plan that `outcomes lock` freezes.",
    ]
    for where, keys in KEY_TABLES.items():
        rows = [{"key": f"`{key}`", "holds": IN_WORDS[kind].split(",")[0], "says": texts[where].get(key, "")}
                for key, kind in keys.items()]  # fmt: skip
        title = "The top of the file" if where == "top" else f"`{where}`"
        parts += [f"## {title}", texts[where].get("about", ""), table(pd.DataFrame(rows))]
    return "\n\n".join(part for part in parts if part) + "\n"


def sheets() -> str:
    """Every sheet of a study folder with its columns."""
    parts = ["# Sheets of a study folder", "CSV, TSV, XLSX or Parquet; the columns are the same in each."]
    for sheet in SHEETS.values():
        rows = [
            {"column": f"`{column.name}`", "holds": column.kind, "needed": "yes" if column.required else "",
             "says": column.says, "allowed": ", ".join(column.allowed)}
            for column in sheet.columns
        ]  # fmt: skip
        parts += [f"## `{sheet.name}`", sheet.says, table(pd.DataFrame(rows))]
    return "\n\n".join(parts) + "\n"


def checks() -> str:
    """Every kind of finding."""
    parts = ["# Checks", "Errors block the analysis, warnings want a look, notes say how something was read."]
    examples = check_examples()
    for severity in ("error", "warning", "note"):
        rows = [
            {"finding": name, "says": rule.says, "what to do": rule.advice, "for example": examples.get(name, "")}
            for name, rule in rules().items()
            if rule.severity == severity
        ]
        parts += [f"## {severity.capitalize()}s", table(pd.DataFrame(rows))]
    return "\n\n".join(parts) + "\n"


def check_examples() -> dict[str, str]:
    """What a finding of each kind may have found: kept beside the texts, one line a rule."""
    path = Path(__file__).parent / "check_examples.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def all_thresholds() -> str:
    """Every published size of change, none of them a default."""
    frame = thresholds()
    columns = ["key", "outcome", "quantity", "value", "unit", "population", "phase", "method", "citation"]
    columns = [name for name in columns if name in frame]
    parts = [
        "# Published sizes of change",
        "Each belongs to its population, phase and method. None is a default: a study names those it uses by key.",
    ]
    for name, rows in frame.groupby(frame["key"].str.split("-").str[0], sort=True):
        parts += [f"## {name}", table(rows[columns])]
    return "\n\n".join(parts) + "\n"


def instrument_pages() -> dict[str, str]:
    """One page an instrument, and their list."""
    pages, rows = {}, []
    for name, found in sorted(instruments().items(), key=lambda pair: pair[1].name.lower()):
        text = catalogue_markdown([name]).removeprefix("# Instruments").strip()
        lines = [line[1:] if line.startswith("##") else line for line in text.splitlines()]
        heading = next(number for number, line in enumerate(lines) if line.startswith("# "))
        ordered = [lines[heading], "", *lines[:heading], *lines[heading + 1 :]]
        pages[f"reference/instruments/{name}.md"] = "\n".join(ordered) + "\n"
        scales = ", ".join(f"`{name}.{scale.id}`" for scale in found.scales)
        rows.append({"instrument": f"[{found.name}]({name}.md)", "outcomes": scales})
    listed = "\n".join(Path(path).stem for path in pages)
    pages["reference/instruments/index.md"] = (
        f"# Instruments\n\nShort neutral labels only: the wording of an instrument is in its licensed form.\n\n"
        f"{table(pd.DataFrame(rows))}\n\n```{{toctree}}\n:hidden:\n\n{listed}\n```\n"
    )
    return pages


def _percent(values: Iterable[float]) -> str:
    low, high = min(values), max(values)
    return f"{100 * low:.1f}" if low == high else f"{100 * low:.1f} to {100 * high:.1f}"


def _simulated() -> pd.DataFrame:
    frame = pd.read_csv(SIMULATIONS / "default_model.csv")
    frame["design"] = [
        f"one arm of {row.people}" if not row.other else f"{row.people} and {row.other}" for row in frame.itertuples()
    ]
    return frame


def default_model() -> str:
    """Rejection of true null hypotheses by the default model, from the committed simulation."""
    frame = _simulated()
    rows = []
    asked = {"last visit": "last", "middle visit": "middle", "all visits together": "joint", "straight line": "line"}
    for (design, visits), cells in frame.groupby(["design", "visits"], sort=False):
        levels = {name: cells[column].dropna() for name, column in asked.items()}
        shown = {name: _percent(found) if len(found) else "" for name, found in levels.items()}
        rows.append({"people": design, "later visits": visits} | shown)
    trials = int(frame["trials"].iloc[0])
    return (
        f"Rejections of a true null hypothesis at 5 %, in per cent, over {frame['truth'].nunique()} truths with and "
        f"without missing baselines, {trials:,} simulated trials each:\n\n{table(pd.DataFrame(rows))}\n"
    )


def default_model_by_shape() -> str:
    """The same simulation by truth: how errors and their shape matter."""
    asked = {"last visit": "last", "all visits together": "joint", "no answer, all visits together": "none_joint"}
    rows = [
        {"truth": truth} | {name: _percent(cells[column].dropna()) for name, column in asked.items()}
        for truth, cells in _simulated().groupby("truth", sort=False)
    ]
    return table(pd.DataFrame(rows)) + "\n"


def missing_visits() -> str:
    """Bias and coverage of methods for missing visits, from the committed simulation."""
    frame = pd.read_csv(SIMULATIONS / "missing_visits.csv")
    shown = pd.DataFrame(
        {"method": frame["method"], "trials": frame["trials"], "bias": frame["bias"].map("{:.2f}".format),
         "SD of the estimates": frame["spread"].map("{:.2f}".format),
         "coverage of 95 %": (100 * frame["coverage"]).map("{:.1f} %".format),
         "values missing": (100 * frame["lost"]).map("{:.0f} %".format)}
    )  # fmt: skip
    return table(shown) + "\n"


def coverage_of_shares() -> str:
    """Lowest and mean coverage of intervals for one share at 8 to 30 people, by enumeration."""
    frame = pd.read_csv(SIMULATIONS.parent / "reference" / "coverage_proportions.csv")
    frame = frame[frame["what"] == "at"]
    rows = [
        {"interval": method, "people": people, "coverage over shares, %": _percent(cells["coverage"])}
        for (method, people), cells in frame.groupby(["method", "n"], sort=False)
    ]
    return table(pd.DataFrame(rows)) + "\n"


def shared_arguments() -> dict[str, str]:
    """Argument -> what it is, for those that mean the same everywhere."""
    path = Path(__file__).parent / "shared_arguments.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def arguments() -> str:
    """The page of shared arguments."""
    rows = pd.DataFrame([{"argument": f"`{name}`", "is": text} for name, text in shared_arguments().items()])
    return f"# Arguments that mean the same everywhere\n\n{table(rows)}\n"
