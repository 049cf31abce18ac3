"""Blinded mode: letters for arms wherever people look, nothing that gives an arm away, names only after a lock."""

import csv
import datetime
import json
import re
import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from notebooks.commands import main
from notebooks.report.make import make_report
from notebooks.report.rerun import rerun
from outcomes import StudyError, check, lock_plan, read_study, score, unblind
from outcomes.blinding.letters import NAME, arm_letters, draw_letters
from outcomes.protocol.study_toml import read_protocol
from stats import fit_change
from stats.change import fit_crossover
from synthetic_cohort import make_cohort

WHEN = datetime.datetime(2025, 3, 1, 12, 30, tzinfo=datetime.UTC)
# Names found nowhere else, in ids, labels and free text: any of them in a blinded report is a leak.
ARMS = {"practice": ("zebradev", "Zebra device"), "usual": ("quokkacare", "Quokka care")}
# Near spellings stand in the study's texts too: Zebbra, zerba, quoka.
LEAK = re.compile("zebb?ra|(?<![a-z])zerba(?!i)|quokk?a", re.IGNORECASE)  # a library of maps names Azerbaijan
TELLING = """[estimand]
treatment = "the Zebbra device at home, compared with quoka care"
population = "adults who can hold a zebra"
variable = "change of the motor score (zerba effect)"

[checks.off]
"one person twice" = "the zebra clinic enters people twice"

[privacy]
smallest_cell = 0

"""
LAST = "SM24"


def edit(path: Path, change) -> None:
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")


