"""What the figures of a sweep have in common: words, the order of a key's values."""

from __future__ import annotations

from feedsim.answers.key_words import key_words
from feedsim.answers.sweep import SweepResult
from feedsim.labels import given_percent
from feedsim.plots.sheet import EDGE_IN
from feedsim.plots.wording import counted
from feedsim.study import Value

WIDTH_IN = 12.0
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
GAP_IN = 0.27


def values_of(result: SweepResult, key: str) -> list[Value]:
    """A key's values: numbers by size, others in their order."""
    found = list(dict.fromkeys(row.setting[key] for row in result.cells))
    return sorted(found) if all(is_number(value) for value in found) else found


def is_number(value: Value) -> bool:
    """Whether a value is a number, and not a truth."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def axis_text(result: SweepResult, key: str) -> str:
    """What the axis of a key's values is called: in words, with its unit."""
    return key_words(key, result.short[key]).axis


def subtitle_of(result: SweepResult, what: str) -> str:
    """What is drawn, and of how many shifts."""
    if result.results.replications == 1:
        return f"{what}; one shift: no intervals"
    shifts = counted(result.results.replications, "shift")
    return f"{what}; {shifts} of each setting, all on the same luck"


def interval_text(result: SweepResult) -> str:
    """What the intervals are."""
    return f"{given_percent(result.results.confidence)} intervals"


def best_note(result: SweepResult) -> str:
    """How the best one is told from the others."""
    return (
        "by the paired difference to the best, Bonferroni over "
        f"{counted(result.comparisons, 'comparison')}"
    )
