"""The figure of a film: OEE, visits and lane faults over the miss rate, or over stiffness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter

from feedsim.answers.film import Curve, FilmResult, miss_rate
from feedsim.answers.film.inputs import FilmInputs
from feedsim.answers.rows import Row
from feedsim.answers.set_ranges import Range
from feedsim.cell import Cell, build_cell
from feedsim.film import PLANNING_VALID_uNm
from feedsim.labels import given_percent
from feedsim.measures import measures_of
from feedsim.plots.curves import Curve as DrawnCurve
from feedsim.plots.panels import INPUTS_BAND, Panel, draw_panel
from feedsim.plots.sheet import EDGE_IN, Panels, Sheet
from feedsim.plots.style import (
    BAND_SHADE,
    FONT,
    INK,
    OWN_LINE,
    figure_style,
    line_looks,
)
from feedsim.plots.wording import counted, fitted

WIDTH_IN = 13.33
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
ROW_IN, COLUMNS = 2.95, 4
COLUMN_IN = ROOM_IN / COLUMNS
LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN, GAP_IN = 0.75, 0.15, 0.62, 0.36, 0.08
CELLS = Panels(COLUMN_IN, ROW_IN, LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN)
NICE = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
TICK_IN = 0.55
SPAN_LINE: dict[str, Any] = {"linewidth": 3.5, "solid_capstyle": "butt", "zorder": 4}

# Name of the measure, title, from 0 or not.
SHOWN = (
    ("oee", "OEE", False),
    ("time_lane_fault_share", "Stopped by lane faults", True),
    ("visits_per_h", "Visits, all kinds", True),
    ("refill_visits_per_h", "Refill visits", True),
    ("fault_visits_per_h", "Fault visits", True),
    ("stops_lane_fault_per_h", "Lane-fault stops", True),
)
# Row, first column and columns of each panel; the key has what is left of the first row.
PLACES = ((0, 0, 2), (0, 2, 1), (1, 0, 1), (1, 1, 1), (1, 2, 1), (1, 3, 1))
KEY_PLACE = (0, 3, 1)


def film_figure(
    result: FilmResult,
    title: str,
    subtitle: str,
    machine: str | None = None,
    inputs: FilmInputs | None = None,
) -> Figure:
    """Draw OEE, visits and lane faults over the miss rate or the stiffness.

    Over the miss rate of first attempts of a machine, or, for a cell of several, over the factor
    on the config's misses; a curve for each kind of miss or closure, the limits marked.

    Parameters
    ----------
    result : FilmResult
    title : str
        The finding, in one line or more.
    subtitle : str
        What the chances rest on.
    machine : str, optional
        A machine that was varied; by default the whole cell is drawn.
    inputs : FilmInputs, optional
        What is known over uncertain inputs: bands around the curves, and spans of the limits.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with figure_style():
        sheet = Sheet(WIDTH_IN, title, GAP_IN + 2 * ROW_IN, subtitle)
        drawn = _Drawn(result, machine, inputs)
        for place, shown in zip(PLACES, SHOWN, strict=True):
            _draw(CELLS.axes(sheet, 2 * ROW_IN, *place), drawn, *shown)
        _write_key(CELLS.axes(sheet, 2 * ROW_IN, *KEY_PLACE), drawn)
    return sheet.figure


