"""What has departed from the locked plan, step by step from the first lock to now, each with its reason."""

import itertools
from dataclasses import dataclass

from outcomes.lock.analysis_plan import PlanChange, plan_changes, plan_of
from outcomes.lock.lock_file import LOCKED, Event, Lock
from outcomes.protocol.trial import Departure, Protocol

NO_REASON = "no reason given"


@dataclass(frozen=True)
class PlanDeparture:
    """One key of the plan that is not as it was locked.

    step: until or since when. locked, now: the value before and after that step. date, reason: as [[departures]] of
    study.toml says, or for an amended plan that was locked again, as its lock says.
    """

    step: str
    key: str
    locked: str
    now: str
    date: str
    reason: str

    @property
    def explained(self) -> bool:
        """Whether study.toml, or the later lock, gives a reason."""
        return self.reason != NO_REASON


def departures(protocol: Protocol, lock: Lock | None) -> tuple[PlanDeparture, ...]:
    """Every change of the plan since it was first locked, step by step: each later lock, the unblinding, now."""
    if lock is None:
        return ()
    found: list[PlanDeparture] = []
    for earlier, later in itertools.pairwise(lock.events):
        again = later.event == LOCKED
        step = f"until locked again on {later.date[:10]}" if again else f"until unblinded on {later.date[:10]}"
        for change in plan_changes(earlier.plan, later.plan):
            found.append(_amended(change, step, later) if again else _departed(change, step, protocol))
    last = lock.events[-1]
    step = f"since {'locked' if last.event == LOCKED else 'unblinded'} on {last.date[:10]}"
    found += [_departed(change, step, protocol) for change in plan_changes(last.plan, plan_of(protocol))]
    return tuple(found)


def _amended(change: PlanChange, step: str, later: Event) -> PlanDeparture:
    """A change that the later lock took in, with the reason of locking again."""
    return PlanDeparture(step, change.key, change.was, change.now, later.date[:10], later.reason or NO_REASON)


def _departed(change: PlanChange, step: str, protocol: Protocol) -> PlanDeparture:
    told = explanation(change.key, protocol.departures)
    date, reason = (told.date, told.reason) if told else ("", NO_REASON)
    return PlanDeparture(step, change.key, change.was, change.now, date, reason)


def explanation(key: str, given: tuple[Departure, ...]) -> Departure | None:
    """The entry of [[departures]] about a key: of the key itself, or of the table it is in."""
    about = [each for each in given if _about(each.key, key)]
    return next((each for each in about if _plain(each.key) == key), about[0] if about else None)


def unused_explanations(protocol: Protocol, found: tuple[PlanDeparture, ...]) -> tuple[Departure, ...]:
    """Entries of [[departures]] about keys that are as locked."""
    return tuple(each for each in protocol.departures if not any(_about(each.key, one.key) for one in found))


def _about(told: str, key: str) -> bool:
    told = _plain(told)
    return key == told or key.startswith(f"{told}.") or told.startswith(f"{key}.")


def _plain(told: str) -> str:
    """A key as people type it ([model] df, thresholds."fma_ue.motor") as it is in the plan."""
    return ".".join(told.replace('"', "").replace("[", " ").replace("]", " ").split())
