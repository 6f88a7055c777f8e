"""What every shift of every cell keeps, whatever happens in it."""

from __future__ import annotations

import copy
import random
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from cells import Shift, shift_of, value_of
from hypothesis import given, settings
from hypothesis import strategies as st
from random_cells import random_config

from feedsim.accounts import BalanceError, MachineRecord, Record, Window, check_balances, read
from feedsim.accounts.reading import Reading
from feedsim.accounts.record import Bags, Change, Scrap
from feedsim.accounts.timeline import causes_of, states_of
from feedsim.cell import Cell, MachinePlan, build_cell
from feedsim.config import parse_config
from feedsim.measures import (
    AVAILABILITY,
    OEE,
    PERFORMANCE,
    QUALITY,
    measures_of,
)
from feedsim.model.lane import Lane
from feedsim.model.shift import run_shift

SEEDS = st.integers(0, 2**32 - 1)
PARTS = st.floats(0, 1)


def cell_at_random(seed: int) -> Cell:
    return build_cell(parse_config(random_config(random.Random(seed))))


def check_everything(seed: int, part: float) -> None:
    cell = cell_at_random(seed)
    record = run_shift(cell, seed % 1000, 1 + seed % 7)
    check_balances(record, cell)
    whole = read(record, cell, Window(0, cell.shift_us))
    for plan, machine, sums in zip(cell.machines, record.machines, whole.machines, strict=True):
        levels_stay_within(plan, machine)
        time_is_in_states(plan, sums, cell)
        bags_add_up(plan, machine, sums)
        halts_are_counted_once(plan, machine, sums)
        waiting_is_standing(plan, sums)
        shares_add_up(plan, sums)
        oee_is_its_parts_product(sums)
    assert 0 <= whole.crew["busy_us"] <= whole.crew["present_us"]
    # A window that ends at 0 covers that instant, as every one that begins there does.
    at_us = max(1, round(part * cell.shift_us))
    first = read(record, cell, Window(0, at_us))
    second = read(record, cell, Window(at_us, cell.shift_us))
    windows_add_up(whole, first, second)


def levels_stay_within(plan: MachinePlan, record: MachineRecord) -> None:
    """At the end of every instant; within one see `test_no_step_leaves_a_lane_out_of_bounds`."""
    for lane in range(1, plan.lanes + 1):
        steps: dict[int, int] = defaultdict(int)
        for load in record.loads:
            steps[load.at_us] += load.bags * (load.lane == lane)
        for discard in record.discards:
            steps[discard.at_us] -= discard.bags * (discard.lane == lane)
        for run in record.runs:
            if run.lane == lane:
                for end_us in run.ends_us():
                    steps[end_us] -= run.bags_each
        level = plan.start_bags
        for at_us in sorted(steps):
            level += steps[at_us]
            assert 0 <= level <= plan.capacity_bags


def time_is_in_states(plan: MachinePlan, sums: dict[str, int], cell: Cell) -> None:
    times = [sums[f"time_{state}_us"] for state in states_of(plan)]
    assert min(times) >= 0
    assert sum(times) == sums["window_us"] == cell.shift_us
    blocked = [us for name, us in sums.items() if name.startswith("blocked_by_")]
    assert sum(blocked) == sums["time_blocked_us"]


def bags_add_up(plan: MachinePlan, record: MachineRecord, sums: dict[str, int]) -> None:
    """Bags at the start + loaded = used + wasted + left; pockets are packs or lost."""
    left = sum(record.lanes_left)
    assert plan.lanes * plan.start_bags + sums["bags_loaded"] == sums["bags_gone"] + left
    used = sums["good_packs"] + sums["rejected_packs"]
    pockets = sum(run.count for run in record.runs)
    assert used + sums["lost_pockets"] == pockets
    assert 0 <= used <= sums["bags_gone"]
    assert 0 <= sums["scrapped_packs"] <= sums["rejected_packs"]


def halts_are_counted_once(plan: MachinePlan, record: MachineRecord, sums: dict[str, int]) -> None:
    """Halts are the stretches between the machine's times of moving."""
    moving = ("running", "retry", "restarting")
    standing = [change.state not in moving for change in record.changes]
    begun = sum(
        now and not before for before, now in zip([False, *standing], standing, strict=False)
    )
    assert sum(sums[f"stops_{cause}"] for cause in causes_of(plan)) == begun


