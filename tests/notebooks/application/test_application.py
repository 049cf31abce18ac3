"""Three published tables and the demo pilot to figure, table, paragraph, size and price; every number by hand."""

import json
import re
from dataclasses import replace
from math import atanh, log, sqrt, tanh
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import chi2, nct, norm, t

from notebooks.analysis import Analysis, hand_over
from notebooks.application import panel_words
from notebooks.application.documents import folder_for, write_first_page
from notebooks.application.gathered import Wanted, _own, gather_application, wanted_from
from notebooks.application.important_difference import important_difference
from notebooks.application.published_forest import published_forest
from notebooks.application.trials_shown import shown_trials
from notebooks.application.write_application import CAUTION, parts_of, write_gathered
from notebooks.commands import main
from notebooks.report.pictures import find_browser
from notebooks.report.reader.summary_sheet import page_count
from outcomes import read_study, threshold
from outcomes.errors import StudyError
from outcomes.library.instrument import Threshold
from outcomes.protocol.outcome_lists import OWN
from stats.effects.other_trials.published_trials import published_effects
from stats.errors import FitError, PlanError
from stats.responders.count import count_responders
from synthetic_cohort import make_cohort

# Invented papers: one prints means and SDs, one changes with standard errors, one an adjusted difference.
PUBLISHED = """source,arm,n,mean_baseline,sd_baseline,mean,sd,change,se_change,difference,\
low_difference,high_difference,unit,doi
Harbour 2016,task practice,22,29.1,13.0,34.6,13.9,,,,,,points,10.0000/invented-1
Harbour 2016,control,21,30.4,12.2,32.3,13.1,,,,,,points,10.0000/invented-1
Moor Lane 2018,practice,30,,,,,6.1,1.1,,,,points,10.0000/invented-2
Moor Lane 2018,usual care,31,,,,,2.4,1.0,,,,points,10.0000/invented-2
Old Quay 2020,practice,18,,,,,,,3.9,0.4,7.4,points,10.0000/invented-3
Old Quay 2020,control,17,,,,,,,,,,points,10.0000/invented-3
"""
COSTS = """item,kind,arm,quantity,per,price,currency,price_year,life_years,maintenance
Practice box,device,practice,10,participant,240,EUR,2024,4,20
Training,training,practice,1,participant,60,EUR,2024,,
Supervised by phone,therapist time,practice,0.1,minute,1.1,EUR,2024,,
Usual care,therapist time,,8,participant,45,EUR,2024,,
Assessment,research only,,4,participant,90,EUR,2024,,
Trial office,other,,1,trial,15000,EUR,2024,,
"""
PRIMARY = "fma_ue.motor"


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("application") / "demo"
    make_cohort("demo", seed=1, folder=place)
    (place / "published.csv").write_text(PUBLISHED)
    (place / "costs.csv").write_text(COSTS)
    return place


@pytest.fixture(scope="module")
def analysis(folder) -> Analysis:
    return Analysis(read_study(folder))


@pytest.fixture(scope="module")
def found(analysis):
    return gather_application(analysis, Wanted(pool=True, willingness=(0, 2000), later_patients=4000))


def interval(middle, error, df):
    reach = t.ppf(0.975, df) * error
    return pytest.approx((middle, middle - reach, middle + reach), rel=1e-9)


def test_every_published_effect_by_hand(found):
    rows = found.effects.frame().set_index("study")[["estimate", "conf_low", "conf_high", "band_low", "band_high"]]

    def change(r):
        v1 = (13.0**2 + 13.9**2 - 2 * r * 13.0 * 13.9) / 22
        v2 = (12.2**2 + 13.1**2 - 2 * r * 12.2 * 13.1) / 21
        return sqrt(v1 + v2), (v1 + v2) ** 2 / (v1**2 / 21 + v2**2 / 20)

    assert tuple(rows.iloc[0, :3]) == interval((34.6 - 29.1) - (32.3 - 30.4), *change(0.7))
    error, df = change(0.5)  # the lowest correlation assumed gives the widest interval
    assert tuple(rows.iloc[0, 3:]) == pytest.approx((3.6 - t.ppf(0.975, df) * error, 3.6 + t.ppf(0.975, df) * error))
    a, b = 1.1**2, 1.0**2
    assert tuple(rows.iloc[1, :3]) == interval(3.7, sqrt(a + b), (a + b) ** 2 / (a**2 / 29 + b**2 / 30))
    assert tuple(rows.iloc[2, :3]) == pytest.approx((3.9, 0.4, 7.4), rel=1e-9)


