"""Figures with their intervals as dots on lines, one below the other, read like a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from feedsim.plots.sheet import EDGE_IN, NOTE_IN, Sheet
from feedsim.plots.style import FONT, INK, RULE, SOFT_INK, STEPS
from feedsim.plots.wording import fitted, width_in, wrapped

WIDTH_IN = 11.0
ROW_IN = 0.31
AXIS_IN, GAP_IN = 0.62, 0.19
LONGEST_LABEL_IN = 4.6
ROOM = 0.04


@dataclass(frozen=True, slots=True)
class Dot:
    """A line: a label, a figure with its interval (not numbers where there is none), a remark.

    `full` dots are filled, others hollow; `strong` ones are larger, with a bold label.
    """

    label: str
    value: float
    low: float
    high: float
    remark: str
    full: bool = True
    strong: bool = False
    colour: str = INK


def dots_figure(
    title: str,
    subtitle: str,
    dots: Sequence[Dot],
    axis_label: str,
    notes: Sequence[str] = (),
    *,
    zero: bool = False,
    rule_after: int | None = None,
    least_span: float = 0.0,
) -> Figure:
    """Draw lines of dots below a title; to be called within the figure style.

    Parameters
    ----------
    title, subtitle : str
    dots : sequence of Dot
        From the top down.
    axis_label : str
    notes : sequence of str
        Below the axis.
    zero : bool
        Draw a line at 0, which is always within the axis.
    rule_after : int, optional
        Draw a rule below the line of that number.
    least_span : float
        The axis shows so much at least.

    Returns
    -------
    matplotlib.figure.Figure
    """
    below = [line for note in notes for line in wrapped(note, WIDTH_IN - 2 * EDGE_IN)]
    foot_in = AXIS_IN + NOTE_IN * len(below) + 0.12
    plot_in = ROW_IN * (len(dots) + 0.4)
    sheet = Sheet(WIDTH_IN, title, GAP_IN + plot_in + foot_in, subtitle)
    sheet.write_notes(below)
    labels_in = min(
        LONGEST_LABEL_IN,
        max((width_in(dot.label, FONT, bold=dot.strong) for dot in dots), default=0.0) + 0.05,
    )
    remarks_in = (
        max((width_in(dot.remark, FONT, bold=dot.strong) for dot in dots), default=0.0) + 0.05
    )
    left_in = EDGE_IN + labels_in + 0.2
    wide_in = WIDTH_IN - left_in - EDGE_IN - remarks_in - 0.25
    axes = sheet.axes(left_in, foot_in, wide_in, plot_in)
    _draw(axes, dots, zero=zero, rule_after=rule_after, least_span=least_span)
    axes.set_xlabel(axis_label)
    for place, dot in enumerate(dots):
        weight = "bold" if dot.strong else "normal"
        for x_in, text, side in (
            (-0.2, fitted(dot.label, labels_in, bold=dot.strong), "right"),
            (wide_in + 0.25 + remarks_in, dot.remark, "right"),
        ):
            axes.text(
                x_in / wide_in,
                -place,
                text,
                ha=side,
                va="center_baseline",
                weight=weight,
                color=INK if dot.full or dot.strong else SOFT_INK,
                transform=axes.get_yaxis_transform(),
            )
    return sheet.figure


def _draw(
    axes: Axes, dots: Sequence[Dot], *, zero: bool, rule_after: int | None, least_span: float
) -> None:
    axes.grid(visible=False, axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    axes.set_ylim(-len(dots) + 0.3, 0.7)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=6, steps=STEPS))
    if zero:
        axes.axvline(0, color=SOFT_INK, linewidth=1.1, zorder=1.5)
    if rule_after is not None:
        axes.axhline(-rule_after - 0.5, color=RULE, linewidth=1.2)
    for place, dot in enumerate(dots):
        size = 9.5 if dot.strong else 7.0
        axes.hlines(-place, dot.low, dot.high, color=dot.colour, linewidth=3 if dot.strong else 2)
        axes.plot(
            [dot.value],
            [-place],
            marker="D" if dot.strong else "o",
            markersize=size,
            color=dot.colour,
            markerfacecolor=dot.colour if dot.full else "white",
            markeredgewidth=1.5,
            clip_on=False,
            zorder=3,
        )
    _limit(axes, dots, zero=zero, least_span=least_span)


def _limit(axes: Axes, dots: Sequence[Dot], *, zero: bool, least_span: float) -> None:
    ends = np.array([end for dot in dots for end in (dot.value, dot.low, dot.high)])
    ends = ends[np.isfinite(ends)]
    if zero:
        ends = np.append(ends, 0.0)
    if not len(ends):
        axes.set_xlim(0, 1)
        return
    low, high = float(ends.min()), float(ends.max())
    short = max(0.0, least_span - (high - low)) / 2
    room = ROOM * max(high - low, least_span, 1e-9)
    axes.set_xlim(low - short - room, high + short + room)
