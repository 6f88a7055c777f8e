"""What every shift of every cell keeps, whatever happens in it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from cells import Shift, shift_of
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.accounts import BalanceError, Window, check_balances, read
from feedsim.model.lane import Lane
from feedsim.model.shift import run_shift
from feedsim.verify.invariants import (
    cell_at_random,
    check_random_shift,
    levels_stay_within,
    windows_add_up,
)
from feedsim.verify.spoiling import EVENTFUL, SPOILINGS, Spoiling

SEEDS = st.integers(0, 2**32 - 1)
PARTS = st.floats(0, 1)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(seed=SEEDS, part=PARTS)
def test_every_shift_adds_up(seed: int, part: float) -> None:
    check_random_shift(seed, part)


@pytest.mark.campaign
@settings(max_examples=10_000, deadline=None)
@given(seed=SEEDS, part=PARTS)
def test_every_shift_adds_up_often(seed: int, part: float) -> None:
    check_random_shift(seed, part)


@contextmanager
def watched_lanes() -> Iterator[list[int]]:
    """Lanes that look at their level after every step; yields how often they looked."""
    looks = [0]
    plain = {name: getattr(Lane, name) for name in ("put_in", "give", "_take")}

    def watched(name: str) -> Callable[..., Any]:
        def step(lane: Lane, *given: int) -> Any:
            answer = plain[name](lane, *given)
            looks[0] += 1
            assert 0 <= lane.bags <= lane._plan.capacity_bags
            assert (lane.bags > sum(lane.behind)) == (lane.bags > 0)
            return answer

        return step

    with pytest.MonkeyPatch.context() as patch:
        for name in plain:
            patch.setattr(Lane, name, watched(name))
        yield looks


@settings(max_examples=50, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_no_step_leaves_a_lane_out_of_bounds(seed: int) -> None:
    """Nor without a bundle in front, where there are bags."""
    with watched_lanes() as looks:
        run_shift(cell_at_random(seed), seed % 1000, 1)
    assert looks[0] > 0 or all(not plan.start_bags for plan in cell_at_random(seed).machines)


# Negative controls: a record that was altered in any way that matters is found out.


@pytest.fixture(scope="module")
def eventful() -> Shift:
    shift = shift_of(EVENTFUL)
    oats = shift.record.machines[0]
    assert min(map(len, (oats.loads, oats.discards, oats.scraps, oats.runs))) > 2
    return shift


@pytest.mark.parametrize("spoiling", SPOILINGS, ids=lambda spoiling: spoiling.name)
def test_an_altered_record_is_found_out(eventful: Shift, spoiling: Spoiling) -> None:
    record = copy.deepcopy(eventful.record)
    check_balances(record, eventful.cell)
    spoiling.alter(record, record.machines[0])
    with pytest.raises(BalanceError, match=spoiling.complaint):
        check_balances(record, eventful.cell)


def test_windows_that_overlap_do_not_add_up(eventful: Shift) -> None:
    """Negative control of the check that two adjoining readings make the whole one."""
    whole, first, second = (
        read(eventful.record, eventful.cell, Window(begin, end))
        for begin, end in ((0, 720_000_000), (0, 300_000_000), (290_000_000, 720_000_000))
    )
    with pytest.raises(BalanceError, match="adjoining"):
        windows_add_up(whole, first, second)


def test_a_lane_that_overflows_is_seen() -> None:
    """Negative control of the watched lanes."""
    plan = replace(shift_of(EVENTFUL).cell.machines[0], chances=(0.0,) * 5)
    with watched_lanes():
        lane = Lane(1, plan, None, None)  # type: ignore[arg-type]
        with pytest.raises(AssertionError):
            lane.put_in(50)


def test_levels_out_of_bounds_are_seen(eventful: Shift) -> None:
    """Negative control of the levels: a bundle is in before there was room for it."""
    record = copy.deepcopy(eventful.record)
    oats = record.machines[0]
    levels_stay_within(eventful.cell.machines[0], oats)
    oats.loads[0] = oats.loads[0]._replace(at_us=0)
    with pytest.raises(BalanceError, match="holds"):
        levels_stay_within(eventful.cell.machines[0], oats)


def test_what_balances_say(eventful: Shift) -> None:
    """Each complaint says where: at which machine or operator."""
    named = {spoiling.name: spoiling for spoiling in SPOILINGS}
    for name, where in (("load left out", "oats"), ("task taken twice", "operator")):
        record = copy.deepcopy(eventful.record)
        named[name].alter(record, record.machines[0])
        with pytest.raises(BalanceError) as caught:
            check_balances(record, eventful.cell)
        assert where in str(caught.value)
