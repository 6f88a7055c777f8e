"""Readings of records that were written by hand."""

from __future__ import annotations

from typing import Any

import pytest
from cells import SECONDS, Shift, cell_of, shift_of
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.accounts import (
    BalanceError,
    MachineRecord,
    Record,
    Window,
    check_balances,
    columns_of,
    read,
)
from feedsim.accounts.record import Bags, Change, Run, Scrap, StationStop, Work
from feedsim.accounts.spans import NO_SPANS, Spans
from feedsim.accounts.timeline import blockers_of, causes_of, halts_of, segments_of, states_of
from feedsim.measures import AVAILABILITY, OEE, PERFORMANCE, QUALITY
from feedsim.verify.invariants import value_of

# Spans of time.

INTERVALS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=8)


@settings(max_examples=300, deadline=None)
@given(intervals=INTERVALS, begin=st.integers(-5, 45), end=st.integers(-5, 45))
def test_spans_cover_what_any_interval_covers(
    intervals: list[tuple[int, int]], begin: int, end: int
) -> None:
    covered = {at for first, last in intervals for at in range(first, last)}
    expected = sum(at in covered for at in range(begin, end))
    assert Spans(intervals).within(begin, end) == expected


def test_spans_by_hand() -> None:
    spans = Spans([(10, 20), (15, 30), (30, 35), (50, 60), (70, 70)])
    assert spans.within(0, 100) == 25 + 10
    assert spans.within(12, 55) == 23 + 5
    assert spans.within(35, 50) == 0
    assert spans.within(55, 12) == 0
    assert NO_SPANS.within(0, 100) == 0


def test_spans_that_grow_behind_the_first_by_hand() -> None:
    """Covered are 0 to 10, 20 to 45 and 50 to 60."""
    spans = Spans([(0, 10), (20, 40), (25, 30), (38, 45), (50, 60)])
    assert [spans.within(0, at) for at in (10, 20, 35, 45, 50, 60)] == [10, 10, 25, 35, 35, 45]


# Runs of equal cycles.


@settings(max_examples=200, deadline=None)
@given(
    first=st.integers(1, 50),
    spacing=st.integers(1, 9),
    count=st.integers(1, 12),
    at=st.integers(0, 200),
)
def test_ends_until_counts_the_ends(first: int, spacing: int, count: int, at: int) -> None:
    run = Run(first, spacing, 1, "good", 1, 1)
    run.count = count
    run.spacing_us = spacing if count > 1 else 0
    run.last_end_us = first + (count - 1) * spacing
    assert run.ends_until(at) == sum(end <= at for end in run.ends_us())
    assert len(run.ends_us()) == count
    assert run.ends_us()[-1] == run.last_end_us


def test_equal_cycles_at_equal_distances_are_one_run() -> None:
    oats = MachineRecord(2)
    for end, lane in ((10, 1), (20, 2), (30, 1), (40, 2), (50, 1), (75, 1), (100, 1), (125, 1)):
        oats.good_cycle(end, 10, lane)
    assert [(run.lane, run.ends_us()) for run in oats.runs] == [
        (1, [10, 30, 50]),
        (2, [20, 40]),
        (1, [75, 100, 125]),
    ]


def test_a_fault_a_halt_and_another_cycle_end_a_run() -> None:
    oats = MachineRecord(1)
    oats.good_cycle(10, 10, 1)
    oats.good_cycle(20, 10, 1)
    oats.other_cycle(30, 10, 1, "missed", 0, 1)
    oats.good_cycle(40, 10, 1)
    oats.close_runs()
    oats.good_cycle(50, 10, 1)
    oats.good_cycle(60, 5, 1)
    seen = [(run.outcome, run.cycle_us, run.ends_us()) for run in oats.runs]
    assert seen == [
        ("good", 10, [10, 20]),
        ("missed", 10, [30]),
        ("good", 10, [40]),
        ("good", 10, [50]),
        ("good", 5, [60]),
    ]


def test_a_state_told_twice_is_one_change() -> None:
    oats = MachineRecord(1)
    for at, state in ((0, "running"), (5, "running"), (7, "jam"), (7, "jam"), (9, "running")):
        oats.state(at, state)
    assert oats.changes == [(0, "running"), (7, "jam"), (9, "running")]