@dataclass(frozen=True)
class _Drawn:
    """What a figure shows: a machine that was varied, or the whole cell."""

    result: FilmResult
    machine: str | None
    inputs: FilmInputs | None = None

    @property
    def name(self) -> str | None:
        """The machine whose miss rate is the axis; None where factors are."""
        machines = self.result.machines
        lone = len(self.result.results.settings[0].cell.machines) == 1
        return machines[0].name if lone else self.machine

    def x(self, cell: Cell, value: float) -> float:
        """Where a point lies: stiffness in uN.m, miss rate in percent, or factor."""
        if self.result.is_of_stiffness or self.name is None:
            return value
        return 100 * next(miss_rate(plan) for plan in cell.machines if plan.name == self.name)

    def points(self, curve: Curve) -> list[tuple[float, Row]]:
        """A curve's rows, and where they lie; one point for values that are alike."""
        found = {
            self.x(curve.settings[value].cell, value): row
            for value, row in self.result.points(curve, self.machine)
        }
        return list(found.items())

    def over_inputs(self, curve: Curve, measure: str) -> tuple[Range, ...]:
        """A measure's ranges at a curve's points; none where inputs are taken as they are."""
        if self.inputs is None:
            return ()
        found = {
            self.x(curve.settings[value].cell, value): ranges[measure]
            for value, _, ranges in self.inputs.ranges(curve, self.machine)
        }
        return tuple(found.values())

    def span(self, number: int) -> tuple[float, float] | None:
        """Between which places a curve's limit lies over the inputs; None where one has no end."""
        if self.inputs is None or not self.inputs.limits:
            return None
        limit = self.inputs.limits[number]
        found, scale = limit.value, 1
        if not self.result.is_of_stiffness and self.name is not None:
            found, scale = limit.rates[self.name], 100
        if found.low is None or found.high is None:
            return None
        return scale * found.low, scale * found.high

    @property
    def all_x(self) -> list[float]:
        """Where all points lie."""
        return [x for curve in self.result.curves for x, _ in self.points(curve)]

    @property
    def own_x(self) -> float | None:
        """Where the config itself lies, if it is within the axis."""
        result = self.result
        if not result.is_of_stiffness:
            return self.x(build_cell(result.config), 1.0)
        bags = [result.config.machine[number].bag for number in result.tables]
        own = {bag.stiffness for bag in bags if bag.chance_source in ("planning", "film model")}
        stiffness = own.pop() if len(own) == 1 else None
        if stiffness is None or not min(self.all_x) <= stiffness <= max(self.all_x):
            return None
        return stiffness


def _draw(axes: Axes, drawn: _Drawn, name: str, title: str, from_zero: bool) -> None:
    named = {m.name: m for m in measures_of(drawn.result.results.settings[0].cell.machines)}
    panel = Panel(named[name], title, from_zero)
    curves = [
        DrawnCurve(
            curve.label,
            tuple(x for x, _ in drawn.points(curve)),
            tuple(row[name] for _, row in drawn.points(curve)),
            drawn.over_inputs(curve, name),
        )
        for curve in drawn.result.curves
    ]
    axes.set_xscale("log")
    draw_panel(axes, panel, curves)
    own = drawn.own_x
    if own is not None:
        axes.axvline(own, zorder=1, **OWN_LINE)
    _mark_targets(axes, drawn, name, panel.factor)
    _finish_axis(axes, drawn, name == "oee")


def _mark_targets(axes: Axes, drawn: _Drawn, name: str, factor: float) -> None:
    """Draw a target's line at a machine, and where each curve ends to keep the targets."""
    result = drawn.result
    for target in result.targets:
        if target.measure == name and drawn.name is not None:
            height = factor * target.value
            axes.axhline(height, color=INK, linewidth=1.4, linestyle=(0, (6, 2)), zorder=2)
            low, high = axes.get_ylim()
            room = 0.06 * (high - low)
            axes.set_ylim(max(0.0, min(low, height - room)), max(high, height + room))
    for number in range(len(result.limits)):
        span = drawn.span(number)
        if span is not None:
            low, _ = axes.get_ylim()
            colour = line_looks(number)["color"]
            axes.plot(span, [low, low], color=colour, clip_on=False, **SPAN_LINE)
    for number, limit in enumerate(result.limits):
        if limit.value is not None and limit.fails_from is not None:
            x = drawn.x(limit.tried[limit.value].setting.cell, limit.value)
            looks: dict[str, Any] = line_looks(number)
            axes.axvline(x, color=looks["color"], linewidth=1.3, linestyle=(0, (1, 1)), zorder=1)
            low, _ = axes.get_ylim()
            axes.plot([x], [low], marker="^", color=looks["color"], markersize=9, clip_on=False)


