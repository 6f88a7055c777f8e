"""The figure of a cell over magazine capacity: small multiples on one axis of bags per lane."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from feedsim.labels import given_percent
from feedsim.plots.curves import Curve, Family, family_of
from feedsim.plots.panels import (
    PANELS,
    WAITING,
    Panel,
    draw_panel,
    end_heights_in,
    is_never_seen,
    label_ends,
)
from feedsim.plots.sheet import EDGE_IN, Panels, Sheet
from feedsim.plots.style import FONT, OWN_LINE, figure_style, line_looks
from feedsim.plots.wording import counted, fitted, width_in
from feedsim.study import Results

Handle = Line2D | Patch

WIDTH_IN = 13.33
ROOM_IN = WIDTH_IN - 2 * EDGE_IN
COLUMNS, ROWS = 4, 3
COLUMN_IN, ROW_IN = ROOM_IN / COLUMNS, 2.25
LEFT_IN, RIGHT_IN = 0.78, 0.12
BELOW_IN, ABOVE_IN = 0.56, 0.34
PLOT_IN = ROW_IN - BELOW_IN - ABOVE_IN
OEE_IN = 2 * COLUMN_IN - LEFT_IN - RIGHT_IN
CELLS = Panels(COLUMN_IN, ROW_IN, LEFT_IN, RIGHT_IN, BELOW_IN, ABOVE_IN)
# Row, column, and columns that a panel takes.
PLACES = ((0, 0, 2), *((place // COLUMNS, place % COLUMNS, 1) for place in range(2, 12)))
GAP_IN = 0.08
LINE_IN = 0.2
KEY_LINE_IN = 0.235
TICK_IN = 0.5


def capacity_figure(
    results: Results,
    machine: str | None = None,
    own_capacity: int | None = None,
    title: str = "OEE over magazine capacity",
) -> Figure:
    """Draw OEE, its parts, visits and people over magazine capacity.

    Settings that differ in more than the capacity (such as the interval of the rounds) become a
    family of curves.

    Parameters
    ----------
    results : Results
        Of settings with values of a key that ends in ``magazine.capacity_bags``.
    machine : str, optional
        A machine's name; by default the whole cell is drawn.
    own_capacity : int, optional
        The config's own, in bags per lane, marked by a thin line.
    title : str, optional
        The finding, in one line or more.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ValueError
        If there is no such machine, or two settings have the same capacity and all else.
    """
    family = family_of(results, machine)
    with figure_style():
        panels = _panels(family)
        drawn = [family.curves(panel.measure) for panel in panels]
        marks = _marks(drawn, own_capacity, results)
        below_in = _key_below_in(len(drawn[0]), marks)
        body_in = GAP_IN + ROWS * ROW_IN + below_in
        sheet = Sheet(WIDTH_IN, title, body_in, _subtitle(family, machine))
        cells = [CELLS.axes(sheet, ROWS * ROW_IN + below_in, *place) for place in PLACES]
        for axes, panel, curves in zip(cells[:-1], panels, drawn, strict=True):
            draw_panel(axes, panel, curves)
            _finish_axis(axes, family, own_capacity)
        _tick_capacities(cells[0], family, own_capacity)
        labelled = _label_lines(cells[0], drawn[0])
        _write_key(cells[-1], marks if labelled else [*_lines(drawn[0]), *marks])
    return sheet.figure


def _panels(family: Family) -> list[Panel]:
    """What is drawn: the time blocked, or where nothing ever is, the time waited for help."""
    return [
        WAITING
        if p.measure.name == "blocked_share" and is_never_seen(family.curves(p.measure))
        else p
        for p in PANELS
    ]


def _subtitle(family: Family, machine: str | None) -> str:
    plans = family.results.settings[0].cell.machines
    if machine is not None:
        of = f" (one of {len(plans)} machines; crew busy: the whole cell)" if plans[1:] else ""
        return fitted(f"Machine: {machine}", ROOM_IN - width_in(of)) + of
    if len(plans) == 1:
        return fitted(f"Machine: {plans[0].name}", ROOM_IN)
    return f"Whole cell: {len(plans)} machines"


def _finish_axis(axes: Axes, family: Family, own_capacity: int | None) -> None:
    """Give all panels the same axis of capacities, with the config's own marked."""
    axes.set_xlabel("bags per lane")
    if own_capacity is not None:
        axes.axvline(own_capacity, zorder=2, **OWN_LINE)
    capacities = _shown_bags(family, own_capacity)
    room = 0.03 * (capacities[-1] - capacities[0])
    if room == 0:
        room = max(1.0, 0.5 * capacities[0])
        axes.set_xticks(capacities)
    axes.set_xlim(max(0.0, capacities[0] - room), capacities[-1] + room)