def test_a_run_is_not_taken_up_again_behind_another_cycle_of_its_lane() -> None:
    """A fault, a good cycle, a fault, a good cycle: four entries, though evenly spaced."""
    oats = MachineRecord(1)
    for end in (10, 30):
        oats.other_cycle(end, 10, 1, "missed", 0, 1)
        oats.good_cycle(end + 10, 10, 1)
    assert [run.ends_us() for run in oats.runs] == [[10], [20], [30], [40]]


def test_the_shortest_cycle_there_is_begins_a_run_too() -> None:
    oats = MachineRecord(1)
    oats.good_cycle(1, 1, 1)
    assert [run.ends_us() for run in oats.runs] == [[1]]


def test_more_good_cycles_are_as_if_told_one_by_one() -> None:
    several, single = MachineRecord(2), MachineRecord(2)
    for oats in (several, single):
        oats.good_cycle(10, 10, 2)
        oats.good_cycle(30, 10, 2)
    several.more_good_cycles(2, 3)
    for end in (50, 70, 90):
        single.good_cycle(end, 10, 2)
    for oats in (several, single):
        oats.good_cycle(110, 10, 2)
    told = [
        [(run.lane, run.last_end_us, run.ends_us()) for run in oats.runs]
        for oats in (several, single)
    ]
    assert told[0] == told[1] == [(2, 110, [10, 30, 50, 70, 90, 110])]
    assert several.close_runs() == single.close_runs() == 6


def test_packs_that_the_outfeed_takes_one_after_the_other_are_one_run() -> None:
    oats = MachineRecord(1)
    for end in (10, 20, 30, 45, 55):
        oats.outfeed_takes(end, 10)
    told = [(run.lane, run.cycle_us, run.ends_us()) for run in oats.outfeed_cycles]
    assert told == [(0, 10, [10, 20, 30]), (0, 10, [45, 55])]
    assert {(r.outcome, r.bags_each, r.attempts) for r in oats.outfeed_cycles} == {("good", 1, 1)}


# Windows.


def test_a_window_covers_its_end_and_not_its_start() -> None:
    window = Window(10, 20)
    assert [at for at in range(30) if window.holds(at)] == list(range(11, 21))


def test_a_window_from_the_shifts_start_covers_that_instant_too() -> None:
    assert [at for at in range(8) if Window(0, 5).holds(at)] == [0, 1, 2, 3, 4, 5]


def test_the_part_of_an_interval_in_a_window() -> None:
    window = Window(10, 20)
    parts = {(0, 10): 0, (0, 12): 2, (12, 15): 3, (5, 50): 10, (15, 50): 5, (20, 50): 0}
    for interval, part in parts.items():
        assert window.part_us(*interval) == part


# A record by hand: 600 s, a cycle of 1 s, one lane, an accumulation and two operators.

CELL = """
[study]
shift_h = 600 s
minor_stop_min = 60 s
[crew]
operators = 2
[[crew.break]]
at_h = 300 s
takes_min = 60 s
cover = 1
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
lanes = 1
capacity_bags = 1000
start_bags = 30
[[machine.station]]
name = "Oat doser"
between_stops = 1000000 s
stop = 0
needs_operator = true
[[machine.station]]
name = "sealer"
between_stops = 1000000 s
stop = 0
[[machine.station]]
name = "case packer"
between_stops = 1000000 s
stop = 0
place = "outfeed"
[[machine.station]]
name = "palletiser"
between_stops = 1000000 s
stop = 0
place = "outfeed"
[machine.outfeed]
accumulation_packs = 20
"""


def us(seconds: float) -> int:
    return round(seconds * SECONDS)


def run_of(first: float, count: int, outcome: str = "good", bags: int = 1) -> Run:
    """Cycles of 1 s that ended one after the other, the first at an instant."""
    run = Run(us(first), us(1), 1, outcome, bags, 1)
    run.count = count
    run.spacing_us = us(1) if count > 1 else 0
    run.last_end_us = us(first + count - 1)
    return run


