"""Blinded reports of studies whose every text names the arms, searched in every file for the words of the arms.

    python -m tests.blinding.telling                 # 20 studies, whole reports with pictures; an hour
    python -m tests.blinding.telling --studies 2     # some minutes

Study n is the same in every run. The words stand in ids and labels of the arms, in title, estimand, criteria, reasons,
labels of visits, diagnoses, remarks, codes of raters and participants, headers and names of files, as they are, as
other forms and misspelt. A picture is searched as SVG, and as the text inside its metadata.
"""

import argparse
import random
import re
import tomllib
import zipfile
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import tomlkit

from tests.damage.good_folders import names, write

ARMS = ("zebradev", "quokkacare")
LABELS = ("Zebra device", "Quokka care")
FORMS = ("zebra", "Zebras", "zebbra", "ZEBRADEVICE", "the quoka", "Quokka-like", "quokkas", "zerba")
LEAK = re.compile("zebb?ra|(?<![a-z])zerba(?!i)|quokk?a", re.IGNORECASE)  # a library of maps names Azerbaijan


def told_study(
    number: int, folder: Path, forms: Sequence[str] = FORMS, labels: Sequence[str] = LABELS, blinded: bool = True
) -> Path:
    """Study number n in `folder`, with one of `forms` in every text."""
    rng = random.Random(f"telling {number}")
    two_armed = [name for name in names() if name in ("demo", "null_trial", "many_sites", "crossover", "cervical_cord")]
    write(two_armed[number % len(two_armed)], "csv", folder)
    content = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))
    arms = dict(zip([arm["id"] for arm in content["arms"]], ARMS, strict=False))

    def word() -> str:
        return rng.choice(forms)

    for arm, label in zip(content["arms"], labels, strict=False):
        arm["id"], arm["label"] = arms[arm["id"]], label
    for period in content.get("periods", []):
        period["treatments"] = {
            arms[arm]: f"{labels[0].split()[0]} {what}" for arm, what in period["treatments"].items()
        }
    content |= {"outcomes": [content["primary"]], "thresholds": {}}
    content |= {"blinded": blinded, "title": f"A pilot of the {word()} at home"}
    content["estimand"] = {"treatment": f"the {word()} against {word()}", "population": f"adults who own a {word()}"}
    content["criteria"] = [
        {"id": "retention", "label": f"came back with the {word()}", "measure": "retention", "go": 0.8, "stop": 0.5,
         "source": f"the {word()} meeting"}
    ]  # fmt: skip
    content["checks"] = {"off": {"one person twice": f"the {word()} clinic enters people twice"}}
    content["departures"] = [{"key": "level", "date": "2025-02-03", "reason": f"asked by the {word()} team"}]
    content["level"] = 0.95
    for visit in content["visits"][1:]:
        visit["label"] = f"{visit['label']}, {word()}"
    (folder / "study.toml").write_text(tomlkit.dumps(content), encoding="utf-8")
    _tables(folder, arms, word, number)
    return folder


def _tables(folder: Path, arms: dict[str, str], word, number: int) -> None:
    tables = {path.stem: pd.read_csv(path, dtype=str, keep_default_na=False) for path in folder.glob("*.csv")}
    people = tables["participants"]
    people["arm"] = people["arm"].map(arms)
    people["diagnosis"] = [f"stroke, {word()}" for _ in range(len(people))]
    people["remarks"] = [f"likes the {word()} ({n})" for n in range(len(people))]
    people[f"{word().strip('=@')}_hours"] = [str(n) for n in range(len(people))]
    codes = {}
    if number % 2:  # codes that tell
        codes = {code: f"ZEBRA-{n:02}" for n, code in enumerate(people["participant"], 1)}
    for frame in tables.values():
        if codes:
            frame["participant"] = frame["participant"].map(codes)
        if "rater" in frame:
            frame["rater"] = frame["rater"].replace(dict.fromkeys(frame["rater"].unique()[:1], "ZebraTeam"))
    visits = tables["visits"]
    visits.loc[visits.index[-1:], ["status", "reason"]] = ["missed", f"the {word()} broke"]
    person, visit = visits["participant"].iloc[-1], visits["visit"].iloc[-1]
    for name in ("items", "trials"):
        if name in tables:
            there = (tables[name]["participant"] == person) & (tables[name]["visit"] == visit)
            tables[name] = tables[name][~there]
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    (folder / "zebra_notes.csv").write_text("what\nnothing that is read\n", encoding="utf-8")


def leaks(report: Path) -> dict[str, str]:
    """File of a report -> the first word of an arm in it; documents are unpacked, pictures read as bytes."""
    found = {}
    for path in sorted(report.rglob("*")):
        where = path.relative_to(report).as_posix()
        parts = {where: path.name}
        if path.suffix == ".docx":
            with zipfile.ZipFile(path) as packed:
                parts |= {f"{where}/{name}": packed.read(name).decode("utf-8", "replace") for name in packed.namelist()}
        elif path.is_file():
            parts[f"{where}, content"] = path.read_bytes().decode("utf-8", "replace")
        found |= {name: LEAK.search(text)[0] for name, text in parts.items() if LEAK.search(text)}
    return found


def main() -> int:
    """Make the reports and search them; exit status 1 where a word of an arm was found."""
    from notebooks.report.make import make_report

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=20)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--no-pictures", action="store_true")
    options = parser.parse_args()
    total = files = 0
    for number in range(options.start, options.start + options.studies):
        with TemporaryDirectory() as place:
            folder = told_study(number, Path(place) / "study")
            report = Path(place) / "report"
            make_report(folder, report, **({"pictures": ()} if options.no_pictures else {}))
            found = leaks(report)
            files += sum(path.is_file() for path in report.rglob("*"))
            total += len(found)
            print(f"study {number}: {len(found)} files with a word of an arm {found or ''}", flush=True)
    print(f"{options.studies} studies, {files} files searched, {total} with a word of an arm")
    return 1 if total else 0


if __name__ == "__main__":
    raise SystemExit(main())
