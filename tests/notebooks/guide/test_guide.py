"""The guide knows every key, check and public name, and is put together without a warning."""

import doctest
import inspect
import io
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from urllib.parse import unquote

import pytest

from notebooks.guide.build import TEXT, build
from notebooks.guide.code_blocks import run_page
from notebooks.guide.docstrings import contracts, front_doors
from notebooks.guide.gallery import code_cells, entries
from notebooks.guide.key_texts import KEY_TABLES, key_texts
from notebooks.guide.made_pages import check_examples, made_pages, shared_arguments
from outcomes.findings import rules

ROOT = Path(__file__).resolve().parents[3]
PUBLIC = [(package, name) for package, names in front_doors().items() for name in names]


def test_every_key_of_a_study_is_explained_and_no_other():
    texts = {where: set(keys) - {"about"} for where, keys in key_texts().items()}
    assert texts == {where: set(keys) for where, keys in KEY_TABLES.items()}


def test_every_check_has_its_example_and_no_other():
    assert set(check_examples()) == set(rules())


def test_every_public_name_says_what_it_is_and_what_each_argument_is():
    """In its own docstring, or on the page of arguments that mean the same everywhere."""
    shared = {*shared_arguments(), "named", "common", "more", "options"}
    silent = []
    for package, name in PUBLIC:
        thing = getattr(import_module(package), name)
        doc = inspect.getdoc(thing) or ""
        if len(doc.split()) < 5:
            silent.append(f"{package}.{name}")
        elif inspect.isfunction(thing):
            told = set(re.findall(r"\w+", doc)) | shared
            silent += [f"{package}.{name}: {one}" for one in inspect.signature(thing).parameters if one not in told]
    assert silent == []


def test_every_package_says_its_errors_units_and_sources():
    """In its contract, printed above its names; each name says its own besides, see `test_docstrings.py`."""
    said = contracts()
    assert set(said) == set(front_doors())
    for package, one in said.items():
        assert set(one) == {"errors", "units", "methods"}, package
        assert (TEXT / "methods" / f"{one['methods']}.md").exists(), package


def test_frames_that_come_back_have_their_columns():
    mute, no_columns = [], []
    for package, name in PUBLIC:
        thing = getattr(import_module(package), name)
        doc = inspect.getdoc(thing) or ""
        if inspect.isclass(thing) and "frame" in vars(thing) and len((thing.frame.__doc__ or "").split()) < 2:
            mute.append(name)
        if inspect.isfunction(thing):
            back = str(inspect.signature(thing).return_annotation)
            listed = re.search(r"column|row|frame|table|: [a-z_]+,? [a-z_]+,? [a-z_]+", doc, re.I)
            no_columns += [name] if "DataFrame" in back and not listed else []
    assert (mute, no_columns) == ([], [])


def test_the_examples_in_docstrings_run():
    """Every example of a public name; how many names have one is held, so that none goes unseen."""
    finder, failed, with_example = doctest.DocTestFinder(recurse=False), [], set()
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS, verbose=False)
    for package, name in PUBLIC:
        thing = getattr(import_module(package), name)
        names = vars(sys.modules[thing.__module__]) if hasattr(thing, "__module__") else {}
        for test in finder.find(thing, f"{package}.{name}", globs=dict(names)):
            if test.examples:
                with_example.add(f"{thing.__module__}.{name}")
                told = io.StringIO()
                if runner.run(test, out=told.write).failed:
                    failed.append(told.getvalue())
    assert failed == []
    assert len(with_example) >= 55


def test_the_gallery_shows_the_cells_of_the_notebooks():
    for name, entry in entries().items():
        cells = code_cells(entry["notebook"])
        assert any(entry["makes"] in cell for cell in cells), name


def test_every_figure_stands_in_the_gallery():
    """Names that figures are finished under, read from the code; `from_the_model` is a forest of effect sizes."""
    found = re.compile(r'^\s+name(?:=|: str = )f?"([a-z_]+)|name=f"([a-z_]+)/\{', re.M)
    drawn = {one or two for path in (ROOT / "notebooks").rglob("*.py") for one, two in found.findall(path.read_text())}
    assert drawn - {"from_the_model"} == set(entries())


def test_the_guide_is_built_without_a_warning(tmp_path):
    page = build(tmp_path / "guide", pictures=False, say=lambda text: None)
    text = page.read_text(encoding="utf-8")
    assert "Limits and cautions" in text
    # Nothing is fetched from anywhere: no script, style or picture of another machine.
    for made in page.parent.rglob("*.html"):
        assert not [part for part in made.read_text(encoding="utf-8").split('src="')[1:] if part.startswith("http")]


@pytest.mark.parametrize("page", sorted(TEXT.rglob("*.md")), ids=lambda page: str(page.relative_to(TEXT)))
def test_the_examples_of_a_page_run(page):
    assert run_page(page) == []


def test_identifiers_of_publications_have_their_form_and_lead_where_they_say():
    """A DOI is "10.", a registrant and a suffix (ISO 26324); what is shown is what is linked."""
    seen = 0
    for page in TEXT.rglob("*.md"):
        text = page.read_text(encoding="utf-8")
        shown = re.findall(r"\[(10\.[^\]]+)\]\(https://doi\.org/(\S+?)\)(?=[\s,;.)|]|$)", text)
        assert len(shown) == text.count("https://doi.org/"), page.name
        for name, target in shown:
            assert re.fullmatch(r"10\.\d{4,9}/\S+[\w)]", name), name
            assert unquote(target) == name
            seen += 1
    assert seen > 25


def test_words_are_spelled(tmp_path):
    """Texts, and the pages made of docstrings and data; names are let through (Ther, VAS, Hart, Offen)."""
    for name, text in made_pages().items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    checked = [TEXT, tmp_path, *TEXT.parent.glob("*.toml"), *(ROOT / name for name in ("README.md", "DEVELOPERS.md"))]
    found = subprocess.run(
        [
            sys.executable,
            "-m",
            "codespell_lib",
            "--ignore-words-list",
            "possbly,ther,vas,hart,offen",
            *map(str, checked),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (found.stdout.strip(), found.stderr.strip()) == ("", "")
