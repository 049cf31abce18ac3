"""The damage campaign: thousands of damaged folders and protocols, and what must be 0 of all of them.

    python -m tests.damage.campaign --to FILE                         # 5,000 folders, 5,000 protocols; an hour or two
    python -m tests.damage.campaign --folders 200 --protocols 500     # some minutes
    python -m tests.damage.campaign --only folder 1234                # one case again, with all it says

Case n is the same in every run: its preset, its format and its damage are drawn from n alone. With --to every verdict
is written as it falls, and the same command goes on where a stopped run was. Counted are tracebacks,
hangs above a minute, lines or rows unaccounted for, changes in silence, and texts of a folder that were run.
"""

import argparse
import json
import random
import time
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from zipfile import BadZipFile

from outcomes import StudyError, check, read_study
from outcomes.lock.analysis_plan import plan_digest, plan_of
from outcomes.protocol.study_toml import read_protocol
from outcomes.reading.study_folder import Study
from tests.damage import folder_blows, good_folders, protocol_blows
from tests.damage.verdicts import Good, Hang, Verdict, judge, limited, of_good

BAD = ("traceback", "hang", "run")


@cache
def _good(preset: str, form: str) -> Good:
    with TemporaryDirectory() as place:
        return of_good(good_folders.write(preset, form, Path(place) / "study"))


def folder_case(number: int) -> Verdict:
    """Folder number n, damaged one to three times and judged."""
    rng = random.Random(f"folder {number}")
    presets = good_folders.names()
    preset, form = presets[number % len(presets)], good_folders.FORMATS[number // len(presets) % 10]
    with TemporaryDirectory() as place:
        folder = good_folders.write(preset, form, Path(place) / "study")
        times = rng.choice([1, 1, 1, 2, 3])
        blows = []
        for _ in range(times):
            try:
                blows.append(folder_blows.strike(folder, form, rng))
            except (OSError, ValueError, IndexError, KeyError, RuntimeError, BadZipFile, zlib.error):
                break  # the file is no longer what the blow is for
        case = f"folder {number}, {preset}, {form}: " + "; ".join(blow.says for blow in blows)
        # Of several damages a later one may hide what an earlier one had to tell.
        return judge(folder, case, _good(preset, form), told=len(blows) == 1 and blows[0].told)


@cache
def _protocols() -> tuple[tuple[str, Study, str], ...]:
    """Text, study and plan of every preset's small folder."""
    made = []
    for preset in good_folders.names():
        with TemporaryDirectory() as place:
            folder = good_folders.write(preset, "csv", Path(place) / "study")
            study = read_study(folder, masked=False)
            made.append(
                ((folder / "study.toml").read_text(encoding="utf-8"), study, plan_digest(plan_of(study.protocol)))
            )
    return tuple(made)


def protocol_case(number: int) -> Verdict:
    """Protocol number n: read, and where it is accepted the study is checked with it."""
    rng = random.Random(f"protocol {number}")
    made = _protocols()
    text, study, plan = made[number % len(made)]
    damaged, blow = protocol_blows.strike(text, rng)
    case = f"protocol {number}: {blow.says}"
    mark = Path(protocol_blows.MARK)
    mark.unlink(missing_ok=True)
    with TemporaryDirectory() as place:
        path = Path(place) / "study.toml"
        path.write_text(damaged, encoding="utf-8", errors="replace")
        verdict = _protocol_verdict(path, case, study, plan, blow.planned)
    if mark.exists():
        verdict = Verdict(case, "run", "text of the protocol was run")
        mark.unlink()
    return verdict


def _protocol_verdict(path: Path, case: str, study: Study, plan: str, planned: bool) -> Verdict:
    import traceback

    try:
        with limited():
            try:
                protocol = read_protocol(path)
            except StudyError as refusal:
                return Verdict(case, "refused", str(refusal))
            changed = plan_digest(plan_of(protocol)) != plan
            findings = check(replace(study, protocol=protocol))
            _fitted(study, protocol)
    except Hang:
        return Verdict(case, "hang")
    except Exception:  # whatever came out is what a user would have seen
        return Verdict(case, "traceback", traceback.format_exc())
    verdict = Verdict(case, "blocked" if findings.blocking else "read")
    if planned and not changed:
        verdict.silent.append("a value of the plan was replaced, and neither refused nor taken into the plan")
    return verdict


def _fitted(study: Study, protocol) -> None:
    """The models of a protocol up to their formulas, where its text would have been run."""
    from outcomes import InstrumentError, score
    from stats import FitError, fit_change

    if protocol.model.random is None and not any(model.random for model in protocol.sensitivity):
        return
    for model in (protocol.model, *protocol.sensitivity):
        try:
            fit_change(score(study), protocol.primary, design=protocol, model=model, participants=study.participants)
        except (FitError, InstrumentError):
            continue


def run(kind: str, numbers: Iterable[int], processes: int = 1) -> Iterator[Verdict]:
    """The verdicts on cases, in order."""
    case = {"folder": folder_case, "protocol": protocol_case}[kind]
    if processes == 1:
        yield from map(case, numbers)
        return
    with ProcessPoolExecutor(processes) as pool:  # a reader that takes its process down breaks the pool, and is seen
        yield from pool.map(case, numbers, chunksize=20)


def counts(verdicts: Iterable[Verdict]) -> dict[str, int]:
    """How the cases ended, and what must be 0."""
    seen = list(verdicts)
    ends = Counter(verdict.outcome for verdict in seen)
    return {
        "cases": len(seen),
        **{name: ends[name] for name in ("read", "blocked", "refused")},
        "tracebacks": ends["traceback"],
        "hangs": ends["hang"],
        "texts run": ends["run"],
        "with lines unaccounted": sum(bool(verdict.unaccounted) for verdict in seen),
        "with silent changes": sum(bool(verdict.silent) for verdict in seen),
    }


def wrong(verdict: Verdict) -> bool:
    """Whether a case ended as none may."""
    return verdict.outcome in BAD or bool(verdict.unaccounted) or bool(verdict.silent)


def read_journal(path: Path | None) -> dict[tuple[str, int], Verdict]:
    """The verdicts of an earlier run, by kind and number; a line cut short by a stop is left out."""
    if path is None or not path.exists():
        return {}
    kept = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            told = json.loads(line)
        except ValueError:
            continue
        case = told.pop("kind"), told.pop("number")
        kept[case] = Verdict(**told)
    return kept


def write_verdict(path: Path, kind: str, number: int, verdict: Verdict) -> None:
    """Adds a verdict to the journal; what a good one said is left out."""
    told = verdict if wrong(verdict) else replace(verdict, said="")
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps({"kind": kind, "number": number, **asdict(told)}) + "\n")