def written(
    states: list[tuple[float, str]], work: list[tuple[Any, ...]] | None = None, **lists: list[Any]
) -> Shift:
    """A shift from lists whose times are in seconds."""
    oats = MachineRecord(1, changes=[Change(us(at), state) for at, state in states])
    for name, entries in lists.items():
        made = [
            entry if isinstance(entry, Run) else entry._replace(at_us=us(entry.at_us))
            for entry in entries
        ]
        setattr(oats, name, made)
    words = [Work(us(at), *rest) for at, *rest in work or []]
    return Shift(cell_of(CELL), Record(us(600), [oats], words))


def halts(shift: Shift) -> list[tuple[float, float, str]]:
    """Begin and length of each halt in seconds, and its cause."""
    segments = segments_of(shift.record.machines[0], shift.cell.shift_us)
    return [
        (halt.begin_us / SECONDS, halt.length_us / SECONDS, halt.cause)
        for halt in halts_of(segments)
    ]


def test_states_causes_and_blockers_of_a_machine() -> None:
    plan = cell_of(CELL).machines[0]
    assert states_of(plan) == (
        *("running", "retry", "restarting", "dry", "lane_fault", "jam"),
        *("oat_doser", "sealer", "blocked", "changeover", "planned_stop"),
    )
    assert causes_of(plan) == states_of(plan)[3:]
    assert blockers_of(plan) == ("case_packer", "palletiser", "speed")


def test_time_is_booked_by_its_part_in_the_window() -> None:
    shift = written([(0, "running"), (100, "dry"), (250, "restarting"), (260, "running")])
    whole = shift.sums()
    assert [whole[f"time_{s}_us"] / SECONDS for s in ("running", "dry", "restarting")] == [
        440,
        150,
        10,
    ]
    part = shift.sums(window=(200, 255))
    assert [part[f"time_{s}_us"] / SECONDS for s in ("running", "dry", "restarting")] == [0, 50, 5]
    assert part["window_us"] == us(55)


def test_a_halt_counts_where_it_began() -> None:
    shift = written([(0, "running"), (100, "dry"), (250, "running"), (300, "jam")])
    stops = {
        window: [shift.sums(window=window)[f"stops_{cause}"] for cause in ("dry", "jam")]
        for window in ((0, 99), (0, 100), (100, 300), (100, 299), (99, 101), (300, 600))
    }
    assert stops == {
        (0, 99): [0, 0],
        (0, 100): [1, 0],
        (100, 300): [0, 1],
        (100, 299): [0, 0],
        (99, 101): [1, 0],
        (300, 600): [0, 0],
    }


def test_a_halt_at_the_shifts_start_belongs_to_the_first_window() -> None:
    shift = written([(0, "dry"), (10, "running")])
    assert shift.sums(window=(0, 5))["stops_dry"] == 1
    assert shift.sums(window=(5, 600))["stops_dry"] == 0


def test_pockets_count_where_their_cycle_ended() -> None:
    """Ends at 1 s to 100 s: the window's end belongs to it, its start does not."""
    shift = written([(0, "running"), (100, "dry")], runs=[run_of(1, 100)])
    packs = {
        window: shift.sums(window=window)["good_packs"] for window in ((0, 10), (10, 20), (20, 600))
    }
    assert packs == {(0, 10): 10, (10, 20): 10, (20, 600): 80}
    assert shift.sums(window=(9.5, 10.5))["good_packs"] == 1
    assert shift.sums(window=(10.2, 10.9))["good_packs"] == 0


def test_bundles_count_where_they_came_in() -> None:
    shift = written([(0, "running")], loads=[Bags(0, 1, 5), Bags(10, 1, 7), Bags(600, 1, 9)])
    loaded = {w: shift.sums(window=w)["bags_loaded"] for w in ((0, 9), (0, 10), (10, 600), (9, 10))}
    assert loaded == {(0, 9): 5, (0, 10): 12, (10, 600): 9, (9, 10): 7}