def waiting_is_standing(plan: MachinePlan, sums: dict[str, int]) -> None:
    needed = [station.state for station in plan.stations if station.needs_operator]
    stopped_us = sum(sums[f"time_{state}_us"] for state in ("dry", "lane_fault", "jam", *needed))
    assert 0 <= sums["wait_us"] <= stopped_us


def shares_add_up(plan: MachinePlan, sums: dict[str, int]) -> None:
    if sums["window_us"] == sums["time_planned_stop_us"]:
        return
    shares = [
        value_of(measure, sums)
        for measure in measures_of([plan])
        if measure.name in {f"time_{s}_share" for s in states_of(plan) if s != "planned_stop"}
    ]
    assert len(shares) == len(states_of(plan)) - 1
    assert sum(shares) == pytest.approx(1, abs=1e-12)


def oee_is_its_parts_product(sums: dict[str, int]) -> None:
    busy_us = sums["window_us"] - sums["time_planned_stop_us"]
    if not busy_us:
        return
    oee = value_of(OEE, sums)
    assert oee == sums["good_packs"] * sums["cycle_us"] / busy_us
    assert 0 <= oee <= 1
    product = value_of(AVAILABILITY, sums) * value_of(PERFORMANCE, sums) * value_of(QUALITY, sums)
    if np.isfinite(product):
        assert product == pytest.approx(oee, rel=1e-12, abs=1e-15)


def windows_add_up(whole: Reading, first: Reading, second: Reading) -> None:
    """All that is counted or timed; scrapped packs too, which count where they were made."""
    tables = [(reading.crew, *reading.machines) for reading in (whole, first, second)]
    for both, before, after in zip(*tables, strict=True):
        for name in both.keys() - {"cycle_us"}:
            assert before[name] + after[name] == both[name], name


@settings(max_examples=500, deadline=None, derandomize=True)
@given(seed=SEEDS, part=PARTS)
def test_every_shift_adds_up(seed: int, part: float) -> None:
    check_everything(seed, part)


@pytest.mark.campaign
@settings(max_examples=10_000, deadline=None)
@given(seed=SEEDS, part=PARTS)
def test_every_shift_adds_up_often(seed: int, part: float) -> None:
    check_everything(seed, part)


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