def _finish_axis(axes: Axes, drawn: _Drawn, is_wide: bool) -> None:
    """Name the axis, widen it to all points, tick it at round numbers."""
    own = [] if drawn.own_x is None else [drawn.own_x]
    low, high = min([*drawn.all_x, *own]), max([*drawn.all_x, *own])
    # Lone points are drawn a little aside.
    lone = any(len(curve.settings) == 1 for curve in drawn.result.curves)
    room = 1.4 if lone or high == low else 1.04
    axes.set_xlim(low / room, high * room)
    wide_in = (2 if is_wide else 1) * COLUMN_IN - LEFT_IN - RIGHT_IN
    axes.xaxis.set_major_locator(FixedLocator(_ticks(low, high, wide_in)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:.3g}"))
    axes.xaxis.set_minor_locator(LogLocator(subs=()))
    axes.xaxis.set_minor_formatter(NullFormatter())
    if drawn.result.is_of_stiffness:
        axes.set_xlabel("stiffness, µN·m" if not is_wide else "bending stiffness of a panel, µN·m")
        planned = any(curve.is_planned for curve in drawn.result.curves)
        for begin, end in ((0.0, PLANNING_VALID_uNm[0]), (PLANNING_VALID_uNm[1], np.inf)):
            if planned and low < end and high > begin:
                left, right = axes.get_xlim()
                axes.axvspan(max(begin, left), min(end, right), color=BAND_SHADE, zorder=0)
    elif drawn.name is not None:
        axes.set_xlabel("missed first attempts, %")
    else:
        axes.set_xlabel("times the misses of the config" if is_wide else "times the misses")


def _ticks(low: float, high: float, wide_in: float) -> list[float]:
    """Round numbers on a log axis, as many as have room."""
    decades = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 1)
    for parts in (NICE, (1.0, 2.0, 5.0), (1.0, 3.0), (1.0,)):
        ticks = [part * 10.0**d for d in decades for part in parts]
        ticks = [tick for tick in ticks if low / 1.03 <= tick <= high * 1.03]
        if len(ticks) < 2:
            break
        apart = np.min(np.diff(np.log(ticks))) / np.log(high / low) * wide_in
        if apart >= TICK_IN:
            return ticks
    wide = np.log(high / low) > TICK_IN / wide_in
    return [low, high] if wide else [float(np.sqrt(low * high))]


def _write_key(axes: Axes, drawn: _Drawn) -> None:
    """Explain the lines, the bands, the target and the limits."""
    result = drawn.result
    axes.axis("off")
    handles: list[Line2D | Patch] = [
        Line2D([], [], label=fitted(label, 2.2), **line_looks(number))
        for number, label in enumerate(curve.label for curve in result.curves)
    ]
    runs = counted(result.results.replications, "shift")
    if result.results.replications > 1:
        band = f"{given_percent(result.results.confidence)} interval,\n{runs}"
        handles.append(Patch(facecolor=line_looks(0)["color"], alpha=0.2, label=band))
    if drawn.inputs is not None:
        band = f"{given_percent(result.results.confidence)} range over\nuncertain inputs"
        looks: dict[str, Any] = INPUTS_BAND | {"alpha": 0.6}
        colour = line_looks(0)["color"]
        handles.append(Patch(facecolor="none", edgecolor=colour, label=band, **looks))
    if any(drawn.span(number) is not None for number in range(len(result.limits))):
        label = "where expected values\nmeet targets, over inputs"
        handles.append(Line2D([], [], color=INK, label=label, **SPAN_LINE))
    bare: dict[str, Any] = {"color": INK, "linewidth": 1.4}
    if drawn.own_x is not None:
        handles.append(Line2D([], [], label="config", **OWN_LINE))
    names = {name for name, *_ in SHOWN}
    if drawn.name is not None and any(target.measure in names for target in result.targets):
        handles.append(Line2D([], [], linestyle=(0, (6, 2)), label="target", **bare))
    side = "from" if result.is_of_stiffness else "up to"
    if any(limit.fails_from is not None and limit.value is not None for limit in result.limits):
        handles.append(
            Line2D(
                [],
                [],
                linestyle=(0, (1, 1)),
                marker="^",
                markersize=9,
                label=f"limit: shown to meet\nall targets {side} here",
                **bare,
            )
        )
    rows = [row for curve in result.curves for _, row in drawn.points(curve)]
    if any(row[name].unseen for row in rows for name in names):
        unseen = line_looks(0) | {"linestyle": "", "markerfacecolor": "white"}
        handles.append(Line2D([], [], label=f"none seen in\n{runs}", **unseen))
    axes.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(-0.2, 1.08),
        borderaxespad=0,
        borderpad=0,
        handlelength=3.2,
        labelspacing=0.4,
        fontsize=FONT,
    )