def test_the_pooled_line_by_hand(found):
    frame = found.effects.frame()
    y, v = frame["estimate"].to_numpy(), frame["std_error"].to_numpy() ** 2

    def excess(tau2):
        w = 1 / (v + tau2)
        return (w * (y - (w * y).sum() / w.sum()) ** 2).sum() - 2

    tau2 = brentq(excess, 0, 100) if excess(0) > 0 else 0.0
    w = 1 / (v + tau2)
    middle, scale = (w * y).sum() / w.sum(), max(1.0, (excess(tau2) + 2) / 2)
    error = sqrt(scale / w.sum())
    made = found.pooled
    assert (made.estimate, made.conf_low, made.conf_high) == interval(middle, error, 2)
    reach = t.ppf(0.975, 1) * sqrt(tau2 + error**2)
    assert (made.prediction_low, made.prediction_high) == pytest.approx((middle - reach, middle + reach))
    assert "hardly known" in panel_words.paragraph(found).paragraphs[1]


def test_the_pilot_stands_beside_and_is_not_pooled(found, analysis):
    rows = analysis.fit(PRIMARY).between().frame()
    own = rows[rows["visit"] == analysis.headline_visit(PRIMARY)].iloc[0]
    assert (found.own.estimate, found.own.low) == (own["estimate"], own["conf_low"])
    assert len(found.pooled.studies) == 3
    both = gather_application(analysis, Wanted(with_pilot=True))
    assert len(both.pooled.studies) == 4
    alone = gather_application(analysis)
    assert alone.pooled is None
    assert "Nothing is pooled" in published_forest(alone).layout.meta["caption"]


def test_the_size_by_hand(found, analysis):
    """SD and correlation from pilot and papers, then analysis of covariance by the noncentral t (scipy)."""
    changes = analysis.changes(PRIMARY)
    known = changes[changes["missing"] == ""]
    inside = known[["before", "after"]] - known.groupby("arm")[["before", "after"]].transform("mean")
    df = len(known) - 2
    own_sd, own_r = sqrt((inside["after"] ** 2).sum() / df), inside["before"].corr(inside["after"])
    paper_sd = sqrt((21 * 13.9**2 + 20 * 13.1**2) / 41)
    logs, weights = np.log([own_sd, paper_sd]), np.array([2 * df, 2 * 41])
    mean = (weights * logs).sum() / weights.sum()
    q = (weights * (logs - mean) ** 2).sum()
    assert q < 1  # so the two agree within chance, and their df add up
    sd, r = found.plan.inputs["sd"], found.plan.inputs["correlation"]
    assert log(sd.value) == pytest.approx(mean)
    assert sd.df == pytest.approx(df + 41)
    assert (r.value, r.pairs) == (pytest.approx(own_r), df + 1)  # no paper prints one
    low, high = r.interval()
    assert (low, high) == pytest.approx(
        [tanh(atanh(own_r) + z * 1.959964 / sqrt(df + 1 - 3)) for z in (-1, 1)], rel=1e-5
    )
    difference = threshold("fma_ue-motor-page-2012-lowest").value
    assert found.plan.inputs["difference"].value == difference

    def power(n):  # one degree of freedom for the covariate; its chance imbalance averaged out by n - 3/2
        shift = difference / (sd.value * sqrt(1 - own_r**2)) * sqrt(n / 2 * (2 * n - 3) / (2 * n - 2))
        return nct.sf(t.isf(0.025, 2 * n - 3), 2 * n - 3, shift)

    n = found.plan.n_per_arm
    assert power(n - 1) < 0.9 <= power(n) + 0.01
    assert found.plan.power == pytest.approx(power(n), abs=0.01)
    lost = (changes["missing"] != "").mean()
    assert max(found.plan.recruit) == int(np.ceil(n / (1 - lost) - 1e-9))


