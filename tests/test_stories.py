"""Small stories, one a mechanism, told in full; the expectations are worked out by hand.

A cycle takes 1 s unless a story says otherwise. Where luck matters it is written down: after how
many attempts a lane fails, and with which fault.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from cells import SECONDS, Shift, cell_of, shift_of, shift_with_luck

from feedsim.accounts import read
from feedsim.measures import AVAILABILITY, OEE, PERFORMANCE
from feedsim.model.calendar import Calendar
from feedsim.model.clock import Clock
from feedsim.verify.invariants import value_of

__all__ = ["shift_with_luck"]

Lucky = Callable[..., Shift]

NOBODY = "[crew]\noperators = 0\n"
FAULTS = (
    "[machine.bag]\n"
    "faults = { missed = 0.1, double = 0.1, unopened = 0.1, skewed = 0.1, jam = 0.1 }\n"
)
NEVER = 10**9


def luck(*faults: tuple[int, str]) -> list[float]:
    """A lane's draws: attempts to each fault (the faulty one counts), and which fault it is."""
    draws: list[float] = []
    for attempts, fault in faults:
        number = ("missed", "double", "unopened", "skewed", "jam").index(fault)
        draws += [attempts, (number + 0.5) / 5]
    return [*draws, NEVER]


def lanes(*lucks: list[float]) -> dict[str, list[float]]:
    """The draws of the lanes of the machine named oats."""
    return {f"pick/oats/1/{number}": draws for number, draws in enumerate(lucks, start=1)}


def study(seconds: float, more: str = "") -> str:
    return f"[study]\nshift_h = {seconds} s\n{more}"


def oats(magazine: str, machine: str = "", speed: float = 60, name: str = "oats") -> str:
    head = f'[[machine]]\nname = "{name}"\nspeed_per_min = {speed}\n{machine}\n'
    return f"{head}[machine.magazine]\n{magazine}\n"


def cycles(shift: Shift, machine: int = 0) -> list[tuple[Any, ...]]:
    """End, lane and outcome of each cycle."""
    return [pocket[:3] for pocket in shift.of("pockets", machine)]


def seconds(shift: Shift, *names: str) -> list[float]:
    return [shift.sums()[f"{name}_us"] / SECONDS for name in names]


# Feeding.


def test_lanes_take_turns_until_all_are_empty() -> None:
    shift = shift_of(study(8), NOBODY, oats("lanes = 3\ncapacity_bags = 2"))
    assert cycles(shift) == [(at, 1 + (at - 1) % 3, "good") for at in range(1, 7)]
    assert shift.of("states") == [(0, "running"), (6, "dry")]


def test_an_empty_lane_is_passed_over(shift_with_luck: Lucky) -> None:
    """Lane 2 gives both its bags at once; the turn goes on from the lane that served."""
    never = luck()
    shift = shift_with_luck(
        lanes(never, luck((1, "double")), never),
        study(8),
        NOBODY,
        oats("lanes = 3\ncapacity_bags = 2"),
        FAULTS,
    )
    assert shift.of("pockets") == [
        (1, 1, "good", 1, 1),
        (2, 2, "double", 2, 1),
        (3, 3, "good", 1, 1),
        (4, 1, "good", 1, 1),
        (5, 3, "good", 1, 1),
    ]
    assert shift.of("states") == [(0, "running"), (5, "dry")]


def test_the_last_lane_alone_sets_the_speed(shift_with_luck: Lucky) -> None:
    """Lane 2 is empty at 4 s: the last bag of lane 1 takes 2 s."""
    shift = shift_with_luck(
        lanes(luck(), luck((1, "double"))),
        study(8),
        NOBODY,
        oats("capacity_bags = 3"),
        "[machine.pick]\nsingle_lane_speed_per_min = 30\n",
        FAULTS,
    )
    assert cycles(shift) == [
        (1, 1, "good"),
        (2, 2, "double"),
        (3, 1, "good"),
        (4, 2, "good"),
        (6, 1, "good"),
    ]
    assert shift.of("states") == [(0, "running"), (6, "dry")]


def test_a_single_lane_speed_means_nothing_where_there_is_one_lane() -> None:
    pick = "[machine.pick]\nsingle_lane_speed_per_min = 30\n"
    shift = shift_of(study(3), NOBODY, oats("lanes = 1\ncapacity_bags = 9"), pick)
    assert cycles(shift) == [(1, 1, "good"), (2, 1, "good"), (3, 1, "good")]


def test_a_single_lane_speed_above_the_machines_does_not_hasten_it() -> None:
    pick = "[machine.pick]\nsingle_lane_speed_per_min = 120\n"
    shift = shift_of(study(3), NOBODY, oats("capacity_bags = 1"), pick)
    assert cycles(shift) == [(1, 1, "good"), (2, 2, "good")]


def test_what_each_fault_takes(shift_with_luck: Lucky) -> None:
    """One after the other; the jam halts the machine and throws nothing further away."""
    faults = ("missed", "double", "unopened", "skewed", "jam")
    shift = shift_with_luck(
        lanes(luck(*((1, fault) for fault in faults))),
        study(12),
        oats("lanes = 1\ncapacity_bags = 20"),
        "[machine.pick]\nclear = 3 s\n",
        FAULTS,
    )
    assert shift.of("pockets") == [
        (1, 1, "missed", 0, 1),
        (2, 1, "double", 2, 1),
        (3, 1, "unopened", 1, 1),
        (4, 1, "skewed", 1, 1),
        (5, 1, "jam", 1, 1),
        *((at, 1, "good", 1, 1) for at in (9, 10, 11, 12)),
    ]
    assert shift.of("states") == [(0, "running"), (5, "jam"), (8, "running")]
    assert shift.of("visits") == [(5, 1, "jam")]
    assert shift.of("discards") == []
    sums = shift.sums()
    assert (sums["good_packs"], sums["rejected_packs"], sums["lost_pockets"]) == (4, 1, 4)
    assert shift.told["machines"][0]["lanes_left"] == [20 - 5 - 4]
    assert shift.told["machines"][0]["accumulation_left"] == 0


def test_good_cycles_up_to_a_fault_are_one_entry_of_the_record(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((4, "missed"))), study(6), oats("lanes = 1\ncapacity_bags = 20"), FAULTS
    )
    runs = shift.record.machines[0].runs
    assert [(r.outcome, r.count) for r in runs] == [("good", 3), ("missed", 1), ("good", 2)]


def test_retries_within_the_cycle(shift_with_luck: Lucky) -> None:
    """The second cycle needs three attempts, and no more time."""
    shift = shift_with_luck(
        lanes(luck((2, "missed"), (1, "missed"))),
        study(3),
        oats("lanes = 1\ncapacity_bags = 20"),
        "[machine.pick]\nretries = 2\n",
        FAULTS,
    )
    assert shift.of("pockets") == [(1, 1, "good", 1, 1), (2, 1, "good", 1, 3), (3, 1, "good", 1, 1)]
    assert shift.of("states") == [(0, "running")]


