"""Shifts of the kernel: from full lanes to the sums, or to the journal."""

from __future__ import annotations

from typing import Any

from feedsim.kernel import calendar, crew, machine, outfeed
from feedsim.kernel.agenda import leaf_of, next_entry, set_due, time_of
from feedsim.kernel.codes import (
    BREAKS_LEAF,
    DUTY_LEAF,
    MACHINE_LEAF,
    NOTICE_LEAF,
    OPERATOR_LEAF,
    OUTFEED_LEAF,
    ROUNDS_LEAF,
    STATION_LEAF,
    STOPS_LEAF,
    WARM_UP_LEAF,
)
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.holds import line_up
from feedsim.kernel.jump import plan_ahead, settle
from feedsim.kernel.lane import fill_at_start
from feedsim.kernel.luck import draw_age
from feedsim.kernel.memory import (
    NEVER,
    Row,
    lane_of,
    machine_of,
    operator_of,
    outfeed_of,
    shift_at,
    station_of,
    word_of,
)
from feedsim.kernel.station import (
    end_stop,
    find_next_stop_of_machine,
    find_next_stop_of_outfeed,
)
from feedsim.kernel.sums import close_window, hand_over, open_window
from feedsim.kernel.tasks import notice

begin_round, begin_duty = calendar.begin_round, calendar.begin_duty
look_at_planned_stops, look_at_breaks = calendar.look_at_planned_stops, calendar.look_at_breaks
plan_calendar = calendar.plan_calendar
assign, operator_works = crew.assign, crew.work
machine_works, outfeed_works = machine.work, outfeed.work


@compiled
def begin_shift(shift: Row) -> None:
    """Lanes full, everybody at the base, all stations as new."""
    shift.present = shift.operators
    for number in range(shift.stations):
        station = station_of(shift, number)
        station.stops_at_us = draw_age(shift, 0, station.between_stops)
    for number in range(shift.machines):
        tended = machine_of(shift, number)
        for place in range(tended.lanes):
            fill_at_start(shift, tended, lane_of(tended, place))
        line_up(tended)
        tended.watch_bags = max(0, tended.calls_at_bags)
        find_next_stop_of_machine(shift, tended)
        if tended.has_outfeed:
            find_next_stop_of_outfeed(shift, outfeed_of(shift, tended))
        set_due(shift, tended.leaf, 0)
    plan_calendar(shift)
    if shift.warm_up_us:
        set_due(shift, shift.warm_up_leaf, shift.warm_up_us)
    set_due(shift, shift.end_leaf, shift.shift_us)


@compiled
def settle_all(shift: Row) -> None:
    """Make up for all cycles that have ended."""
    for number in range(shift.machines):
        settle(shift, machine_of(shift, number))


@compiled
def take_step(shift: Row, leaf: int) -> None:
    """Let whoever is due act."""
    kind = word_of(shift.first_leaf_kind, leaf).value
    owner = word_of(shift.first_leaf_owner, leaf).value
    if kind == MACHINE_LEAF:
        machine_works(shift, machine_of(shift, owner))
    elif kind == OPERATOR_LEAF:
        operator_works(shift, operator_of(shift, owner))
    elif kind == STATION_LEAF:
        set_due(shift, leaf, NEVER)
        end_stop(shift, station_of(shift, owner))
    elif kind == OUTFEED_LEAF:
        outfeed_works(shift, machine_of(shift, owner))
    elif kind == NOTICE_LEAF:
        notice(shift)
    elif kind == ROUNDS_LEAF:
        begin_round(shift)
    elif kind == DUTY_LEAF:
        begin_duty(shift, owner)
    elif kind == BREAKS_LEAF:
        look_at_breaks(shift)
    elif kind == STOPS_LEAF:
        look_at_planned_stops(shift)
    elif kind == WARM_UP_LEAF:
        settle_all(shift)
        open_window(shift)
        set_due(shift, leaf, NEVER)


@compiled_once
def run_shift(shift: Row) -> None:
    """Take all steps of the shift, those of its last instant included."""
    begin_shift(shift)
    while True:
        entry = next_entry(shift)
        leaf, at_us = leaf_of(shift, entry), time_of(shift, entry)
        if at_us > shift.now:
            shift.now = at_us
            shift.reached = leaf
        else:
            shift.reached = max(shift.reached, leaf)
        if leaf == shift.end_leaf:
            break
        take_step(shift, leaf)
        if shift.look_at_list:
            assign(shift)
        for number in range(shift.machines):
            touched = machine_of(shift, number)
            if touched.touched:
                touched.touched = 0
                plan_ahead(shift, touched)
    settle_all(shift)
    close_window(shift)


def run_shifts(
    plan: Any, block: Any, address: int, first: int, sums: Any, journal: int, room: int
) -> int:
    """Simulate replications from `first` on, a row of sums each.

    Parameters
    ----------
    plan, block : arrays of words
        A cell as laid out for the block's address, and memory for a shift of it.
    address : int
        Where the block begins, a multiple of 16.
    first : int
        The first replication's number.
    sums : array of floats, shape (shifts, columns)
        Filled.
    journal, room : int
        Where entries are written, and how many fit in; no journal with a room of 0.

    Returns
    -------
    int
        0, or the number of a replication with a balance that fails; its row tells which.
    """
    for row in range(sums.shape[0]):
        block[:] = plan
        shift = shift_at(address)
        shift.address = address
        shift.replication = first + row
        shift.journal = journal
        shift.journal_room = room
        run_shift(shift)
        if not hand_over(shift, sums, row):
            return first + row
    return 0