def test_every_cost_by_hand(found, analysis):
    study = analysis.study
    minutes = study.sessions.groupby("participant")["minutes_performed"].sum()
    by_arm = study.participants.set_index("participant")["arm"]
    own = (
        minutes.reindex(by_arm.index[by_arm == "practice"]).fillna(0) * 0.1 * 1.1 + 240 / 4 / 10 + 20 / 10 + 60 + 8 * 45
    )
    frame = found.costs.frame().set_index("arm")
    assert frame.loc["practice", "mean"] == pytest.approx(own.mean())
    assert frame.loc["practice", "sd"] == pytest.approx(own.std())
    assert frame.loc["usual", "mean"] == 360
    people = max(found.plan.recruit)
    assert found.costs.of_trial(people) == pytest.approx(people * (own.mean() + 360) + 2 * people * 360 + 15_000)
    counted = count_responders(analysis.scores, "fma_ue-motor-page-2012-lowest", participants=study.participants,
                               design=study.protocol)  # fmt: skip
    shares = {count.arm: (count.improved, count.observed) for count in counted.counts}
    (x1, n1), (x0, n0) = shares["practice"], shares["usual"]
    gained = x1 / n1 - x0 / n0
    price = found.responder_price
    if gained > 0:
        assert price.estimate == pytest.approx((own.mean() - 360) / gained)
        # Fieller's limits are where the net benefit per responder may be zero
        se = sqrt(x1 / n1 * (1 - x1 / n1) / n1 + x0 / n0 * (1 - x0 / n0) / n0)
        for limit in (price.conf_low, price.conf_high):
            if np.isfinite(limit) and limit > 0:
                benefit = limit * gained - (own.mean() - 360)
                error = sqrt(limit**2 * se**2 + own.var() / len(own))
                assert abs(benefit) / error == pytest.approx(norm.ppf(0.975))
    else:
        assert "No cost per additional responder" in price.sentence()


def test_a_larger_trials_worth_by_hand(found, analysis):
    """A normal prior from the pilot's own people; what the next mean may show, integrated (scipy quad)."""
    study, (willingness, made) = analysis.study, found.worth[1]
    counted = count_responders(analysis.scores, "fma_ue-motor-page-2012-lowest", participants=study.participants,
                               design=study.protocol)  # fmt: skip
    people = counted.people[counted.people["class"] != "missing"].merge(found.costs.people, on=["participant", "arm"])
    people = people.assign(net=willingness * (people["class"] == "improved") - people["cost"])
    one, two = (people.loc[people["arm"] == arm, "net"] for arm in ("practice", "usual"))
    mean, sd = one.mean() - two.mean(), sqrt(one.var() / len(one) + two.var() / len(two))
    assert (willingness, made.mean, made.sd) == (2000, pytest.approx(mean), pytest.approx(sd))
    df = len(one) + len(two) - 2
    pooled = ((len(one) - 1) * one.var() + (len(two) - 1) * two.var()) / df
    per_person = sqrt(pooled * df / chi2.ppf(0.2, df))  # one-sided 80 % limit
    assert made.sd_per_person == pytest.approx(per_person)
    row = made.frame().set_index("n_per_arm").loc[100]
    after = sd**2 / sqrt(sd**2 + 2 * per_person**2 / 100)
    gain = quad(lambda x: max(x, 0) * norm.pdf(x, mean, after), mean - 12 * after, mean + 12 * after, points=[0])[0]
    assert row["value"] == pytest.approx(gain - max(mean, 0), rel=1e-6)
    assert row["cost"] == pytest.approx(found.costs.of_trial(100))
    shown = panel_words.worth_table(found)
    assert "upper 80 % limit" in " ".join(shown.notes)
    assert shown.frame["net_value"].iloc[1] == pytest.approx(
        (4000 * made.frame()["value"] - made.frame()["cost"]).max()
    )