def test_retries_that_hold_the_machine(shift_with_luck: Lucky) -> None:
    """Each takes 0.5 s after the cycle's own second; the hold is no halt."""
    shift = shift_with_luck(
        lanes(luck((2, "missed"), (1, "missed"))),
        study(5),
        oats("lanes = 1\ncapacity_bags = 20", "restart_s = 7\nscrap_packs = 2"),
        "[machine.pick]\nretries = 2\nretry_s = 0.5\n",
        FAULTS,
    )
    assert shift.of("pockets") == [
        (1, 1, "good", 1, 1),
        (3, 1, "good", 1, 3),
        (4, 1, "good", 1, 1),
        (5, 1, "good", 1, 1),
    ]
    assert shift.of("states") == [(0, "running"), (2, "retry"), (3, "running")]
    assert shift.of("halts") == []
    assert shift.of("scraps") == []


def test_retries_stay_with_their_lane_and_the_turn_goes_on(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((1, "missed"), (1, "missed")), luck()),
        study(4),
        oats("capacity_bags = 20"),
        "[machine.pick]\nretries = 1\n",
        FAULTS,
    )
    assert shift.of("pockets") == [
        (1, 1, "missed", 0, 2),
        (2, 2, "good", 1, 1),
        (3, 1, "good", 1, 1),
        (4, 2, "good", 1, 1),
    ]


def test_a_cycle_whose_attempts_all_missed_counts_once(shift_with_luck: Lucky) -> None:
    """Two attempts a cycle: the second missed cycle in a row faults the lane, not the attempt."""
    shift = shift_with_luck(
        lanes(luck(*[(1, "missed")] * 4)),
        study(4),
        NOBODY,
        oats("lanes = 1\ncapacity_bags = 20"),
        "[machine.pick]\nretries = 1\nmisses_to_stop = 2\n",
        FAULTS,
    )
    assert shift.of("pockets") == [(1, 1, "missed", 0, 2), (2, 1, "missed", 0, 2)]
    assert shift.of("states") == [(0, "running"), (2, "lane_fault")]


def test_a_retry_may_fail_in_another_way(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((1, "missed"), (1, "unopened"), (1, "missed"), (1, "jam"))),
        study(4),
        NOBODY,
        oats("lanes = 1\ncapacity_bags = 20"),
        "[machine.pick]\nretries = 3\n",
        FAULTS,
    )
    assert shift.of("pockets") == [(1, 1, "unopened", 1, 2), (2, 1, "jam", 1, 2)]
    assert shift.of("states") == [(0, "running"), (2, "jam")]


@pytest.mark.parametrize("other", ["double", "unopened", "skewed"])
def test_any_other_outcome_ends_a_run_of_misses(shift_with_luck: Lucky, other: str) -> None:
    """Two misses, another fault, two misses, a good one, three misses: faulted at the last."""
    misses = [(1, "missed")] * 2
    shift = shift_with_luck(
        lanes(luck(*misses, (1, other), *misses, (2, "missed"), *misses)),
        study(12),
        NOBODY,
        oats("lanes = 1\ncapacity_bags = 20"),
        FAULTS,
    )
    outcomes = ["missed", "missed", other, "missed", "missed", "good", *["missed"] * 3]
    assert [cycle[2] for cycle in cycles(shift)] == outcomes
    assert shift.of("states") == [(0, "running"), (9, "lane_fault")]


def test_runs_of_misses_are_each_lanes_own(shift_with_luck: Lucky) -> None:
    """Four misses in a row of the machine, two of each lane: none is faulted by three."""
    misses = luck((1, "missed"), (1, "missed"))
    shift = shift_with_luck(
        lanes(misses, list(misses)), study(6), NOBODY, oats("capacity_bags = 20"), FAULTS
    )
    assert [cycle[2] for cycle in cycles(shift)] == ["missed"] * 4 + ["good"] * 2
    assert shift.of("states") == [(0, "running")]


# Lane faults.

ONE_MISS = '[machine.pick]\nmisses_to_stop = 1\nclear = 5 s\non_lane_fault = "{}"\n'


def test_a_lane_fault_stops_the_machine(shift_with_luck: Lucky) -> None:
    """At 2 s; somebody is there at 4 s and done at 9 s, and one bag goes."""
    shift = shift_with_luck(
        lanes(luck(), luck((1, "missed"))),
        study(12),
        "[crew]\nwalk_s = 2",
        oats("capacity_bags = 20"),
        ONE_MISS.format("stop"),
        FAULTS,
    )
    assert shift.of("states") == [(0, "running"), (2, "lane_fault"), (9, "running")]
    assert cycles(shift) == [
        (1, 1, "good"),
        (2, 2, "missed"),
        (10, 1, "good"),
        (11, 2, "good"),
        (12, 1, "good"),
    ]
    assert shift.of("calls") == [(2, "lane 2")]
    assert shift.of("visits") == [(4, 1, "lane")]
    assert shift.of("discards") == [(9, 2, 1)]
    assert seconds(shift, "wait", "time_lane_fault") == [2, 7]


def test_a_faulted_lane_is_passed_over(shift_with_luck: Lucky) -> None:
    """Lane 1 alone from 2 s on; lane 2 has the turn again in the cycle that begins at 9 s."""
    shift = shift_with_luck(
        lanes(luck(), luck((1, "missed"))),
        study(12),
        "[crew]\nwalk_s = 2",
        oats("capacity_bags = 20"),
        ONE_MISS.format("other_lane"),
        FAULTS,
    )
    assert shift.of("states") == [(0, "running")]
    assert [cycle[1] for cycle in cycles(shift)] == [1, 2, 1, 1, 1, 1, 1, 1, 1, 2, 1, 2]
    assert shift.of("discards") == [(9, 2, 1)]
    assert shift.of("visits") == [(4, 1, "lane")]
    assert seconds(shift, "wait") == [0]


def test_two_operators_clear_two_lanes_at_once(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((1, "missed")), luck((1, "missed"))),
        study(9),
        "[crew]\noperators = 2",
        oats("capacity_bags = 20"),
        ONE_MISS.format("other_lane"),
        FAULTS,
    )
    assert shift.of("states") == [(0, "running"), (2, "lane_fault"), (6, "running")]
    assert shift.tasks() == [(1, 1, 1, 6, "lane", "oats"), (2, 2, 2, 7, "lane", "oats")]
    assert {(work.operator, work.detail) for work in shift.record.work} == {(1, "1"), (2, "2")}
    assert shift.of("discards") == [(6, 1, 1), (7, 2, 1)]
    # Lane 1 served before the halt's last cycle, lane 2 in it: lane 1 goes on, then alone no more.
    assert [cycle[:2] for cycle in cycles(shift)] == [(1, 1), (2, 2), (7, 1), (8, 2), (9, 1)]
    assert seconds(shift, "wait") == [0]


def test_an_empty_lane_beside_a_faulted_one_means_dry(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((1, "missed")), luck()),
        study(5),
        NOBODY,
        oats("capacity_bags = 2"),
        ONE_MISS.format("other_lane"),
        FAULTS,
    )
    assert cycles(shift) == [(1, 1, "missed"), (2, 2, "good"), (3, 2, "good")]
    assert shift.of("states") == [(0, "running"), (3, "dry")]
    assert shift.of("calls") == [(1, "lane 1"), (3, "low"), (3, "dry")]