def test_pockets_by_outcome_and_bags_gone() -> None:
    """A miss takes no bag, a double two; used are the good and the skewed ones."""
    shift = written(
        [(0, "running")],
        runs=[
            run_of(1, 4),
            run_of(5, 1, "missed", 0),
            run_of(6, 1, "double", 2),
            run_of(7, 1, "unopened"),
            run_of(8, 1, "skewed"),
            run_of(9, 1, "jam"),
        ],
        discards=[Bags(12, 1, 3)],
    )
    sums = shift.sums()
    assert sums["good_packs"] == 4
    assert sums["rejected_packs"] == sums["pockets_skewed"] == 1
    assert sums["lost_pockets"] == 4
    assert [sums[f"pockets_{o}"] for o in ("missed", "double", "unopened", "jam")] == [1] * 4
    assert sums["bags_gone"] == 4 + 0 + 2 + 1 + 1 + 1 + 3
    assert shift.sums(window=(6, 11))["bags_gone"] == 3
    assert shift.sums(window=(11, 12))["bags_gone"] == 3


def test_bags_from_the_start_leave_first() -> None:
    """30 bags at the start: the window from 20 s has the last 10 of them."""
    shift = written([(0, "running")], runs=[run_of(1, 50)], loads=[Bags(5, 1, 30)])
    assert shift.sums()["bags_from_start"] == 30
    assert shift.sums(window=(20, 600))["bags_from_start"] == 10
    assert shift.sums(window=(30, 600))["bags_from_start"] == 0


@pytest.mark.parametrize(("start", "left"), [(0, 30), (9, 21), (10, 8), (12, 6), (18, 0)])
def test_bags_thrown_away_before_a_window_are_gone_before_it(start: int, left: int) -> None:
    """30 bags at the start, a pack a second, 12 bags thrown away at 10 s: none left at 18 s."""
    shift = written([(0, "running")], runs=[run_of(1, 50)], discards=[Bags(10, 1, 12)])
    assert shift.sums(window=(start, 600))["bags_from_start"] == left
    assert shift.sums(window=(start, 600))["bags_gone"] == 50 - start + 12 * (start < 10)


def test_bags_thrown_away_after_a_window_are_not_gone_before_it() -> None:
    """Ten packs by 10 s, and 25 of 30 bags thrown away at 50 s: five of the start go by 20 s."""
    shift = written([(0, "running")], runs=[run_of(1, 10)], discards=[Bags(50, 1, 25)])
    assert shift.sums(window=(5, 20))["bags_from_start"] == 5


def test_scrapped_packs_count_where_they_were_made() -> None:
    """Ten packs; a halt at 10 s makes 7 to 10 rejects, of which 9 and 10 ended after 8 s."""
    shift = written(
        [(0, "running"), (10, "jam"), (50, "running")],
        runs=[run_of(1, 10), run_of(51, 5)],
        scraps=[Scrap(50, 7, 10)],
    )
    names = ("good_packs", "rejected_packs", "scrapped_packs")
    assert [shift.sums()[name] for name in names] == [11, 4, 4]
    assert [shift.sums(window=(0, 8))[name] for name in names] == [6, 2, 2]
    assert [shift.sums(window=(8, 600))[name] for name in names] == [5, 2, 2]
    assert [shift.sums(window=(20, 600))[name] for name in names] == [5, 0, 0]


def test_scrapped_packs_are_numbered_over_good_packs_alone() -> None:
    """Lost pockets in between have no number: packs 3 and 4 ended at 4 s and 5 s."""
    shift = written(
        [(0, "running"), (5, "jam")],
        runs=[run_of(1, 2), run_of(3, 1, "unopened"), run_of(4, 2)],
        scraps=[Scrap(20, 3, 4)],
    )
    assert [shift.sums(window=(0, at))["scrapped_packs"] for at in (3, 4, 5, 600)] == [0, 1, 2, 2]


# Halts.


def test_a_halt_goes_to_the_cause_of_its_first_microsecond() -> None:
    shift = written([(0, "running"), (10, "jam"), (20, "dry"), (90, "running")])
    assert halts(shift) == [(10, 80, "jam")]


def test_a_cause_without_a_microsecond_gives_way_to_the_next() -> None:
    shift = written([(0, "running"), (10, "jam"), (10, "dry"), (90, "running")])
    assert halts(shift) == [(10, 80, "dry")]


