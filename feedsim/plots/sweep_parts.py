"""What the figures of a sweep have in common: head, words, the order of a key's values."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from feedsim.answers.key_words import key_words
from feedsim.answers.sweep import SweepResult
from feedsim.plots.style import SOFT_INK
from feedsim.plots.wording import counted, fitted, percent_number
from feedsim.study import Value

WIDTH_IN = 12.0
EDGE_IN = 0.3
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
TITLE_SIZE = 16.0
TITLE_LINE_IN = 0.3
HEAD_IN = 0.75


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
    return f"{percent_number(result.results.confidence)} intervals"


def best_note(result: SweepResult) -> str:
    """How the best one is told from the others."""
    return (
        "by the paired difference to the best, Bonferroni over "
        f"{counted(result.comparisons, 'comparison')}"
    )


def write_head(figure: Figure, lines: Sequence[str], subtitle: str, height_in: float) -> None:
    """Write title and subtitle."""
    y_in = height_in - 0.2
    for line in lines:
        y_in -= TITLE_LINE_IN
        figure.text(
            EDGE_IN / WIDTH_IN, (y_in + 0.06) / height_in, line, size=TITLE_SIZE, weight="bold"
        )
    subtitle = fitted(subtitle, ROOM_IN)
    figure.text(EDGE_IN / WIDTH_IN, (y_in - 0.22) / height_in, subtitle, color=SOFT_INK)
