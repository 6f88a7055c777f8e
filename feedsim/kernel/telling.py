"""The kernel's accounts: what the processes tell, summed at once and written down on request.

Where the SimPy model keeps a record that is read afterwards, the kernel books as it goes: time
to states, pockets to outcomes. What it tells is also written to a journal where one is wanted,
from which the record is written out again (`feedsim.kernel.journal`).
"""

from __future__ import annotations

from feedsim.kernel.codes import (
    BEGINS,
    DRY,
    ENDS,
    FIRST_STATION_STATE,
    IS_GOOD,
    JAM_STATE,
    JAM_TASK,
    LANE_FAULT,
    LANE_TASK,
    LOAD_TASK,
    RESTARTING,
    STATION_TASK,
    TELLS_CALL,
    TELLS_CYCLES,
    TELLS_DISCARD,
    TELLS_FAULTY,
    TELLS_HALT,
    TELLS_LOAD,
    TELLS_OUTFEED,
    TELLS_OUTFEED_STOP,
    TELLS_SCRAP,
    TELLS_STATE,
    TELLS_WORK,
)
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.memory import (
    NOBODY,
    Row,
    entry_of,
    machine_of,
    operator_of,
    outfeed_of,
    station_of,
    task_of,
    word_of,
)


@compiled_once
def write(
    shift: Row,
    kind: int,
    owner: int,
    at_us: int,
    first: int,
    second: int,
    third: int,
    fourth: int,
    fifth: int,
) -> None:
    """Write an entry to the journal; what does not fit in is only counted."""
    if shift.journal_rows < shift.journal_room:
        entry = entry_of(shift, shift.journal_rows)
        entry.kind = kind
        entry.owner = owner
        entry.at_us = at_us
        entry.first = first
        entry.second = second
        entry.third = third
        entry.fourth = fourth
        entry.fifth = fifth
    shift.journal_rows += 1


# A machine's time.


@compiled
def is_moving(state: int) -> bool:
    """Whether a state is none of a halt's."""
    return state <= RESTARTING


@compiled_once
def first_stopped(shift: Row, machine: Row) -> int:
    """Which of the outfeed's stations stopped first of those stopped; behind them its speed."""
    outfeed = outfeed_of(shift, machine)
    first, earliest = outfeed.stations, 0
    for place in range(outfeed.stations):
        station = station_of(shift, outfeed.first_station + place)
        if station.stopped and (first == outfeed.stations or station.stopped_in_order < earliest):
            first, earliest = place, station.stopped_in_order
    return first


@compiled
def is_unattended(shift: Row, machine: Row) -> bool:
    """Whether a machine stands for want of somebody who is not there."""
    state = machine.state
    if state == DRY:
        return machine.there_load == 0
    if state == LANE_FAULT:
        return machine.there_lane == 0
    if state == JAM_STATE:
        return machine.there_jam == 0
    if FIRST_STATION_STATE <= state < machine.blocked_state:
        station = station_of(shift, machine.first_station + state - FIRST_STATION_STATE)
        return station.needs_operator and station.there == 0
    return False


@compiled_once
def book(shift: Row, machine: Row) -> None:
    """Book a machine's time up to now, before anything that its booking hangs on changes."""
    spent_us = shift.now - machine.booked_us
    if spent_us == 0:
        return
    machine.booked_us = shift.now
    state = machine.state
    word_of(machine.times, state).value += spent_us
    if is_moving(state):
        return
    if state <= machine.blocked_state:
        machine.halt_length_us += spent_us
        machine.halt_window_us += spent_us
        if machine.halt_cause == NOBODY:
            machine.halt_cause = state
        if state == machine.blocked_state:
            if machine.has_outfeed:
                blamed = first_stopped(shift, machine)
                word_of(machine.blocked_by, blamed).value += spent_us
        elif is_unattended(shift, machine):
            machine.wait_us += spent_us


@compiled_once
def end_halt(shift: Row, machine: Row) -> None:
    """Count the halt that is over, or that the shift's end cuts off."""
    cause = machine.halt_cause
    if cause == NOBODY:
        cause = machine.halt_first_state
    if machine.halt_counts:
        word_of(machine.stops, cause - DRY).value += 1
    if machine.halt_length_us >= shift.minor_stop_us:
        machine.long_halts_us += machine.halt_window_us
    machine.halting = 0


@compiled_once
def tell_state(shift: Row, machine: Row, state: int) -> None:
    """A machine's time goes to a state from now on."""
    if machine.state == state:
        return
    book(shift, machine)
    machine.state = state
    if is_moving(state):
        if machine.halting:
            end_halt(shift, machine)
    elif not machine.halting:
        machine.halting = 1
        machine.halt_counts = 1
        machine.halt_cause = NOBODY
        machine.halt_first_state = state
        machine.halt_length_us = 0
        machine.halt_window_us = 0
    if shift.journal_room:
        write(shift, TELLS_STATE, machine.number, shift.now, state, 0, 0, 0, 0)


@compiled
def tell_halt(shift: Row, machine: Row) -> None:
    """A machine halts: runs of equal cycles end here."""
    if shift.journal_room:
        write(shift, TELLS_HALT, machine.number, shift.now, 0, 0, 0, 0, 0)


# Pockets, bags and packs.


