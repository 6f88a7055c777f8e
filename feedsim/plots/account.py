"""Figures of a log: where its time went, day by day, and how long its stops last."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, DayLocator
from matplotlib.figure import Figure

from feedsim.answers.account import AccountResult
from feedsim.labels import given_percent
from feedsim.logs.lengths import Lengths
from feedsim.losses import gathered
from feedsim.plots.loss_rows import MachineLosses
from feedsim.plots.losses import draw_losses
from feedsim.plots.sheet import Sheet
from feedsim.plots.style import SOFT_INK, figure_style, line_looks, look_of
from feedsim.plots.wording import counted, fitted

WIDTH_IN = 12.0
ROW_IN = 3.3
GAP_IN = 0.17
FOOT_IN = 1.15
LEGEND_AT = (-0.02, -0.27)
MOST_ROWS = 6
FEW_DAYS = 8
HALF_DAY = timedelta(hours=12)


def log_losses(result: AccountResult) -> Figure:
    """Draw where planned busy time went, as the simulation's losses are drawn.

    Where packs are not counted, the band begins with all running time.
    """
    [sums] = result.sums.results.sums
    [setting] = result.sums.results.settings
    confidence = result.cell.confidence
    shown = []
    for each, plan, own in zip(result.machines, setting.cell.machines, sums.machines, strict=True):
        headline = "OEE" if each.whole.good.name == "good" else "Running"
        if each.is_counted and "not" in each.whole.good.label:
            headline = "OEE at most"
        states = [station.state for station in plan.stations]
        whole = gathered(each.whole, own, confidence)
        shown.append(MachineLosses(plan.name, states, whole, headline))
    return draw_losses(shown, _basis(result), confidence)


def _basis(result: AccountResult) -> str:
    number = result.cell.replications
    told = counted(number, "production window" if result.per == "window" else "day")
    if number == 1:
        return f"{told} of {Path(result.log.file).name}: no intervals."
    confidence = given_percent(result.cell.confidence)
    return f"{told} of {Path(result.log.file).name}; lines over the bars: {confidence} intervals."


def account_figure(result: AccountResult) -> Figure:
    """Draw each machine's days, and beside them the lengths of its stops.

    Of more than 6 machines the first are drawn.
    """
    machines = result.machines[:MOST_ROWS]
    frame = result.days_frame()
    with figure_style():
        rows_in = ROW_IN * len(machines)
        sheet = Sheet(WIDTH_IN, _finding(result), GAP_IN + rows_in + FOOT_IN, _note(result))
        grid = sheet.figure.add_gridspec(
            len(machines),
            2,
            left=0.07,
            right=0.97,
            top=(FOOT_IN + rows_in - 0.3) / sheet.height_in,
            bottom=FOOT_IN / sheet.height_in,
            wspace=0.36,
            hspace=0.75,
            width_ratios=(1.25, 1),
        )
        for row, each in enumerate(machines):
            own = frame[frame["machine"] == each.name]
            days = [date.fromisoformat(day) for day in own["date"]]
            axes = sheet.figure.add_subplot(grid[row, 0])
            shares = {
                "running": own["time_running_share"].to_numpy(float),
                "availability": own["availability"].to_numpy(float),
                "OEE": own["oee"].to_numpy(float),
            }
            _days(axes, days, shares)
            axes.set_title(fitted(f"{each.name}: share of planned busy time by day", 6.0))
            _lengths(sheet.figure.add_subplot(grid[row, 1]), each.lengths)
    return sheet.figure


def _finding(result: AccountResult) -> str:
    """The span of the days, and what short stops are of all."""
    frame = result.days_frame()
    name = next((n for n in ("oee", "time_running_share") if frame[n].notna().any()), None)
    told = "Stops by length"
    if name is not None:
        low, high = frame[name].min(), frame[name].max()
        of = "OEE" if name == "oee" else "Running"
        told = f"{of} {100 * low:.0f} to {100 * high:.0f} % by day"
    every = [each.lengths for each in result.machines if each.lengths.stops]
    stops, time_us = (sum(getattr(each, of) for each in every) for of in ("stops", "time_us"))
    if not stops or not time_us:
        return told
    few = sum(each.minor_stops for each in every) / stops
    short = sum(each.minor_time_share * each.time_us for each in every) / time_us
    return (
        f"{told}; stops below {result.minor_stop_min:g} min: {100 * few:.0f} % of stops, "
        f"{100 * short:.0f} % of stopped time"
    )


def _note(result: AccountResult) -> str:
    stops = counted(result.places["in_windows"], "stop")
    note = f"{stops} in the windows of {Path(result.log.file).name}"
    note += f"; minor: below {result.minor_stop_min:g} min"
    if len(result.machines) > MOST_ROWS:
        note += f"; the first {MOST_ROWS} of {len(result.machines)} machines"
    return note + "."


def _days(axes: Axes, days: Sequence[date], shares: dict[str, np.ndarray]) -> None:
    place = np.array(days, dtype="datetime64[D]").astype("datetime64[s]").astype(object)
    for number, (label, values) in enumerate(shares.items()):
        if np.isfinite(values).any():
            looks = line_looks(number) | {"linestyle": "", "markersize": 5.5}
            if label == "availability":
                # Hollow and larger: it often lies over running.
                looks |= {"markerfacecolor": "none", "markersize": 8.0}
            axes.plot(place, 100 * values, label=label, clip_on=False, **looks)
    seen = np.concatenate([values[np.isfinite(values)] for values in shares.values()])
    lowest = 100 * float(seen.min(initial=1.0))
    axes.set_ylim(max(0.0, 10 * np.floor((lowest - 5) / 10)), 100 * max(1.0, seen.max(initial=1.0)))
    axes.set_ylabel("%")
    axes.set_xlim(place[0] - HALF_DAY, place[-1] + HALF_DAY)
    _date_axis(axes, (days[-1] - days[0]).days)
    axes.set_xlabel(f"{days[0]} to {days[-1]}")
    axes.legend(loc="upper left", bbox_to_anchor=LEGEND_AT, ncols=3, borderaxespad=0)


def _date_axis(axes: Axes, span_days: int) -> None:
    """Mark whole days, every one where they are few."""
    locator = (
        DayLocator()  # type: ignore[no-untyped-call]
        if span_days < FEW_DAYS
        else AutoDateLocator(minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    )
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, show_offset=False)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)


def _lengths(axes: Axes, lengths: Lengths) -> None:
    """Bars of the share of stops and of stopped time in each class of length."""
    axes.set_title("Stops and stopped time by length")
    if not lengths.classes:
        axes.text(0.5, 0.5, "no stop", ha="center", color=SOFT_INK, transform=axes.transAxes)
        axes.set_axis_off()
        return
    stops = np.array([each.stops for each in lengths.classes])
    times = np.array([each.time_us for each in lengths.classes], dtype=float)
    rows = np.arange(len(lengths.classes))
    for shift, values, state, label in (
        (-0.2, stops, "restarting", "share of stops"),
        (0.2, times, "jam", "share of stopped time"),
    ):
        look = look_of(state)
        total = values.sum()
        axes.barh(
            rows + shift,
            100 * values / total if total else values,
            0.38,
            label=label,
            facecolor=look.colour,
            hatch=look.hatch,
            edgecolor=look.ink,
            linewidth=0.0,
        )
    axes.set_yticks(rows, [each.label for each in lengths.classes])
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.set_xlabel("%")
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)
    axes.legend(loc="upper left", bbox_to_anchor=LEGEND_AT, ncols=2, borderaxespad=0)
