"""Tables joined into one block of memory, with the places of the addresses in it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.kernel import memory

ALIGNMENT = 16
# Tables that no word of the shift's row points to, but words of machines and lanes do.
SUMS, STRETCHES = "sums", "stretches"
# Of which table which word, filled with a number, is the address of which row of which table.
_POINTERS = (
    ("first_machine", "first_lane", "first_lane", memory.LANE),
    ("first_machine", "times", SUMS, memory.WORD),
    ("first_machine", "stops", SUMS, memory.WORD),
    ("first_machine", "blocked_by", SUMS, memory.WORD),
    ("first_lane", "first_stretch", STRETCHES, memory.WORD),
)


class Rows:
    """Rows of one kind, filled by name as they come."""

    def __init__(self, row_type: np.dtype[Any]) -> None:
        self.row_type = row_type
        self.rows: list[dict[str, Any]] = []

    def add(self, **values: Any) -> int:
        """Add a row and return its number."""
        self.rows.append(values)
        return len(self.rows) - 1

    def array(self) -> NDArray[Any]:
        """All rows; what was not given is 0."""
        array = np.zeros(len(self.rows), self.row_type)
        for row, values in zip(array, self.rows, strict=True):
            _fill(row, values)
        return array


def _fill(row: Any, values: dict[str, Any]) -> None:
    for name, value in values.items():
        if isinstance(value, dict):
            _fill(row[name], value)
        else:
            row[name] = value


def joined(
    tables: dict[str, NDArray[Any]], numbers: dict[str, int]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Join the shift's row and all tables behind it, each at its alignment.

    Parameters
    ----------
    tables : dict of str to numpy.ndarray
        By the word of the shift's row that is to hold where the table begins.
    numbers : dict of str to int
        The other words of the shift's row.

    Returns
    -------
    block : numpy.ndarray of int64
        Addresses in it are counted from its own beginning, in bytes.
    addresses : numpy.ndarray of int64
        Which words of the block are addresses.
    """
    shift = np.zeros(1, memory.SHIFT)
    begins: dict[str, int] = {}
    end = _aligned(shift.nbytes)
    for name, table in tables.items():
        begins[name] = end
        end = _aligned(end + table.nbytes)
    in_shift = [name for name in tables if name not in (SUMS, STRETCHES)]
    _fill(shift[0], numbers | {name: begins[name] for name in in_shift})
    addresses = [_place_of(name, memory.SHIFT) for name in in_shift]
    for name, word, goal, row_type in _POINTERS:
        table = tables[name]
        table[word] = begins[goal] + table[word] * row_type.itemsize
        first = begins[name] + _place_of(word, table.dtype)
        addresses += range(first, first + table.nbytes, table.dtype.itemsize)
    block = np.zeros(end, np.uint8)
    block[: shift.nbytes] = shift.view(np.uint8)
    for name, table in tables.items():
        block[begins[name] : begins[name] + table.nbytes] = table.view(np.uint8)
    return block.view(np.int64), whole(addresses) // memory.WORD.itemsize


def whole(numbers: Iterable[int]) -> NDArray[np.int64]:
    """Whole numbers as an array."""
    return np.array(list(numbers), np.int64)


def _place_of(field: str, row_type: np.dtype[Any]) -> int:
    """Where a field lies in a row."""
    assert row_type.fields is not None
    return row_type.fields[field][1]


def _aligned(size: int) -> int:
    return -(-size // ALIGNMENT) * ALIGNMENT
