"""Tables of a cell: its measures side by side, and where a machine's time goes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from feedsim.answers.rows import Row
    from feedsim.losses import Loss

LEAST_SHOWN = 5e-5


def say_measures(rows: Sequence[Row], names: Iterable[str], few: str, counted: str) -> None:
    """Print measures of machines side by side, those that have no value left out.

    Parameters
    ----------
    rows : sequence of Row
    names : iterable of str
        The measures'.
    few : str
        Told where too few events were seen.
    counted : str
        The unit of what is counted: in what.
    """
    from feedsim.cli.screen import measured, say_table
    from feedsim.labels import label_of

    names = list(names)
    lines = {name: [measured(name, row.get(name)) for row in rows] for name in names}
    shown = [row[name] for row in rows for name in names if name in row.figures]
    say_table(
        "Measures (value ± half-width of the interval)",
        ("", *(row.title for row in rows), ""),
        [
            (label_of(name).text, *line, label_of(name).unit or counted)
            for name, line in lines.items()
            if any(entry != "-" for entry in line)
        ],
        few if any(found.few_events for found in shown) else "",
    )


def say_losses(title: str, losses: Iterable[Loss], row: Row, few: str) -> None:
    """Print a machine's losses with their minutes in 8 hours and their stops per hour."""
    from feedsim.cli.screen import cell, say_table

    found = [loss for loss in losses if abs(loss.share.value) >= LEAST_SHOWN]
    say_table(
        title,
        ("cause", "% of time", "min in 8 h", "stops/h"),
        [
            (
                loss.label,
                cell(loss.share, 100, 2),
                f"{loss.minutes:,.1f}",
                cell(row.get(f"stops_{loss.name}_per_h"), 1, 2, empty=""),
            )
            for loss in found
        ],
        few if any(loss.share.few_events for loss in found) else "",
    )
