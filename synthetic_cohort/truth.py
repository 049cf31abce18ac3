"""What is true of a cohort: expected scores without the luck of the day, and who truly changed by how much."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from outcomes.library.registry import outcome_scale, threshold
from synthetic_cohort.design import CohortDesign
from synthetic_cohort.forms.drawn_scores import score_answers
from synthetic_cohort.forms.responses import PersonNoise, draw_answers
from synthetic_cohort.forms.retest_noise import occasion_sd
from synthetic_cohort.people.ability import Ability, Array
from synthetic_cohort.people.attendance import ATTENDED, MISSED
from synthetic_cohort.score_batches import simulate_scores

REMEASUREMENTS = 400  # the true score of a person is the mean over this many imagined repeats of each visit
POPULATION = 20_000  # people per arm behind the population figures


@dataclass(frozen=True)
class Draw:
    """What a cohort was drawn from: abilities, each person's own item noise by instrument, attendance (N, V), codes."""

    ability: Ability
    noise: Mapping[str, PersonNoise]
    status: NDArray[np.int8]
    codes: NDArray[np.str_]


@dataclass(frozen=True)
class Truth:
    """The truth of one cohort.

    people: one row per person, visit and outcome: participant, arm, visit, outcome, true_score, true_improvement
    (from the first visit, positive is better), status.
    ledger: planted errors, one row each.
    """

    design: CohortDesign
    seed: int
    people: pd.DataFrame
    ledger: pd.DataFrame

    def responders(self, outcome: str, visit: str, threshold: float) -> tuple[str, ...]:
        """Participants whose true improvement at `visit` is `threshold` or more."""
        rows = self.people[(self.people["outcome"] == outcome) & (self.people["visit"] == visit)]
        return tuple(rows.loc[rows["true_improvement"] >= threshold, "participant"])

    def responder_lists(self) -> list[dict[str, Any]]:
        """True responders at every later visit for each threshold of the protocol.

        Raises InstrumentError for a threshold key that does not exist.
        """
        return [
            {
                "outcome": outcome,
                "threshold": key,
                "value": threshold(key).value,
                "visit": visit,
                "participants": list(self.responders(outcome, visit, threshold(key).value)),
            }
            for outcome, keys in self.design.protocol.get("thresholds", {}).items()
            for key in keys
            for visit in [planned.id for planned in self.design.visits[1:]]
        ]

    def means(self) -> pd.DataFrame:
        """True mean score and improvement by outcome, arm and visit over the people enrolled."""
        keys = ["outcome", "arm", "visit"]
        return self.people.groupby(keys, sort=False)[["true_score", "true_improvement"]].mean().reset_index()

    def as_dict(self) -> dict[str, Any]:
        """Plain tables for `truth.json`."""
        return {
            "note": f"Invented cohort. {self.design.story}",
            "design": self.design.name,
            "seed": self.seed,
            "true_score": f"mean of {REMEASUREMENTS} imagined repeats of the visit, without rater and practice effects",
            "latent_effects": {arm.id: dict(arm.effect) for arm in self.design.arms},
            "population": _rows(population_effects(self.design)),
            "true_responders": self.responder_lists(),
            "means": _rows(self.means()),
            "participants": _rows(self.people),
            "planted_errors": _rows(self.ledger),
        }


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    numbers = frame.select_dtypes("float").columns
    return frame.assign(**{name: frame[name].astype(float).round(4) for name in numbers}).to_dict(orient="records")


def personal_truth(design: CohortDesign, seed: int, draw: Draw, ledger: pd.DataFrame) -> Truth:
    """True score of every person at every visit, by measuring each visit many times over."""
    rng = np.random.default_rng([seed, 1])
    words = {ATTENDED: "attended", MISSED: "missed"}
    parts = []
    outcomes = [outcome for outcome in design.outcomes if _measured(design, outcome)]
    for outcome, stream in zip(outcomes, rng.spawn(len(outcomes)), strict=True):
        score = true_scores(design, outcome, draw.ability, draw.noise[outcome.split(".")[0]], stream)[0]
        better = 1.0 if outcome_scale(outcome)[1].better == "higher" else -1.0
        people, visits = score.shape
        parts.append(
            pd.DataFrame(
                {
                    "participant": np.repeat(draw.codes, visits),
                    "arm": np.repeat([design.arms[arm].id for arm in draw.ability.arm], visits),
                    "visit": np.tile([visit.id for visit in design.visits], people),
                    "outcome": outcome,
                    "true_score": score.ravel(),
                    "true_improvement": (better * (score - score[:, :1])).ravel(),
                    "status": [words.get(int(status), "withdrawn") for status in draw.status.ravel()],
                }
            )
        )
    people_frame = pd.concat(parts, ignore_index=True)
    return Truth(
        design, seed, people_frame.sort_values(["outcome", "participant"], kind="stable", ignore_index=True), ledger
    )


