"""A figure's sheet: its title on top, everything on it placed in inches from the lower left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from feedsim.plots.style import SOFT_INK
from feedsim.plots.wording import fitted, title_lines

EDGE_IN = 0.3
TITLE_SIZE = 16.0
ABOVE_IN, TITLE_LINE_IN, SUBTITLE_IN = 0.2, 0.3, 0.28
NOTE_IN, LOWEST_NOTE_IN = 0.24, 0.14
# By how much a line's letters stand above the room that it takes.
LIFT_IN = 0.06


class Sheet:
    """A figure below its title, to be made within the figure style.

    Parameters
    ----------
    width_in : float
    title : str
        The finding, in as many lines as it needs.
    body_in : float
        Height of all that stands below title and subtitle.
    subtitle : str, optional
        In one line, cut to the room there is.
    """

    def __init__(self, width_in: float, title: str, body_in: float, subtitle: str = "") -> None:
        room_in = width_in - 2 * EDGE_IN
        lines = title_lines(title, room_in, TITLE_SIZE)
        head_in = ABOVE_IN + TITLE_LINE_IN * len(lines) + (SUBTITLE_IN if subtitle else 0.0)
        self.width_in = width_in
        self.height_in = head_in + body_in
        self.body_in = body_in
        self.figure = Figure(figsize=(self.width_in, self.height_in))
        y_in = self.height_in - ABOVE_IN + LIFT_IN
        for line in lines:
            y_in -= TITLE_LINE_IN
            self.write(EDGE_IN, y_in, line, size=TITLE_SIZE, weight="bold")
        if subtitle:
            self.write(EDGE_IN, y_in - SUBTITLE_IN, fitted(subtitle, room_in), color=SOFT_INK)

    def write(self, x_in: float, y_in: float, text: str, **looks: Any) -> None:
        """Write a text at a place."""
        self.figure.text(x_in / self.width_in, y_in / self.height_in, text, **looks)

    def write_notes(self, lines: Sequence[str]) -> None:
        """Write lines at the lower edge."""
        for place, line in enumerate(reversed(lines)):
            self.write(EDGE_IN, LOWEST_NOTE_IN + NOTE_IN * place, line, color=SOFT_INK)

    def axes(self, left_in: float, bottom_in: float, wide_in: float, tall_in: float) -> Axes:
        """Add axes whose frame has a place and a size."""
        return self.figure.add_axes(
            (
                left_in / self.width_in,
                bottom_in / self.height_in,
                wide_in / self.width_in,
                tall_in / self.height_in,
            )
        )


@dataclass(frozen=True, slots=True)
class Panels:
    """Panels in rows and columns from a sheet's left edge on, with room around each one's axes."""

    column_in: float
    row_in: float
    left_in: float
    right_in: float
    below_in: float
    above_in: float

    def axes(self, sheet: Sheet, top_in: float, row: int, column: int, columns: int = 1) -> Axes:
        """Add a panel's axes, which may take several columns; rows count from `top_in` down."""
        return sheet.axes(
            EDGE_IN + column * self.column_in + self.left_in,
            top_in - (row + 1) * self.row_in + self.below_in,
            columns * self.column_in - self.left_in - self.right_in,
            self.row_in - self.below_in - self.above_in,
        )
