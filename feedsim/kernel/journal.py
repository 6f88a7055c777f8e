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
        lanes = [place for place in range(plan.lanes) if fourth >> place & 1]
        turn = third
        for cycle in range(second):
            turn = next((place for place in lanes if place >= turn), lanes[0])
            record.good_cycle(at_us + cycle * first, first, turn + 1)
            turn = (turn + 1) % plan.lanes
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
