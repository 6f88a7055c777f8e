"""The map of a sweep over two keys: the OEE of every combination, the best one framed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from feedsim.answers.key_words import key_words
from feedsim.answers.rows import Row, value_text
from feedsim.answers.sweep import SweepResult
from feedsim.plots.sheet import EDGE_IN, Sheet
from feedsim.plots.style import BAND_SHADE, FONT, INK, LOOKS, STEPS
from feedsim.plots.sweep_parts import (
    GAP_IN,
    ROOM_IN,
    WIDTH_IN,
    axis_text,
    best_note,
    subtitle_of,
    values_of,
)
from feedsim.plots.wording import NOTHING, fitted, width_in
from feedsim.stats import Floats
from feedsim.study import Value

CELL_IN, WIDEST_IN, TALLEST_IN = 0.46, 2.2, 9.0
NUMBER_WIDE_IN, NUMBER_TALL_IN = 0.55, 0.22
AXIS_IN, TICK_IN, NOTE_IN = 0.62, 0.22, 0.4
LONGEST_X_IN, LONGEST_Y_IN = 2.2, 3.0
BAR_IN, BAR_WIDE_IN = 1.2, 0.18
DARK = 0.67
FRAME_X, FRAME_Y = 0.04, 0.1
LEAST_SPAN = 0.5
BESIDE_IN = 0.4


@dataclass(frozen=True)
class Grid:
    """The settings of two keys in rows (the slow key's values) and columns, and its measures."""

    result: SweepResult
    slow: str
    fast: str

    @cached_property
    def ys(self) -> list[Value]:
        """Values of the slow key, from the bottom up."""
        return values_of(self.result, self.slow)

    @cached_property
    def xs(self) -> list[Value]:
        """Values of the fast key."""
        return values_of(self.result, self.fast)

    @cached_property
    def oee(self) -> Floats:
        """OEE in %, one a cell; not a number where there is none."""
        found = np.full((len(self.ys), len(self.xs)), np.nan)
        for row in self.result.cells:
            x, y = self.place(row)
            found[y, x] = 100 * row.figures["oee"].value
        return found

    @cached_property
    def span(self) -> tuple[float, float]:
        """The lowest and the highest OEE, half a point apart at least."""
        known = self.oee[np.isfinite(self.oee)]
        if not len(known):
            return 0.0, 100.0
        low, high = float(known.min()), float(known.max())
        short = max(0.0, LEAST_SPAN - (high - low)) / 2
        return low - short, high + short

    def place(self, row: Row) -> tuple[int, int]:
        """Column and row of a setting."""
        return self.xs.index(row.setting[self.fast]), self.ys.index(row.setting[self.slow])

    def ink_on(self, oee: float) -> str:
        """What is read on the shade of an OEE."""
        low, high = self.span
        return "white" if (oee - low) / (high - low) > DARK else INK

    @cached_property
    def y_labels_in(self) -> float:
        """Room for the slow key's values."""
        longest = max(width_in(value_text(value)) for value in self.ys)
        return max(0.4, min(LONGEST_Y_IN, longest + 0.1))

    @property
    def left_in(self) -> float:
        """Where the map begins."""
        return EDGE_IN + 0.4 + self.y_labels_in

    @cached_property
    def x_label_in(self) -> float:
        """Width of the longest of the fast key's values."""
        return max(width_in(value_text(value)) for value in self.xs) + 0.2

    @property
    def cell_wide_in(self) -> float:
        """Width of a cell."""
        room_in = WIDTH_IN - self.left_in - BAR_IN - EDGE_IN
        return min(max(WIDEST_IN, self.x_label_in), room_in / len(self.xs))

    @property
    def cell_tall_in(self) -> float:
        """Height of a cell."""
        return min(CELL_IN, TALLEST_IN / len(self.ys))

    @property
    def is_turned(self) -> bool:
        """Whether the fast key's values are written upwards."""
        return self.x_label_in > self.cell_wide_in and self.cell_wide_in < WIDEST_IN

    @property
    def below_in(self) -> float:
        """Room below the map."""
        labels_in = min(self.x_label_in, LONGEST_X_IN) if self.is_turned else TICK_IN
        return AXIS_IN + labels_in + NOTE_IN

    @property
    def has_numbers(self) -> bool:
        """Whether a number has room in a cell."""
        return self.cell_wide_in >= NUMBER_WIDE_IN and self.cell_tall_in >= NUMBER_TALL_IN


def map_figure(result: SweepResult, slow: str, fast: str, title: str) -> Figure:
    """Draw the OEE over two keys; to be called within the figure style.

    Parameters
    ----------
    result : SweepResult
        Whose settings differ in these two keys alone.
    slow, fast : str
        The keys of the rows and of the columns.
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    grid = Grid(result, slow, fast)
    wide_in, tall_in = grid.cell_wide_in * len(grid.xs), grid.cell_tall_in * len(grid.ys)
    subtitle = subtitle_of(result, "whole cell, OEE in %")
    sheet = Sheet(WIDTH_IN, title, GAP_IN + tall_in + grid.below_in, subtitle)
    axes = sheet.axes(grid.left_in, grid.below_in, wide_in, tall_in)
    low, high = grid.span
    shades = np.ma.masked_invalid(grid.oee)
    looks: dict[str, Any] = {"aspect": "auto", "origin": "lower"}
    picture = axes.imshow(shades, cmap=_colours(), vmin=low, vmax=high, **looks)
    _name_values(axes, grid)
    if grid.has_numbers:
        _write_numbers(axes, grid)
    beside_in = grid.left_in + wide_in + 0.2
    bar = sheet.figure.colorbar(
        picture, cax=sheet.axes(beside_in, grid.below_in, BAR_WIDE_IN, tall_in)
    )
    bar.outline.set_visible(False)
    ticks = MaxNLocator(nbins=5, steps=STEPS, min_n_ticks=2).tick_values(low, high)
    bar.set_ticks([tick for tick in ticks if low <= tick <= high])
    bar.ax.set_title("OEE, %", fontweight="normal", loc="left", pad=12)
    if result.best is not None and result.results.replications > 1:
        best, near = _mark_best(axes, grid)
        note = f"{best}: the highest OEE; {near}: not told apart from it, {best_note(result)}."
        sheet.write_notes([fitted(note, ROOM_IN)])
    return sheet.figure


def _colours() -> LinearSegmentedColormap:
    """Shades of one hue, the lightness falling evenly, from the palette's blues."""
    shades = [BAND_SHADE, *(LOOKS[state].colour for state in ("retry", "restarting", "running"))]
    return LinearSegmentedColormap.from_list("blues", shades)


def _name_values(axes: Axes, grid: Grid) -> None:
    """Write keys and values beside the map."""
    axes.grid(visible=False)
    for side in axes.spines.values():
        side.set_visible(False)
    longest_in = LONGEST_X_IN if grid.is_turned else grid.cell_wide_in - 0.1
    turned = 90 if grid.is_turned else 0
    _tick(axes.xaxis, grid.xs, grid.cell_wide_in, longest_in, rotation=turned)
    _tick(axes.yaxis, grid.ys, grid.cell_tall_in, grid.y_labels_in)
    wide_in, tall_in = grid.cell_wide_in * len(grid.xs), grid.cell_tall_in * len(grid.ys)
    axes.set_xlabel(fitted(axis_text(grid.result, grid.fast), wide_in))
    room_in = tall_in + BESIDE_IN
    told = axis_text(grid.result, grid.slow)
    if width_in(told) > room_in:
        told = key_words(grid.slow, grid.result.short[grid.slow]).name
    axes.set_ylabel(fitted(told, room_in))
    axes.yaxis.set_label_coords(-(grid.y_labels_in + 0.2) / wide_in, 0.5)


def _tick(axis: Any, values: Sequence[Value], step_in: float, room_in: float, **looks: Any) -> None:
    """Name the values, every so many where they stand close."""
    places = range(0, len(values), max(1, math.ceil(TICK_IN / step_in)))
    axis.set_ticks(places, [fitted(value_text(values[n]), room_in) for n in places], **looks)
    axis.set_tick_params(length=0)


def _write_numbers(axes: Axes, grid: Grid) -> None:
    for (y, x), oee in np.ndenumerate(grid.oee):
        text = f"{oee:.1f}" if np.isfinite(oee) else NOTHING
        ink = grid.ink_on(oee)
        axes.text(x, y, text, ha="center", va="center_baseline", size=FONT, color=ink)


def _mark_best(axes: Axes, grid: Grid) -> tuple[str, str]:
    """Mark the best setting and those not told apart from it; returns what the marks are."""
    best, near = grid.result.best, grid.result.not_told_apart
    assert best is not None
    if grid.has_numbers:
        for row in near:
            _frame(axes, grid, row, linestyle=(0, (3, 2)), linewidth=1.4)
        _frame(axes, grid, best, linewidth=3.0)
        return "Thick frame", "dashed"
    looks: dict[str, Any] = {"color": "white", "markeredgecolor": INK, "linestyle": ""}
    places = np.array([grid.place(row) for row in near]).reshape(len(near), 2)
    axes.plot(*places.T, marker=".", markersize=6, **looks)
    x, y = grid.place(best)
    axes.plot([x], [y], marker="*", markersize=13, zorder=4, **looks)
    return "Star", "dots"


def _frame(axes: Axes, grid: Grid, row: Row, **looks: Any) -> None:
    x, y = grid.place(row)
    corner = (x - 0.5 + FRAME_X, y - 0.5 + FRAME_Y)
    ink = grid.ink_on(100 * row.figures["oee"].value)
    sides = (1 - 2 * FRAME_X, 1 - 2 * FRAME_Y)
    axes.add_patch(Rectangle(corner, *sides, fill=False, edgecolor=ink, **looks))