def main() -> int:
    """Run the campaign; exit status 1 where a case ended as none may."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folders", type=int, default=5000)
    parser.add_argument("--protocols", type=int, default=5000)
    parser.add_argument("--start", type=int, default=0, help="number of the first case")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", nargs=2, metavar=("KIND", "NUMBER"))
    parser.add_argument("--again", action="store_true", help="judge the bad cases of FILE again")
    parser.add_argument("--to", type=Path, metavar="FILE", help="journal: one verdict a line; a stopped run goes on")
    options = parser.parse_args()
    if options.only:
        kind, number = options.only
        print(json.dumps(asdict(next(run(kind, [int(number)]))), indent=1).replace("\\n", "\n"))
        return 0
    known = read_journal(options.to)
    if options.again:
        known = {case: verdict for case, verdict in known.items() if not wrong(verdict)}
    bad: list[Verdict] = []
    for kind, wanted in (("protocol", options.protocols), ("folder", options.folders)):
        began, numbers = time.perf_counter(), range(options.start, options.start + wanted)
        left = [number for number in numbers if (kind, number) not in known]
        for number, verdict in zip(left, run(kind, left, options.processes), strict=True):
            known[kind, number] = verdict
            if options.to:
                write_verdict(options.to, kind, number, verdict)
        seen = [known[kind, number] for number in numbers]
        bad += [verdict for verdict in seen if wrong(verdict)]
        print(f"{kind}s: {json.dumps(counts(seen))}; {time.perf_counter() - began:.0f} s", flush=True)
    for verdict in bad:
        last = verdict.said.strip().splitlines()[-1:] if verdict.outcome == "traceback" else []
        print(verdict.case[:200], verdict.outcome, verdict.unaccounted or "", *verdict.silent[:2], *last, sep=" | ")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
