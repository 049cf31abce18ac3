"""Fifty edits of one report by hand, each of them named; with the hashes put right again, by computing it again."""

import json
import os
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from notebooks.commands import main
from notebooks.report import record as records
from notebooks.report.compare import compare
from notebooks.report.proof.file_hashes import hashes, record_digest, verify
from notebooks.report.proof.printed_texts import texts_that_differ
from notebooks.report.proof.recorded import read_record
from notebooks.report.rerun import rerun
from outcomes import StudyError

Edit = Callable[[Path], None]


def text(name: str, old: str, new: str) -> Edit:
    """Replace a text of a file, once."""

    def edit(report: Path) -> None:
        path = report / name
        content = path.read_text(encoding="utf-8")
        assert old in content, f"{old!r} is not in {name}"
        path.write_text(content.replace(old, new, 1), encoding="utf-8")

    return edit


def record(change: Callable[[dict], None]) -> Edit:
    """Change the record, which is written again as the kit writes it."""

    def edit(report: Path) -> None:
        content = records.read(report / "record.json")
        change(content)
        records.write(content, report / "record.json")

    return edit


def cell(name: str, line: int, column: str, value: str) -> Edit:
    """Change a cell of a table."""

    def edit(report: Path) -> None:
        rows = [row.split(",") for row in (report / name).read_text(encoding="utf-8").splitlines()]
        rows[line - 1][rows[0].index(column)] = value
        (report / name).write_text("\n".join(map(",".join, rows)) + "\n", encoding="utf-8")

    return edit


def output(report: Path) -> None:
    """Change a number in the output of an executed notebook, in its data and in its text."""
    path = report / "notebooks" / "5_effect_sizes.ipynb"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    content = next(
        data["application/vnd.outcomes-kit+json"]
        for one in notebook["cells"]
        for output in one.get("outputs", [])
        if "frame" in (data := output["data"]).get("application/vnd.outcomes-kit+json", {})
    )
    column = next(values for name, values in content["frame"] if name == "effect")
    column[0] += 0.5
    path.write_text(json.dumps(notebook), encoding="utf-8")


def part(name: str, old: str, new: str) -> Edit:
    """Replace a text of a part of the document, once."""

    def edit(report: Path) -> None:
        path, other = report / "report.docx", report / "other.docx"
        with zipfile.ZipFile(path) as before, zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as after:
            for one in before.infolist():
                content = before.read(one)
                if one.filename == name:
                    assert old.encode() in content, f"{old!r} is not in {name}"
                    content = content.replace(old.encode(), new.encode(), 1)
                after.writestr(one, content)
        os.replace(other, path)

    return edit


def header(report: Path) -> None:
    """Put a part into the document that the kit does not write."""
    with zipfile.ZipFile(report / "report.docx", "a") as file:
        file.writestr("word/header9.xml", "<hdr/>")


def head_of_notebook(report: Path) -> None:
    path = report / "notebooks" / "5_effect_sizes.ipynb"
    notebook = json.loads(path.read_text(encoding="utf-8"))
    notebook["metadata"]["title"] = "Edited title"
    path.write_text(json.dumps(notebook), encoding="utf-8")


def first_entry(key: str, value: object) -> Edit:
    """Change a field of the first number with n and notes."""

    def change(content: dict) -> None:
        entry = next(one for one in content["numbers"] if one["n"] and one["notes"] and one["unit"])
        entry[key] = value

    return record(change)


def sentence(content: dict) -> None:
    content["sentences"]["writing_up/methods"][0] += " Nobody was left out."