def test_a_faulted_lane_beside_one_that_is_loaded_means_lane_fault(shift_with_luck: Lucky) -> None:
    """Lane 1 is closed from 6 s to 9 s, lane 2 fails at 7 s; it is loaded, then cleared.

    At 6 s lane 1 has given three bags and lane 2 two: one bundle of two fits into either.
    """
    shift = shift_with_luck(
        lanes(luck(), luck((4, "missed"))),
        study(14),
        '[crew]\nrounds_every_min = 6 s\ncalls = "none"',
        oats("capacity_bags = 20\nbundle_bags = 3\nlive_loading = false\nbundle = 3 s"),
        ONE_MISS.format("other_lane").replace("5 s", "1 s"),
        FAULTS,
    )
    assert shift.of("states") == [(0, "running"), (7, "lane_fault"), (9, "running")]
    assert cycles(shift) == [
        *((at, 2 - at % 2, "good") for at in range(1, 7)),
        (7, 2, "missed"),
        *((at, 1, "good") for at in (10, 11, 12, 13)),
        (14, 2, "good"),
    ]
    assert shift.of("loads") == [(9, 1, 3), (12, 2, 3)]
    assert shift.of("visits")[:2] == [(6, 1, "load"), (12, 1, "lane")]
    assert shift.of("discards") == [(13, 2, 1)]
    assert seconds(shift, "wait") == [2]


def test_clearing_ends_the_run_of_misses(shift_with_luck: Lucky) -> None:
    """Two misses fault the lane, and after the clearing it takes two again."""
    shift = shift_with_luck(
        lanes(luck(*[(1, "missed")] * 4)),
        study(8),
        oats("lanes = 1\ncapacity_bags = 20"),
        "[machine.pick]\nmisses_to_stop = 2\nclear = 1 s\n",
        FAULTS,
    )
    assert shift.of("states") == [
        *((0, "running"), (2, "lane_fault"), (3, "running")),
        *((5, "lane_fault"), (6, "running")),
    ]


def test_levels_are_looked_at_after_the_first_cycle_from_a_clearing(
    shift_with_luck: Lucky,
) -> None:
    """Clearing leaves 7 bags in lane 2, which is its call level; lane 1 serves first."""
    pick = "[machine.pick]\nmisses_to_stop = 1\nclear = 5 s\ndiscard_on_clear_bags = 3\n"
    shift = shift_with_luck(
        lanes(luck(), luck((1, "missed"))),
        study(8.5),
        oats("capacity_bags = 10\ncall_level_bags = 7"),
        pick,
        FAULTS,
    )
    assert shift.of("discards") == [(7, 2, 3)]
    assert shift.of("calls") == [(2, "lane 2"), (8, "low")]
    assert shift.of("loads") == [*[(8, 2, 1)] * 3, *[(8, 1, 1)] * 2]


def test_a_lane_is_cleared_while_it_is_loaded(shift_with_luck: Lucky) -> None:
    """Ten bags, five more at 4 s; twelve go at 5 s; five more at 7 s."""
    pick = "[machine.pick]\nmisses_to_stop = 1\nclear = 4 s\ndiscard_on_clear_bags = 12\n"
    magazine = "lanes = 1\ncapacity_bags = 20\nstart_bags = 10\nbundle_bags = 5\nbundle = 3 s\n"
    shift = shift_with_luck(
        lanes(luck((1, "missed"))),
        study(8),
        "[crew]\noperators = 2",
        oats(magazine + "call_level_bags = 12"),
        pick,
        FAULTS,
    )
    assert shift.of("calls") == [(1, "lane 1"), (1, "low"), (7, "low")]
    assert shift.of("loads") == [(4, 1, 5), (7, 1, 5)]
    assert shift.of("discards") == [(5, 1, 12)]
    assert cycles(shift) == [(1, 1, "missed"), *((at, 1, "good") for at in (6, 7, 8))]
    assert shift.told["machines"][0]["lanes_left"] == [10 + 5 - 12 - 2 + 5 - 1]


def test_a_clearing_throws_away_no_more_than_there_is(shift_with_luck: Lucky) -> None:
    pick = "[machine.pick]\nmisses_to_stop = 1\nclear = 4 s\ndiscard_on_clear_bags = 12\n"
    shift = shift_with_luck(
        lanes(luck((3, "missed"))),
        study(8),
        '[crew]\ncalls = "none"',
        oats("lanes = 1\ncapacity_bags = 10"),
        pick,
        FAULTS,
    )
    assert shift.of("discards") == [(7, 1, 8)]
    assert shift.of("states") == [(0, "running"), (3, "lane_fault"), (7, "dry")]


# Bad bundles.


def test_a_bad_bundle_is_thrown_away(shift_with_luck: Lucky) -> None:
    """Bundles of three, the second one bad: two misses, a clearing, three good picks."""
    shift = shift_with_luck(
        {"bad_bundles/oats/1/1": [0.9, 0.1, 0.9]},
        study(12),
        '[crew]\ncalls = "none"',
        oats("lanes = 1\ncapacity_bags = 9\nbundle_bags = 3"),
        "[machine.pick]\nmisses_to_stop = 2\nclear = 2 s\ndiscard_on_clear_bags = 3\n",
        "[machine.bag]\nbad_bundles = { share = 0.5, missed = 1 }",
    )
    assert cycles(shift) == [
        *((at, 1, "good") for at in (1, 2, 3)),
        *((at, 1, "missed") for at in (4, 5)),
        *((at, 1, "good") for at in (8, 9, 10)),
    ]
    assert shift.of("discards") == [(7, 1, 3)]
    assert shift.of("states") == [
        (0, "running"),
        (5, "lane_fault"),
        (7, "running"),
        (10, "dry"),
    ]


def test_what_remains_of_the_start_is_a_last_smaller_bundle(shift_with_luck: Lucky) -> None:
    """Seven bags: three, three and one, which is bad; 0.5 is just good, at a share of a half."""
    shift = shift_with_luck(
        {"bad_bundles/oats/1/1": [0.5, 0.9, 0.1]},
        study(10),
        NOBODY,
        oats("lanes = 1\ncapacity_bags = 9\nbundle_bags = 3\nstart_bags = 7"),
        "[machine.bag]\nbad_bundles = { share = 0.5, missed = 1 }",
    )
    assert [cycle[2] for cycle in cycles(shift)] == ["good"] * 6 + ["missed"] * 3
    assert shift.of("states") == [(0, "running"), (9, "lane_fault")]


def test_in_a_bad_bundle_the_other_faults_keep_their_chances(shift_with_luck: Lucky) -> None:
    """Misses 0.3 and jams 0.1: of the faults there three quarters are misses.

    The first bag is bad: missed, then jammed. The second one is good, and taken.
    """
    shift = shift_with_luck(
        {"bad_bundles/oats/1/1": [0.1, 0.9], "pick/oats/1/1": [1, 0.74, 1, 0.76, 2]},
        study(6),
        '[crew]\ncalls = "none"',
        oats("lanes = 1\ncapacity_bags = 2"),
        "[machine.bag]\nfaults = { jam = 0.1 }\nbad_bundles = { share = 0.5, missed = 0.3 }",
    )
    assert cycles(shift) == [(1, 1, "missed"), (2, 1, "jam"), (3, 1, "good")]
    assert shift.of("states") == [(0, "running"), (3, "dry")]