def _shown_bags(family: Family, own_capacity: int | None) -> list[float]:
    own = () if own_capacity is None else (float(own_capacity),)
    return sorted({*family.capacities_bags, *own})


def _tick_capacities(axes: Axes, family: Family, own_capacity: int | None) -> None:
    """Put the ticks at the capacities tried, if their numbers have room."""
    shown = _shown_bags(family, own_capacity)
    low, high = axes.get_xlim()
    if np.all(np.diff(shown) / (high - low) * OEE_IN > TICK_IN):
        axes.set_xticks(shown)


def _label_lines(axes: Axes, curves: Sequence[Curve]) -> bool:
    """Label a family at the ends of its lines, if the labels have room."""
    if len(curves) == 1:
        return True
    heights_in = np.sort(end_heights_in(axes, PANELS[0], curves, PLOT_IN))
    ends = {curve.at[-1] for curve in curves}
    longest_in = max(width_in(curve.label, FONT, bold=True) for curve in curves) + 0.2
    apart = np.all(np.diff(heights_in) >= LINE_IN)
    if not apart or len(ends) > 1 or longest_in > 2.2:
        return False
    low, high = axes.get_xlim()
    axes.set_xlim(low, low + (high - low) / (1 - longest_in / OEE_IN))
    axes.spines["bottom"].set_bounds(low, high)
    label_ends(axes, PANELS[0], curves)
    return True


def _lines(curves: Sequence[Curve]) -> list[Handle]:
    """Explain the lines of a family."""
    return [
        Line2D([], [], label=fitted(curve.label, 2.2), **line_looks(number))
        for number, curve in enumerate(curves)
    ]


def _marks(
    drawn: Sequence[Sequence[Curve]], own_capacity: int | None, results: Results
) -> list[Handle]:
    """Explain bands, the config's own capacity and open markers, as far as there are any."""
    runs = counted(results.replications, "replication")
    band = f"{given_percent(results.confidence)} interval,\n{runs}"
    if results.replications == 1:
        band = "one replication:\nno intervals"
    colour = line_looks(0)["color"]
    found: list[Handle] = [Patch(facecolor=colour, alpha=0.2, label=band)]
    if own_capacity is not None:
        found.append(Line2D([], [], label=f"config: {own_capacity:,} bags", **OWN_LINE))
    seen = [curves for curves in drawn if not is_never_seen(curves)]
    if any(e.unseen for curves in seen for curve in curves for e in curve.estimates):
        looks = line_looks(0) | {"linestyle": "", "markerfacecolor": "white"}
        found.append(Line2D([], [], label=f"none seen in\n{runs}", **looks))
    return found


def _key_below_in(curves: int, marks: Sequence[Handle]) -> float:
    """Room that the key needs below the panels."""
    lines = sum(str(mark.get_label()).count("\n") + 1 for mark in marks)
    lines += curves if curves > 1 else 0
    return max(0.0, lines * KEY_LINE_IN - PLOT_IN - BELOW_IN)


def _write_key(axes: Axes, handles: Sequence[Handle]) -> None:
    """Explain what the panels show in the cell that none of them needs."""
    axes.axis("off")
    axes.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(-0.2, 1.0),
        borderaxespad=0,
        borderpad=0,
        handlelength=3.2,
        labelspacing=0.4,
    )
