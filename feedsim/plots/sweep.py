"""The figure of a sweep: curves over one key, a map over two, a list over more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from feedsim.answers.rows import Row, value_text
from feedsim.answers.sweep import SweepResult
from feedsim.plots.curves import Curve
from feedsim.plots.dots import Dot, dots_figure
from feedsim.plots.panels import PANELS, draw_panel
from feedsim.plots.sheet import Panels, Sheet
from feedsim.plots.style import INK, SOFT_INK, STEPS, figure_style, line_looks
from feedsim.plots.sweep_map import map_figure
from feedsim.plots.sweep_parts import (
    GAP_IN,
    ROOM_IN,
    WIDTH_IN,
    axis_text,
    best_note,
    interval_text,
    is_number,
    subtitle_of,
    values_of,
)
from feedsim.plots.wording import fitted, percent_with_interval
from feedsim.stats import Estimate
from feedsim.study import Value

SHOWN = (
    *("oee", "dry_share", "crew_busy"),
    *("refill_visits_per_h", "fault_visits_per_h", "bags_per_refill"),
)
COLUMNS, PANEL_IN, FOOT_IN = 3, 2.45, 0.45
LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN = 0.8, 0.2, 0.62, 0.36
CELLS = Panels(ROOM_IN / COLUMNS, PANEL_IN, LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN)
MOST_DOTS = 30
FEW_VALUES = 3


def sweep_figure(result: SweepResult, title: str = "OEE over the varied keys") -> Figure:
    """Draw the OEE of all settings, the best one marked, with those not told apart from it.

    A key that has numbers for values gives curves of OEE, dry time, people and visits; two keys
    give a map of OEE; more, or a key of other values, a list by OEE of 30 at the most.

    Parameters
    ----------
    result : SweepResult
    title : str
        The finding, in one line or more.

    Returns
    -------
    matplotlib.figure.Figure
    """
    values = {key: values_of(result, key) for key in result.keys}
    varied = [key for key in result.keys if len(values[key]) > 1]
    with figure_style():
        if len(varied) == 1 and all(is_number(value) for value in values[varied[0]]):
            return _curves(result, varied[0], title)
        if len(varied) == 2:
            return map_figure(result, varied[0], varied[1], title)
        return _list(result, title, by_size=len(varied) > 1)


def _curves(result: SweepResult, key: str, title: str) -> Figure:
    rows = sorted(result.cells, key=lambda row: float(row.setting[key]))
    panels = [panel for name in SHOWN for panel in PANELS if panel.measure.name == name]
    panels_in = PANEL_IN * math.ceil(len(panels) / COLUMNS)
    subtitle = subtitle_of(result, "whole cell, bands: " + interval_text(result))
    sheet = Sheet(WIDTH_IN, title, GAP_IN + panels_in + FOOT_IN, subtitle)
    for place, panel in enumerate(panels):
        axes = CELLS.axes(sheet, FOOT_IN + panels_in, *divmod(place, COLUMNS))
        draw_panel(axes, panel, [_curve(rows, key, panel.measure.name)])
        _tick_values(axes, [row.setting[key] for row in rows])
        axes.set_xlabel(fitted(axis_text(result, key), CELLS.column_in - 0.2))
        if panel.measure.name == "oee":
            _ring_best(axes, result, rows, key)
    note = ""
    if result.best is not None and len(rows) > 1 and result.results.replications > 1:
        note = f"Ring: the highest OEE; ticks: not told apart from it, {best_note(result)}."
    found = [row[name] for row in rows for name in SHOWN if name in row.figures]
    if any(estimate.unseen for estimate in found):
        note += " Hollow points: none seen."
    sheet.write_notes([fitted(note.strip(), ROOM_IN)])
    return sheet.figure


def _tick_values(axes: Axes, values: Sequence[Value]) -> None:
    """Tick whole numbers where all values are whole, and the few values themselves."""
    if len(values) <= FEW_VALUES:
        axes.set_xticks([float(value) for value in values], [value_text(v) for v in values])
        return
    whole = all(isinstance(value, int) for value in values)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS, integer=whole))


def _curve(rows: Sequence[Row], key: str, measure: str) -> Curve:
    nothing = Estimate(math.nan, math.nan, math.nan, rows[0].replications, rows[0].replications)
    return Curve(
        "",
        tuple(float(row.setting[key]) for row in rows),
        tuple(row.get(measure) or nothing for row in rows),
    )


def _ring_best(axes: Axes, result: SweepResult, rows: Sequence[Row], key: str) -> None:
    """Mark the best point, and at the panel's floor those not told apart from it."""
    best = result.best
    if best is None or len(rows) < 2 or result.results.replications == 1:
        return
    x, y = float(best.setting[key]), 100 * best.figures["oee"].value
    ring: dict[str, Any] = {"marker": "o", "markersize": 15, "markerfacecolor": "none"}
    axes.plot([x], [y], color=INK, markeredgewidth=1.6, clip_on=False, zorder=4, **ring)
    for row in result.not_told_apart:
        axes.plot(
            [float(row.setting[key])],
            [0.03],
            marker="|",
            markersize=9,
            markeredgewidth=2.4,
            color=INK,
            transform=axes.get_xaxis_transform(),
            clip_on=False,
        )


def _list(result: SweepResult, title: str, *, by_size: bool) -> Figure:
    rows = result.cells
    hidden = max(0, len(rows) - MOST_DOTS)
    if by_size or hidden:
        known = [row for row in rows if math.isfinite(row.figures["oee"].value)]
        rows = sorted(known or rows, key=lambda row: -row.figures["oee"].value)[:MOST_DOTS]
        hidden = len(result.cells) - len(rows)
    near = {row.number for row in result.not_told_apart}
    colour = line_looks(0)["color"]
    dots = []
    for row in rows:
        oee = row["oee"]
        is_best = row is result.best and len(result.cells) > 1
        full = is_best or row.number in near
        ends = (100 * oee.value, 100 * oee.low, 100 * oee.high)
        shade = colour if full else SOFT_INK
        remark = percent_with_interval(oee)
        dots.append(Dot(result.in_words(row), *ends, remark, full, is_best, shade))
    notes = []
    if len(result.cells) > 1 and result.results.replications > 1:
        notes.append(
            f"Diamond: the highest OEE; filled: not told apart from it, {best_note(result)}; the "
            "lines are each one's own."
        )
    if hidden:
        notes.append(f"{hidden:,} more settings are not drawn: summary.csv has them all.")
    return dots_figure(
        title,
        subtitle_of(result, f"whole cell, lines: {interval_text(result)}"),
        dots,
        "OEE, %",
        notes,
        least_span=1.0,
    )
