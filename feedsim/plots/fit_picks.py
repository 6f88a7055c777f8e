"""The figure of a film model: chances of the faults over stiffness, with what was counted."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

from feedsim.film import ANY
from feedsim.fit.picks import CountedPicks, PicksResult
from feedsim.plots.sheet import EDGE_IN, Panels, Sheet
from feedsim.plots.style import FONT, figure_style, line_looks

WIDTH_IN = 13.33
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
COLUMNS, ROW_IN = 3, 3.05
COLUMN_IN = ROOM_IN / COLUMNS
LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN, GAP_IN = 0.85, 0.2, 0.66, 0.36, 0.08
CELLS = Panels(COLUMN_IN, ROW_IN, LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN)
DECADES_SHOWN = 4.0
TICKS_uNm = (1, 2, 5, 10, 15, 20, 30, 40, 60, 80, 100, 150, 200, 300, 500, 1000, 2000, 5000)
MOST_TICKS = 7


def picks_figure(result: PicksResult, title: str, subtitle: str) -> Figure:
    """Draw a panel for each fault: the model's chance with its band, and the counted rates.

    Parameters
    ----------
    result : PicksResult
    title : str
        The finding.
    subtitle : str
        What lines and points are.

    Returns
    -------
    matplotlib.figure.Figure
    """
    faults = list(result.parts)
    rows = (len(faults) + 1 + COLUMNS - 1) // COLUMNS
    with figure_style():
        sheet = Sheet(WIDTH_IN, title.removesuffix("."), GAP_IN + rows * ROW_IN, subtitle)
        for place in range(len(faults) + 1):
            axes = CELLS.axes(sheet, rows * ROW_IN, *divmod(place, COLUMNS))
            if place < len(faults):
                _draw(axes, result, faults[place])
            else:
                _write_key(axes, result)
    return sheet.figure


def _draw(axes: Axes, result: PicksResult, fault: str) -> None:
    good = " in good bundles" if fault == "missed" and result.model.bad_bundles else ""
    axes.set_title(f"{fault}{good}")
    axes.set_ylabel("% of attempts")
    axes.set_yscale("log")
    seen: list[float] = []
    over_stiffness = result.model.needs_stiffness
    closures = result.model.tried_closures
    for number, closure in enumerate(closures):
        looks = line_looks(number)
        curve = result.curve(fault, closure)
        cells = [cell for cell in result.cells if (cell.closure, cell.fault) == (closure, fault)]
        if curve:
            x = np.array([value for value, _ in curve])
            low, middle, high = (
                100 * np.array([getattr(rate, end) for _, rate in curve])
                for end in ("low", "value", "high")
            )
            axes.fill_between(x, low, high, color=looks["color"], alpha=0.13, linewidth=0)
            axes.plot(x, middle, **looks | {"marker": ""})
            seen += [*low, *high]
        for cell in cells:
            at = cell.stiffness_uNm if over_stiffness else float(number)
            assert at is not None
            # Closures tried at one stiffness lie side by side.
            shift = number - (len(closures) - 1) / 2
            at = at * 1.015**shift if over_stiffness else at
            seen += _point(axes, cell, at, number, with_model=not curve)
    _scale(axes, seen)
    if over_stiffness:
        _stiffness_axis(axes, result)
    else:
        axes.xaxis.set_major_locator(FixedLocator(range(len(closures))))
        axes.set_xticklabels([_name(closure) for closure in closures])
        axes.set_xlim(-0.6, len(closures) - 0.4)
        axes.grid(visible=False, axis="x")


def _point(
    axes: Axes, cell: CountedPicks, at: float, number: int, *, with_model: bool
) -> list[float]:
    """Draw what was counted of a cell, beside the model where that has no line."""
    looks = line_looks(number)
    counted = cell.counted if cell.good is None else cell.good
    low, value, high = 100 * counted.low, 100 * counted.value, 100 * counted.high
    none = not counted.faults
    axes.vlines(at, low if low > 0 else 1e-12, high, color=looks["color"], linewidth=1.1)
    axes.plot(
        [at],
        [high if none else value],
        linestyle="",
        color=looks["color"],
        marker="v" if none else looks["marker"],
        markersize=looks["markersize"],
        markerfacecolor="white" if none else looks["color"],
        zorder=3,
    )
    ends = [high] if none else [value, high, low]
    if with_model:
        fitted_rate = cell.fitted
        beside = at * 1.03 if cell.stiffness_uNm is not None else at + 0.12
        low, value, high = (100 * getattr(fitted_rate, e) for e in ("low", "value", "high"))
        axes.vlines(beside, low, high, color=looks["color"], linewidth=6, alpha=0.25)
        axes.plot([beside], [value], marker="_", markersize=11, color=looks["color"])
        ends += [low, value, high]
    return ends


def _scale(axes: Axes, seen: list[float]) -> None:
    top = max(seen) * 1.5
    bottom = max(min(end for end in seen if end > 0) / 1.5, top / 10**DECADES_SHOWN)
    axes.set_ylim(bottom, top)
    decades = range(math.floor(math.log10(bottom)), math.ceil(math.log10(top)) + 1)
    steps = (1.0, 3.0) if top / bottom < 3000 else (1.0,)
    axes.yaxis.set_major_locator(FixedLocator([s * 10.0**d for d in decades for s in steps]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.6g}"))
    axes.yaxis.set_minor_locator(NullLocator())


def _stiffness_axis(axes: Axes, result: PicksResult) -> None:
    valid = result.model.valid_uNm
    assert valid is not None
    low, high = valid[0] / 1.12, valid[1] * 1.12
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks: list[float] = [tick for tick in TICKS_uNm if low <= tick <= high] or [valid[0]]
    ticks = ticks[:: 1 + (len(ticks) - 1) // MOST_TICKS]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("bending stiffness, µN·m")


def _write_key(axes: Axes, result: PicksResult) -> None:
    axes.set_axis_off()
    lines = [
        Line2D([], [], label=_name(closure), **line_looks(number))
        for number, closure in enumerate(result.model.tried_closures)
    ]
    axes.legend(handles=lines, loc="upper left", bbox_to_anchor=(0, 1.05), handlelength=3.6)
    bundles = result.bundles
    if bundles is not None and bundles.share is not None and bundles.missed is not None:
        text = (
            f"Bad bundles: {100 * bundles.share.value:.2g} % of all\n"
            f"({100 * bundles.share.low:.2g} to {100 * bundles.share.high:.2g} %),\n"
            f"{100 * bundles.missed.value:.3g} % of attempts miss in them\n"
            f"({100 * bundles.missed.low:.3g} to {100 * bundles.missed.high:.3g} %)"
        )
        axes.text(0.02, 0.0, text, va="bottom", size=FONT, transform=axes.transAxes)


def _name(closure: str) -> str:
    return "bags tried" if closure == ANY else closure.replace("_", " ")