def _measured(design: CohortDesign, outcome: str) -> bool:
    return any(measure.instrument == outcome.split(".")[0] for measure in design.measures)


def true_scores(design: CohortDesign, outcome: str, ability: Ability, noise: PersonNoise, rng: Generator) -> Array:
    """Expected score (R, N, V) of each person: ability and the person's own item noise kept, the day redrawn."""
    measure = replace(design.measure(outcome.split(".")[0]), hands=("affected",), conditions=("unassisted",))
    repeats = REMEASUREMENTS
    total = np.zeros(ability.affected.shape[:3])
    own = PersonNoise(noise.items[:, :, :, :1])
    for stream in rng.spawn(4):
        many = _repeated(ability, repeats // 4)
        tiled = PersonNoise(np.repeat(own.items, repeats // 4, axis=0))
        answers = draw_answers(
            design, measure, many, stream, tiled, day_sd=occasion_sd(design, measure), observed=False
        )
        score = score_answers(answers, outcome, design)[..., 0, 0]
        total += score.reshape(-1, repeats // 4, *score.shape[1:]).mean(axis=1)
    return total / 4


def _repeated(ability: Ability, repeats: int) -> Ability:
    return Ability(
        arm=ability.arm,
        affected=np.repeat(ability.affected, repeats, axis=0),
        other=np.repeat(ability.other, repeats, axis=0),
        people={name: np.repeat(values, repeats, axis=0) for name, values in ability.people.items()},
    )


def population_effects(design: CohortDesign, outcome: str = "") -> pd.DataFrame:
    """True mean improvement of each arm by visit, and its difference from the reference arm, in the population.

    outcome: the primary one where none is named. Returns columns outcome, arm, visit, improvement, effect, error:
    `effect` is the difference of mean improvement from the reference arm (0 there; missing in a single-arm study),
    `error` the Monte-Carlo standard error of the improvement.
    """
    frame = _population(design.text, outcome or str(design.protocol["primary"]))
    reference = next((arm.id for arm in design.arms if arm.reference), None)
    base = frame[frame["arm"] == reference].set_index("visit")["change_mean"]
    return pd.DataFrame(
        {
            "outcome": frame["outcome"],
            "arm": frame["arm"],
            "visit": frame["visit"],
            "improvement": frame["change_mean"],
            "effect": frame["change_mean"] - frame["visit"].map(base),
            "error": frame["change_sd"] / np.sqrt(frame["people"]),
        }
    )


@lru_cache(maxsize=64)
def _population(text: str, outcome: str) -> pd.DataFrame:
    return population_truth(CohortDesign.from_toml(text), [outcome])


def population_truth(
    design: CohortDesign, outcomes: Sequence[str] = (), *, people: int = POPULATION, seed: int = 20310113
) -> pd.DataFrame:
    """Mean and SD of observed scores and of observed improvement in the population behind a design, nobody missing.

    outcomes: ids, one a row of the result; the primary one where empty. people: how many are drawn per arm. Returns
    columns outcome, arm, visit, mean, sd, change_mean, change_sd, mean_error (Monte-Carlo standard error of `mean`),
    people. The score of a visit includes the noise of the day.
    Raises StudyError where the design does not measure an outcome, InstrumentError where the catalogue does not have
    it.
    """
    wanted = tuple(outcomes) or (str(design.protocol["primary"]),)
    big = replace(design, arms=tuple(replace(arm, n=200) for arm in design.arms))
    drawn = simulate_scores(big, np.random.default_rng(seed), max(1, people // 200), wanted, missing="none")
    rows = []
    for outcome in wanted:
        better = 1.0 if outcome_scale(outcome)[1].better == "higher" else -1.0
        for number, arm in enumerate(drawn.arms):
            scores = drawn.y[outcome][:, drawn.arm == number].reshape(-1, len(drawn.visits))
            for place, visit in enumerate(drawn.visits):
                change = better * (scores[:, place] - scores[:, 0])
                rows.append(
                    {
                        "outcome": outcome,
                        "arm": arm,
                        "visit": visit,
                        "mean": float(scores[:, place].mean()),
                        "sd": float(scores[:, place].std(ddof=1)),
                        "change_mean": float(change.mean()),
                        "change_sd": float(change.std(ddof=1)),
                        "mean_error": float(scores[:, place].std(ddof=1) / np.sqrt(len(scores))),
                        "people": len(scores),
                    }
                )
    return pd.DataFrame(rows)
