"""A cell as the kernel has it before it."""

from __future__ import annotations

from typing import Any

import numpy as np

from feedsim.cell import Cell
from feedsim.kernel import memory
from feedsim.kernel.block import ALIGNMENT
from feedsim.kernel.layout import lay_out


class LaidOut:
    """A cell laid out in memory, its rows at hand."""

    def __init__(self, cell: Cell, seed: int, replication: int = 1) -> None:
        layout = lay_out(cell, seed)
        size = layout.plan.nbytes
        memory_of_shift = np.zeros(size + ALIGNMENT, np.uint8)
        begin = -memory_of_shift.ctypes.data % ALIGNMENT
        self.block = memory_of_shift[begin : begin + size]
        self.address = self.block.ctypes.data
        words = self.block.view(np.int64)
        words[:] = layout.plan
        words[layout.addresses] += self.address
        self.shift = self.block[: memory.SHIFT.itemsize].view(memory.SHIFT)[0]
        self.shift["address"] = self.address
        self.shift["replication"] = replication

    def rows(self, first: str, row_type: np.dtype[np.void], count: int = 1) -> Any:
        """Rows of a kind, by the field that says where they begin."""
        begin = int(self.shift[first]) - self.address
        return self.block[begin : begin + count * row_type.itemsize].view(row_type)