@compiled
def tell_good_cycles(
    shift: Row, machine: Row, first_end_us: int, cycle_us: int, count: int, turn: int, lanes: int
) -> None:
    """Good cycles, one behind the other; `lanes` has a bit for each lane that takes its turn."""
    machine.good_total += count
    machine.good_packs += count
    machine.cycles_us += count * cycle_us
    machine.slow_us += count * (cycle_us - machine.cycle_us)
    if shift.journal_room:
        write(shift, TELLS_CYCLES, machine.number, first_end_us, cycle_us, count, turn, lanes, 0)


@compiled
def tell_faulty_cycle(
    shift: Row, machine: Row, lane: Row, cycle_us: int, outcome: int, bags: int, attempts: int
) -> None:
    """A cycle with a fault, or with retries, is over."""
    if outcome == IS_GOOD:
        machine.good_total += 1
        machine.good_packs += 1
    machine.pockets[outcome] += 1
    machine.cycles_us += cycle_us
    machine.slow_us += cycle_us - machine.cycle_us
    lane.gone_bags += bags
    if shift.journal_room:
        write(
            shift,
            TELLS_FAULTY,
            machine.number,
            shift.now,
            cycle_us,
            lane.number,
            outcome,
            bags,
            attempts,
        )


@compiled
def tell_load(shift: Row, machine: Row, lane: Row, bags: int) -> None:
    """A bundle came in."""
    lane.loaded_bags += bags
    machine.loaded_bags += bags
    if shift.journal_room:
        write(shift, TELLS_LOAD, machine.number, shift.now, lane.number, bags, 0, 0, 0)


@compiled
def tell_discard(shift: Row, machine: Row, lane: Row, bags: int) -> None:
    """Bags were thrown away."""
    lane.gone_bags += bags
    if shift.journal_room:
        write(shift, TELLS_DISCARD, machine.number, shift.now, lane.number, bags, 0, 0, 0)


@compiled
def tell_scrap(shift: Row, machine: Row, first_pack: int, last_pack: int) -> None:
    """Good packs became rejects; those made in the window count."""
    counted = last_pack - max(first_pack, machine.good_before + 1) + 1
    machine.scrapped_packs += max(0, counted)
    if shift.journal_room:
        write(shift, TELLS_SCRAP, machine.number, shift.now, first_pack, last_pack, 0, 0, 0)


@compiled
def tell_outfeed_cycle(shift: Row, machine: Row, end_us: int) -> None:
    """The outfeed takes a pack for a cycle that ends at an instant."""
    if shift.journal_room:
        write(shift, TELLS_OUTFEED, machine.number, end_us, 0, 0, 0, 0, 0)


@compiled
def tell_outfeed_stop(shift: Row, machine: Row, station: Row, stopped: int) -> None:
    """A station of the outfeed stops or is ready; whoever stopped first is to blame till now."""
    book(shift, machine)
    outfeed = outfeed_of(shift, machine)
    outfeed.stops_told += 1
    station.stopped_in_order = outfeed.stops_told
    station.stopped = stopped
    if shift.journal_room:
        place = station.number - outfeed.first_station
        write(shift, TELLS_OUTFEED_STOP, machine.number, shift.now, place, stopped, 0, 0, 0)


# The crew.


@compiled
def tell_call(shift: Row, number: int) -> None:
    """A task was raised at a machine."""
    task = task_of(shift, number)
    if shift.journal_room:
        write(shift, TELLS_CALL, task.machine, shift.now, number, 0, 0, 0, 0)


@compiled
def book_operator(shift: Row, operator: Row) -> None:
    """Book an operator's time up to now, before a task or a break begins or ends."""
    spent_us = shift.now - operator.booked_us
    operator.booked_us = shift.now
    if operator.task != NOBODY:
        shift.busy_us += spent_us
        shift.present_us += spent_us
    elif operator.number <= shift.present:
        shift.present_us += spent_us


@compiled
def tell_work(shift: Row, operator: Row, event: int) -> None:
    """An operator takes the task in hand, begins it on arrival, or ends it."""
    if event == BEGINS:
        come_or_go(shift, operator, 1)
    elif event == ENDS:
        come_or_go(shift, operator, -1)
    if shift.journal_room:
        write(shift, TELLS_WORK, operator.number, shift.now, event, operator.task, 0, 0, 0)


@compiled
def come_or_go(shift: Row, operator: Row, more: int) -> None:
    """Somebody begins (1) or ends (-1) a task at a machine."""
    task = task_of(shift, operator.task)
    if task.machine == NOBODY:
        return
    machine = machine_of(shift, task.machine)
    book(shift, machine)
    if task.kind == LOAD_TASK:
        machine.there_load += more
        machine.refill_visits += more > 0
        return
    machine.fault_visits += more > 0
    if task.kind == JAM_TASK:
        machine.there_jam += more
    elif task.kind == LANE_TASK:
        machine.there_lane += more
    elif task.kind == STATION_TASK:
        station_of(shift, task.what).there += more


@compiled
def book_all(shift: Row) -> None:
    """Book everybody's time up to now."""
    for number in range(shift.machines):
        book(shift, machine_of(shift, number))
    for place in range(shift.operators):
        book_operator(shift, operator_of(shift, place))
