"""Which way figures move when a setting is moved, replication by replication.

Where no theorem of the kind holds (loads that take time, calls, stations), a bigger magazine may
well cost an unlucky shift some time; here are the cases in which it cannot.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from campaigns import one_in
from cells import cell_of

from feedsim.study import Setting, run_study

TEXT = """
[study]
shift_h = 0.5
[crew]
calls = "none"
rounds_every_min = 5
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
capacity_bags = 100
lanes = {lanes}
bundle_bags = {bundle_bags}
[machine.pick]
misses_to_stop = 0
[machine.bag]
faults = {{ missed = 0.1, unopened = 0.05, skewed = 0.01 }}
bad_bundles = {{ share = 0.1, missed = 0.5 }}
"""
REPLICATIONS = 8
Row = list[float]


def dry_us(lanes: int, bundle_bags: int, bundles: range, seeds: list[int]) -> list[Row]:
    """Dry time of each capacity, a whole number of bundles, in each replication."""
    text = TEXT.format(lanes=lanes, bundle_bags=bundle_bags)
    rows = []
    for number, seed in zip(bundles, seeds, strict=True):
        cell = cell_of(text, **{"machine[0].magazine.capacity_bags": number * bundle_bags})
        study = run_study(
            [Setting({}, cell)], replications=REPLICATIONS, seed=seed, confidence=0.95
        )
        rows.append(study.sums[0].machines[0]["time_dry_us"].tolist())
    return rows


def violations(rows: list[Row]) -> int:
    """In how many replications dry time went up from a capacity to the next one."""
    return sum(
        after > before
        for smaller, bigger in pairwise(rows)
        for before, after in zip(smaller, bigger, strict=True)
    )


CASES = [(1, 20, range(1, 15)), (1, 5, range(46, 58)), (2, 10, range(1, 15)), (3, 4, range(14, 24))]


@pytest.mark.parametrize(("lanes", "bundle_bags", "bundles"), one_in(2, CASES))
def test_more_capacity_never_means_more_dry_time(
    lanes: int, bundle_bags: int, bundles: range
) -> None:
    rows = dry_us(lanes, bundle_bags, bundles, [7] * len(bundles))
    assert violations(rows) == 0
    # There was something to win: dry time falls on the whole, and differs between shifts.
    assert np.mean(rows[0]) > np.mean(rows[-1])
    assert len(set(rows[0])) > 1 or len(set(rows[len(rows) // 2])) > 1


def test_on_different_luck_it_would_sometimes() -> None:
    """Negative control: with a seed of its own for each capacity the order is lost."""
    lanes, bundle_bags, bundles = CASES[1]
    rows = dry_us(lanes, bundle_bags, bundles, list(range(len(bundles))))
    assert violations(rows) > 0