def test_a_studys_own_change_can_be_the_difference_that_matters(analysis):
    own = Threshold(key="panel", scale="motor", value=6.0, unit="points", quantity=OWN, better="higher",
                    population="this study", phase="", method="", n="", source="six therapists, invented")  # fmt: skip
    protocol = analysis.study.protocol

    def asked(target=None, **changed):
        study = SimpleNamespace(protocol=replace(protocol, **changed))
        return important_difference(SimpleNamespace(study=study), target, standardised=False)

    alone = asked(thresholds={}, own_thresholds={PRIMARY: (own,)})
    assert (alone[0].value, alone[2]) == (6.0, 6.0)
    assert alone[1] == "the study's own: six therapists, invented"
    both = {"own_thresholds": {PRIMARY: (own,)}}
    assert asked(**both)[0].value == 4.25  # study.toml names the published one first
    assert asked("panel", **both)[0].value == 6.0
    with pytest.raises(PlanError, match="none is chosen"):
        asked(thresholds={})
    with pytest.raises(PlanError, match="share of each person's baseline"):
        asked(thresholds={}, own_thresholds={PRIMARY: (replace(own, unit="% of baseline"),)})


def test_the_figure_holds_what_the_table_holds(found):
    figure = published_forest(found)
    points = dict(figure.layout.meta["points"])
    assert points["label"][:3] == ["Harbour 2016", "Moor Lane 2018", "Old Quay 2020"]
    assert points["part"] == ["published"] * 3 + ["pooled", "prediction", "pilot"]
    assert points["estimate"][:3] == found.effects.frame()["estimate"].tolist()
    assert points["estimate"][-1] == found.own.estimate
    drawn = json.dumps(figure.to_plotly_json(), default=str)
    assert "matters: 4.25 points" in drawn


IDS = re.compile(r"fma_ue|\bpractice\b - |page-2012|week8|paule-mandel|hartung-knapp|pre-post-control|nan\b|None")


def test_files_can_be_pasted_and_a_panel_can_read_one_page(found, tmp_path, monkeypatch):
    monkeypatch.setenv("BROWSER_PATH", str(tmp_path / "none"))  # without a browser the page draws its own figures
    made = write_gathered(found, folder_for(tmp_path / "out", tmp_path / "study", "application.html"))
    page = (tmp_path / "out" / "application.html").read_text()
    words = re.sub(r"<script.*?</script>|<style.*?</style>|<[^>]+>", " ", page, flags=re.S)
    assert not IDS.findall(words)
    text = (tmp_path / "out" / "paragraph.txt").read_text()
    assert not IDS.findall(text)
    assert "A pilot cannot show" in text
    assert "In 1 of 3 the correlation" in text
    assert {path.suffix for path in made.files} >= {".html", ".docx", ".txt", ".csv"}
    assert any("browser" in line for line in made.missing)
    table = pd.read_csv(tmp_path / "out" / "tables" / "published_effects.csv")
    assert table["doi"].tolist() == ["10.0000/invented-1", "10.0000/invented-2", "10.0000/invented-3"]
    curve = pd.read_csv(tmp_path / "out" / "tables" / "power_at_every_size.csv")
    assert (curve["n_per_arm"].diff().dropna() == 1).all()
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("x")
    with pytest.raises(StudyError, match="other files"):
        folder_for(tmp_path / "mine", tmp_path, "application.html")


