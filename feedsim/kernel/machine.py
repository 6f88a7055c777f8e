"""The machine: picks a bag a cycle, halts between cycles, restarts."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import (
    CYCLING,
    HOLDING,
    IS_GOOD,
    IS_JAMMED,
    IS_MISSED,
    NOT_PLANNED,
    RESTARTING,
    RESTARTS,
    RETRY,
    RUNNING,
    STANDING,
)
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.holds import line_up, look_at_levels, must_halt, reconsider, touch
from feedsim.kernel.jump import place_behind, serving
from feedsim.kernel.lane import attempt, give, put_in, throw_away
from feedsim.kernel.memory import NEVER, Row, lane_of, outfeed_of
from feedsim.kernel.outfeed import receive
from feedsim.kernel.station import find_next_stop_of_machine, stop_those_due
from feedsim.kernel.tasks import call_to
from feedsim.kernel.telling import (
    tell_discard,
    tell_faulty_cycle,
    tell_good_cycles,
    tell_halt,
    tell_load,
    tell_scrap,
    tell_state,
)

# What the machine does by itself.


@compiled
def work(shift: Row, machine: Row) -> None:
    """The machine's step: a cycle that changes something ends, a hold, a restart or a halt."""
    touch(shift, machine)
    if machine.doing == CYCLING:
        if machine.ends_us <= shift.now:
            end_cycle(shift, machine)
    elif machine.doing == HOLDING:
        pick(shift, machine)
    elif machine.doing == STANDING:
        machine.go = 0
        set_due(shift, machine.leaf, NEVER)
        if not machine.held and shift.planned == NOT_PLANNED:
            end_halt(shift, machine)
    else:
        go_on(shift, machine)


@compiled_once
def go_on(shift: Row, machine: Row) -> None:
    """Start a cycle if nothing holds the machine, else halt."""
    if must_halt(shift, machine):
        halt(shift, machine)
        return
    machine.look_closer = machine.lane_was_cleared
    tell_state(shift, machine, RUNNING)
    start_cycle(shift, machine)


@compiled
def start_cycle(shift: Row, machine: Row) -> None:
    """Start a cycle on the lane whose turn it is, or on the next that can serve."""
    machine.doing = CYCLING
    machine.lane = serving(machine, machine.turn)
    machine.turn = place_behind(machine, machine.lane)
    machine.this_cycle_us = machine.next_cycle_us
    machine.ends_us = shift.now + machine.this_cycle_us


@compiled
def end_cycle(shift: Row, machine: Row) -> None:
    """A cycle is over that made a good pack at the first attempt, or did not."""
    machine.ran_us += machine.this_cycle_us
    lane = lane_of(machine, machine.lane)
    machine.attempts = 0
    if lane.picks_to_fault <= 1:
        pick(shift, machine)
        return
    give(shift, machine, lane)
    lane.gone_bags += 1
    tell_good_cycles(
        shift, machine, shift.now, machine.this_cycle_us, 1, machine.lane, 1 << machine.lane
    )
    if machine.has_outfeed:
        receive(shift, machine, outfeed_of(shift, machine))
    look_after_cycle(shift, machine, lane)


@compiled
def pick(shift: Row, machine: Row) -> None:
    """Try to pick, after a miss again; each retry may hold the machine."""
    lane = lane_of(machine, machine.lane)
    outcome, bags = attempt(shift, machine, lane)
    machine.attempts += 1
    while outcome == IS_MISSED and machine.attempts <= machine.retries:
        if machine.retry_us:
            tell_state(shift, machine, RETRY)
            machine.doing = HOLDING
            set_due(shift, machine.leaf, shift.now + machine.retry_us)
            return
        outcome, bags = attempt(shift, machine, lane)
        machine.attempts += 1
    end_faulty_cycle(shift, machine, lane, outcome, bags)
    look_after_cycle(shift, machine, lane)


@compiled
def end_faulty_cycle(shift: Row, machine: Row, lane: Row, outcome: int, bags: int) -> None:
    """A cycle is over whose first attempt failed, and perhaps its retries."""
    if machine.attempts > 1 and machine.retry_us:
        tell_state(shift, machine, RUNNING)
    tell_faulty_cycle(shift, machine, lane, machine.this_cycle_us, outcome, bags, machine.attempts)
    lane.missed_in_row = lane.missed_in_row + 1 if outcome == IS_MISSED else 0
    if outcome == IS_GOOD:
        if machine.has_outfeed:
            receive(shift, machine, outfeed_of(shift, machine))
    elif outcome == IS_JAMMED:
        machine.jammed = 1
        machine.look_closer = 1
        call_to(shift, machine.jam_task)
    elif outcome == IS_MISSED and lane.missed_in_row == machine.misses_to_stop:
        lane.faulted = 1
        line_up(machine)
        machine.look_closer |= machine.halts_on_lane_fault
        call_to(shift, lane.task)


