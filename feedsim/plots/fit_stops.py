"""The figure of fitted stops: each family against the Kaplan-Meier curve of the times."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from feedsim.fit.families import FAMILIES
from feedsim.fit.stop_words import length, p_text, unit_of
from feedsim.fit.stops import FittedStation, FittedTime, StopsResult
from feedsim.fit.survival import kaplan_meier
from feedsim.plots.sheet import EDGE_IN, Panels, Sheet
from feedsim.plots.style import FONT, INK, figure_style, line_looks
from feedsim.plots.wording import fitted

WIDTH_IN = 13.33
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
KEY_IN = 0.44
ROW_IN, LEFT_IN, BELOW_IN, ABOVE_IN = 2.9, 0.85, 0.5, 0.4
TOLD_IN, GAP_IN = 1.9, 0.15
PLOT_IN = ROOM_IN / 2 - LEFT_IN - TOLD_IN - GAP_IN
COLUMNS = 2
CELLS = Panels(ROOM_IN / COLUMNS, ROW_IN, LEFT_IN, TOLD_IN + GAP_IN, BELOW_IN, ABOVE_IN)
STATIONS_SHOWN = 4
TICKS_S = (
    *(0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200),
    *(4 * 3600, 8 * 3600, 16 * 3600, 48 * 3600, 168 * 3600, 720 * 3600),
)
FINE_S = (*TICKS_S, 3, 4, 7, 15, 45, 90, 180, 240, 420, 900, 2700, 5400, 3 * 3600, 6 * 3600)
LEAST_TICKS = 3
APART_IN = 0.72
SHARES_SHOWN = (0.01, 0.99)
CURVE_POINTS = 241
TITLES = {"between_stops": "running time between stops", "stop": "length of a stop"}


def stops_figures(result: StopsResult, title: str) -> dict[str, Figure]:
    """Draw each station's two times, some stations a figure.

    Parameters
    ----------
    result : StopsResult
    title : str
        The finding.

    Returns
    -------
    dict of str to matplotlib.figure.Figure
        Named stops, or stops-1, stops-2 where there are more stations than one figure shows.
    """
    groups = [
        result.stations[at : at + STATIONS_SHOWN]
        for at in range(0, len(result.stations), STATIONS_SHOWN)
    ]
    names = ["stops"] if len(groups) == 1 else [f"stops-{n}" for n in range(1, len(groups) + 1)]
    return {
        name: _figure(group, title, result.confidence)
        for name, group in zip(names, groups, strict=True)
    }


def _figure(stations: Sequence[FittedStation], title: str, confidence: float) -> Figure:
    with figure_style():
        panels_in = ROW_IN * len(stations)
        sheet = Sheet(WIDTH_IN, title.removesuffix("."), KEY_IN + panels_in)
        _write_key(sheet.figure, (panels_in + 0.02) / sheet.height_in, confidence)
        for row, station in enumerate(stations):
            for column, time in enumerate(station.times):
                axes = CELLS.axes(sheet, panels_in, row, column)
                _draw(axes, station, time, confidence)
    return sheet.figure


def _write_key(figure: Figure, y: float, confidence: float) -> None:
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=INK, linewidth=1.3, drawstyle="steps", label="as logged"),
        Patch(facecolor=INK, alpha=0.13, linewidth=0, label=f"its {100 * confidence:g} % band"),
        Line2D([], [], color=INK, linestyle="", marker="|", markersize=9, label="cut off"),
    ]
    handles += [
        Line2D([], [], label=family, **(line_looks(number) | {"marker": ""}))
        for number, family in enumerate(FAMILIES)
    ]
    figure.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(EDGE_IN / WIDTH_IN - 0.006, y),
        ncols=len(handles),
        handlelength=3.2,
        columnspacing=1.6,
        borderaxespad=0,
    )


def _draw(axes: Axes, station: FittedStation, time: FittedTime, confidence: float) -> None:
    title = f"{station.name}: {TITLES[time.purpose]}"
    axes.set_title(fitted(title, PLOT_IN + TOLD_IN, bold=True))
    curve = kaplan_meier(time.data)
    low_s, high_s = _limits(time)
    edges = np.concatenate([[low_s / 2], curve.times_s, [max(curve.last_s, curve.times_s[-1])]])
    steps = np.concatenate([[1.0], curve.survival, curve.survival[-1:]])
    low, high = curve.band(confidence)
    axes.fill_between(
        edges,
        100 * np.concatenate([[1.0], low, low[-1:]]),
        100 * np.concatenate([[1.0], high, high[-1:]]),
        step="post",
        color=INK,
        alpha=0.13,
        linewidth=0,
    )
    axes.step(edges, 100 * steps, where="post", color=INK, linewidth=1.3, zorder=2.5)
    cut_s = time.data.times_s[~time.data.seen]
    place = np.searchsorted(curve.times_s, cut_s, side="right")
    axes.plot(cut_s, 100 * steps[place], linestyle="", marker="|", color=INK, markersize=6)
    at_s = np.geomspace(low_s, high_s, CURVE_POINTS)
    for number, family in enumerate(FAMILIES):
        found = next((f for f in time.families if f.fit.family == family), None)
        if found is not None:
            looks = line_looks(number) | {"marker": ""}
            if family != time.chosen:
                looks |= {"linewidth": 1.2, "alpha": 0.7}
            axes.plot(at_s, 100 * found.fit.survival(at_s), zorder=3, **looks)
    _scale(axes, low_s, high_s)
    axes.set_ylabel("% still running" if time.purpose == "between_stops" else "% still stopped")
    axes.text(
        1 + GAP_IN / PLOT_IN,
        1.0,
        _told(time),
        transform=axes.transAxes,
        va="top",
        size=FONT - 1,
        linespacing=1.5,
    )


def _told(time: FittedTime) -> str:
    """What was seen, what is taken and how each family was judged, in short lines."""
    lines = [f"{time.data.events:,} seen, {time.data.censored:,} cut off", ""]
    family = time.family
    if family is None:
        lines += ["No family carries them:", "taken as logged", f"mean {length(time.mean_s)}"]
    else:
        lines += [f"Taken: {time.chosen}", f"mean {length(family.fit.mean_s)}"]
        if family.fit.form is not None:
            lines[-1] += f", {family.fit.form_name} {family.fit.form:.2f}"
    judged = [
        f"{each.fit.family}: p {p_text(each.goodness.p_value)}"
        for each in time.families
        if each.goodness is not None
    ]
    return "\n".join([*lines, "", *(judged or ["too few to judge"])])


def _limits(time: FittedTime) -> tuple[float, float]:
    """The times shown, s: nearly all of them."""
    times_s = time.data.times_s
    low_s, high_s = (float(q) for q in np.quantile(times_s, SHARES_SHOWN))
    return max(low_s / 1.3, float(times_s.min()) / 1.3, high_s / 1e5), float(times_s.max()) * 1.3


def _scale(axes: Axes, low_s: float, high_s: float) -> None:
    axes.set_xscale("log")
    axes.set_xlim(low_s, high_s)
    axes.set_ylim(0, 102)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=(1, 2, 2.5, 5, 10)))
    ticks = _ticks(low_s, high_s)
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value)))
    axes.xaxis.set_minor_locator(NullLocator())


def _ticks(low_s: float, high_s: float) -> list[float]:
    """Round times far enough apart for their labels."""
    found = _apart(TICKS_S, low_s, high_s)
    if len(found) < LEAST_TICKS:
        found = _apart(sorted(FINE_S), low_s, high_s)
    return found or [low_s]


def _apart(ticks: Sequence[float], low_s: float, high_s: float) -> list[float]:
    per_log = PLOT_IN / math.log(high_s / low_s)
    found: list[float] = []
    for tick in ticks:
        apart_in = math.inf if not found else per_log * math.log(tick / found[-1])
        if low_s <= tick <= high_s and apart_in >= APART_IN:
            found.append(tick)
    return found


def _tick(value_s: float) -> str:
    unit, size_s = unit_of(value_s)
    if unit == "s" and value_s >= 60:
        unit, size_s = "min", 60.0
    return f"{value_s / size_s:.3g} {unit}"