@pytest.mark.skipif(find_browser() is None, reason="needs a Chromium-family browser")
def test_the_page_for_the_panel_is_one_sheet(found, tmp_path):
    (tmp_path / "figures").mkdir()
    for name, width in (("published_trials", 692), ("published_trials_89mm", 336)):  # stands for the drawing, its size
        drawing = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="400"><rect width="9" height="9"/></svg>'
        )
        (tmp_path / "figures" / f"{name}.svg").write_text(drawing)
    parts = parts_of(found)
    files, missing = write_first_page(parts, tmp_path, "panel.pdf", title="The next trial", lead=(), caution=CAUTION)
    assert missing == []
    printed = files[0].read_bytes()
    assert page_count(printed) == 1
    assert re.search(rb"MediaBox\s*\[0 0 59[45][.\d]* 84[12][.\d]*\]", printed)  # A4 in points


def test_the_notebook_needs_six_cells_for_figure_table_paragraph_and_size(analysis):
    notebook = json.loads((Path(__file__).parents[3] / "notebooks" / "11_the_application.ipynb").read_text())
    code = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    hand_over("my_study", analysis)
    names: dict = {}
    shown = []
    for source in code:
        lines = source.splitlines()
        exec("\n".join(lines[:-1]), names)
        try:
            shown.append(eval(lines[-1], names))
        except SyntaxError:
            exec(lines[-1], names)
    assert len(code) <= 12
    asked = [index for index, source in enumerate(code) if source.startswith(("published_forest", "words."))]
    assert asked.index(code.index("words.size_table(found)")) + 3 <= 10
    assert all(item is not None for item in shown[:-1])
    assert "Adapt it" in "".join(notebook["cells"][-1]["source"])


def test_what_cannot_be_said_is_said(analysis, folder, tmp_path, capsys):
    with pytest.raises(StudyError, match="no published trial"):
        gather_application(analysis, published=analysis.study.published[:0])
    other = gather_application(analysis, Wanted(kind="g"), published=pd.DataFrame(
        {"source": ["A"] * 2, "arm": ["x", "control"], "outcome": "", "n": 20, "mean": [9.0, 6.0], "sd": 4.0}
    ))  # fmt: skip
    assert any("other quantities" in line for line in other.left_out)  # SD of the values against SD at baseline
    assert main(["application", str(tmp_path / "nowhere"), "--to", str(tmp_path / "out")]) == 1
    assert "no such study folder" in capsys.readouterr().err


def test_a_trial_without_enough_numbers_is_left_out_and_named(analysis):
    poor = pd.DataFrame({"source": ["Thin Paper"] * 2, "arm": ["practice", "control"], "n": [12, 12],
                         "mean": [30.0, 28.0]})  # fmt: skip
    left_out: list[str] = []
    frame = pd.concat([analysis.study.published.iloc[:2], poor.assign(outcome="")], ignore_index=True)
    frame[["source", "arm", "outcome"]] = frame[["source", "arm", "outcome"]].fillna("")
    made = shown_trials(analysis.study, frame, None, (0.7,), left_out)
    assert made.frame()["study"].tolist() == ["Harbour 2016"]
    assert "Thin Paper" in left_out[0]
    with pytest.raises(FitError, match="Thin Paper"):
        shown_trials(analysis.study, frame.iloc[2:], None, (0.7,), [])


def test_a_pilot_in_another_unit_does_not_stand_on_the_axis(analysis):
    effects = SimpleNamespace(kind="mean-difference", unit="seconds")
    with pytest.raises(FitError, match="it is in points, the published ones in seconds"):
        _own(analysis, effects)
    assert np.isnan(important_difference(analysis, None, standardised=False, axis="seconds")[2])


def test_the_sd_at_baseline_is_one_quantity_whatever_its_name(analysis):
    frame = analysis.study.published.iloc[:2]
    made = gather_application(analysis, Wanted(kind="pre-post-control", correlation=(0.7,)), published=frame)
    assert made.own is not None
    assert published_effects(frame, kind="pre-post-control", correlation=0.7)["standardiser"] == "pooled SD at baseline"
    assert made.important[2] < 1  # 4.25 points in units of that SD


def test_options_become_what_is_wanted():
    assert wanted_from(correlation=[0.5, 0.9], pool=True, power=None) == Wanted(correlation=(0.5, 0.9), pool=True)