@pytest.fixture(scope="module")
def named(tmp_path_factory) -> Path:
    """The demo study with arms of telling names, telling free text, and an instrument taken in one arm only."""
    folder = tmp_path_factory.mktemp("named") / "study"
    make_cohort("demo", seed=1, folder=folder)
    (folder / "truth.json").unlink()

    def protocol(text: str) -> str:
        text = re.sub(r"\[estimand\].*?\n\n", lambda match: TELLING, text, count=1, flags=re.DOTALL)
        text = text.replace("Saltmarsh home practice pilot", "Saltmarsh pilot of the ZebraDevice").replace(
            "# Invented:", "#"
        )
        for old, (name, label) in ARMS.items():
            text = re.sub(rf'id = "{old}"\nlabel = "[^"]*"', f'id = "{name}"\nlabel = "{label}"', text)
            text = text.replace(f'arm = "{old}"', f'arm = "{name}"')
        return re.sub(r"^title", "blinded = true\ntitle", text, count=1, flags=re.MULTILINE)

    edit(folder / "study.toml", protocol)
    people = pd.read_csv(folder / "participants.csv", dtype=str, keep_default_na=False)
    people["arm"] = people["arm"].map({old: name for old, (name, _) in ARMS.items()})
    people.loc[people["participant"] == LAST, "arm"] = [
        ARMS[old][1] for old in ARMS if ARMS[old][0] == people.set_index("participant").loc[LAST, "arm"]
    ]  # typed as its label: reading notes that, and the note must not tell
    people["diagnosis"] = people["diagnosis"].mask(people["arm"].str.contains("ebra"), "stroke, got a zebbra")
    people["remarks"] = ["quokkas are nice", *[f"note {n}" for n in range(len(people) - 1)]]
    people.to_csv(folder / "participants.csv", index=False)
    visits = pd.read_csv(folder / "visits.csv", dtype=str, keep_default_na=False)
    visits.loc[visits["status"] == "missed", "reason"] = "the zebra broke"
    visits.to_csv(folder / "visits.csv", index=False)
    device = people[people["arm"].str.contains("ebra")]["participant"]
    visits.loc[visits["rater"] == "R1", "rater"] = "ZebraTeam"
    visits.to_csv(folder / "visits.csv", index=False)
    rows = [f"{code},baseline,quickdash,total,{40 + n}" for n, code in enumerate(device)]
    (folder / "totals.csv").write_text(
        "participant,visit,instrument,scale,value\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    edit(folder / "study.toml", lambda text: text.replace("outcomes = [", 'outcomes = ["quickdash.total", ', 1))
    return folder


@pytest.fixture
def study(named, tmp_path) -> Path:
    folder = tmp_path / "study"
    shutil.copytree(named, folder)
    return folder


@pytest.fixture(scope="module")
def blinded(named, tmp_path_factory) -> tuple[Path, Path]:
    """A study locked, with the reference arm changed after the lock, and its blinded report with all notebooks."""
    base = tmp_path_factory.mktemp("blinded")
    shutil.copytree(named, base / "study")
    lock_plan(base / "study", now=WHEN)

    def swapped(text: str) -> str:
        text = text.replace("reference = true\n", "", 1)
        return text.replace('label = "Zebra device"\n', 'label = "Zebra device"\nreference = true\n', 1)

    edit(base / "study" / "study.toml", swapped)
    make_report(base / "study", base / "report", pictures=())
    return base / "study", base / "report"


def texts(report: Path) -> dict[str, str]:
    """Every file of a report as text; a document is unpacked."""
    found = {}
    for path in report.rglob("*"):
        if path.suffix == ".docx":
            with zipfile.ZipFile(path) as packed:
                found |= {
                    f"{path.name}/{name}": packed.read(name).decode("utf-8", "replace") for name in packed.namelist()
                }
        elif path.is_file():
            found[path.relative_to(report).as_posix()] = path.read_text(encoding="utf-8", errors="replace")
    return found


def test_no_file_of_a_blinded_report_names_an_arm(blinded):
    _, report = blinded
    found = texts(report)
    assert len(found) > 30
    leaks = {name: LEAK.search(text)[0] for name, text in found.items() if LEAK.search(text)}
    assert leaks == {}
    for name in ("report.html", "word/document.xml", "tables/between_arms.csv", "record.json"):
        text = next(text for file, text in found.items() if file.endswith(name))
        assert "Arm A" in text
        assert "Arm B" in text


def test_the_report_says_what_is_hidden_and_what_could_still_tell(blinded):
    _, report = blinded
    # The report has it among its methods; the appendix only what the report leaves out.
    page = "".join((report / name).read_text(encoding="utf-8") for name in ("report.html", "appendix.html"))
    assert "This report is blinded" in page
    assert "the sheet sessions" in page
    assert "the sheet adverse_events" in page
    assert "quickdash, unassisted, measured in some arms only" in page
    assert "reasons of missed visits" in page
    assert "Numbers per arm" in page
    assert "Dose and adherence are left out while the study is blinded." in page
    assert "Adverse events are left out while the study is blinded." in page


def test_a_change_of_the_reference_arm_is_a_departure_that_does_not_tell_which_arm(blinded):
    _, report = blinded
    record = json.loads((report / "record.json").read_text(encoding="utf-8"))
    keys = [each["key"] for each in record["plan"]["departures"]]
    assert "arms" in keys
    assert {each["now"] for each in record["plan"]["departures"] if each["key"] == "arms"} == {"hidden while blinded"}


def test_letters_are_the_same_in_every_table_and_for_every_participant(blinded):
    folder, report = blinded
    letters = arm_letters(folder, read_protocol(folder / "study.toml"))
    names = {label: name for name, label in ARMS.values()} | {name: name for name, _ in ARMS.values()}
    people = pd.read_csv(folder / "participants.csv", dtype=str).set_index("participant")["arm"].map(names).map(letters)
    seen = 0
    for path in (report / "tables").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                if row.get("participant") and row.get("arm"):
                    assert row["arm"] == people[row["participant"]]
                    seen += 1
    assert seen > 100


def test_no_data_are_copied_and_a_rerun_asks_for_the_folder(blinded, tmp_path, capsys):
    _, report = blinded
    assert [path.name for path in (report / "inputs").iterdir()] == ["left_out_while_blinded.txt"]
    record = json.loads((report / "record.json").read_text(encoding="utf-8"))
    assert len(record["inputs"]["participants.csv"]) == 64
    shutil.copytree(report, tmp_path / "far" / "away" / "from" / "it")
    assert main(["rerun", str(tmp_path / "far" / "away" / "from" / "it"), "--quiet"]) == 2
    assert "--study" in capsys.readouterr().err


def test_a_rerun_from_the_folder_gives_the_same_numbers(study, tmp_path):
    made = make_report(study, tmp_path / "report", only=["5"], pictures=(), processes=1)
    compared = rerun(made.folder, study, processes=1)
    assert compared.unchanged
    assert len(compared.rows) > 50


def test_the_difference_is_the_true_one_or_its_mirror_image(study):
    """Swapping the two arms turns the sign of their difference and changes nothing else (an identity)."""
    draw_letters(study, read_protocol(study / "study.toml"))
    masked, open_ = read_study(study), read_study(study, masked=False)
    frames = [
        fit_change(score(one), one.protocol.primary, design=one.protocol, participants=one.participants)
        .between()
        .frame()
        for one in (masked, open_)
    ]
    letters = arm_letters(study, open_.protocol)
    sign = 1 if letters["quokkacare"] == "A" else -1
    assert frames[0]["estimate"].to_numpy() == pytest.approx(sign * frames[1]["estimate"].to_numpy(), rel=1e-7)
    assert frames[0]["std_error"].to_numpy() == pytest.approx(frames[1]["std_error"].to_numpy(), rel=1e-6)


def test_letters_are_drawn_by_chance_once_and_for_all(study):
    protocol = read_protocol(study / "study.toml")
    first = 0
    for number in range(200):
        (study / NAME).unlink(missing_ok=True)
        assert draw_letters(study, protocol, seed=f"{number:032x}")
        first += arm_letters(study, protocol)["quokkacare"] == "A"
    assert 65 <= first <= 135  # binomial(200, 1/2): outside once in two million draws of 200
    again = arm_letters(study, protocol)
    assert not draw_letters(study, protocol)  # a second draw changes nothing
    edit(study / "study.toml", lambda text: text.replace("seed = 1", "seed = 77", 1))
    assert arm_letters(study, read_protocol(study / "study.toml")) == again
    (study / NAME).unlink()
    drawn = set()
    for _ in range(20):  # without a seed: from the computer's source of chance
        draw_letters(study, protocol)
        drawn.add(json.loads((study / NAME).read_text(encoding="utf-8"))["seed"])
        (study / NAME).unlink()
    assert len(drawn) == 20


def test_without_letters_or_with_other_arms_reading_is_refused_with_advice(study):
    with pytest.raises(StudyError, match="outcomes check"):
        read_study(study)
    draw_letters(study, read_protocol(study / "study.toml"))
    assert read_study(study).masked
    edit(study / "study.toml", lambda text: text.replace('"zebradev"', '"zebra2"'))
    with pytest.raises(StudyError, match="new letters"):
        read_study(study)
    (study / NAME).write_text("{", encoding="utf-8")
    with pytest.raises(StudyError, match="cannot be read"):
        read_study(study)


def test_check_draws_the_letters_and_hides_what_was_typed_as_an_arm(study, capsys):
    assert main(["check", str(study)]) == 0
    out = capsys.readouterr().out
    assert NAME in out
    assert "hidden while blinded" in out
    assert not LEAK.search(out)
    assert main(["check", str(study), "--unmasked"]) == 0
    assert "Zebra device" in (out := capsys.readouterr().out) or "Quokka care" in out


def test_a_misspelt_arm_blocks_and_is_not_shown(study, capsys):
    edit(study / "participants.csv", lambda text: text.replace("zebradev", "zebradve", 1))
    assert main(["check", str(study)]) == 1
    out = capsys.readouterr().out
    assert "no arm of study.toml" in out
    assert not LEAK.search(out)


def test_a_single_arm_study_is_refused_with_advice(tmp_path, capsys):
    folder = tmp_path / "single"
    shutil.copytree(Path(__file__).resolve().parents[1] / "studies" / "five_person_cohort", folder)
    edit(folder / "study.toml", lambda text: "blinded = true\n" + text)
    assert main(["check", str(folder)]) == 1
    error = capsys.readouterr().err
    assert "nothing to hide" in error
    assert "Traceback" not in error


def test_unblinding_needs_a_blinded_and_locked_study_and_happens_once(study, capsys):
    assert main(["unblind", str(study)]) == 1
    assert "not locked" in capsys.readouterr().err
    main(["check", str(study)])
    lock_plan(study, now=WHEN)
    capsys.readouterr()
    assert main(["unblind", str(study)]) == 0
    out = capsys.readouterr().out
    letters = arm_letters(study, read_protocol(study / "study.toml"))
    assert all(f"{letter} was {arm}" in out for arm, letter in letters.items())
    shown = read_study(study)
    assert not shown.masked
    assert {arm.label for arm in shown.protocol.arms} == {"Zebra device", "Quokka care"}
    assert not shown.sessions.empty
    event = shown.lock.unblinded
    assert event.before == shown.lock.locks[0].sha256
    assert event.date > "2025"
    assert main(["unblind", str(study)]) == 1
    assert "was unblinded on" in capsys.readouterr().err


def test_a_study_that_is_not_blinded_is_not_unblinded(study):
    edit(study / "study.toml", lambda text: text.replace("blinded = true\n", "", 1))
    lock_plan(study)
    with pytest.raises(StudyError, match="Nothing is to be unblinded"):
        unblind(study)


def test_taking_the_line_out_after_the_lock_shows_the_names_and_is_a_departure(study):
    lock_plan(study, now=WHEN)
    edit(study / "study.toml", lambda text: text.replace("blinded = true\n", "", 1))
    shown = read_study(study)
    assert not shown.masked
    assert [(each.key, each.locked, each.now) for each in shown.departures] == [("blinded", "true", "false")]
    assert "departure from the locked plan" in set(check(shown).frame()["rule"])


def test_departures_before_and_after_unblinding_are_told_apart(study):
    lock_plan(study, now=WHEN)
    edit(study / "study.toml", lambda text: text.replace("level = 0.95", "level = 0.9", 1))
    unblind(study, now=WHEN + datetime.timedelta(days=30))
    edit(study / "study.toml", lambda text: text.replace("seed = 1", "seed = 2", 1))
    steps = {each.key: each.step for each in read_study(study).departures}
    assert steps == {"level": "until unblinded on 2025-03-31", "seed": "since unblinded on 2025-03-31"}


def test_a_damaged_lock_never_unmasks(study):
    draw_letters(study, read_protocol(study / "study.toml"))
    lock_plan(study, now=WHEN)
    unblind(study)
    edit(study / "study.lock.json", lambda text: text.replace("2025-03-01", "2024-03-01", 1))
    shown = read_study(study)
    assert shown.masked
    assert check(shown).blocking


def test_criteria_about_one_arm_and_what_one_arm_alone_has_are_left_out(study):
    draw_letters(study, read_protocol(study / "study.toml"))
    masked, open_ = read_study(study), read_study(study, masked=False)
    assert {each["id"] for each in masked.protocol.criteria} == {"retention", "completeness"}
    assert len(open_.protocol.criteria) == 4
    assert "quickdash.total" in open_.protocol.outcomes
    assert "quickdash.total" not in masked.protocol.outcomes
    assert masked.protocol.primary in masked.protocol.outcomes
    assert masked.totals.empty
    assert len(masked.items) == len(open_.items)
    assert masked.rows_read == open_.rows_read


def test_treatments_of_a_crossover_have_numbers(tmp_path):
    folder = tmp_path / "crossover"
    make_cohort("crossover", seed=1, folder=folder)
    edit(folder / "study.toml", lambda text: "blinded = true\n" + text)
    protocol = read_protocol(folder / "study.toml")
    assert protocol.periods
    draw_letters(folder, protocol)
    masked = read_study(folder)
    effect = fit_crossover(score(masked), masked.protocol.primary, design=masked.protocol).effect()
    open_ = read_study(folder, masked=False)
    true = fit_crossover(score(open_), open_.protocol.primary, design=open_.protocol).effect()
    assert re.fullmatch(r"treatment [12] - treatment [12]", effect.term[0])
    assert abs(effect.estimate[0]) == pytest.approx(abs(true.estimate[0]), rel=1e-7)