# Loading.


def test_an_operator_carries_two_bundles_and_fetches_more() -> None:
    """Called at 1 s; from 4 s five bundles fit, of which two are at hand.

    In at 6 s and 8 s; fetched until 18 s; in at 20 s and 22 s; fetched until 32 s; in at 34 s.
    """
    magazine = "lanes = 1\ncapacity_bags = 30\nstart_bags = 5\ncall_level_bags = 4\nbundle_bags = 5"
    times = "visit = 3 s\nbundle = 2 s\nfetch = 10 s\ncarry_bundles = 2"
    shift = shift_of(study(34.5), oats(f"{magazine}\n{times}"))
    assert shift.of("loads") == [(at, 1, 5) for at in (6, 8, 20, 22, 34)]
    assert shift.of("states") == [
        *((0, "running"), (5, "dry"), (6, "running"), (16, "dry")),
        *((20, "running"), (30, "dry"), (34, "running")),
    ]
    assert shift.of("calls") == [(1, "low")]
    assert shift.tasks() == [(1, 1, 1, 34, "load", "oats")]
    # Whoever loads is there, on the way to more bundles too.
    assert seconds(shift, "wait", "time_dry") == [0, 9]


def test_closed_lanes_are_loaded_one_after_the_other() -> None:
    """At 8 s lane 1 has 6 bags, lane 2 has 7 and is being picked from; at 10 s it has 5."""
    magazine = "capacity_bags = 10\nbundle_bags = 3\nbundle = 2 s\nlive_loading = false"
    shift = shift_of(study(14), '[crew]\nrounds_every_min = 8 s\ncalls = "none"', oats(magazine))
    assert [cycle[1] for cycle in cycles(shift)] == [1, 2, 1, 2, 1, 2, 1, 2, 2, 2, 1, 1, 2, 1]
    assert shift.of("loads") == [(10, 1, 3), (12, 2, 3)]
    assert shift.of("states") == [(0, "running")]
    assert shift.tasks() == [(1, 8, 8, 12, "load", "oats")]


def test_with_live_loading_the_lanes_go_on_taking_turns() -> None:
    """As before, but no lane is closed; at 10 s lane 2 has 6 bags: one bundle fits there too."""
    magazine = "capacity_bags = 10\nbundle_bags = 3\nbundle = 2 s"
    shift = shift_of(study(14), '[crew]\nrounds_every_min = 8 s\ncalls = "none"', oats(magazine))
    assert [cycle[1] for cycle in cycles(shift)] == [1, 2] * 7
    assert shift.of("loads") == [(10, 1, 3), (12, 2, 3)]


def test_a_lane_stays_open_while_its_first_bundle_is_fetched() -> None:
    """One bundle in hand goes into lane 1; lane 2 is closed from 14 s, with the second one, on."""
    magazine = "capacity_bags = 10\nbundle_bags = 3\nbundle = 2 s\nlive_loading = false"
    crew = '[crew]\nrounds_every_min = 8 s\ncalls = "none"'
    shift = shift_of(study(17), crew, oats(f"{magazine}\ncarry_bundles = 1\nfetch = 4 s"))
    turns = [1, 2, 1, 2, 1, 2, 1, 2, 2, 2, 1, 2, 1, 2, 1, 1, 2]
    assert [cycle[1] for cycle in cycles(shift)] == turns
    assert shift.of("loads") == [(10, 1, 3), (16, 2, 3)]
    assert shift.tasks()[0] == (1, 8, 8, 16, "load", "oats")


def test_a_lane_closed_alone_leaves_one_for_the_single_lane_speed() -> None:
    """From 8 s lane 1 is closed: a cycle of 2 s to 10 s from lane 2, then lane 1 alone.

    The cycle that begins as a lane closes or opens has the speed of that instant.
    """
    magazine = "capacity_bags = 10\nbundle_bags = 3\nbundle = 2 s\nlive_loading = false"
    shift = shift_of(
        study(16),
        '[crew]\nrounds_every_min = 8 s\ncalls = "none"',
        oats(magazine),
        "[machine.pick]\nsingle_lane_speed_per_min = 30",
    )
    # Lane 1 is in at 10 s; lane 2, then with 6 bags left, is closed until 12 s. From 12 s on both.
    assert cycles(shift)[6:] == [
        *((7, 1, "good"), (8, 2, "good"), (10, 2, "good"), (12, 1, "good")),
        *((13, 2, "good"), (14, 1, "good"), (15, 2, "good"), (16, 1, "good")),
    ]
    # Two cycles took 1 s more, though lane 2 gave a bag every 2 s before as well.
    assert seconds(shift, "slow_cycles") == [2]


def test_the_only_lane_closed_means_dry() -> None:
    """At 8 s the bag being picked is still given; a bundle until 10 s, a restart until 11 s."""
    magazine = "lanes = 1\ncapacity_bags = 10\nbundle_bags = 5\nbundle = 2 s\nlive_loading = false"
    crew = '[crew]\nrounds_every_min = 8 s\ncalls = "none"'
    shift = shift_of(study(13), crew, oats(magazine, "restart_s = 1"))
    assert shift.of("states") == [(0, "running"), (8, "dry"), (10, "restarting"), (11, "running")]
    assert [cycle[0] for cycle in cycles(shift)] == [*range(1, 9), 12, 13]
    assert shift.of("loads") == [(10, 1, 5)]
    assert seconds(shift, "wait") == [0]
    assert shift.sums()["stops_dry"] == 1


def test_a_lane_closed_as_the_sealer_is_ready_holds_the_machine_on() -> None:
    """Ready at 8 s, in the instant in which the only lane is closed: one halt, one restart."""
    magazine = "lanes = 1\ncapacity_bags = 10\nbundle_bags = 5\nbundle = 2 s\nlive_loading = false"
    crew = '[crew]\nrounds_every_min = 8 s\ncalls = "none"'
    shift = shift_of(
        study(13), crew, oats(magazine, "restart_s = 1"), SEALER.format("sealer", 5, 3)
    )
    assert shift.of("states") == [
        *((0, "running"), (5, "sealer"), (8, "dry")),
        *((10, "restarting"), (11, "running")),
    ]
    assert shift.of("halts") == [(5, 10_000_000, 5_000_000, "sealer")]


def test_a_visit_goes_first_to_the_lane_with_the_fewest_bags(shift_with_luck: Lucky) -> None:
    """Lane 3 has lost two at once: at 7 s there are 8, 8 and 7 bags; then ties by number."""
    never = luck()
    shift = shift_with_luck(
        lanes(never, never[:], luck((1, "double"))),
        study(7.5),
        '[crew]\nrounds_every_min = 7 s\ncalls = "none"',
        oats("lanes = 3\ncapacity_bags = 10"),
        FAULTS,
    )
    assert shift.of("loads") == [*[(7, 3, 1)] * 3, *[(7, 1, 1)] * 2, *[(7, 2, 1)] * 2]


