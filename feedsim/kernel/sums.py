"""The sums that measures need, handed over at the shift's end, and the balances they keep."""

from __future__ import annotations

from typing import Any

from feedsim.kernel.codes import (
    DRY,
    IS_DOUBLE,
    IS_GOOD,
    IS_JAMMED,
    IS_MISSED,
    IS_SKEWED,
    IS_UNOPENED,
    RUNNING,
)
from feedsim.kernel.compiling import compiled
from feedsim.kernel.memory import (
    Row,
    lane_of,
    machine_of,
    outfeed_of,
    word_of,
)
from feedsim.kernel.telling import book_all, end_halt

# What a balance that fails is about.
FAULT_NAMES = (
    "",
    "its states do not add up to the window",
    "running time and cycles differ",
    "bags at the start and loaded are not those gone and left",
    "a lane holds fewer than 0 bags or more than fit in",
    "the accumulation's packs are not those made and not taken",
)
OF_TIME, OF_CYCLES, OF_BAGS, OF_LANE, OF_PACKS = range(1, 6)


@compiled
def open_window(shift: Row) -> None:
    """The warm-up is over: what was counted till now, this instant included, counts no more."""
    book_all(shift)
    shift.window_began_us = shift.now
    shift.busy_us = 0
    shift.present_us = 0
    for number in range(shift.machines):
        machine = machine_of(shift, number)
        machine.under_way_us += word_of(machine.times, RUNNING).value - machine.cycles_us
        for place in range(machine.window_words):
            word_of(machine.times, place).value = 0
        machine.halt_counts = 0
        machine.halt_window_us = 0
        machine.good_before = machine.good_total
        machine.cycles_us = 0
        machine.long_halts_us = 0
        machine.wait_us = 0
        machine.good_packs = 0
        machine.scrapped_packs = 0
        machine.slow_us = 0
        machine.loaded_bags = 0
        machine.refill_visits = 0
        machine.fault_visits = 0
        for outcome in range(IS_GOOD + 1):
            machine.pockets[outcome] = 0
        for place in range(machine.lanes):
            lane = lane_of(machine, place)
            lane.gone_before = lane.gone_bags


@compiled
def close_window(shift: Row) -> None:
    """The shift is over."""
    book_all(shift)
    for number in range(shift.machines):
        machine = machine_of(shift, number)
        if machine.halting:
            end_halt(shift, machine)


@compiled
def check_balances(shift: Row, machine: Row) -> int:
    """Which balance of a machine does not hold; 0 if they all do."""
    booked_us = 0
    for state in range(machine.states):
        booked_us += word_of(machine.times, state).value
    if booked_us != shift.shift_us - shift.window_began_us:
        return OF_TIME
    running_us = word_of(machine.times, RUNNING).value
    under_way_us = machine.under_way_us + running_us - machine.cycles_us
    if not 0 <= under_way_us <= machine.single_lane_cycle_us:
        return OF_CYCLES
    for place in range(machine.lanes):
        lane = lane_of(machine, place)
        if machine.start_bags + lane.loaded_bags - lane.gone_bags != lane.bags:
            return OF_BAGS
        if not 0 <= lane.bags <= machine.capacity_bags:
            return OF_LANE
    if machine.has_outfeed:
        outfeed = outfeed_of(shift, machine)
        if machine.good_total - outfeed.taken != outfeed.packs:
            return OF_PACKS
        if not 0 <= outfeed.packs <= outfeed.accumulation_packs:
            return OF_PACKS
    return 0


@compiled
def hand_over(shift: Row, sums: Any, row: int) -> bool:
    """Write the shift's sums to a row of a table, in the order of `columns_of`.

    Returns whether all balances hold; if not, the shift's row says which one fails where.
    """
    column = 0
    for number in range(shift.machines):
        machine = machine_of(shift, number)
        shift.fault = check_balances(shift, machine)
        if shift.fault:
            shift.fault_machine = number
            return False
        sums[row, column] = shift.shift_us - shift.window_began_us
        sums[row, column + 1] = machine.cycle_us
        column += 2
        stops = machine.states
        blocked_by = stops + machine.states - DRY
        for place in range(blocked_by):
            sums[row, column] = word_of(machine.times, place).value
            column += 1
        sums[row, column] = machine.long_halts_us
        sums[row, column + 1] = machine.wait_us
        column += 2
        for place in range(blocked_by, machine.window_words):
            sums[row, column] = word_of(machine.times, place).value
            column += 1
        column = hand_over_pockets(machine, sums, row, column)
        sums[row, column] = machine.refill_visits
        sums[row, column + 1] = machine.fault_visits
        column += 2
    sums[row, column] = shift.busy_us
    sums[row, column + 1] = shift.present_us
    return True


@compiled
def hand_over_pockets(machine: Row, sums: Any, row: int, column: int) -> int:
    """Write what became of pockets and bags; returns the column behind them."""
    pockets = machine.pockets
    lost = pockets[IS_MISSED] + pockets[IS_DOUBLE] + pockets[IS_UNOPENED] + pockets[IS_JAMMED]
    gone = from_start = 0
    for place in range(machine.lanes):
        lane = lane_of(machine, place)
        gone += lane.gone_bags - lane.gone_before
        from_start += min(machine.start_bags, lane.gone_bags)
        from_start -= min(machine.start_bags, lane.gone_before)
    sums[row, column] = machine.good_packs - machine.scrapped_packs
    sums[row, column + 1] = pockets[IS_SKEWED] + machine.scrapped_packs
    sums[row, column + 2] = machine.scrapped_packs
    sums[row, column + 3] = machine.slow_us
    sums[row, column + 4] = lost
    sums[row, column + 5] = pockets[IS_SKEWED]
    sums[row, column + 6] = pockets[IS_MISSED]
    sums[row, column + 7] = pockets[IS_DOUBLE]
    sums[row, column + 8] = pockets[IS_UNOPENED]
    sums[row, column + 9] = pockets[IS_JAMMED]
    sums[row, column + 10] = machine.loaded_bags
    sums[row, column + 11] = gone
    sums[row, column + 12] = from_start
    return column + 13