BODY = "word/document.xml"
WORKS, CONTROL = (f"<w:r><w:t>The {what} works.</w:t></w:r>" for what in ("device", "hand"))
HIDE = "<w:rPr><w:vanish/></w:rPr>"
FIGURE, CAPTION = "effect_sizes__g_av.csv", "effect_sizes__g_av.txt"
EDITS: dict[str, tuple[Edit, str]] = {
    "a number of the page": (text("report.html", ">6.8<", ">9.8<"), "report.html"),
    "a word of the page": (text("report.html", "Not for decisions about one person", "For decisions"), "report.html"),
    "a script in the page": (text("report.html", "</main>", "<script>alert(1)</script></main>"), "report.html"),
    "a number of a figure in the page": (text("report.html", '"data": [{', '"data": [{"edited": 1, '), "report.html"),
    "a word of the plain page": (text("plain.html", "5 people took part", "50 people took part"), "plain.html"),
    "a word of the appendix": (text("appendix.html", "5 participants", "51 participants"), "appendix.html"),
    "a number of a caption": (text(f"figures/{CAPTION}", "0.40", "4.40"), f"figures/{CAPTION}"),
    "a cell of a table": (cell("tables/changes.csv", 2, "estimate", "9.9"), "tables/changes.csv"),
    "a head of a table": (text("tables/scores.csv", "value", "guess"), "tables/scores.csv"),
    "a number of a figure": (cell(f"figures/{FIGURE}", 2, "effect", "9.9"), f"figures/{FIGURE}"),
    "an output of a notebook": (output, "notebooks/5_effect_sizes.ipynb"),
    "a cell of a notebook": (
        text("notebooks/4_who_passed_the_threshold.ipynb", '"cell_type":"code"', '"cell_type":"raw"'),
        "notebooks/4_who_passed_the_threshold.ipynb",
    ),
    "a word of the document": (part(BODY, "5 participants", "50 participants"), "report.docx"),
    "a tracked change of the document": (part(BODY, "</w:p>", f'<w:ins w:id="9">{WORKS}</w:ins></w:p>'), "report.docx"),
    "a control in the document": (
        part(BODY, "<w:sectPr", f"<w:sdt><w:sdtContent><w:p>{CONTROL}</w:p></w:sdtContent></w:sdt><w:sectPr"),
        "report.docx",
    ),
    "a sentence of the document hidden": (part(BODY, "<w:r><w:t", f"<w:r>{HIDE}<w:t"), "report.docx"),
    "a style of the document": (part("word/styles.xml", "<w:rPr>", "<w:rPr><w:vanish/>"), "report.docx"),
    "the author of the document": (
        part("docProps/core.xml", "</cp:core", "<dc:description>edited</dc:description></cp:core"),
        "report.docx",
    ),
    "a head over the document": (header, "report.docx"),
    "a section of the page closed": (text("report.html", "</section>", ""), "report.html"),
    "a comment in the page": (text("report.html", "</main>", "<!-- edited --></main>"), "report.html"),
    "the head of a notebook": (head_of_notebook, "notebooks/5_effect_sizes.ipynb"),
    "a score of the data": (text("inputs/totals.csv", "fma_ue,motor,57", "fma_ue,motor,58"), "inputs/totals.csv"),
    "a score no scale has": (text("inputs/totals.csv", "fma_ue,motor,57", "fma_ue,motor,570"), "inputs/totals.csv"),
    "a key of the protocol": (text("inputs/study.toml", "title", "seed = 7\ntitle"), "inputs/study.toml"),
    "a value in the record": (first_entry("value", 99.5), "changed"),
    "a unit": (first_entry("unit", "furlong"), "furlong"),
    "an n": (first_entry("n", 4999), "4999"),
    "the notes of a number": (first_entry("notes", []), "notes of"),
    "the name of a number": (first_entry("name", "a name of its own"), "a name of its own"),
    "a sentence": (record(sentence), "Nobody was left out."),
    "a sentence gone": (record(lambda one: one["sentences"].pop("writing_up/methods")), "writing_up/methods"),
    "the seed": (record(lambda one: one["options"].update(seed=424242)), "424242"),
    "the level": (record(lambda one: one["options"].update(level=0.8)), "options/level"),
    "participants in the record": (record(lambda one: one["study"].update(participants=500)), "study/participants"),
    "a note": (record(lambda one: one["notes"].__setitem__(0, "An invented note.")), "An invented note."),
    "a version": (record(lambda one: one["software"].update(numpy="0.1")), "numpy 0.1 was recorded"),
    "a hash of the data": (record(lambda one: one["inputs"].update({"totals.csv": "0" * 64})), "totals.csv"),
    "a hash of a file": (record(lambda one: one["hashes"].update({"report.docx": "0" * 64})), "report.docx"),
    "the time": (record(lambda one: one["times"].update(began="1999-01-01T00:00:00+00:00")), "record.json"),
    "a primary result of another name": (record(lambda one: one["primary"].update(outcome="grip.force")), "grip.force"),
    "a number taken from the primary result": (record(lambda one: one["primary"]["numbers"].pop()), "primary/numbers"),
    "the place of a number": (first_entry("notebook", "nowhere"), "nowhere"),
    "a key of the protocol in the record": (record(lambda one: one["keys"].update(title="Edited")), "Edited"),
    "a part of the record": (record(lambda one: one.update(approved="by nobody")), "approved"),
    "what the report lacks": (record(lambda one: one["missing"].append("Nothing else.")), "record.json"),
    "a file beside the data": (
        lambda report: (report / "inputs" / "more.csv").write_text("a\n1\n"), "inputs/more.csv was not"
    ),
    "a file gone": (lambda report: (report / "tables" / "baseline.csv").unlink(), "tables/baseline.csv is gone"),
    "a file added": (lambda report: (report / "tables" / "more.csv").write_text("a\n1\n"), "tables/more.csv was not"),
    "a file for a link": (
        lambda report: ((report / "instruments.md").unlink(), (report / "instruments.md").symlink_to("/dev/zero")),
        "instruments.md",
    ),
    "a version to install": (text("requirements.txt", "numpy==", "numpy==9."), "requirements.txt"),
    "the note on the folder": (text("about_this_folder.txt", "sealed", "open"), "about_this_folder.txt"),
}  # fmt: skip


