"""What may leave a site: no group of fewer than a minimum of people alike, and no small difference between two files.

What sums disclose. A file holds counts, sums, sums of squares and products of the values of people who are alike: who
attended the same visits, in the same arm (and site, where the plan names sites), with the same level of every category.
    - A group of one is that person: the sums are the values. Hence the minimum (`small_groups`).
    - Two files of nested data differ by the people between them: take one from the other, and a single newcomer's
      values stand there. Hence the ledger (`Ledger`): every file sent is remembered at the site, and a new one is
      refused while fewer than the minimum of a group joined, left or changed since any earlier file.
What the guards do not do. Means and spreads of each group are disclosed, that is the purpose. Whoever knows all but one
of a group knows the last. Whole numbers of a short scale leave few ways to make the same sums: with five people and six
visits some can be found by trying all. Several files together can say more than any two. A site that deletes its ledger
has none. Between parties who would do such things a contract is needed, not a number.

The minimum of 5 is common practice, no source; a site's own rules decide.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from stats.errors import FitError

MINIMUM = 5
NAME = "moments_sent.json"


def small_groups(profiles: Mapping[str, pd.Series], minimum: int) -> dict[str, list[str]]:
    """Participants of each outcome in groups of fewer than `minimum` people alike."""
    found = {}
    for outcome, profile in profiles.items():
        size = profile.map(profile.value_counts())
        small = sorted(size.index[size < minimum])
        if small:
            found[outcome] = small
    return found


def refuse_small(found: Mapping[str, list[str]], minimum: int) -> None:
    """FitError that says how many people are in groups too small to leave."""
    if found:
        told = "; ".join(f"{outcome}: {len(people)} ({', '.join(people[:5])})" for outcome, people in found.items())
        raise FitError(
            f"Some participants are in groups of fewer than {minimum} people alike (same visits attended, arm, site "
            f"and categories); their sums would show single people's values. {told}. Leave them out with --leave-out "
            "(the file says how many), take categories out of the plan, or wait for more people."
        )


@dataclass
class Ledger:
    """The files a site has sent: outcome -> group and fingerprint of every participant, per file. Stays at the site."""

    path: Path
    files: list[dict]

    @classmethod
    def of(cls, folder: Path) -> "Ledger":
        """The ledger of a study folder, empty where nothing was sent."""
        path = folder / NAME
        if not path.exists():
            return cls(path, [])
        try:
            return cls(path, json.loads(path.read_text(encoding="utf-8"))["files"])
        except (ValueError, KeyError, TypeError) as error:
            raise FitError(
                f"{path} cannot be read ({error}). It remembers what was sent, so that no two files can be compared to "
                "show one person: restore it from a backup before sending more."
            ) from None

    def entry(self, profiles: Mapping[str, pd.Series], contents: Mapping[str, pd.Series]) -> dict:
        """What is remembered of a file: for each outcome participant -> [group, fingerprint], as hashes."""
        return {
            outcome: {
                str(person): [_short(profile[person]), _short(contents[outcome][person])] for person in profile.index
            }
            for outcome, profile in profiles.items()
        }

    def refuse_difference(self, entry: Mapping[str, Mapping[str, list[str]]], minimum: int) -> None:
        """FitError where a group differs from an earlier file's by at least one and fewer than `minimum` people."""
        for number, sent in enumerate(self.files, start=1):
            for outcome, now in entry.items():
                was = sent["people"].get(outcome, {})
                moved: dict[str, set[str]] = {}
                for person in was.keys() | now.keys():
                    one, other = was.get(person), now.get(person)
                    if one != other:
                        for side in (one, other):
                            if side is not None:
                                moved.setdefault(side[0], set()).add(person)
                short = {person for people in moved.values() if len(people) < minimum for person in people}
                if short:
                    raise FitError(
                        f"{outcome}: since file {number} was sent ({sent['to']}), {len(short)} participants joined, "
                        f"left or changed in groups where fewer than {minimum} did ({', '.join(sorted(short)[:5])}). "
                        "The difference between the two files would show their values. Send when more have changed, "
                        "or leave those out who are new (--leave-out)."
                    )

    def add(self, entry: dict, to: str, minimum: int) -> None:
        """Remember a file that was written."""
        self.files.append({"to": to, "minimum": minimum, "people": entry})
        self.path.write_text(json.dumps({"files": self.files}, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]