@compiled
def look_after_cycle(shift: Row, machine: Row, lane: Row) -> None:
    """See to all that a cycle's end brings, then start the next, or halt."""
    if machine.ran_us >= machine.next_stop_us:
        stop_those_due(shift, machine.first_station, machine.stations, machine.ran_us)
        find_next_stop_of_machine(shift, machine)
    if lane.bags <= machine.watch_bags:
        if lane.bags == 0:
            line_up(machine)
        look_at_levels(shift, machine)
    if not machine.look_closer:
        start_cycle(shift, machine)
        return
    if machine.lane_was_cleared:
        machine.lane_was_cleared = 0
        look_at_levels(shift, machine)
    go_on(shift, machine)


@compiled
def planned_us(shift: Row) -> int:
    """Planned stop time since the shift's start."""
    if shift.planned == NOT_PLANNED:
        return shift.planned_us
    return shift.planned_us + shift.now - shift.planned_since


@compiled_once
def halt(shift: Row, machine: Row) -> None:
    """Stand until nothing holds the machine."""
    machine.doing = STANDING
    machine.halt_began_us = shift.now
    machine.halt_planned_us = planned_us(shift)
    machine.halt_packs = machine.good_total
    tell_halt(shift, machine)
    machine.halted = 1
    set_due(shift, machine.leaf, NEVER)
    reconsider(shift, machine)


@compiled_once
def end_halt(shift: Row, machine: Row) -> None:
    """Nothing holds the machine any more: scrap what was caught, restart."""
    machine.halted = 0
    unplanned_us = shift.now - machine.halt_began_us
    unplanned_us -= planned_us(shift) - machine.halt_planned_us
    if unplanned_us > 0 and unplanned_us >= machine.scrap_after_us:
        scrap_youngest(shift, machine)
    if machine.restart_us:
        tell_state(shift, machine, RESTARTING)
        machine.doing = RESTARTS
        set_due(shift, machine.leaf, shift.now + machine.restart_us)
    else:
        go_on(shift, machine)


@compiled
def scrap_youngest(shift: Row, machine: Row) -> None:
    """The packs caught in the sealer become rejects."""
    packs = min(machine.scrap_packs, machine.halt_packs - machine.scrapped_until)
    machine.scrapped_until = machine.halt_packs
    if packs:
        tell_scrap(shift, machine, machine.halt_packs - packs + 1, machine.halt_packs)


# What others do to it.


@compiled
def close_lane(shift: Row, machine: Row, lane: Row) -> None:
    """Close a lane while bundles are put in."""
    touch(shift, machine)
    lane.closed = 1
    line_up(machine)
    reconsider(shift, machine)


@compiled
def take_bundle(shift: Row, machine: Row, lane: Row, is_last: bool) -> None:
    """A bundle is in; with the last one a closed lane opens.

    More bags in a lane that serves change nothing before the next planned step.
    """
    if not lane.able:
        touch(shift, machine)
    if is_last:
        lane.closed = 0
    put_in(shift, machine, lane, machine.bundle_bags)
    tell_load(shift, machine, lane, machine.bundle_bags)
    if not lane.able:
        line_up(machine)
        reconsider(shift, machine)


@compiled
def end_loading(shift: Row, machine: Row) -> None:
    """The loading visit is over: look at the levels."""
    touch(shift, machine)
    machine.has_loader = 0
    machine.watch_bags = max(0, machine.calls_at_bags)
    look_at_levels(shift, machine)


@compiled
def clear_jam(shift: Row, machine: Row) -> None:
    """A jam has been cleared."""
    touch(shift, machine)
    machine.jammed = 0
    reconsider(shift, machine)


@compiled
def clear_lane(shift: Row, machine: Row, lane: Row) -> None:
    """A lane has been cleared; some bags are thrown away with it."""
    touch(shift, machine)
    bags = throw_away(shift, machine, lane, machine.discard_bags)
    if bags:
        tell_discard(shift, machine, lane, bags)
    lane.faulted = 0
    lane.missed_in_row = 0
    machine.lane_was_cleared = 1
    machine.look_closer = 1
    line_up(machine)
    reconsider(shift, machine)