@pytest.fixture
def report(cohort_report, tmp_path) -> Iterator[Path]:
    """A copy to edit, far from the study it is from; damaged on purpose, so removed before the search."""
    folder = tmp_path / "far" / "away" / "from" / "it"
    shutil.copytree(cohort_report, folder, ignore=shutil.ignore_patterns("kept"))
    yield folder
    shutil.rmtree(tmp_path / "far")


def told(report: Path, original: Path) -> str:
    """What verifying and comparing say of an edited report. The untouched one stands for computing it again."""
    recorded, now = read_record(report), read_record(original)
    compared = compare(recorded, now)
    return "\n".join(
        [
            *map(str, verify(report, recorded)),
            *compared.changed()["name"], *compared.changed()["status"], *compared.differences,
            *(f"{row.what} of {row.name}: {row.recorded} -> {row.now}" for row in compared.words.itertuples()),
        ]
    )  # fmt: skip


def test_an_untouched_report_verifies(report, cohort_report):
    assert told(report, cohort_report).replace("same", "").strip() == ""
    assert list(texts_that_differ(report, cohort_report, *[read_record(cohort_report)] * 2)) == []
    content = records.read(report / "record.json")
    assert content["hashes"].keys() == {
        path.relative_to(cohort_report).as_posix() for path in cohort_report.rglob("*") if path.is_file()
    }
    assert content["hashes"]["record.json"] == record_digest(content)


@pytest.mark.parametrize("what", EDITS)
def test_an_edit_by_hand_is_named(what, report, cohort_report):
    edit, expected = EDITS[what]
    edit(report)
    assert expected in told(report, cohort_report)


def test_there_are_fifty_edits():
    assert len(EDITS) >= 50
    assert len(HIDDEN) >= 40


# What computing again finds, where whoever edited the report put its hashes right. Of the others: data are compared
# with those of the study, or computed from; the time of a report is nobody's to compute; pictures: test_drawn_again.
HIDDEN = {
    "a number of the page": "page of page, ",
    "a word of the page": "For decisions",
    "a script in the page": "<script []>",
    "a number of a figure in the page": "edited",
    "a word of the plain page": "50 people took part",
    "a word of the appendix": "51 participants",
    "a number of a caption": f"caption of {CAPTION}",
    "a cell of a table": "table of changes.csv line 2 estimate",
    "a head of a table": "table of scores.csv head",
    "a number of a figure": f"figure of {FIGURE} line 2 effect",
    "an output of a notebook": "notebook of 5_effect_sizes.ipynb cell",
    "a cell of a notebook": "notebook of 4_who_passed_the_threshold.ipynb cell",
    "a word of the document": "50 participants",
    "a tracked change of the document": "The device works.",
    "a control in the document": "The hand works.",
    "a sentence of the document hidden": "<vanish>",
    "a style of the document": "document of part word/styles.xml",
    "the author of the document": "document of part docProps/core.xml",
    "a head over the document": "document of part word/header9.xml",
    "a section of the page closed": "</section>",
    "a comment in the page": "<!-- edited -->",
    "the head of a notebook": "Edited title",
    "a value in the record": "changed",
    "a unit": "furlong",
    "an n": "4999",
    "the notes of a number": "notes of",
    "the name of a number": "a name of its own",
    "a sentence": "Nobody was left out.",
    "the seed": "424242",
    "the level": "options/level",
    "participants in the record": "study/participants",
    "a note": "An invented note.",
    "a version": "numpy 0.1 was recorded",
    "a primary result of another name": "grip.force",
    "the place of a number": "nowhere",
    "a key of the protocol in the record": "Edited",
    "a part of the record": "approved",
    "what the report lacks": "Nothing else.",
    "a file beside the data": "inputs/more.csv was not written",
    "a file gone": "file of tables/baseline.csv",
    "a file added": "file of tables/more.csv",
    "a version to install": "requirements.txt has the line 'numpy==9.",
    "the note on the folder": "note of about_this_folder.txt",
}


