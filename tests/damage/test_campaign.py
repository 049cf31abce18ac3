"""A small part of the damage campaign; the whole is `python -m tests.damage.campaign`."""

import os

import pytest

from tests.damage.campaign import counts, run, wrong

FOLDERS = int(os.environ.get("DAMAGED_FOLDERS", "20"))
PROTOCOLS = int(os.environ.get("DAMAGED_PROTOCOLS", "60"))
BATCHES = 4  # so that several workers share the cases


@pytest.mark.parametrize("batch", range(BATCHES))
@pytest.mark.parametrize(("kind", "cases"), [("folder", FOLDERS), ("protocol", PROTOCOLS)])
def test_no_damage_ends_as_none_may(kind, cases, batch):
    verdicts = list(run(kind, range(batch, cases, BATCHES)))
    assert not [
        f"{verdict.case}: {verdict.outcome} {verdict.said} {verdict.silent}" for verdict in verdicts if wrong(verdict)
    ]
    seen = counts(verdicts)
    assert seen["refused"] + seen["blocked"] > 0.2 * seen["cases"]  # the damages do damage