def test_a_halt_without_any_time_goes_to_its_first_instant() -> None:
    shift = written([(0, "running"), (10, "jam"), (10, "dry"), (10, "running")])
    assert halts(shift) == [(10, 0, "jam")]
    assert shift.sums()["stops_jam"] == 1
    assert shift.sums()["time_jam_us"] == 0


def test_planned_time_is_no_part_of_a_halts_length_and_not_its_cause() -> None:
    """Halted from 10 s to 100 s: planned to 40 s, then dry."""
    for planned in ("planned_stop", "changeover"):
        shift = written([(0, "running"), (10, planned), (40, "dry"), (100, "running")])
        assert halts(shift) == [(10, 60, "dry")]
        assert shift.sums()["stops_dry"] == 1
        assert shift.sums()[f"stops_{planned}"] == 0


def test_a_halt_that_is_planned_alone_counts_as_planned() -> None:
    shift = written([(0, "running"), (10, "planned_stop"), (40, "running"), (50, "changeover")])
    assert halts(shift) == [(10, 0, "planned_stop"), (50, 0, "changeover")]
    assert shift.sums()["stops_planned_stop"] == shift.sums()["stops_changeover"] == 1


def test_restarting_ends_a_halt() -> None:
    """What holds the machine after the restart is a halt of its own."""
    shift = written([(0, "running"), (10, "jam"), (20, "restarting"), (25, "dry"), (30, "running")])
    assert halts(shift) == [(10, 10, "jam"), (25, 5, "dry")]


@pytest.mark.parametrize(("ends", "long_s"), [(69, 0), (70, 60), (80, 70)])
def test_halts_of_minor_stop_min_or_longer_are_long(ends: float, long_s: float) -> None:
    shift = written([(0, "running"), (10, "jam"), (ends, "running")])
    assert shift.sums()["long_halts_us"] == us(long_s)


def test_a_halt_is_judged_by_its_whole_length() -> None:
    """70 s are long, so each of two windows that share them has its part, be it short."""
    shift = written([(0, "running"), (10, "jam"), (80, "running")])
    assert shift.sums(window=(0, 20))["long_halts_us"] == us(10)
    assert shift.sums(window=(20, 30))["long_halts_us"] == us(10)
    assert shift.sums(window=(30, 600))["long_halts_us"] == us(50)


def test_two_causes_of_one_halt_are_judged_together() -> None:
    """40 s jam and 30 s dry are one long halt; its planned time is neither length nor loss."""
    shift = written(
        [(0, "running"), (10, "jam"), (50, "changeover"), (150, "dry"), (180, "running")]
    )
    assert halts(shift) == [(10, 70, "jam")]
    assert shift.sums()["long_halts_us"] == us(70)
    short = written([(0, "running"), (10, "jam"), (50, "planned_stop"), (550, "running")])
    assert short.sums()["long_halts_us"] == 0


@pytest.mark.parametrize(("begun", "long_s"), [(541, 0), (540, 60)])
def test_a_halt_open_at_the_shifts_end_is_judged_so_far(begun: float, long_s: float) -> None:
    shift = written([(0, "running"), (begun, "dry")])
    assert shift.sums()["long_halts_us"] == us(long_s)
    assert shift.sums()["stops_dry"] == 1


def test_oee_and_its_parts() -> None:
    """600 s: 100 planned, 50 changeover, a long halt of 80, a short one of 20; 300 packs, 30 bad.

    Planned busy 500 s, available 500 - 50 - 80 = 370 s.
    """
    shift = written(
        [
            *((0, "running"), (200, "planned_stop"), (300, "running"), (350, "changeover")),
            *((400, "running"), (420, "dry"), (500, "running"), (520, "jam"), (540, "running")),
        ],
        runs=[run_of(1, 200), run_of(301, 50), run_of(401, 20), run_of(541, 30, "skewed")],
    )
    sums = shift.sums()
    values = [value_of(m, sums) for m in (AVAILABILITY, PERFORMANCE, QUALITY, OEE)]
    assert values == pytest.approx([370 / 500, 300 / 370, 270 / 300, 270 / 500])