@settings(max_examples=100, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_no_step_leaves_a_lane_out_of_bounds(seed: int) -> None:
    """Nor without a bundle in front, where there are bags."""
    with watched_lanes() as looks:
        run_shift(cell_at_random(seed), seed % 1000, 1)
    assert looks[0] > 0 or all(not plan.start_bags for plan in cell_at_random(seed).machines)


# Negative controls: a record that was altered in any way that matters is found out.

EVENTFUL = """
[study]
shift_h = 600 s

[crew]
operators = 2
walk_s = 2

[[machine]]
name = "oats"
speed_per_min = 60
scrap_packs = 2

[machine.magazine]
capacity_bags = 20
bundle_bags = 5
call_level_bags = 5
bundle = 3 s

[machine.pick]
misses_to_stop = 2
clear = 5 s

[machine.bag]
faults = { missed = 0.2, double = 0.02, jam = 0.02, skewed = 0.02 }

[machine.outfeed]
accumulation_packs = 5
speed_per_min = 50
"""


@pytest.fixture(scope="module")
def eventful() -> Shift:
    shift = shift_of(EVENTFUL)
    oats = shift.record.machines[0]
    assert min(map(len, (oats.loads, oats.discards, oats.scraps, oats.runs))) > 2
    return shift


def _state_begins_late(record: Record, oats: MachineRecord) -> None:
    oats.changes[0] = Change(1, oats.changes[0].state)


def _states_out_of_order(record: Record, oats: MachineRecord) -> None:
    oats.changes[3:5] = reversed(oats.changes[3:5])


def _state_after_the_shift(record: Record, oats: MachineRecord) -> None:
    oats.changes.append(Change(record.shift_us + 1, "dry"))


def _cycle_too_long(record: Record, oats: MachineRecord) -> None:
    oats.runs[0].cycle_us *= 2


def _cycle_left_out(record: Record, oats: MachineRecord) -> None:
    oats.runs.remove(next(run for run in oats.runs if run.outcome == "missed"))
    oats.runs.remove(next(run for run in oats.runs if run.outcome == "missed"))


def _load_left_out(record: Record, oats: MachineRecord) -> None:
    oats.loads.pop()


def _load_in_the_other_lane(record: Record, oats: MachineRecord) -> None:
    load = oats.loads[0]
    oats.loads[0] = Bags(load.at_us, 3 - load.lane, load.bags)


def _discard_of_one_more(record: Record, oats: MachineRecord) -> None:
    discard = oats.discards[0]
    oats.discards[0] = Bags(discard.at_us, discard.lane, discard.bags + 1)


def _bag_too_many_taken(record: Record, oats: MachineRecord) -> None:
    next(run for run in oats.runs if run.outcome == "missed").bags_each = 1


def _lane_overfull(record: Record, oats: MachineRecord) -> None:
    oats.loads.append(Bags(record.shift_us, 1, 50))
    oats.lanes_left[0] += 50


def _lane_below_nothing(record: Record, oats: MachineRecord) -> None:
    oats.discards.append(Bags(record.shift_us, 1, 50))
    oats.lanes_left[0] -= 50


def _pack_scrapped_twice(record: Record, oats: MachineRecord) -> None:
    oats.scraps.insert(1, oats.scraps[0])


def _pack_scrapped_that_never_was(record: Record, oats: MachineRecord) -> None:
    oats.scraps.append(Scrap(record.shift_us, 10_000, 10_001))


def _pack_lost_in_the_accumulation(record: Record, oats: MachineRecord) -> None:
    oats.outfeed_cycles[-1].count -= 1


def _accumulation_miscounted(record: Record, oats: MachineRecord) -> None:
    oats.accumulation_left += 1


def _accumulation_overfull(record: Record, oats: MachineRecord) -> None:
    oats.outfeed_cycles[-1].count -= 10
    oats.accumulation_left += 10


def _task_never_ended(record: Record, oats: MachineRecord) -> None:
    record.work.remove(next(work for work in record.work if work.event == "ends"))


def _task_taken_twice(record: Record, oats: MachineRecord) -> None:
    record.work.insert(1, record.work[0])


def _work_out_of_order(record: Record, oats: MachineRecord) -> None:
    record.work[0] = record.work[0]._replace(at_us=record.shift_us)


def _work_after_the_shift(record: Record, oats: MachineRecord) -> None:
    record.work[-1] = record.work[-1]._replace(at_us=record.shift_us + 1)


@pytest.mark.parametrize(
    ("alter", "complaint"),
    [
        (_state_begins_late, "do not begin with the shift"),
        (_states_out_of_order, "not in order"),
        (_state_after_the_shift, "not in order"),
        (_cycle_too_long, "running time and cycles differ"),
        (_cycle_left_out, "running time and cycles differ"),
        (_load_left_out, "lane [12] has"),
        (_load_in_the_other_lane, "lane 1 has"),
        (_discard_of_one_more, "lane [12] has"),
        (_bag_too_many_taken, "lane [12] has"),
        (_lane_overfull, "lane 1 holds"),
        (_lane_below_nothing, "lane 1 holds"),
        (_pack_scrapped_twice, "scrapped twice"),
        (_pack_scrapped_that_never_was, "not made"),
        (_pack_lost_in_the_accumulation, "accumulation holds"),
        (_accumulation_miscounted, "accumulation holds"),
        (_accumulation_overfull, "accumulation holds"),
        (_task_never_ended, "out of turn"),
        (_task_taken_twice, "out of turn"),
        (_work_out_of_order, "out of order"),
        (_work_after_the_shift, "out of order"),
    ],
)
def test_an_altered_record_is_found_out(
    eventful: Shift, alter: Callable[[Record, MachineRecord], None], complaint: str
) -> None:
    record = copy.deepcopy(eventful.record)
    check_balances(record, eventful.cell)
    alter(record, record.machines[0])
    with pytest.raises(BalanceError, match=complaint):
        check_balances(record, eventful.cell)


def test_windows_that_overlap_do_not_add_up(eventful: Shift) -> None:
    """Negative control of the check that two adjoining readings make the whole one."""
    whole, first, second = (
        read(eventful.record, eventful.cell, Window(begin, end))
        for begin, end in ((0, 600_000_000), (0, 300_000_000), (290_000_000, 600_000_000))
    )
    with pytest.raises(AssertionError):
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
    with pytest.raises(AssertionError):
        levels_stay_within(eventful.cell.machines[0], oats)


def test_what_balances_say(eventful: Shift) -> None:
    """Each complaint says where: at which machine or operator."""
    for alter, where in ((_load_left_out, "oats"), (_task_taken_twice, "operator")):
        record = copy.deepcopy(eventful.record)
        alter(record, record.machines[0])
        with pytest.raises(BalanceError) as caught:
            check_balances(record, eventful.cell)
        assert where in str(caught.value)