def test_a_call_level_above_the_room_for_a_bundle_waits_for_that_room() -> None:
    """Nine bags would call, but five must fit: at 5 s."""
    magazine = "lanes = 1\ncapacity_bags = 10\ncall_level_bags = 9\nbundle_bags = 5"
    shift = shift_of(study(7), oats(magazine))
    assert shift.of("calls") == [(5, "low")]
    assert shift.of("loads") == [(5, 1, 5)]


@pytest.mark.parametrize(
    ("calls", "expected"), [("low", [(3, "low"), (5, "dry")]), ("dry", [(5, "dry")]), ("none", [])]
)
def test_which_calls_are_made(calls: str, expected: list[tuple[int, str]]) -> None:
    """Nobody comes: a low call from 2 bags on, a dry call as the machine halts."""
    magazine = "lanes = 1\ncapacity_bags = 5\ncall_level_bags = 2"
    shift = shift_of(study(9), f'[crew]\noperators = 0\ncalls = "{calls}"', oats(magazine))
    assert shift.of("calls") == expected


def test_a_machine_without_bags_at_the_start_is_halted_from_there() -> None:
    """It calls at once, is loaded at 3 s and restarts; one that can start does so without."""
    magazine = "lanes = 1\ncapacity_bags = 5\nbundle_bags = 5\nbundle = 3 s"
    shift = shift_of(study(7), oats(magazine + "\nstart_bags = 0", "restart_s = 2"))
    assert shift.of("states") == [(0, "dry"), (3, "restarting"), (5, "running")]
    assert shift.of("calls") == [(0, "low"), (0, "dry")]
    assert shift.of("halts") == [(0, 3_000_000, 3_000_000, "dry")]
    full = shift_of(study(4), oats(magazine, "restart_s = 2"))
    assert full.of("states") == [(0, "running")]


# People.


def test_a_walk_from_machine_to_machine() -> None:
    """7 m to the oats, 6 m on to the granola; back at the base from there at no cost."""
    crew = "[crew]\nrounds_every_min = 25 s\nwalk_m_per_s = 1"
    magazine = "lanes = 1\ncapacity_bags = 90\nvisit = 2 s"
    machines = [
        oats(magazine, f"at_m = {place}", name=name)
        for name, place in (("oats", "[3, 4]"), ("granola", "[3, 10]"))
    ]
    shift = shift_of(study(70), crew, *machines)
    assert shift.tasks() == [
        (1, 25, 32, 34, "load", "oats"),
        (1, 34, 40, 42, "load", "granola"),
        (1, 50, 57, 59, "load", "oats"),
        (1, 59, 65, 67, "load", "granola"),
    ]


def test_a_walk_from_a_base_elsewhere_at_another_speed() -> None:
    """|4 - 1| + |0 - 2| = 5 m at 0.8 m/s are 6.25 s."""
    crew = "[crew]\nrounds_every_min = 10 s\nwalk_m_per_s = 0.8\nbase_m = [1, 2]"
    shift = shift_of(study(18), crew, oats("capacity_bags = 90", "at_m = [4, 0]"))
    assert shift.tasks()[0] == (1, 10, 16.25, 16.25, "load", "oats")


def test_no_walk_from_a_machine_to_itself(shift_with_luck: Lucky) -> None:
    """A jam at 3 s, while the same operator is at the machine for another one."""
    shift = shift_with_luck(
        lanes(luck((1, "jam"))),
        study(12),
        "[crew]\nwalk_s = 4",
        oats("lanes = 1\ncapacity_bags = 90\nstart_bags = 4\ncall_level_bags = 3\nbundle_bags = 5"),
        "[machine.pick]\nclear = 2 s\n",
        FAULTS,
    )
    assert shift.tasks()[:2] == [(1, 1, 5, 7, "jam", "oats"), (1, 7, 7, 7, "load", "oats")]


def test_a_jam_is_noticed_later(shift_with_luck: Lucky) -> None:
    """At 1 s; seen at 6 s, reached at 8 s, cleared at 11 s; all that until 8 s is waiting."""
    shift = shift_with_luck(
        lanes(luck((1, "jam"))),
        study(12),
        "[crew]\nwalk_s = 2\nnotice = 5 s",
        oats("lanes = 1\ncapacity_bags = 90"),
        "[machine.pick]\nclear = 3 s\n",
        FAULTS,
    )
    assert shift.tasks() == [(1, 6, 8, 11, "jam", "oats")]
    assert shift.of("states") == [(0, "running"), (1, "jam"), (11, "running")]
    assert seconds(shift, "wait") == [7]


def test_a_round_takes_along_a_call_not_yet_noticed() -> None:
    """Low at 5 s, to be noticed at 15 s; the round of 6 s loads, and nobody comes for the call."""
    magazine = "lanes = 1\ncapacity_bags = 90\nstart_bags = 10\ncall_level_bags = 5"
    crew = "[crew]\nrounds_every_min = 6 s\nnotice = 10 s"
    shift = shift_of(study(17), crew, oats(magazine))
    assert shift.of("calls") == [(5, "low"), (6, "round"), (12, "round")]
    assert shift.of("visits") == [(6, 1, "load"), (12, 1, "load")]


def test_what_comes_first() -> None:
    """While a duty holds the operator until 12 s: a low call of 7 s, a dry one of 9 s.

    The dry machine goes first, then the low one, which the round of 11 s has not overtaken.
    """
    crew = "[crew]\nrounds_every_min = 11 s\n"
    duty = '[[crew.duty]]\nname = "pallets"\nevery_min = 6 s\ntakes = 6 s'
    low = oats("lanes = 1\ncapacity_bags = 20\nstart_bags = 12\ncall_level_bags = 5")
    dry = oats("lanes = 1\ncapacity_bags = 20\nstart_bags = 9", name="granola")
    full = oats("lanes = 1\ncapacity_bags = 90", name="muesli")
    shift = shift_of(study(12.5), crew, duty, low, dry, full)
    assert [(task[1], *task[4:]) for task in shift.tasks()] == [
        (6, "duty", "pallets"),
        (12, "load", "granola"),
        (12, "load", "oats"),
        (12, "load", "muesli"),
        (12, "duty", "pallets"),
    ]
    assert shift.of("calls", 1) == [(9, "low"), (9, "dry"), (11, "round")]


def test_a_fault_goes_before_a_dry_machine(shift_with_luck: Lucky) -> None:
    """Granola is dry at 2 s, oats jam at 4 s; the duty ends at 12 s."""
    duty = '[[crew.duty]]\nname = "pallets"\nevery_min = 6 s\ntakes = 6 s'
    shift = shift_with_luck(
        lanes(luck((4, "jam"))),
        study(12.5),
        "[[crew.break]]\nat_h = 0\ntakes_min = 6 s",
        duty,
        oats("lanes = 1\ncapacity_bags = 90\nvisit = 1 s"),
        "[machine.pick]\nclear = 0\n" + FAULTS,
        oats("lanes = 1\ncapacity_bags = 90\nstart_bags = 2", name="granola"),
    )
    # All wait for the break's end at 6 s, where the calendar's duty is due a moment later.
    assert [(task[1], *task[4:]) for task in shift.tasks()][:3] == [
        (6, "jam", "oats"),
        (6, "load", "granola"),
        (6, "duty", "pallets"),
    ]