# Waiting for an operator.


def _task(
    operator: int, kind: str, detail: str, *times: float, machine: int | None = 0
) -> list[tuple[Any, ...]]:
    events = zip(times, ("takes", "begins", "ends"), strict=False)
    return [(at, operator, event, kind, machine, detail) for at, event in events]


@pytest.mark.parametrize(
    ("state", "kind", "detail"),
    [
        ("jam", "jam", ""),
        ("lane_fault", "lane", "1"),
        ("dry", "load", ""),
        ("oat_doser", "station", "oat_doser"),
    ],
)
def test_waiting_ends_with_the_arrival(state: str, kind: str, detail: str) -> None:
    """Stopped from 10 s to 100 s; taken at 20 s, there from 40 s: 30 s of wait, on the way too."""
    states = [(0, "running"), (10, state), (100, "running")]
    shift = written(states, _task(1, kind, detail, 20, 40, 100))
    assert shift.sums()["wait_us"] == us(30)
    assert shift.sums(window=(0, 25))["wait_us"] == us(15)
    assert shift.sums(window=(35, 600))["wait_us"] == us(5)
    assert written(states).sums()["wait_us"] == us(90)


@pytest.mark.parametrize(
    ("state", "waits"),
    [("sealer", False), ("blocked", False), ("planned_stop", False), ("changeover", False)],
)
def test_what_needs_nobody_waits_for_nobody(state: str, waits: bool) -> None:
    shift = written([(0, "running"), (10, state), (100, "running")])
    assert (shift.sums()["wait_us"] > 0) == waits


def test_somebody_there_for_something_else_does_not_count() -> None:
    states = [(0, "running"), (10, "jam"), (100, "running")]
    for kind, detail in (("load", ""), ("lane", "1"), ("station", "oat_doser")):
        shift = written(states, _task(1, kind, detail, 5, 5, 100))
        assert shift.sums()["wait_us"] == us(90)


def test_two_operators_there_count_once() -> None:
    work = sorted(
        [*_task(1, "lane", "1", 10, 20, 50), *_task(2, "lane", "1", 10, 40, 60)],
        key=lambda entry: entry[0],
    )
    shift = written([(0, "running"), (10, "lane_fault"), (100, "running")], work)
    assert shift.sums()["wait_us"] == us(90 - 40)


def test_work_still_under_way_at_the_shifts_end_counts() -> None:
    shift = written([(0, "running"), (500, "jam")], _task(1, "jam", "", 510, 520))
    assert shift.sums()["wait_us"] == us(20)
    assert shift.crew()["busy_us"] == us(90)


def test_visits_count_where_they_began() -> None:
    work = [*_task(1, "load", "", 10, 20, 30), *_task(1, "jam", "", 30, 40, 50)]
    work += _task(1, "duty", "pallets", 60, 60, 70, machine=None)
    shift = written([(0, "running")], work)
    names = ("refill_visits", "fault_visits")
    assert [shift.sums()[name] for name in names] == [1, 1]
    assert [shift.sums(window=(0, 20))[name] for name in names] == [1, 0]
    assert [shift.sums(window=(20, 600))[name] for name in names] == [0, 1]


# Blocked time.


def test_blocked_time_goes_to_the_station_that_stopped_first() -> None:
    """Case packer from 50 s to 80 s, palletiser from 60 s to 95 s; blocked from 55 s to 100 s."""
    stops = [
        StationStop(at, n, on)
        for at, n, on in ((50, 0, True), (60, 1, True), (80, 0, False), (95, 1, False))
    ]
    shift = written([(0, "running"), (55, "blocked"), (100, "running")], outfeed_stops=stops)
    names = [f"blocked_by_{name}_us" for name in ("case_packer", "palletiser", "speed")]
    assert [shift.sums()[name] / SECONDS for name in names] == [25, 15, 5]
    assert [shift.sums(window=(70, 97))[name] / SECONDS for name in names] == [10, 15, 2]
    assert [shift.sums(window=(0, 50))[name] for name in names] == [0, 0, 0]


