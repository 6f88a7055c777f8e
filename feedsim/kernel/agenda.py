"""What falls due next: one leaf for each who acts, in the order of places within an instant.

A knockout tree over the leaves: each node holds the leaf that is due first of those below it,
of equals the one with the lower number. So the root is the next step of the shift, and the
order within an instant is that of the leaves.
"""

from __future__ import annotations

from feedsim.kernel.compiling import compiled
from feedsim.kernel.memory import Row, word_of


@compiled
def due_us(shift: Row, leaf: int) -> int:
    """When a leaf is due."""
    return word_of(shift, shift.first_due, leaf).value


@compiled
def next_leaf(shift: Row) -> int:
    """The leaf that is due next."""
    return word_of(shift, shift.first_tree, 1).value


@compiled
def set_due(shift: Row, leaf: int, at_us: int) -> None:
    """Put a leaf's next step at an instant, or at NEVER."""
    word_of(shift, shift.first_due, leaf).value = at_us
    node = (shift.leaves + leaf) >> 1
    while node > 0:
        winner = word_of(shift, shift.first_tree, 2 * node).value
        other = word_of(shift, shift.first_tree, 2 * node + 1).value
        if due_us(shift, other) < due_us(shift, winner):
            winner = other
        holder = word_of(shift, shift.first_tree, node)
        if holder.value == winner and winner != leaf:
            return
        holder.value = winner
        node >>= 1
