"""A whole report computes each thing once: one reading, one check, one scoring, one fit of each main model."""

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
# Every function of interest is replaced, wherever it was imported to, by one that writes down its call; the worker
# processes are forks and write into the same file.
COUNTED = """
import functools, importlib, json, pkgutil, sys
import notebooks, outcomes, stats
from outcomes.protocol.trial import ModelChoice
for package in (outcomes, stats, notebooks):
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
from outcomes import check, read_study, score
from stats.change.change_fit import fit_change
from stats.change.crossover import fit_crossover

def written(function):
    @functools.wraps(function)
    def call(*given, **named):
        line = [function.__name__]
        if function.__name__.startswith("fit_"):
            scores, outcome = given
            design = named["design"]
            main = function is fit_crossover or named.get("model") in (None, design.model)
            line += [outcome, main, len(scores[scores["outcome"] == outcome])]
        with open(sys.argv[3], "a") as file:
            file.write(json.dumps(line) + "\\n")
        return function(*given, **named)
    return call

for function in (read_study, check, score, fit_change, fit_crossover):
    counting = written(function)
    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] in ("outcomes", "stats", "notebooks"):
            for key, value in list(vars(module).items()):
                if value is function:
                    setattr(module, key, counting)
from notebooks.commands import main
sys.exit(main(["report", sys.argv[1], "--to", sys.argv[2], "--no-pictures", "--quiet", "--processes", "2"]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forks on Linux only; others do not see the counting")
@pytest.mark.parametrize("study", ["demo", "crossover"])
def test_a_report_reads_checks_scores_and_fits_each_main_model_once(study, tmp_path):
    from synthetic_cohort import make_cohort

    make_cohort(study, seed=1, folder=tmp_path / "study")
    (tmp_path / "counted.py").write_text(COUNTED)
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin",
                  "HOME": str(tmp_path)}  # fmt: skip
    command = [sys.executable, tmp_path / "counted.py", tmp_path / "study", tmp_path / "report", tmp_path / "calls"]
    done = subprocess.run(command, env=one_thread, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    calls = [json.loads(line) for line in (tmp_path / "calls").read_text().splitlines()]
    counts = Counter(name for name, *_ in calls)
    assert {name: counts[name] for name in ("read_study", "check", "score")} == {
        "read_study": 1, "check": 1, "score": 1,
    }  # fmt: skip
    fits = Counter(tuple(call) for call in calls if call[0].startswith("fit_") and call[2])
    everyone = {}
    for name, outcome, _, rows in fits:
        everyone[name, outcome] = max(rows, everyone.get((name, outcome), 0))
    assert len(everyone) >= 2
    whole = {(name, outcome): fits[name, outcome, True, rows] for (name, outcome), rows in everyone.items()}
    assert set(whole.values()) == {1}, whole
