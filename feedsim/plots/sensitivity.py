"""The figure of a sensitivity: how far each answer moves with each input, read like a table."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from feedsim.answers.sensitivity import InputEffect, SensitivityResult
from feedsim.labels import Label, given_percent
from feedsim.plots.sheet import EDGE_IN, NOTE_IN, Sheet
from feedsim.plots.style import BAND_SHADE, FONT, INK, SOFT_INK, figure_style, line_looks
from feedsim.plots.wording import counted, fitted, width_in, wrapped
from feedsim.stats import Estimate

WIDTH_IN = 13.0
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
ROW_IN = 0.31
NAMES_IN, FOOT_IN = 0.52, 0.7
GAP_IN = 0.32
# OEE, by which the inputs are in order, has more room.
FIRST_PART = 1.7
MOST_INPUTS = 30
ROOM = 0.06
SPREAD_HEAD = "spread"


def sensitivity_figure(result: SensitivityResult, title: str | None = None) -> Figure:
    """Draw each input's two ends in one panel an answer, the input that moves OEE most on top.

    Parameters
    ----------
    result : SensitivityResult
    title : str, optional
        The finding, in one line or more; by default the result's own.

    Returns
    -------
    matplotlib.figure.Figure
        A hollow triangle that points down is the low end, a filled one that points up the high
        end; the lines through them are intervals.
    """
    with figure_style():
        return _figure(result, title or result.title)


def _figure(result: SensitivityResult, title: str) -> Figure:
    effects = result.effects[:MOST_INPUTS]
    notes = [line for note in _notes(result) for line in wrapped(note, ROOM_IN)]
    foot_in = FOOT_IN + NOTE_IN * len(notes)
    plot_in = ROW_IN * (len(effects) + 0.3)
    sheet = Sheet(WIDTH_IN, title, NAMES_IN + plot_in + foot_in, _subtitle(result))
    sheet.write_notes(notes)
    names_in = max(width_in(effect.input.name) for effect in effects) + 0.1
    ranges_in = max(width_in(_range_text(effect)) for effect in effects) + 0.15
    spread_in = width_in(SPREAD_HEAD) + 0.1 if result.trajectories else 0.0
    left_in = EDGE_IN + names_in + ranges_in + 0.15
    room_in = WIDTH_IN - EDGE_IN - left_in - spread_in - GAP_IN * len(result.moved)
    unit_in = room_in / (FIRST_PART + len(result.moved) - 1)
    for place, shown in enumerate(result.moved):
        wide_in = unit_in * (FIRST_PART if place == 0 else 1)
        axes = sheet.axes(left_in, foot_in, wide_in, plot_in)
        _draw(axes, effects, shown, ticks=5 if place == 0 else 3)
        axes.set_title(fitted(shown.text, wide_in + GAP_IN, bold=True))
        axes.set_xlabel(shown.unit_of_change)
        if place == 0:
            _label(axes, effects, wide_in, names_in, ranges_in)
            left_in += spread_in
            if result.trajectories:
                _tell_spread(axes, effects, shown, (wide_in + spread_in) / wide_in)
        left_in += wide_in + GAP_IN
    return sheet.figure


def _subtitle(result: SensitivityResult) -> str:
    shifts = counted(result.results.replications, "shift")
    confidence = given_percent(result.results.confidence)
    return (
        f"Change of the whole cell's answers when one input goes to an end of its range; {shifts} "
        f"of each setting on the same luck, lines: {confidence} intervals"
    )


def _notes(result: SensitivityResult) -> list[str]:
    told = ["Triangle down, hollow: low end of the range; triangle up, filled: high end."]
    if result.trajectories:
        told[0] += (
            f" Spread: by how much the effect on OEE over the range differs (standard deviation, "
            f"points) when the other inputs lie elsewhere too, {result.trajectories} trajectories."
        )
    hidden = len(result.effects) - MOST_INPUTS
    if hidden > 0:
        told.append(f"{hidden} inputs that move OEE less are not drawn: effects.csv has them all.")
    return told


def _range_text(effect: InputEffect) -> str:
    low, high = effect.input.shown(0), effect.input.shown(1)
    unit = low.rpartition(" ")[2]
    if " to " not in low and " to " not in high and high.endswith(f" {unit}"):
        low = low.removesuffix(f" {unit}")
    return f"{low} – {high}"


def _draw(axes: Axes, effects: Sequence[InputEffect], shown: Label, ticks: int) -> None:
    axes.grid(visible=False, axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    axes.set_ylim(-len(effects) + 0.35, 0.65)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=ticks, steps=(1, 2, 5, 10)))
    axes.axvline(0, color=SOFT_INK, linewidth=1.1, zorder=1.5)
    ends: list[float] = [0.0]
    for place, effect in enumerate(effects):
        if place % 2:
            axes.axhspan(-place - 0.5, -place + 0.5, color=BAND_SHADE, zorder=0, linewidth=0)
        low, high = effect.at_low(shown.measure), effect.at_high(shown.measure)
        _draw_end(axes, -place + 0.1, low, shown.factor, is_high=False)
        _draw_end(axes, -place - 0.1, high, shown.factor, is_high=True)
        ends += [
            shown.factor * end for one in (low, high) for end in (one.value, one.low, one.high)
        ]
    known = np.array([end for end in ends if math.isfinite(end)])
    room = ROOM * max(float(np.ptp(known)), 1e-9)
    axes.set_xlim(float(known.min()) - room, float(known.max()) + room)


def _draw_end(axes: Axes, y: float, found: Estimate, scale: float, *, is_high: bool) -> None:
    if not math.isfinite(found.value):
        return
    colour = line_looks(0 if is_high else 1)["color"]
    if math.isfinite(found.low) and math.isfinite(found.high):
        axes.hlines(y, scale * found.low, scale * found.high, color=colour, linewidth=1.6)
    marker = Line2D(
        [scale * found.value],
        [y],
        marker="^" if is_high else "v",
        markersize=7.5,
        color=colour,
        markerfacecolor=colour if is_high else "white",
        markeredgewidth=1.4,
        clip_on=False,
        zorder=3,
    )
    axes.add_line(marker)


def _label(
    axes: Axes, effects: Sequence[InputEffect], wide_in: float, names_in: float, ranges_in: float
) -> None:
    for place, effect in enumerate(effects):
        sure = effect.surely_moves("oee")
        for x_in, text, colour in (
            (-ranges_in - 0.1, fitted(effect.input.name, names_in), INK if sure else SOFT_INK),
            (-0.1, _range_text(effect), SOFT_INK),
        ):
            axes.text(
                x_in / wide_in,
                -place,
                text,
                ha="right",
                va="center_baseline",
                size=FONT,
                color=colour,
                transform=axes.get_yaxis_transform(),
            )


def _tell_spread(axes: Axes, effects: Sequence[InputEffect], shown: Label, right: float) -> None:
    """Write the spread of the steps beside the panel of OEE."""
    for place, effect in enumerate(effects):
        steps = effect.steps.get(shown.measure)
        known = steps is not None and math.isfinite(steps.spread)
        text = f"{shown.factor * steps.spread:.1f}" if steps is not None and known else ""
        weight = "bold" if effect.depends(shown.measure) else "normal"
        axes.text(
            *(right, -place, text),
            ha="right",
            va="center_baseline",
            weight=weight,
            transform=axes.get_yaxis_transform(),
        )
    axes.text(
        *(right, 1.0, SPREAD_HEAD),
        ha="right",
        va="bottom",
        color=SOFT_INK,
        transform=axes.transAxes,
    )
