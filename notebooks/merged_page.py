"""The page, tables and record of models fitted to the merged sums of several sites."""

import csv
import hashlib
import html
from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas as pd

from notebooks.report import record as records
from notebooks.report.page import CAUTION, TEMPLATES, pairs_html
from notebooks.show.names import Names
from notebooks.show.spoken import spoken
from notebooks.show.tables import Table, identifier, to_html
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.spreadsheet_cells import safe_rows
from stats.federated.merged import Merged

INTERVAL = "{estimate} ({conf_low} to {conf_high})"


def write_merged(merged: Merged, files: Sequence[Path], to: Path) -> Path:
    """Write report.html, record.json and the tables as CSV into a folder; returns the page."""
    to.mkdir(parents=True, exist_ok=True)
    (to / "tables").mkdir(exist_ok=True)
    tables = list(_tables(merged))
    notes: dict[str, int] = {}
    entries: list[dict] = []
    for table in tables:
        content = table.content()
        frame = dict(content["frame"])
        entries += records.numbers(content | {"frame": frame}, "merged", notes)
        kept = {name: values for name, values in frame.items() if name != "decimals"}
        with (to / "tables" / f"{identifier(table.name)}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(safe_rows([kept, *zip(*kept.values(), strict=True)]))
    plan = plan_of(merged.design)
    record = {
        "format": records.FORMAT, "study": {"title": merged.design.title, "merged": len(files)},
        "inputs": {Path(path).name: hashlib.sha256(Path(path).read_bytes()).hexdigest() for path in files},
        "plan": {"sha256": plan_digest(plan)}, "software": records.software(), "notes": list(notes),
        "numbers": entries, "sentences": {f"merged/{o}": [fit.sentence()] for o, fit in merged.fits.items()},
    }  # fmt: skip
    page = to / "report.html"
    page.write_text(_page(merged, tables, record), encoding="utf-8")
    record["hashes"] = {
        str(path.relative_to(to)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in [page, *sorted((to / "tables").glob("*.csv"))]
    }
    records.write(record, to / "record.json")
    return page


def _tables(merged: Merged) -> Iterator[Table]:
    names, level = Names(merged.design), merged.design.level
    parts = {
        "between_arms": ("Difference between arms in the change", "between", "Difference"),
        "changes": ("Change from baseline", "changes", "Arm"),
        "change_means": ("Model means", "means", "Arm"),
    }
    for name, (caption, ask, of) in parts.items():
        rows = []
        for outcome, fit in merged.fits.items():
            if ask == "between" and len(fit.arms) < 2:
                continue
            made = getattr(fit, ask)().frame(level)
            rows.append(made.assign(outcome=outcome, n=fit.n_participants, compared=_compared(made, names)))
        if rows:
            columns = {"Outcome": "{outcome_label}", of: "{compared}", "Visit": "{visit_label}",
                       "Estimate (interval)": INTERVAL, "Std. error": "{std_error}", "df": "{df}", "p": "{p_value}",
                       "Unit": "{unit}", "n": "{n}"}  # fmt: skip
            yield Table(name, caption, names.labelled(pd.concat(rows, ignore_index=True)), columns,
                        keys=("outcome", "term"), group="Outcome", decimals="decimals")  # fmt: skip
    variances = [fit.fit.variances().assign(outcome=outcome) for outcome, fit in merged.fits.items()]
    if variances:
        frame = names.labelled(pd.concat(variances, ignore_index=True))
        yield Table("variances", "Variances", frame, {"Outcome": "{outcome_label}", "Of": "{component}",
                    "Parameter": "{name}", "Value": "{value}"}, keys=("outcome", "component", "name"),
                    group="Outcome", decimals="decimals")  # fmt: skip
    if len(merged.responders):
        frame = names.labelled(merged.responders)
        columns = {"Outcome": "{outcome_label}", "Threshold": "{threshold}", "Arm": "{arm_label}"}
        columns |= {k.replace("_", " ").capitalize(): f"{{{k}}}" for k in ("improved", "unchanged", "worsened",
                    "cannot_reach", "missing", "enrolled", "withheld") if k in frame}  # fmt: skip
        yield Table(
            "responders",
            "Responders",
            frame,
            columns,
            keys=("outcome", "threshold", "arm"),
            notes=("Withheld: sites whose counts are too small to leave; theirs are not in the sums.",),
        )
    if len(merged.baseline):
        frame = names.labelled(merged.baseline)
        columns = {"Arm": "{arm_label}", "What": "{what}"}
        columns |= {k: f"{{{k}}}" for k in ("n", "mean", "sd", "withheld") if k in frame}
        yield Table("baseline", "At the first visit", frame, columns, keys=("arm", "what"), decimals=1)
    yield Table("files", "Files merged", merged.files, {"File": "{file}", "People": "{people}",
                "Left out": "{left_out}", "Least group": "{minimum}"}, keys=("file",))  # fmt: skip


def _compared(made: pd.DataFrame, names: Names) -> list[str]:
    if "reference" in made:
        pairs = zip(made["arm"], made["reference"], strict=True)
        return [f"{names.arm(str(arm))} - {names.arm(str(reference))}" for arm, reference in pairs]
    return [names.arm(str(arm)) for arm in made["arm"]]


def _page(merged: Merged, tables: Sequence[Table], record: dict) -> str:
    names = Names(merged.design)
    css = (TEMPLATES / "report" / "page.css").read_text(encoding="utf-8")
    title = html.escape(merged.design.title or "Merged sites")
    answer = merged.fits.get(merged.design.primary)
    if answer is None:
        lead = f"No model of {merged.design.primary}: {merged.failed.get(merged.design.primary, 'it is in no file')}"
    else:
        asked = answer.between() if len(answer.arms) > 1 else answer.changes()
        lead = f"{names.outcome(merged.design.primary)}. {spoken(asked, names).sentence(merged.design.level)}"
    told = [f"<h2>{html.escape(names.outcome(o))}</h2><ul>" + "".join(f"<li>{html.escape(n)}</li>" for n in fit.notes)
            + "</ul>" for o, fit in merged.fits.items()]  # fmt: skip
    failed = [f"<p>{html.escape(names.outcome(o))}: {html.escape(why)}</p>" for o, why in merged.failed.items()]
    body = "".join([
        f'<section id="answer"><h2>Answer</h2><p>{html.escape(lead)}</p>',
        *(f"<p>{html.escape(note)}</p>" for note in merged.notes), "</section>",
        *(f"<section><h2>{html.escape(t.caption)}</h2>{to_html(t)}</section>" for t in tables),
        "<section><h2>Choices and why</h2>", *told, *failed, "</section>",
        "<section><h2>How this page was made</h2><p>From sums of each site alone, by outcomes merge; every number "
        "stands in record.json and in the tables beside it.</p>",
        pairs_html("Input files", ("File", "SHA-256"), record["inputs"]),
        pairs_html("Software", ("Package", "Version"), record["software"]), "</section>",
    ])  # fmt: skip
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width, initial-scale=1"><title>{title}</title><link rel="icon" href="data:,">'
        f"<style>{css}</style></head><body><header><h1>{title}</h1>"
        f'<p class="caution">{html.escape(CAUTION)}</p></header><main id="main">{body}</main></body></html>\n'
    )
