"""A journal of the kernel written out as a record, as the SimPy model keeps it."""

from __future__ import annotations

from typing import Any

from feedsim.accounts.record import (
    Bags,
    Call,
    MachineRecord,
    Record,
    Scrap,
    StationStop,
    Work,
)
from feedsim.accounts.timeline import states_of
from feedsim.cell import Cell
from feedsim.kernel import codes
from feedsim.kernel.layout import TaskPlan


def record_of(cell: Cell, tasks: tuple[TaskPlan, ...], entries: Any) -> Record:
    """Write out a shift's journal.

    Parameters
    ----------
    cell : Cell
    tasks : tuple of TaskPlan
        As the cell's layout numbers them.
    entries : array of `feedsim.kernel.memory.ENTRY`

    Returns
    -------
    Record
        Equal to what the SimPy model tells of the same shift, apart from what is left in lanes
        and accumulations at its end.
    """
    record = Record(cell.shift_us, [MachineRecord(plan.lanes) for plan in cell.machines])
    states = [states_of(plan) for plan in cell.machines]
    for entry in entries:
        kind, owner, at_us, *told = entry.item()
        if kind == codes.TELLS_WORK:
            event, number = told[:2]
            task = tasks[number]
            record.work.append(
                Work(
                    at_us,
                    owner,
                    codes.WORK_NAMES[event],
                    codes.KIND_NAMES[task.kind],
                    None if task.machine < 0 else task.machine,
                    task.detail,
                )
            )
        elif kind == codes.TELLS_STATE:
            record.machines[owner].state(at_us, states[owner][told[0]])
        elif kind == codes.TELLS_CALL:
            record.machines[owner].calls.append(Call(at_us, tasks[told[0]].call))
        else:
            _tell(record.machines[owner], kind, at_us, told, cell, owner)
    return record


def _tell(
    record: MachineRecord, kind: int, at_us: int, told: list[int], cell: Cell, owner: int
) -> None:
    plan = cell.machines[owner]
    first, second, third, fourth, fifth = told
    if kind == codes.TELLS_CYCLES:
        able = [place for place in range(plan.lanes) if fourth >> place & 1]
        turns = [place for place in able if place >= third] + [p for p in able if p < third]
        _tell_good_cycles(record, at_us, first, second, turns)
    elif kind == codes.TELLS_FAULTY:
        record.other_cycle(at_us, first, second, codes.OUTCOME_NAMES[third], fourth, fifth)
    elif kind == codes.TELLS_HALT:
        record.close_runs()
    elif kind == codes.TELLS_LOAD:
        record.loads.append(Bags(at_us, first, second))
    elif kind == codes.TELLS_DISCARD:
        record.discards.append(Bags(at_us, first, second))
    elif kind == codes.TELLS_SCRAP:
        record.scraps.append(Scrap(at_us, first, second))
    elif kind == codes.TELLS_OUTFEED:
        assert plan.outfeed is not None
        record.outfeed_takes(at_us, plan.outfeed.cycle_us)
    elif kind == codes.TELLS_OUTFEED_STOP:
        record.outfeed_stops.append(StationStop(at_us, first, bool(second)))


def _tell_good_cycles(
    record: MachineRecord, first_end_us: int, cycle_us: int, count: int, turns: list[int]
) -> None:
    """Good cycles one behind the other, the lanes giving in turn.

    After three rounds of the lanes each lane's cycles are one run, whatever was before.
    """
    lanes = len(turns)
    singly = min(count, 3 * lanes)
    for cycle in range(singly):
        lane = turns[cycle % lanes] + 1
        record.good_cycle(first_end_us + cycle * cycle_us, cycle_us, lane)
    for order, place in enumerate(turns):
        more = (count - singly - order + lanes - 1) // lanes
        record.more_good_cycles(place + 1, max(0, more))
