"""The first page: its numbers are those of the record, its words hold no id, and it is one sheet."""

import re
import shutil
from html import unescape

import pytest

from notebooks.first_page.named_numbers import NamedNumbers, person
from notebooks.report import record as records
from notebooks.report.pictures import find_browser
from notebooks.report.reader.summary_sheet import page_count
from notebooks.show.names import Names
from notebooks.show.numbers import MINUS, number
from outcomes import InstrumentError
from outcomes.library.registry import references, with_short_names
from outcomes.protocol.study_toml import read_protocol
from tests.notebooks.inner_names import in_report, visible

NAMED = re.compile(r'<(data|tspan)\b([^>]*data-name="[^>]*)>([^<]*)</\1>')
REPORTS = ["stroke_report", "cohort_report", "demo_report"]


@pytest.fixture(params=REPORTS)
def report(request):
    return request.getfixturevalue(request.param)


def answer_of(report) -> str:
    page = (report / "report.html").read_text(encoding="utf-8")
    return page.partition('<section id="answer"')[2].partition("</section>")[0]


def test_every_number_of_the_page_is_in_the_record_under_its_name(report):
    known = {one["name"]: one["value"] for one in records.read(report / "record.json")["numbers"]}
    shown = NAMED.findall(answer_of(report))
    assert len(shown) > 30
    for _, attributes, text in shown:
        name = unescape(re.search(r'data-name="([^"]*)"', attributes)[1])
        full = float(re.search(r'(?:data-)?value="([^"]*)"', attributes)[1])
        assert known[name] == full, name
        decimals = len(text.partition(".")[2])
        written = number(known[name], decimals)
        assert text in (written, f"+{written}", written.lstrip(MINUS)), name


def test_no_number_of_a_text_stands_outside_the_record(report):
    """What is left beside named numbers are labels: visits, years of sources, the level, the ends of a scale.

    Findings are quoted as the checks word them and are left out.
    """
    page = re.sub(r'<div class="ap-doubts">.*?</div>', " ", answer_of(report), flags=re.DOTALL)
    rest = visible(NAMED.sub(" ", page))
    protocol = read_protocol(report / "inputs" / "study.toml")
    names = Names(protocol)
    labels = [protocol.title, str(len(protocol.visits)), f"{100 * protocol.level:g}"]
    labels += [one.label for one in (*protocol.visits, *protocol.arms)]
    labels += [str(one.get("label", "")) for one in protocol.criteria]
    labels += [fields["short"] for fields in references().values()]
    labels += [names.range(one) + names.outcome(one) for one in protocol.outcomes]
    known = set(re.findall(r"\d+(?:\.\d+)?", " ".join(labels)))
    assert [one for one in re.findall(r"(?<![\w.])\d+(?:\.\d+)?", rest) if one not in known] == []


def test_the_answer_is_the_result_of_the_model(stroke_report, cohort_report):
    """The same numbers by the tables of the report, which are made another way."""
    for report, answer, table in (
        (stroke_report, "answer/difference, Group B against Group A", "between_arms/ability.total | {} | B, week8"),
        (cohort_report, "answer/change, everybody", "changes/fma_ue.motor | main | followup"),
    ):
        known = {one["name"]: one["value"] for one in records.read(report / "record.json")["numbers"]}
        rows = [name for name in known if re.fullmatch(re.escape(table).replace(r"\{\}", "[^|]*") + "/estimate", name)]
        assert rows
        assert any(known[f"{answer}/estimate"] == pytest.approx(known[name], abs=1e-9) for name in rows)


def test_nothing_that_is_read_or_pasted_holds_an_id(report):
    assert in_report(report) == []


PLANTED = [
    ("figures/planted.txt", "Change of fma_ue.motor"),
    ("figures/planted.txt", "At page-2012"),
    ("figures/planted.svg", "<text x='1'>without P3</text>"),
    ("figures/planted.svg", "<text x='1'>see totals.csv</text>"),
]


@pytest.mark.parametrize(("place", "text"), PLANTED)
def test_a_planted_id_is_found(cohort_report, tmp_path, place, text):
    """Control, in a copy: pictures and captions are made once more than they are here."""
    copy = tmp_path / "report"
    shutil.copytree(cohort_report, copy, ignore=shutil.ignore_patterns("kept", "tables"))
    (copy / "figures").mkdir(exist_ok=True)
    (copy / place).write_text(text, encoding="utf-8")
    assert len(in_report(copy)) >= 1


def test_the_sheet_is_one_page(stroke_report):
    if find_browser() is None:
        pytest.skip("no Chromium-family browser: there is no sheet")
    assert page_count((stroke_report / "summary.pdf").read_bytes()) == 1


def test_a_number_has_one_name_and_is_written_from_it():
    numbers = NamedNumbers()
    said = numbers.put("gain", -1.25, -3.0, 0.5, n=12, unit="points", decimals=1)
    text = f"*{said.size}* points less ({said.value}; {said.interval}; n = {said.n}), without {person('P7')}"
    assert (
        numbers.plain(text) == "1.3 points less (\N{MINUS SIGN}1.3; \N{MINUS SIGN}3.0\N{NO-BREAK SPACE}to"
        "\N{NO-BREAK SPACE}0.5; n = 12), without one person"
    )
    assert "P7" in numbers.html(text)
    assert "P7" not in numbers.html(text, codes=False)
    assert '<strong><data class="v" value="-1.25" data-name="answer/gain/estimate">1.3</data></strong>' in numbers.html(
        text
    )
    with pytest.raises(ValueError, match="gain"):
        numbers.count("gain", 3)


def test_a_source_without_a_short_name_is_refused():
    with pytest.raises(InstrumentError, match="x-2020 without `short`"):
        with_short_names({"x-2020": {"citation": "X et al. 2020", "short": " "}})
