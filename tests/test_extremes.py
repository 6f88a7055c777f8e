"""Cells at the edge of what a config may say, whose answers are exact."""

from __future__ import annotations

import math
from typing import Any

import pytest
from cells import SECONDS, Shift, cell_of, shift_of

from feedsim.accounts import read
from feedsim.measures import (
    AVAILABILITY,
    CREW_BUSY,
    OEE,
    PERFORMANCE,
    QUALITY,
    Measure,
)
from feedsim.verify.invariants import value_of

SHIFT = """
[study]
shift_h = 100 s
"""
NOBODY = "[crew]\noperators = 0"
OATS = """
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
capacity_bags = 1000
lanes = 1
"""


def value(measure: Measure, shift: Shift) -> float:
    reading = read(shift.record, shift.cell)
    sums = reading.crew if measure is CREW_BUSY else reading.machines[0]
    return value_of(measure, sums)


def packs(shift: Shift) -> int:
    return shift.sums()["good_packs"]


@pytest.mark.parametrize("speed", [60, 47, 7, 33.3, 0.61, 100, 599.9, 13])
@pytest.mark.parametrize("lanes", [1, 2, 3, 4])
def test_without_faults_every_whole_cycle_is_a_pack(speed: float, lanes: int) -> None:
    """Speeds that do not divide a minute too: the cycle is rounded once, to microseconds."""
    text = OATS.replace("lanes = 1", f"lanes = {lanes}").replace("= 60", f"= {speed}")
    shift = shift_of(SHIFT, NOBODY, text)
    cycle_us = round(60 / speed * 1e6)
    assert packs(shift) == 100 * SECONDS // cycle_us
    assert [state for _, state in shift.of("states")] == ["running"]
    assert shift.sums()["time_running_us"] == 100 * SECONDS


def test_a_cycle_that_ends_with_the_shift_counts() -> None:
    assert packs(shift_of(SHIFT, OATS)) == 100
    assert packs(shift_of(SHIFT.replace("100 s", "99.999999 s"), OATS)) == 99


def test_a_cycle_longer_than_the_shift_makes_no_pocket() -> None:
    shift = shift_of(SHIFT.replace("100 s", "10 s"), OATS.replace("= 60", "= 5"))
    assert shift.of("pockets") == []
    assert value(OEE, shift) == 0
    assert math.isnan(value(QUALITY, shift))