def test_a_duty_that_waits_is_not_raised_again() -> None:
    """25 s of work fall due every 10 s: begun at 10 s, and again whenever the last one ends."""
    duty = '[[crew.duty]]\nname = "pallets"\nevery_min = 10 s\ntakes = 25 s'
    shift = shift_of(study(70), duty, oats("capacity_bags = 90"))
    assert shift.tasks() == [
        (1, 10, 10, 35, "duty", "pallets"),
        (1, 35, 35, 60, "duty", "pallets"),
        (1, 60, 60, None, "duty", "pallets"),
    ]
    assert shift.crew() == {"busy_us": 60 * SECONDS, "present_us": 70 * SECONDS}


def test_in_a_break_the_cover_stays() -> None:
    """From 10 s to 30 s operator 1 alone; operator 2 first ends what is in hand, at 13 s."""
    duty = '[[crew.duty]]\nname = "{}"\nevery_min = 8 s\ntakes = 5 s\n'
    crew = "[crew]\noperators = 2\n[[crew.break]]\nat_h = 10 s\ntakes_min = 20 s\ncover = 1\n"
    duties = duty.format("pallets") + duty.format("samples")
    shift = shift_of(study(31), crew, duties, oats("capacity_bags = 90"))
    assert shift.tasks() == [
        (1, 8, 8, 13, "duty", "pallets"),
        (2, 8, 8, 13, "duty", "samples"),
        (1, 16, 16, 21, "duty", "pallets"),
        (1, 21, 21, 26, "duty", "samples"),
        (1, 26, 26, 31, "duty", "pallets"),
        (2, 30, 30, None, "duty", "samples"),
    ]
    # Present: 31 s and 11 s, and the 3 s that operator 2 worked into the break.
    assert shift.crew() == {"busy_us": 26 * SECONDS, "present_us": 45 * SECONDS}


def test_of_two_breaks_the_smaller_cover_holds() -> None:
    """Cover 1 from 8 s to 40 s, cover 0 from 16 s to 32 s; a duty every 8 s of no length."""
    pause = "[[crew.break]]\nat_h = {} s\ntakes_min = {} s\ncover = {}\n"
    crew = "[crew]\noperators = 2\n" + pause.format(8, 32, 1) + pause.format(16, 16, 0)
    duty = '[[crew.duty]]\nname = "pallets"\nevery_min = 8 s\ntakes = 0\n'
    shift = shift_of(study(45), crew, duty, oats("capacity_bags = 90"))
    assert [task[:2] for task in shift.tasks()] == [(1, 8), (1, 32), (1, 32), (1, 40)]
    assert shift.crew()["present_us"] == (45 - 16 + 45 - 32) * SECONDS


# Stoppages.

SEALER = '[[machine.station]]\nname = "{}"\nbetween_stops = {} s\nstop = {} s\n'


def test_a_station_that_needs_an_operator() -> None:
    """Stopped at 5 s, reached at 8 s, running at 12 s."""
    station = SEALER.format("Oat doser", 5, 4) + "needs_operator = true"
    shift = shift_of(study(14), "[crew]\nwalk_s = 3", oats("capacity_bags = 90"), station)
    assert shift.of("states") == [(0, "running"), (5, "oat_doser"), (12, "running")]
    assert shift.of("calls") == [(5, "station Oat doser")]
    assert shift.of("visits") == [(8, 1, "station")]
    assert shift.tasks() == [(1, 5, 8, 12, "station", "oats")]
    assert seconds(shift, "wait", "time_oat_doser") == [3, 7]
    assert shift.sums()["fault_visits"] == 1


def test_a_station_ages_by_cycles_and_not_by_holds(shift_with_luck: Lucky) -> None:
    """The first cycle takes 1 s and 3 s of hold; the station stops after two cycles, at 5 s."""
    shift = shift_with_luck(
        lanes(luck((1, "missed"))),
        study(6.5),
        oats("lanes = 1\ncapacity_bags = 90"),
        "[machine.pick]\nretries = 1\nretry_s = 3\n",
        FAULTS,
        SEALER.format("sealer", 2, 1),
    )
    assert shift.of("states") == [
        *((0, "running"), (1, "retry"), (4, "running")),
        *((5, "sealer"), (6, "running")),
    ]


@pytest.mark.parametrize(("time", "stops_at"), [(3, 3), (3.000001, 4)])
def test_a_station_is_due_to_the_microsecond(time: float, stops_at: int) -> None:
    """At the end of the first cycle by which it has run for its time, inline and at the outfeed."""
    inline = SEALER.format("sealer", time, 100)
    shift = shift_of(study(9), NOBODY, oats("capacity_bags = 90"), inline)
    assert shift.of("states") == [(0, "running"), (stops_at, "sealer")]
    behind = SEALER.format("case packer", time, 100) + 'place = "outfeed"'
    outfeed = "[machine.outfeed]\naccumulation_packs = 90"
    shift = shift_of(study(9), NOBODY, oats("capacity_bags = 90"), behind, outfeed)
    [stop] = shift.record.machines[0].outfeed_stops
    assert stop == ((1 + stops_at) * SECONDS, 0, True)


def test_a_station_ages_by_the_actual_length_of_cycles(shift_with_luck: Lucky) -> None:
    """Lane 2 is empty at 6 s, so the seventh cycle takes 2 s: 7.5 s of running end within it."""
    shift = shift_with_luck(
        lanes(luck(), luck((1, "double"))),
        study(9),
        NOBODY,
        oats("capacity_bags = 4"),
        "[machine.pick]\nsingle_lane_speed_per_min = 30\n",
        FAULTS,
        SEALER.format("sealer", 7.5, 100),
    )
    assert [cycle[0] for cycle in cycles(shift)] == [1, 2, 3, 4, 5, 6, 8]
    assert shift.of("states") == [(0, "running"), (8, "sealer")]


def test_two_stations_at_once() -> None:
    """Both from 11 s: the one listed first has the time while it lasts, and the halt.

    The sealer stops after 5 s of running, for 1 s; the coder after 10 s, for 5 s. A halt of 1 s
    is too short to scrap, and packs made before it are still to be scrapped at the next long one.
    """
    machine = "scrap_packs = 12\nscrap_after_s = 2"
    stations = SEALER.format("sealer", 5, 1) + SEALER.format("coder", 10, 5)
    shift = shift_of(study(33), oats("capacity_bags = 90", machine), stations)
    once = [("running", 0), ("sealer", 5), ("running", 6), ("sealer", 11), ("coder", 12)]
    states = [(at + start, state) for start in (0, 16) for state, at in once]
    assert shift.of("states") == [*states, (32, "running")]
    assert shift.of("scraps") == [(16, 10), (32, 10)]
    assert [shift.sums()[name] for name in ("stops_sealer", "stops_coder")] == [4, 0]
    assert shift.sums()["good_packs"] == 1
    assert shift.sums()["rejected_packs"] == 20