def test_edits_with_hashes_put_right_are_found_by_computing_again(report, capsys):
    for what in HIDDEN:
        EDITS[what][0](report)
    content = records.read(report / "record.json")
    content["hashes"] = hashes(report, content)
    records.write(content, report / "record.json")
    before = {path: path.read_bytes() for path in report.rglob("*") if path.is_file()}
    assert main(["rerun", str(report), "--csv", str(report.parent / "all.csv")]) == 1
    printed = capsys.readouterr()
    assert printed.out.startswith("1. Compare every file")
    assert "Nothing in that folder is run" in printed.out
    table = (report.parent / "all.csv").read_text(encoding="utf-8")
    said = printed.out.splitlines()
    missed = [what for what, words in HIDDEN.items() if words not in printed.out and not _in_table(words, table)]
    assert missed == []
    assert "Pictures: the report holds none." in printed.out
    assert said.index(next(line for line in said if line.startswith("Primary result"))) < said.index(
        "What changed, by section:"
    )
    assert before == {path: path.read_bytes() for path in report.rglob("*") if path.is_file()}


def _in_table(words: str, table: str) -> bool:
    kind, _, place = words.partition(" of ")
    return any(place in line and f",{kind}," in line for line in table.splitlines()) if place else words in table


@pytest.mark.parametrize(
    "content",
    ["", "[]", "{", "[" * 100_000, '{"format": 1}', '{"format": 1, "format": 1}', '{"format": NaN}', "\x00", "null"],
)
def test_a_record_that_is_none_is_refused_in_words(report, content, capsys):
    (report / "record.json").write_text(content, encoding="utf-8")
    for command in (["rerun", str(report)], ["compare", str(report), str(report)]):
        assert main(command) == 2
        printed = capsys.readouterr()
        assert printed.err.startswith("outcomes: ")
        assert "Traceback" not in printed.err


WRONG_FORMS = {
    "inputs": [{"../../outside.csv": "0"}, {"a": 1}, [], None],
    "options": [{"only": "5", "seed": 1, "level": 0.95}, {"only": [], "seed": "1", "level": 0.95}, {}],
    "numbers": [[{}], [1], {}, [{"name": "a", "value": [], "unit": "", "n": None, "notes": [], "notebook": ""}]],
    "notes": [[]],
    "hashes": [{"/etc/passwd": "0"}, {"..": "0"}, 5],
    "sentences": [{"a": "text"}, []],
    "primary": [{"outcome": 1}, []],
    "times": [{"began": "The device works."}, {"began": 5}, {}],
}


@pytest.mark.parametrize(("key", "value"), [(key, value) for key, values in WRONG_FORMS.items() for value in values])
def test_a_record_of_another_form_is_refused(cohort_report, tmp_path, key, value):
    content = records.read(cohort_report / "record.json")
    content[key] = value
    (tmp_path / "record.json").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(StudyError, match=key):
        read_record(tmp_path)


def test_an_edited_copy_that_cannot_be_used_is_named_and_no_traceback(report):
    EDITS["a score no scale has"][0](report)
    compared = rerun(report)
    assert [finding.name for finding in compared.files] == ["inputs/totals.csv"]
    assert "570" in compared.refused
    assert not compared.proven


@pytest.mark.parametrize("way", ["/etc", "../../../..", "..\0", 5, ["x"]])
def test_a_record_does_not_send_a_rerun_elsewhere(way):
    """Only a folder near the report is taken for the study it was made from."""
    from notebooks.report.rerun import _near

    assert _near(way) == ""
