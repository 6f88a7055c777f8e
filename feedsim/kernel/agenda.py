"""What falls due next: one leaf for each who acts, in the order of places within an instant.

A leaf's entry is its time and its number in one, so the smallest entry is the next step of the
shift, and within an instant that of the leaf with the lowest number. The entries are the leaves
of a tree, each node of which is the smaller of the two below it; node 1 is the root.
"""

from __future__ import annotations

from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.memory import NEVER, Row, word_of


@compiled_once
def set_due(shift: Row, leaf: int, at_us: int) -> None:
    """Put a leaf's next step at an instant, or at NEVER; what is past the shift is never."""
    entry = NEVER
    if at_us <= shift.shift_us:
        entry = at_us << shift.leaf_bits | leaf
    node = shift.leaves + leaf
    word_of(shift.first_due, node).value = entry
    while node > 1:
        entry = min(entry, word_of(shift.first_due, node ^ 1).value)
        node >>= 1
        word_of(shift.first_due, node).value = entry


@compiled
def next_entry(shift: Row) -> int:
    """The entry of the leaf that is due next."""
    return word_of(shift.first_due, 1).value


@compiled
def leaf_of(shift: Row, entry: int) -> int:
    """Whose entry it is."""
    return entry & (shift.leaves - 1)


@compiled
def time_of(shift: Row, entry: int) -> int:
    """When an entry is due."""
    return entry >> shift.leaf_bits
