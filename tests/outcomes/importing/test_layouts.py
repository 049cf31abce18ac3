"""A study written out in each layout is the same study when it is imported again.

The invented study is the outside check: what was written is compared with what was read, cell by cell.
"""

import random
from dataclasses import replace

import pytest

from outcomes.importing import convert, propose
from tests.outcomes.importing.layouts import LANGUAGES, LAYOUTS, expected, invent

# Every layout in one language, every language in one layout; `damage.py` draws the other pairs.
PAIRS = [(layout, "german" if number % 2 else "english") for number, layout in enumerate(LAYOUTS)]
PAIRS += [("suffixes", language) for language in LANGUAGES if language not in ("english",)]


def imported(proposal) -> dict:
    found = {}
    for row in proposal.done.rows:
        cells = row.cells
        value = cells["value"]
        key = (
            row.table,
            cells["participant"],
            cells["visit"],
            cells["instrument"],
            cells.get("scale", cells.get("item", "")),
        )
        found[*key, cells["side"], cells.get("trial", "")] = f"{float(value):g}" if row.number else value
    return found


@pytest.mark.parametrize(("layout", "language"), PAIRS)
def test_a_study_survives_its_layout(layout, language, tmp_path):
    write, ending = LAYOUTS[layout]
    study = invent(11, language, people=5)
    study.values["K02", 1, "bbt", "left", 0] = study.words.refused
    proposal = propose([write(study, tmp_path / f"study{ending}")])
    visits = [visit.id for visit in proposal.schedule.visits]
    assert len(visits) == 3
    study.values["K02", 1, "bbt", "left", 0] = "0"
    wanted = expected(study, visits)
    refused = next(key for key in wanted if key[1:4] == ("K02", visits[1], "bbt") and key[5] == "left")
    wanted[refused] = "refused"
    assert imported(proposal) == wanted
    columns = ("participant", "arm", "sex", "age", "affected_side")
    assert [{name: row[name] for name in columns} for row in proposal.described.participants] == study.people
    dates = {(row["participant"], visits.index(row["visit"])): row["date"] for row in proposal.described.visits}
    assert dates == {key: when.isoformat() for key, when in study.dates.items()}
    # Nothing but what study.toml needs is asked, and no cell is lost.
    assert {question.kind for question in proposal.open} <= {"study"}
    assert "finding" not in proposal.ledger.counts()


@pytest.mark.parametrize("seed", range(1, 9))
def test_any_study_in_any_layout_and_language_is_the_same_study(seed, tmp_path):
    """Number of people and visits, codes, layout, language and a refusal are drawn; the seed names the case."""
    rng = random.Random(seed)
    layout, language = rng.choice(list(LAYOUTS)), rng.choice(list(LANGUAGES))
    people, visits = rng.randint(3, 9), rng.randint(2, 3)
    study = invent(seed, language, people, visits, prefix=rng.choice(("K", "PT-", "S", "AB")))
    study.words = replace(study.words, visits=study.words.visits[:visits])
    refusing = (rng.choice(study.codes), rng.randrange(visits), "bbt", "left", 0)
    study.values[refusing] = study.words.refused
    write, ending = LAYOUTS[layout]
    proposal = propose([write(study, tmp_path / f"study{ending}")])
    names = [visit.id for visit in proposal.schedule.visits]
    study.values[refusing] = "0"
    wanted = expected(study, names)
    wanted["totals", refusing[0], names[refusing[1]], "bbt", "blocks", "left", ""] = "refused"
    assert imported(proposal) == wanted
    columns = ("participant", "arm", "sex", "age", "affected_side")
    assert [{name: row[name] for name in columns} for row in proposal.described.participants] == study.people
    assert {question.kind for question in proposal.open} <= {"study"}
    assert "finding" not in proposal.ledger.counts()


def test_running_again_gives_the_same_files(tmp_path):
    path = LAYOUTS["merged"][0](invent(3, people=4), tmp_path / "study.xlsx")
    first, again = tmp_path / "first", tmp_path / "again"
    for folder in (first, again, again):
        convert(propose([path]), folder)
    names = sorted(entry.relative_to(first) for entry in first.rglob("*") if entry.is_file())
    assert names == sorted(entry.relative_to(again) for entry in again.rglob("*") if entry.is_file())
    assert all((first / name).read_bytes() == (again / name).read_bytes() for name in names)