@pytest.mark.parametrize(
    ("lanes", "start_bags"), [(1, 0), (1, 1), (1, 30), (2, 30), (4, 25), (3, 7)]
)
def test_without_an_operator_the_start_bags_are_the_packs(lanes: int, start_bags: int) -> None:
    text = OATS.replace("lanes = 1", f"lanes = {lanes}\nstart_bags = {start_bags}")
    shift = shift_of(SHIFT, NOBODY, text)
    bags = min(100, lanes * start_bags)
    assert packs(shift) == bags
    states = [(0, "running")] * (bags > 0) + [(bags, "dry")] * (bags < 100)
    assert shift.of("states") == states
    assert shift.sums()["time_dry_us"] == shift.sums()["wait_us"] == (100 - bags) * SECONDS
    assert shift.told["machines"][0]["lanes_left"] == [start_bags - bags // lanes] * lanes
    # The one that begins with the last bag of the shift counts as well.
    assert shift.sums()["stops_dry"] == 1


def test_a_capacity_of_one_bundle_that_is_loaded_at_once() -> None:
    """At the end of each tenth cycle the lane is empty and filled: a halt of no length."""
    text = OATS.replace("= 1000", "= 10\nbundle_bags = 10")
    shift = shift_of(SHIFT, text)
    assert packs(shift) == 100
    assert shift.of("loads") == [(at, 1, 10) for at in range(10, 101, 10)]
    assert shift.sums()["stops_dry"] == 10
    assert shift.sums()["time_dry_us"] == 0
    assert shift.of("states") == [(0, "running")]


def test_a_capacity_of_one_bundle_and_a_restart() -> None:
    """Ten packs and 2 s of restart, again and again: 8 times in 96 s, then 4 more packs."""
    text = OATS.replace("= 60", "= 60\nrestart_s = 2\nscrap_packs = 5")
    shift = shift_of(SHIFT, text.replace("= 1000", "= 10\nbundle_bags = 10"))
    assert packs(shift) == 84
    assert shift.sums()["time_restarting_us"] == 16 * SECONDS
    assert shift.of("loads") == [(at, 1, 10) for at in range(10, 100, 12)]
    # Halts of no length scrap nothing.
    assert shift.of("scraps") == []


def test_a_capacity_of_one_bundle_on_rounds_that_come_as_it_empties() -> None:
    """At 10 s the last bag is still there: no room; at 20 s there is; at 30 s none again."""
    crew = '[crew]\ncalls = "none"\nrounds_every_min = 10 s'
    shift = shift_of(SHIFT, crew, OATS.replace("= 1000", "= 10\nbundle_bags = 10"))
    assert shift.of("loads") == [(at, 1, 10) for at in (20, 40, 60, 80)]
    assert packs(shift) == 50
    assert shift.sums()["time_dry_us"] == 50 * SECONDS
    # A visit that finds no room still is one; none at the shift's end.
    assert shift.sums()["refill_visits"] == 9


def test_a_capacity_of_one_bag() -> None:
    """Each bag is followed by the next at once, or after 2 s of loading."""
    text = OATS.replace("= 1000", "= 1")
    at_once = shift_of(SHIFT, text)
    assert packs(at_once) == 100
    assert at_once.sums()["stops_dry"] == 100
    slowly = shift_of(SHIFT, text, "bundle = 2 s")
    assert packs(slowly) == 34
    assert slowly.sums()["time_dry_us"] == 66 * SECONDS
    assert slowly.of("loads") == [(at, 1, 1) for at in range(3, 100, 3)]


def test_four_lanes_of_one_bag() -> None:
    """Four packs in 4 s; the operator is at work on the empty lanes from the first one's end.

    Each load takes 1 s like a cycle and goes to the lane that is empty, so no bag is missed.
    """
    text = OATS.replace("= 1000", "= 1").replace("lanes = 1", "lanes = 4\nbundle = 1 s")
    shift = shift_of(SHIFT, text)
    assert packs(shift) == 100
    assert shift.sums()["time_dry_us"] == 0


@pytest.mark.parametrize("lanes", [1, 2, 4])
def test_if_every_pick_is_missed_no_bag_is_used(lanes: int) -> None:
    text = OATS.replace("lanes = 1", f"lanes = {lanes}")
    bag = "[machine.pick]\nmisses_to_stop = 0\n[machine.bag]\nfaults = { missed = 1 }"
    shift = shift_of(SHIFT, text, bag)
    sums = shift.sums()
    assert (sums["good_packs"], sums["lost_pockets"], sums["pockets_missed"]) == (0, 100, 100)
    assert sums["bags_gone"] == 0
    assert shift.told["machines"][0]["lanes_left"] == [1000] * lanes
    assert shift.of("states") == [(0, "running")]


@pytest.mark.parametrize(
    ("lanes", "reaction", "halted_at"),
    [
        (1, "stop", 3),
        (1, "other_lane", 3),
        (2, "stop", 5),
        (2, "other_lane", 6),
        (4, "other_lane", 12),
    ],
)
def test_three_misses_in_a_row_fault_a_lane(lanes: int, reaction: str, halted_at: int) -> None:
    """Lanes take turns, so lane 1 has its third miss at 3 s, or at 5 s of two lanes.

    With "other_lane" the machine halts once the last lane has had its third.
    """
    text = OATS.replace("lanes = 1", f"lanes = {lanes}")
    pick = f'[machine.pick]\non_lane_fault = "{reaction}"\n[machine.bag]\nfaults = {{ missed = 1 }}'
    shift = shift_of(SHIFT, NOBODY, text, pick)
    assert shift.of("states") == [(0, "running"), (halted_at, "lane_fault")]
    assert shift.sums()["lost_pockets"] == halted_at
    faulted = 1 if reaction == "stop" else lanes
    # "stop" halts at the first faulted lane; no bag has left any lane.
    assert len(shift.of("calls")) == faulted
    assert shift.sums()["bags_gone"] == 0


def test_every_pick_jams() -> None:
    """One cycle, then a jam; it is cleared in 4 s: 20 jams in 100 s, a bag each."""
    text = OATS + "[machine.pick]\nclear = 4 s\n[machine.bag]\nfaults = { jam = 1 }"
    shift = shift_of(SHIFT, text)
    sums = shift.sums()
    assert (sums["good_packs"], sums["pockets_jam"], sums["bags_gone"]) == (0, 20, 20)
    assert (sums["stops_jam"], sums["time_jam_us"]) == (20, 80 * SECONDS)
    assert sums["fault_visits"] == 20


@pytest.mark.parametrize(("bags", "pockets"), [(1000, 100), (20, 10), (21, 11)])
def test_every_pick_takes_two(bags: int, pockets: int) -> None:
    """A double takes two bags, or the one that is left."""
    text = OATS.replace("= 1000", f"= {bags}") + "[machine.bag]\nfaults = { double = 1 }"
    shift = shift_of(SHIFT, NOBODY, text)
    assert shift.sums()["pockets_double"] == pockets
    assert shift.sums()["bags_gone"] == min(2 * pockets, bags)


def test_every_pack_is_skewed() -> None:
    shift = shift_of(SHIFT, OATS + "[machine.bag]\nfaults = { skewed = 1 }")
    assert (packs(shift), shift.sums()["rejected_packs"]) == (0, 100)
    parts = [value(measure, shift) for measure in (AVAILABILITY, PERFORMANCE, QUALITY, OEE)]
    assert parts == [1, 1, 0, 0]


def test_a_stop_longer_than_the_shift() -> None:
    station = '[[machine.station]]\nname = "sealer"\nbetween_stops = 10 s\nstop = 1000000 s'
    for line in ("", "needs_operator = true"):
        shift = shift_of(SHIFT, OATS, station, line)
        assert shift.of("states") == [(0, "running"), (10, "sealer")]
        assert packs(shift) == 10
        assert shift.sums()["time_sealer_us"] == 90 * SECONDS
        assert shift.sums()["stops_sealer"] == 1
        assert shift.sums()["wait_us"] == 0


def test_a_station_that_stops_after_every_cycle() -> None:
    """It runs for less than a cycle, which ends all the same; stops of 1 s, or of no length."""
    station = '[[machine.station]]\nname = "sealer"\nbetween_stops = 0.1 s\nstop = {}'
    shift = shift_of(SHIFT, OATS, station.format("1 s"))
    assert packs(shift) == 50
    assert shift.sums()["stops_sealer"] == 50
    at_once = shift_of(SHIFT, OATS, station.format("0"))
    assert packs(at_once) == 100
    assert at_once.sums()["stops_sealer"] == 100
    assert at_once.sums()["time_sealer_us"] == 0


def test_a_shift_that_is_all_break() -> None:
    stop = '[[planned_stop]]\nname = "closed"\nat_h = 0\ntakes_min = 200 s'
    shift = shift_of(SHIFT, stop, OATS)
    assert shift.of("states") == [(0, "planned_stop")]
    assert packs(shift) == 0
    assert all(math.isnan(value(m, shift)) for m in (OEE, AVAILABILITY, PERFORMANCE, QUALITY))


def test_a_shift_that_is_all_changeover() -> None:
    stop = '[[planned_stop]]\nname = "format"\nat_h = 0\ntakes_min = 200 s\nkind = "changeover"'
    shift = shift_of(SHIFT, stop, OATS)
    assert shift.of("states") == [(0, "changeover")]
    assert (value(OEE, shift), value(AVAILABILITY, shift)) == (0, 0)
    assert math.isnan(value(PERFORMANCE, shift))


def test_a_crew_that_is_in_its_break_all_shift() -> None:
    crew = "[[crew.break]]\nat_h = 0\ntakes_min = 200 s"
    shift = shift_of(SHIFT, crew, OATS.replace("= 1000", "= 40"))
    assert packs(shift) == 40
    assert shift.told["tasks"] == []
    assert shift.crew() == {"busy_us": 0, "present_us": 0}
    assert math.isnan(value(CREW_BUSY, shift))


def test_a_crew_that_is_never_free() -> None:
    """From 6 s on a duty of 1000 s: no break of it, and no load."""
    crew = '[[crew.duty]]\nname = "pallets"\nevery_min = 6 s\ntakes = 1000 s'
    shift = shift_of(SHIFT, crew, OATS.replace("= 1000", "= 40"))
    assert packs(shift) == 40
    assert shift.crew() == {"busy_us": 94 * SECONDS, "present_us": 100 * SECONDS}


@pytest.mark.parametrize("warm_up_s", [0, 1, 30.5, 99, 99.5])
def test_a_warm_up_leaves_out_what_ended_before(warm_up_s: float) -> None:
    shift = shift_of(SHIFT, f"warm_up_h = {warm_up_s} s", NOBODY, OATS)
    sums = read(shift.record, shift.cell).machines[0]
    assert sums["good_packs"] == 100 - math.floor(warm_up_s)
    assert sums["window_us"] == sums["time_running_us"] == round((100 - warm_up_s) * SECONDS)


def test_after_a_warm_up_oee_may_pass_one_by_a_part_of_a_cycle() -> None:
    """Cycles of 4 s, a window from 82 s to 100 s: five ends, 20 s of cycles in 18 s."""
    shift = shift_of(SHIFT, "warm_up_h = 82 s", OATS.replace("= 60", "= 15"))
    assert value(OEE, shift) == value(PERFORMANCE, shift) == 20 / 18


def test_retries_that_take_longer_than_the_shift() -> None:
    """A cycle under way when the shift ends makes no pocket; its hold is booked."""
    pick = "[machine.pick]\nretries = 100\nretry_s = 3600\n[machine.bag]\nfaults = { missed = 1 }"
    shift = shift_of(SHIFT, OATS, pick)
    assert shift.of("pockets") == []
    assert shift.of("states") == [(0, "running"), (1, "retry")]


@pytest.mark.parametrize(
    ("change", "packs_made"),
    [({"restart_packs": 0}, 20), ({}, 20)],
)
def test_an_outfeed_that_never_works(change: dict[str, Any], packs_made: int) -> None:
    """It is stopped from its first cycle's end on: the accumulation fills and blocks for good.

    The first pack goes straight on at 1 s; the next 19 at 2 s to 20 s fill the accumulation.
    """
    text = """
    [[machine.station]]
    name = "case packer"
    between_stops = 0.1 s
    stop = 1000000 s
    place = "outfeed"
    [machine.outfeed]
    accumulation_packs = 19
    """
    lines = [f"{key} = {number}" for key, number in change.items()]
    shift = shift_of(SHIFT, OATS, text, *lines)
    assert packs(shift) == packs_made
    assert shift.of("states") == [(0, "running"), (20, "blocked")]
    assert shift.sums()["blocked_by_case_packer_us"] == 80 * SECONDS
    assert shift.told["machines"][0]["accumulation_left"] == 19


@pytest.mark.parametrize("hours", [1, 24, 168])
def test_long_shifts_stay_exact(hours: int) -> None:
    """At 7 bags a minute, a cycle of 8,571,429 us."""
    cell = f"[study]\nshift_h = {hours}"
    shift = shift_of(cell, OATS.replace("= 60", "= 7").replace("= 1000", "= 100000"))
    assert packs(shift) == hours * 3_600_000_000 // 8_571_429


def test_cycles_per_shift_is_what_a_shift_without_halts_makes() -> None:
    for speed in (60, 47, 7):
        text = OATS.replace("= 60", f"= {speed}")
        assert cell_of(SHIFT, text).cycles_per_shift == packs(shift_of(SHIFT, text))
