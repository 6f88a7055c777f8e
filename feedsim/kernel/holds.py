"""What holds a machine: lanes, levels, jams, stations, a full accumulation, planned stops."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import (
    CALLS,
    DRY,
    IS_PLANNED_STOP,
    JAM_STATE,
    LANE_FAULT,
    NOT_PLANNED,
)
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.jump import settle
from feedsim.kernel.lane import can_serve
from feedsim.kernel.memory import NEVER, NOBODY, Row, lane_of, outfeed_of, station_of
from feedsim.kernel.tasks import call_to_load
from feedsim.kernel.telling import tell_state

NO_CALLS = CALLS.index("none")


@compiled
def touch(shift: Row, machine: Row) -> None:
    """Somebody is about to change something at a machine: settle, and plan anew afterwards."""
    settle(shift, machine)
    machine.touched = 1


@compiled_once
def line_up(machine: Row) -> None:
    """Look up which lanes can serve, and at which speed."""
    able = 0
    for place in range(machine.lanes):
        lane = lane_of(machine, place)
        lane.able = can_serve(lane)
        able += lane.able
    machine.able_lanes = able
    alone = able == 1 and machine.lanes > 1
    machine.next_cycle_us = machine.single_lane_cycle_us if alone else machine.cycle_us
    if able == 0:
        machine.look_closer = 1


@compiled
def some_empty(machine: Row) -> bool:
    """Whether a lane has no bag."""
    for place in range(machine.lanes):
        if lane_of(machine, place).bags == 0:
            return True
    return False


@compiled
def some_faulted(machine: Row) -> bool:
    """Whether a lane waits to be cleared."""
    for place in range(machine.lanes):
        if lane_of(machine, place).faulted:
            return True
    return False


@compiled
def is_full(shift: Row, machine: Row) -> bool:
    """Whether the accumulation behind the machine is full."""
    return machine.has_outfeed and outfeed_of(shift, machine).full


@compiled
def must_halt(shift: Row, machine: Row) -> bool:
    """Whether anything holds the machine; without a lane that serves something always does."""
    return (
        shift.planned != NOT_PLANNED
        or machine.able_lanes == 0
        or machine.jammed
        or machine.stations_stopped > 0
        or (machine.halts_on_lane_fault and some_faulted(machine))
        or is_full(shift, machine)
    )


@compiled
def since(shift: Row, holds: bool, held_since: int) -> int:
    """Since when a cause has held the machine, now that it does or does not."""
    if not holds:
        return NOBODY
    return shift.now if held_since == NOBODY else held_since


@compiled_once
def look_at_causes(shift: Row, machine: Row) -> int:
    """Look up what holds a machine, and since when; returns the oldest cause's state, or NOBODY.

    Of causes as old the first counts: jam, lane fault, stations as listed, blocked, dry.
    """
    none_serves = machine.able_lanes == 0
    empty = some_empty(machine)
    faulted = some_faulted(machine)
    oldest, oldest_us = NOBODY, NEVER

    machine.held_jam = since(shift, machine.jammed, machine.held_jam)
    if machine.jammed:
        oldest, oldest_us = JAM_STATE, machine.held_jam

    holds = faulted and (machine.halts_on_lane_fault or (none_serves and not empty))
    machine.held_lane_fault = since(shift, holds, machine.held_lane_fault)
    if holds and machine.held_lane_fault < oldest_us:
        oldest, oldest_us = LANE_FAULT, machine.held_lane_fault

    for place in range(machine.stations):
        station = station_of(shift, machine.first_station + place)
        station.held_since = since(shift, station.stopped, station.held_since)
        if station.stopped and station.held_since < oldest_us:
            oldest, oldest_us = station.state, station.held_since

    holds = is_full(shift, machine)
    machine.held_blocked = since(shift, holds, machine.held_blocked)
    if holds and machine.held_blocked < oldest_us:
        oldest, oldest_us = machine.blocked_state, machine.held_blocked

    holds = none_serves and (empty or not faulted)
    machine.held_dry = since(shift, holds, machine.held_dry)
    if holds and machine.held_dry < oldest_us:
        oldest, oldest_us = DRY, machine.held_dry
    machine.held = oldest != NOBODY
    return oldest


@compiled_once
def reconsider(shift: Row, machine: Row) -> None:
    """Look anew at what holds a halted machine, after anything that may change it."""
    if not machine.halted:
        return
    was_dry = machine.held_dry != NOBODY
    state = look_at_causes(shift, machine)
    if machine.held_dry != NOBODY and not was_dry:
        look_at_levels(shift, machine)
    if shift.planned == IS_PLANNED_STOP:
        state = machine.planned_stop_state
    elif shift.planned != NOT_PLANNED:
        state = machine.changeover_state
    if state != NOBODY:
        tell_state(shift, machine, state)
    elif not machine.go:
        machine.go = 1
        set_due(shift, machine.leaf, shift.now)


@compiled_once
def look_at_levels(shift: Row, machine: Row) -> None:
    """Call for bags where a lane is low or the machine dry."""
    if machine.has_loader:
        return
    for place in range(machine.lanes):
        if lane_of(machine, place).bags <= machine.calls_at_bags:
            call_to_load(shift, machine, machine.low_task)
            machine.watch_bags = 0
            break
    if shift.calls != NO_CALLS and machine.held_dry != NOBODY:
        call_to_load(shift, machine, machine.dry_task)
