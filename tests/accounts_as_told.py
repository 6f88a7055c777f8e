"""The accounts of a shift in the plain form that an independent simulator tells them in."""

from __future__ import annotations

from typing import Any

from feedsim.accounts import MachineRecord, Record, Window, read
from feedsim.accounts.timeline import BY_SPEED, halts_of, segments_of
from feedsim.cell import Cell, MachinePlan


def told(record: Record, cell: Cell) -> dict[str, Any]:
    """All that happened, as plain numbers and names."""
    reading = read(record, cell, Window(0, cell.shift_us))
    names = [plan.name for plan in cell.machines]
    machines = [
        _machine(plan, machine, record, cell, sums)
        for plan, machine, sums in zip(
            cell.machines, record.machines, reading.machines, strict=True
        )
    ]
    return {
        "shift_us": cell.shift_us,
        "machines": machines,
        "tasks": _tasks(record, names),
        "busy_us": reading.crew["busy_us"],
        "present_us": reading.crew["present_us"],
    }


def _machine(
    plan: MachinePlan, machine: MachineRecord, record: Record, cell: Cell, sums: dict[str, int]
) -> dict[str, Any]:
    segments = segments_of(machine, cell.shift_us)
    pockets = sorted(
        (end, run.lane, run.outcome, run.bags_each, run.attempts)
        for run in machine.runs
        for end in run.ends_us()
    )
    states: list[tuple[int, str]] = []
    for segment in segments:
        if segment.end_us > segment.begin_us and (not states or states[-1][1] != segment.state):
            states.append((segment.begin_us, segment.state))
    return {
        "name": plan.name,
        "states": states,
        "pockets": pockets,
        "loads": [tuple(load) for load in machine.loads],
        "discards": [tuple(discard) for discard in machine.discards],
        "scraps": [(s.at_us, s.last_pack - s.first_pack + 1) for s in machine.scraps],
        "visits": [
            (work.at_us, work.operator, work.kind)
            for work in record.work
            if work.event == "begins" and work.machine == plan.index
        ],
        "calls": [tuple(call) for call in machine.calls],
        "halts": [
            (
                halt.begin_us,
                None if halt.segments[-1] == segments[-1] else halt.segments[-1].end_us,
                halt.length_us,
                halt.cause,
            )
            for halt in halts_of(segments)
        ],
        "wait_us": sums["wait_us"],
        "blocked_by": {
            name: sums[f"blocked_by_{name}_us"]
            for name in (
                *((s.state for s in plan.outfeed.stations) if plan.outfeed else ()),
                BY_SPEED,
            )
            if sums.get(f"blocked_by_{name}_us")
        },
        "outfeed_starts": [
            end - run.cycle_us for run in machine.outfeed_cycles for end in run.ends_us()
        ],
        "lanes_left": machine.lanes_left,
        "accumulation_left": machine.accumulation_left,
    }


def _tasks(record: Record, names: list[str]) -> list[tuple[Any, ...]]:
    open_tasks: dict[int, list[Any]] = {}
    tasks: list[list[Any]] = []
    for work in record.work:
        if work.event == "takes":
            where = work.detail if work.machine is None else names[work.machine]
            task = [work.operator, work.at_us, None, None, work.kind, where]
            open_tasks[work.operator] = task
            tasks.append(task)
        else:
            open_tasks[work.operator][2 if work.event == "begins" else 3] = work.at_us
    return [tuple(task) for task in tasks]
