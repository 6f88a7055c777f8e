"""The kernel from outside: cells in, sums or records out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts.record import Record
from feedsim.accounts.timeline import blockers_of, causes_of, states_of
from feedsim.cell import Cell, MachinePlan
from feedsim.kernel import memory
from feedsim.kernel.journal import record_of
from feedsim.kernel.layout import ALIGNMENT, Layout, lay_out
from feedsim.kernel.shift import run_shifts
from feedsim.kernel.sums import FAULT_NAMES

Floats = NDArray[np.float64]


def columns_of(plan: MachinePlan) -> list[str]:
    """Names of a machine's sums, in the order in which the kernel hands them over."""
    return [
        "window_us",
        "cycle_us",
        *(f"time_{state}_us" for state in states_of(plan)),
        *(f"stops_{cause}" for cause in causes_of(plan)),
        "long_halts_us",
        "wait_us",
        *(f"blocked_by_{name}_us" for name in blockers_of(plan)),
        "good_packs",
        "rejected_packs",
        "scrapped_packs",
        "slow_cycles_us",
        "lost_pockets",
        *(f"pockets_{fault}" for fault in ("skewed", "missed", "double", "unopened", "jam")),
        "bags_loaded",
        "bags_gone",
        "bags_from_start",
        "refill_visits",
        "fault_visits",
    ]


CREW_COLUMNS = ("busy_us", "present_us")


def run(cell: Cell, layout: Layout, first: int, shifts: int, journal=None):
    n = sum(len(columns_of(p)) for p in cell.machines) + 2
    sums = np.empty((shifts, n))
    raw = np.empty(len(layout.plan) + ALIGNMENT, np.uint8)
    start = -raw.ctypes.data % ALIGNMENT
    block = raw[start : start + len(layout.plan)]
    room = 0 if journal is None else len(journal)
    at = 0 if journal is None else journal.ctypes.data
    failed = run_shifts(layout.plan, block, block.ctypes.data, first, sums, at, room)
    shift = block[: memory.SHIFT.itemsize].view(memory.SHIFT)[0]
    if failed:
        raise RuntimeError(f"replication {failed}: {FAULT_NAMES[shift['fault']]}")
    return sums, int(shift["journal_rows"]), block


def record(cell: Cell, seed: int, replication: int) -> Record:
    layout = lay_out(cell, seed)
    room = 4096
    while True:
        journal = np.empty(room, memory.ENTRY)
        sums, rows, block = run(cell, layout, replication, 1, journal)
        if rows <= room:
            break
        room = rows
    return record_of(cell, layout.tasks, journal[:rows])