@pytest.mark.parametrize(
    ("scrap_packs", "scrap_after_s", "scraps"),
    [(4, 3, [(13, 4), (28, 4)]), (4, 3.1, []), (12, 0, [(13, 10), (28, 10)]), (0, 0, [])],
)
def test_a_restart_and_the_packs_caught_in_the_sealer(
    scrap_packs: int, scrap_after_s: float, scraps: list[tuple[int, int]]
) -> None:
    """Ten packs, 3 s of stop, 2 s of restart, and again."""
    machine = f"restart_s = 2\nscrap_packs = {scrap_packs}\nscrap_after_s = {scrap_after_s}"
    shift = shift_of(study(30), oats("capacity_bags = 90", machine), SEALER.format("sealer", 10, 3))
    assert shift.of("states") == [
        *((0, "running"), (10, "sealer"), (13, "restarting")),
        *((15, "running"), (25, "sealer"), (28, "restarting")),
    ]
    assert shift.of("scraps") == scraps
    assert shift.sums()["rejected_packs"] == sum(packs for _, packs in scraps)
    assert shift.sums()["good_packs"] == 20 - sum(packs for _, packs in scraps)
    # The youngest go first: of the first ten, those from the seventh on.
    if (scrap_packs, scrap_after_s) == (4, 3):
        assert shift.sums(window=(0, 6))["rejected_packs"] == 0
        assert shift.sums(window=(0, 7))["rejected_packs"] == 1


def test_what_holds_the_machine_after_a_restart_is_a_new_halt() -> None:
    """A planned stop begins in the restart, which runs to its end; then it is restarted again."""
    stop = '[[planned_stop]]\nname = "cleaning"\nat_h = 7 s\ntakes_min = 5 s'
    machine = "restart_s = 4\nscrap_packs = 2"
    shift = shift_of(
        study(18), stop, oats("capacity_bags = 90", machine), SEALER.format("sealer", 5, 1)
    )
    assert shift.of("states") == [
        *((0, "running"), (5, "sealer"), (6, "restarting")),
        *((10, "planned_stop"), (12, "restarting"), (16, "running")),
    ]
    assert shift.of("halts") == [
        (5, 6_000_000, 1_000_000, "sealer"),
        (10, 12_000_000, 0, "planned_stop"),
    ]
    assert shift.of("scraps") == [(6, 2)]


@pytest.mark.parametrize(
    ("minor_stop", "availability", "performance"), [("10 s", 40 / 60, 1), ("11 s", 1, 40 / 60)]
)
def test_long_stops_are_availability_and_short_ones_performance(
    minor_stop: str, availability: float, performance: float
) -> None:
    """Two stops of 10 s in 60 s, the second one still open at the end; OEE does not move."""
    shift = shift_of(
        study(60, f"minor_stop_min = {minor_stop}"),
        oats("capacity_bags = 90"),
        SEALER.format("sealer", 20, 10),
    )
    sums = shift.sums()
    values = [value_of(measure, sums) for measure in (AVAILABILITY, PERFORMANCE, OEE)]
    assert values == pytest.approx([availability, performance, 40 / 60])


# Accumulation and outfeed.


def test_a_full_accumulation_blocks_until_it_is_down() -> None:
    """One pack a second in, one in two seconds out: full at 8 s, down to one at 13 s."""
    outfeed = "[machine.outfeed]\naccumulation_packs = 4\nrestart_packs = 1\nspeed_per_min = 30"
    shift = shift_of(study(15), oats("capacity_bags = 90", "restart_s = 1"), outfeed)
    assert shift.of("states") == [
        (0, "running"),
        (8, "blocked"),
        (13, "restarting"),
        (14, "running"),
    ]
    assert shift.told["machines"][0]["outfeed_starts"] == [at * SECONDS for at in range(1, 16, 2)]
    assert shift.told["machines"][0]["accumulation_left"] == 1
    assert seconds(shift, "time_blocked", "blocked_by_speed") == [5, 5]


@pytest.mark.parametrize(
    ("restart_packs", "states", "blocked_s"),
    [
        (2, [(0, "running"), (5, "blocked"), (8, "running")], [1, 2, 0]),
        (0, [(0, "running"), (5, "blocked")], [1, 2, 1.5]),
    ],
)
def test_blocked_time_is_told_apart_by_station(
    restart_packs: int, states: list[tuple[int, str]], blocked_s: list[float]
) -> None:
    """Both stop at 3 s, the case packer until 6 s, the palletiser until 8 s; full at 5 s."""
    stations = [
        SEALER.format("case packer", 2, 3) + 'place = "outfeed"',
        SEALER.format("palletiser", 2, 5) + 'place = "outfeed"',
    ]
    outfeed = f"[machine.outfeed]\naccumulation_packs = 3\nrestart_packs = {restart_packs}"
    shift = shift_of(study(9.5), oats("capacity_bags = 90"), *stations, outfeed)
    assert shift.of("states") == states
    names = [f"blocked_by_{name}" for name in ("case_packer", "palletiser", "speed")]
    assert seconds(shift, *names) == blocked_s
    assert seconds(shift, "wait") == [0]


def test_an_outfeed_ages_its_stations_by_its_own_cycles() -> None:
    """Packs every 2 s, cycles of 1 s: 3 s of running are over at 7 s and, after a stop, at 13 s."""
    station = SEALER.format("case packer", 3, 2) + 'place = "outfeed"'
    outfeed = "[machine.outfeed]\naccumulation_packs = 5\nspeed_per_min = 60"
    shift = shift_of(study(15.5), oats("capacity_bags = 90", speed=30), station, outfeed)
    starts = [at * SECONDS for at in (2, 4, 6, 9, 10, 12, 15)]
    assert shift.told["machines"][0]["outfeed_starts"] == starts
    assert shift.of("states") == [(0, "running")]


def test_an_outfeed_station_that_needs_an_operator() -> None:
    """It stops at 3 s, is reached at 7 s and ready at 9 s; a fault visit at the machine."""
    station = SEALER.format("case packer", 2, 2) + 'needs_operator = true\nplace = "outfeed"'
    outfeed = "[machine.outfeed]\naccumulation_packs = 3"
    shift = shift_of(study(9.5), "[crew]\nwalk_s = 4", oats("capacity_bags = 90"), station, outfeed)
    assert shift.tasks() == [(1, 3, 7, 9, "station", "oats")]
    assert shift.of("states") == [(0, "running"), (5, "blocked"), (9, "running")]
    assert seconds(shift, "blocked_by_case_packer", "wait") == [4, 0]
    assert shift.sums()["fault_visits"] == 1


def test_without_an_accumulation_an_outfeed_station_is_inline() -> None:
    station = SEALER.format("case packer", 2, 2) + 'place = "outfeed"'
    shift = shift_of(study(5), oats("capacity_bags = 90"), station)
    assert shift.of("states") == [(0, "running"), (2, "case_packer"), (4, "running")]


def test_rejects_and_lost_pockets_do_not_reach_the_accumulation(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((2, "skewed"), (1, "unopened"))),
        study(5),
        oats("lanes = 1\ncapacity_bags = 90"),
        FAULTS,
        "[machine.outfeed]\naccumulation_packs = 5",
    )
    assert shift.told["machines"][0]["outfeed_starts"] == [at * SECONDS for at in (1, 4, 5)]