def test_blocked_by_a_station_that_is_still_stopped_at_the_end() -> None:
    shift = written([(0, "running"), (55, "blocked")], outfeed_stops=[StationStop(70, 1, True)])
    assert shift.sums()["blocked_by_speed_us"] == us(15)
    assert shift.sums()["blocked_by_palletiser_us"] == us(530)


# The crew: a break from 300 s to 360 s in which operator 1 stays.


def test_present_time_leaves_out_the_breaks() -> None:
    shift = written([(0, "running")])
    assert shift.crew() == {"busy_us": 0, "present_us": us(600 + 540)}
    assert shift.crew(window=(330, 340)) == {"busy_us": 0, "present_us": us(10)}


def test_busy_from_taking_to_ending() -> None:
    shift = written([(0, "running")], _task(1, "load", "", 10, 30, 50))
    assert shift.crew()["busy_us"] == us(40)
    assert shift.crew(window=(20, 45))["busy_us"] == us(25)


def test_work_carried_into_a_break_counts_on_both_sides() -> None:
    """Operator 2 works from 280 s to 320 s: 20 s of the break are busy and present."""
    shift = written([(0, "running")], _task(2, "load", "", 280, 290, 320))
    assert shift.crew() == {"busy_us": us(40), "present_us": us(600 + 540 + 20)}
    stays = written([(0, "running")], _task(1, "load", "", 280, 290, 320))
    assert stays.crew() == {"busy_us": us(40), "present_us": us(600 + 540)}


def test_the_warm_up_cuts_the_reading_alone() -> None:
    """The same shift, with and without a warm-up; by default a reading begins after it."""
    text = "[[machine]]\nspeed_per_min = 60\n[machine.magazine]\ncapacity_bags = 2000\nlanes = 1"
    plain = shift_of("[study]\nshift_h = 600 s", text)
    warm = shift_of("[study]\nshift_h = 600 s\nwarm_up_h = 100 s", text)
    assert plain.told == warm.told
    assert read(plain.record, plain.cell).machines[0]["good_packs"] == 600
    assert read(warm.record, warm.cell).machines[0]["good_packs"] == 500
    assert read(warm.record, warm.cell).machines[0]["window_us"] == us(500)


def test_equal_faulty_cycles_are_one_record():
    oats = MachineRecord(2)
    for end in (10, 30, 50):
        oats.other_cycle(end, 10, 1, "missed", 0, 1)
        oats.good_cycle(end + 10, 10, 2)
    oats.other_cycle(70, 10, 1, "double", 2, 1)
    oats.good_cycle(90, 10, 1)
    oats.other_cycle(110, 10, 1, "missed", 0, 1)
    oats.other_cycle(130, 10, 1, "missed", 0, 1)
    oats.good_cycle(150, 10, 1)
    oats.other_cycle(170, 10, 1, "missed", 0, 1)
    oats.close_runs()
    oats.other_cycle(190, 10, 1, "missed", 0, 1)
    told = [(run.lane, run.outcome, run.ends_us()) for run in oats.runs]
    assert told == [
        (1, "missed", [10, 30, 50]),
        (2, "good", [20, 40, 60]),
        (1, "double", [70]),
        (1, "good", [90]),
        (1, "missed", [110, 130]),
        (1, "good", [150]),
        (1, "missed", [170]),
        (1, "missed", [190]),
    ]


def test_columns_are_named_and_ordered_as_the_reading_is() -> None:
    shift = written([(0, "running")])
    reading = read(shift.record, shift.cell)
    assert columns_of(shift.cell) == [list(sums) for sums in (*reading.machines, reading.crew)]


# Balances at their very limits: 25 cycles of 1 s, 10 of 25 packs taken, 5 of 30 bags left.


def balanced(**changed: Any) -> Shift:
    """A record that adds up, but for what is changed in it."""
    shift = written(
        changed.pop("states", [(0, "running"), (25, "dry")]),
        changed.pop("work", None),
        runs=[run_of(1, changed.pop("made", 25))],
        outfeed_cycles=[run_of(2, changed.pop("taken", 10))],
    )
    oats = shift.record.machines[0]
    oats.lanes_left, oats.accumulation_left = [5], 15
    for name, value in changed.items():
        setattr(oats, name, value)
    return shift


