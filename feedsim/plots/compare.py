"""The figure of two configs: what OEE gained, and which losses gave or took it."""

from __future__ import annotations

import math

from matplotlib.figure import Figure

from feedsim.answers.compare import CompareResult, LossChange
from feedsim.answers.compare_inputs import range_of_difference
from feedsim.answers.set_ranges import Range
from feedsim.answers.uncertain import InputsResult
from feedsim.labels import given_percent
from feedsim.plots.dots import Dot, dots_figure
from feedsim.plots.style import SOFT_INK, figure_style, line_looks
from feedsim.plots.wording import counted, points_with_interval
from feedsim.stats import Estimate

MOST_LOSSES = 16
LEAST_SHOWN = 5e-5
LEAST_SPAN = 0.5
RANGE_LIFT = 0.4
AXIS_ROOM = 0.03


def compare_figure(
    result: CompareResult,
    machine: str | None = None,
    title: str = "B minus A",
    inputs: InputsResult | None = None,
) -> Figure:
    """Draw the paired differences of OEE and of each loss as dots with their intervals.

    Losses that changed stand first; of many losses the 16 first ones are drawn.

    Parameters
    ----------
    result : CompareResult
    machine : str, optional
        Name of a machine that both cells have; by default the whole cells are drawn.
    title : str
        The finding, in one line or more.
    inputs : InputsResult, optional
        Of `compare_over_inputs`: the range of the difference of OEE is drawn above its dot.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    KeyError
        If a cell has no such machine.
    """
    seen = [loss for loss in result.losses(machine) if _is_seen(loss)]
    losses = [loss for loss in seen if _is_told(loss)][:MOST_LOSSES]
    oee = result.pair(machine)["oee"]
    with figure_style():
        main = line_looks(0)["color"]
        dots = [_dot("OEE", oee, oee.low > 0 or oee.high < 0, main, strong=True)]
        for loss in losses:
            colour = main if loss.has_changed else SOFT_INK
            dots.append(_dot(loss.label, loss.change, loss.has_changed, colour))
        notes = _notes(result, dots, len(seen) - len(losses))
        over = None if inputs is None else range_of_difference(inputs, machine, "oee")
        if over is not None:
            notes.append(
                "Thin line with ends: between them lies the expected difference of OEE "
                f"({given_percent(result.results.confidence)}) with what is not known of the "
                "inputs."
            )
        figure = dots_figure(
            title,
            _subtitle(result, machine),
            dots,
            "B minus A, points of planned busy time",
            notes,
            zero=True,
            rule_after=0,
            least_span=LEAST_SPAN,
        )
        if over is not None:
            _draw_range(figure, over, main)
        return figure


def _draw_range(figure: Figure, over: Range, colour: str) -> None:
    """Draw a range above the first dot, within a widened axis."""
    axes = figure.axes[0]
    ends = (100 * over.low, 100 * over.high)
    axes.plot(
        ends, [RANGE_LIFT] * 2, color=colour, linewidth=1.3, marker="|", markersize=9, zorder=3
    )
    left, right = axes.get_xlim()
    room = AXIS_ROOM * (right - left)
    axes.set_xlim(min(left, ends[0] - room), max(right, ends[1] + room))


def _is_seen(loss: LossChange) -> bool:
    return max(abs(loss.own.value), abs(loss.other.value)) >= LEAST_SHOWN


def _is_told(loss: LossChange) -> bool:
    """Whether its row would show more than zeros."""
    change = loss.change
    return any(abs(end) >= LEAST_SHOWN for end in (change.value, change.low, change.high))


def _dot(label: str, change: Estimate, full: bool, colour: str, *, strong: bool = False) -> Dot:
    mark = "*" if change.few_events else ""
    return Dot(
        label,
        100 * change.value,
        100 * change.low,
        100 * change.high,
        points_with_interval(change) + mark,
        full=full,
        strong=strong,
        colour=colour,
    )


def _subtitle(result: CompareResult, machine: str | None) -> str:
    plans = [setting.cell.machines for setting in result.results.settings]
    whose = "whole cells" if machine is None else machine
    if machine is None and len(plans[0]) == len(plans[1]) == 1 and result.machines:
        whose = result.machines[0]
    shifts = counted(result.results.replications, "shift")
    if result.results.replications == 1:
        return f"{whose}; one shift on the same luck: no intervals"
    confidence = given_percent(result.results.confidence)
    return f"{whose}; {shifts} on the same luck, lines: paired {confidence} intervals"


def _notes(result: CompareResult, dots: list[Dot], hidden: int) -> list[str]:
    notes = ["Left of 0 a loss costs less time in B, right of 0 more; OEE is better right of 0."]
    if result.results.replications > 1:
        notes[0] += " Hollow: the interval holds 0."
    if any(dot.remark.endswith("*") for dot in dots):
        notes.append("* seen in few shifts: the interval may be too short.")
    if hidden > 0:
        more = "One more loss differs" if hidden == 1 else f"{hidden} more losses differ"
        notes.append(f"{more} by less, or not surely.")
    if math.isnan(dots[0].value):
        notes.append("No planned busy time: no OEE.")
    return notes