def test_a_pack_of_a_retry_reaches_the_accumulation(shift_with_luck: Lucky) -> None:
    shift = shift_with_luck(
        lanes(luck((2, "missed"))),
        study(3),
        oats("lanes = 1\ncapacity_bags = 90"),
        "[machine.pick]\nretries = 1\n",
        FAULTS,
        "[machine.outfeed]\naccumulation_packs = 5",
    )
    assert shift.told["machines"][0]["outfeed_starts"] == [at * SECONDS for at in (1, 2, 3)]


def test_scrapped_packs_leave_the_accumulation_as_it_is() -> None:
    """Four of ten packs become rejects at 13 s, and all ten have gone on by then."""
    text = oats("capacity_bags = 90", "scrap_packs = 4")
    outfeed = "[machine.outfeed]\naccumulation_packs = 5"
    shift = shift_of(study(14), text, SEALER.format("sealer", 10, 3), outfeed)
    assert shift.of("scraps") == [(13, 4)]
    assert len(shift.told["machines"][0]["outfeed_starts"]) == 11
    assert shift.told["machines"][0]["accumulation_left"] == 0


# The calendar.

STOP = '[[planned_stop]]\nname = "{}"\nat_h = {} s\ntakes_min = {} s\nkind = "{}"\n'


def test_of_a_break_within_a_changeover_the_time_is_the_breaks() -> None:
    """The halt has no length of its own, so nothing is scrapped; it is restarted all the same."""
    stops = STOP.format("format", 10, 30, "changeover") + STOP.format("lunch", 20, 10, "break")
    shift = shift_of(study(50), stops, oats("capacity_bags = 90", "restart_s = 5\nscrap_packs = 3"))
    assert shift.of("states") == [
        *((0, "running"), (10, "changeover"), (20, "planned_stop")),
        *((30, "changeover"), (40, "restarting"), (45, "running")),
    ]
    assert shift.of("scraps") == []
    assert shift.of("halts") == [(10, 40_000_000, 0, "changeover")]
    sums = shift.sums()
    assert (sums["stops_changeover"], sums["stops_planned_stop"]) == (1, 0)


def test_no_time_is_planned_before_the_first_planned_stop() -> None:
    cell = cell_of(study(20), STOP.format("lunch", 10, 5, "break"), oats("capacity_bags = 90"))
    assert Calendar(Clock(), cell).planned_us() == 0


def test_a_planned_stop_waits_for_the_end_of_the_cycle() -> None:
    shift = shift_of(study(20), STOP.format("lunch", 10.5, 5, "break"), oats("capacity_bags = 90"))
    assert shift.of("states") == [(0, "running"), (11, "planned_stop"), (15.5, "running")]
    assert [cycle[0] for cycle in cycles(shift)] == [*range(1, 12), 16.5, 17.5, 18.5, 19.5]


def test_a_planned_stop_within_one_cycle_is_not_seen() -> None:
    shift = shift_of(study(14), STOP.format("look", 10.2, 0.5, "break"), oats("capacity_bags = 90"))
    assert shift.of("states") == [(0, "running")]


def test_a_repair_goes_on_in_a_planned_stop() -> None:
    """Stopped from 8 s to 18 s, four of it planned: a halt of 6 s, long enough to scrap."""
    stop = STOP.format("lunch", 10, 4, "break")
    text = oats("capacity_bags = 90", "scrap_packs = 3\nscrap_after_s = 6")
    shift = shift_of(study(20), stop, text, SEALER.format("sealer", 8, 10))
    assert shift.of("states") == [
        *((0, "running"), (8, "sealer"), (10, "planned_stop")),
        *((14, "sealer"), (18, "running")),
    ]
    assert shift.of("halts") == [(8, 18_000_000, 6_000_000, "sealer")]
    assert shift.of("scraps") == [(18, 3)]


def test_loading_goes_on_in_a_planned_stop() -> None:
    """A top-up at 12 s of a machine that stands; what was used by then is there at 14 s."""
    stop = STOP.format("lunch", 10, 10, "break")
    crew = "[crew]\nrounds_every_min = 12 s"
    magazine = "lanes = 1\ncapacity_bags = 90\nbundle_bags = 10\nbundle = 2 s"
    shift = shift_of(study(21), crew, stop, oats(magazine))
    assert shift.of("loads") == [(14, 1, 10)]
    assert shift.of("states") == [(0, "running"), (10, "planned_stop"), (20, "running")]


def test_a_machine_is_dry_in_a_planned_stop_too_and_calls() -> None:
    """The last bag leaves with the stop's beginning; loaded at 13 s, while the stop holds it."""
    stop = STOP.format("lunch", 10, 10, "break")
    magazine = "lanes = 1\ncapacity_bags = 10\nbundle_bags = 10\nbundle = 3 s"
    shift = shift_of(study(21), '[crew]\ncalls = "dry"', stop, oats(magazine))
    assert shift.of("calls") == [(10, "dry")]
    assert shift.of("loads") == [(13, 1, 10)]
    assert shift.of("states") == [(0, "running"), (10, "planned_stop"), (20, "running")]
    assert seconds(shift, "time_dry", "wait") == [0, 0]


def test_the_outfeed_goes_on_in_a_planned_stop() -> None:
    """Ten packs by 10 s, one out every 2 s until 21 s."""
    stop = STOP.format("lunch", 10, 20, "break")
    outfeed = "[machine.outfeed]\naccumulation_packs = 10\nspeed_per_min = 30"
    shift = shift_of(study(34), stop, oats("capacity_bags = 90"), outfeed)
    starts = [at * SECONDS for at in (*range(1, 20, 2), 31, 33)]
    assert shift.told["machines"][0]["outfeed_starts"] == starts


def test_the_cause_that_began_first_has_the_time(shift_with_luck: Lucky) -> None:
    """A jam and the last bag at 3 s: the jam until 5 s; then dry, since 3 s, until 9 s.

    The operator clears first, then loads; a load of another one would have been as good.
    """
    shift = shift_with_luck(
        lanes(luck((3, "jam"))),
        study(10),
        oats("lanes = 1\ncapacity_bags = 3\nbundle_bags = 3\nbundle = 4 s"),
        "[machine.pick]\nclear = 2 s\n",
        FAULTS,
    )
    assert shift.of("states") == [(0, "running"), (3, "jam"), (5, "dry"), (9, "running")]
    assert shift.of("calls") == [(3, "jam"), (3, "low"), (3, "dry")]
    assert shift.of("halts") == [(3, 9_000_000, 6_000_000, "jam")]
    assert seconds(shift, "wait") == [0]


def test_the_warm_up_changes_nothing_that_happens() -> None:
    text = (oats("capacity_bags = 90"), SEALER.format("sealer", 8, 4))
    plain, warm = shift_of(study(60), *text), shift_of(study(60, "warm_up_h = 30 s"), *text)
    assert plain.told == warm.told
    assert read(warm.record, warm.cell) == read(plain.record, plain.cell, warm._window((30, 60)))