def task(*at: float) -> list[tuple[Any, ...]]:
    """A duty that operator 1 takes, begins and ends."""
    words = zip(at, ("takes", "begins", "ends"), strict=False)
    return [(when, 1, event, "duty", None, "") for when, event in words]


AT_THE_LIMIT = {
    "a whole cycle under way": {"states": [(0, "running"), (26, "dry")]},
    "two states at one instant": {"states": [(0, "jam"), (0, "running"), (25, "dry")]},
    "no bag left": {"loads": [Bags(0, 1, 5)], "discards": [Bags(0, 1, 10)], "lanes_left": [0]},
    "a full lane": {"loads": [Bags(0, 1, 995)], "lanes_left": [1000]},
    "no pack left": {"taken": 25, "accumulation_left": 0},
    "a full accumulation": {"taken": 5, "accumulation_left": 20},
    "all packs scrapped": {"scraps": [Scrap(9, 1, 3), Scrap(9, 4, 25)]},
    "a task that takes no time": {"work": task(0, 0, 0)},
    "a task that ends with the shift": {"work": task(600, 600, 600)},
}


@pytest.mark.parametrize("changed", AT_THE_LIMIT.values(), ids=AT_THE_LIMIT)
def test_what_just_adds_up_is_no_fault(changed: dict[str, Any]) -> None:
    shift = balanced(**changed)
    check_balances(shift.record, shift.cell)


BEYOND = {
    "more than a cycle under way": ({"states": [(0, "running"), (26.000001, "dry")]}, "differ by"),
    "less time than cycles": ({"states": [(0, "running"), (24.999999, "dry")]}, "differ by -1 us"),
    "states that go back": ({"states": [(0, "jam"), (9, "running"), (8, "dry")]}, "not in order"),
    "states after the shift": ({"states": [(0, "running"), (601, "dry")]}, "not in order"),
    "states that begin late": ({"states": [(1, "running"), (26, "dry")]}, "do not begin"),
    "a bag too few": ({"lanes_left": [4]}, "has 4, not 5"),
    "fewer bags than none": (
        {"discards": [Bags(0, 1, 6)], "lanes_left": [-1]},
        "lane 1 holds -1 bags",
    ),
    "more than a full lane": (
        {"loads": [Bags(0, 1, 996)], "lanes_left": [1001]},
        "lane 1 holds 1001 bags",
    ),
    "packs before the first": ({"scraps": [Scrap(9, 0, 3)]}, "scrapped twice"),
    "a pack scrapped twice": ({"scraps": [Scrap(9, 1, 3), Scrap(9, 3, 4)]}, "scrapped twice"),
    "a pack that was not made": ({"scraps": [Scrap(9, 1, 26)]}, "not made"),
    "a pack too few": ({"accumulation_left": 14}, "holds 14 packs, not 15"),
    "fewer packs than none": ({"taken": 26, "accumulation_left": -1}, "holds -1 packs"),
    "more than a full accumulation": ({"taken": 4, "accumulation_left": 21}, "holds 21 packs"),
    "work before the shift": ({"work": task(-0.000001)}, "out of order"),
    "work after the shift": ({"work": task(600.000001)}, "out of order"),
    "work that goes back": ({"work": task(9, 8)}, "out of order"),
    "work not taken": ({"work": task(1, 2, 3)[1:]}, "begins out of turn"),
    "work of operator 0": ({"work": [(1, 0, "takes", "duty", None, "")]}, "not of the crew"),
    "work of a third one": ({"work": [(1, 3, "takes", "duty", None, "")]}, "not of the crew"),
    "work not ended": ({"work": task(1, 2) + task(3)}, "takes out of turn"),
}


@pytest.mark.parametrize(("changed", "told"), BEYOND.values(), ids=BEYOND)
def test_what_just_does_not_add_up_is_a_fault(changed: dict[str, Any], told: str) -> None:
    shift = balanced(**changed)
    with pytest.raises(BalanceError, match=told):
        check_balances(shift.record, shift.cell)
