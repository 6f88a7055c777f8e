"""The kernel from outside: cells in, sums or records out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts import BalanceError, columns_of
from feedsim.accounts.record import Record
from feedsim.cell import Cell
from feedsim.kernel import memory
from feedsim.kernel.block import ALIGNMENT
from feedsim.kernel.journal import record_of
from feedsim.kernel.layout import Layout, lay_out
from feedsim.kernel.machine_code import load
from feedsim.kernel.sums import FAULT_NAMES

FIRST_ROOM = 4096

Floats = NDArray[np.float64]
Block = NDArray[np.uint8]


class Kernel:
    """The compiled model, ready to run; making one compiles it where that has not been done."""

    def __init__(self) -> None:
        self._run_shifts = load()

    def sums(self, cell: Cell, seed: int, replications: range) -> Floats:
        """Simulate shifts and sum up their windows.

        Parameters
        ----------
        cell : Cell
            One that `feedsim.kernel.limits.refusal` does not refuse.
        seed : int
        replications : range
            Numbers of the replications, one after the other.

        Returns
        -------
        array of shape (replications, columns)
            In the order of `feedsim.accounts.columns_of`: microseconds, bags, packs, visits.

        Raises
        ------
        BalanceError
            If the accounts of a shift contradict themselves: a fault of the program.
        """
        sums = np.empty((len(replications), sum(map(len, columns_of(cell)))))
        self._run(cell, lay_out(cell, seed), replications.start, sums, np.empty(0, memory.ENTRY))
        return sums

    def record(self, cell: Cell, seed: int, replication: int) -> Record:
        """Simulate one shift and write its record, equal to the SimPy model's.

        Parameters
        ----------
        cell : Cell
        seed, replication : int

        Returns
        -------
        Record
        """
        layout = lay_out(cell, seed)
        sums = np.empty((1, sum(map(len, columns_of(cell)))))
        journal = np.empty(FIRST_ROOM, memory.ENTRY)
        block = self._run(cell, layout, replication, sums, journal)
        entries = int(_shift_in(block)["journal_rows"])
        if entries > len(journal):
            journal = np.empty(entries, memory.ENTRY)
            block = self._run(cell, layout, replication, sums, journal)
        record = record_of(cell, layout.tasks, journal[:entries])
        lanes = _rows_in(block, "first_lane", "lanes", memory.LANE)["bags"].tolist()
        packs = _rows_in(block, "first_outfeed", "machines", memory.OUTFEED)["packs"].tolist()
        for plan, machine in zip(cell.machines, record.machines, strict=True):
            machine.lanes_left, lanes = lanes[: plan.lanes], lanes[plan.lanes :]
            machine.accumulation_left = packs[plan.index]
        return record

    def _run(
        self, cell: Cell, layout: Layout, first: int, sums: Floats, journal: NDArray[np.void]
    ) -> Block:
        """Run shifts into sums; returns the block as the last one left it."""
        memory_of_shift = np.empty(layout.plan.nbytes + ALIGNMENT, np.uint8)
        begin = -memory_of_shift.ctypes.data % ALIGNMENT
        block = memory_of_shift[begin : begin + layout.plan.nbytes]
        plan = layout.plan.copy()
        address = block.ctypes.data
        plan[layout.addresses] += address
        failed = self._run_shifts(
            plan, block.view(np.int64), address, first, sums, journal.ctypes.data, len(journal)
        )
        if failed:
            shift = _shift_in(block)
            machine = cell.machines[int(shift["fault_machine"])].name
            what = FAULT_NAMES[int(shift["fault"])]
            raise BalanceError(f"{machine}, replication {failed}: {what}")
        return block


def _shift_in(block: Block) -> np.void:
    shift: np.void = block[: memory.SHIFT.itemsize].view(memory.SHIFT)[0]
    return shift


def _rows_in(block: Block, first: str, count: str, row_type: np.dtype[np.void]) -> NDArray[np.void]:
    """All rows of a kind, by the names under which the shift's row finds and counts them."""
    shift = _shift_in(block)
    begin = int(shift[first]) - block.ctypes.data
    return block[begin : begin + int(shift[count]) * row_type.itemsize].view(row_type)
