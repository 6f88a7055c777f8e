"""Figures of a trial of a rate: whom a plan passes, a sequential plan, what a result shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from feedsim.answers.sequential import SequentialPlan
from feedsim.answers.trial_plan import PlanResult
from feedsim.answers.trial_result import TrialResult, posterior_density
from feedsim.labels import given_percent
from feedsim.plots.sheet import EDGE_IN, Sheet
from feedsim.plots.style import (
    BAND_SHADE,
    FONT,
    INK,
    RULE,
    SOFT_INK,
    STEPS,
    figure_style,
    line_looks,
)
from feedsim.plots.wording import width_in

WIDTH_IN = 11.0
PLOT_IN = 4.2
LEFT_IN, BELOW_IN, ABOVE_IN = 0.95, 0.75, 0.4
PASS, FAIL = "#a9c9e6", "#ecd9a0"
FAIL_INK = "#9a7a2a"
DENSITY_POINTS = 801
SHOWN = 0.98


def plan_figure(result: PlanResult, title: str) -> Figure:
    """Draw the operating characteristic: the chance to pass over the true rate.

    Parameters
    ----------
    result : PlanResult
    title : str
        The finding.

    Returns
    -------
    matplotlib.figure.Figure
    """
    curve = result.curve
    with figure_style():
        labels = _labels(result, list(curve.columns))
        label_in = max((width_in(text) for text in labels.values()), default=0.0)
        rows = -(-len(labels) // max(1, int((WIDTH_IN - 1.5) / (label_in + 0.85))))
        below_in = BELOW_IN + 0.3 * rows
        sheet = Sheet(WIDTH_IN, title, ABOVE_IN + PLOT_IN + below_in)
        axes = sheet.axes(LEFT_IN, below_in, WIDTH_IN - LEFT_IN - 1.5, PLOT_IN)
        handles = []
        for number, (column, label) in enumerate(labels.items()):
            looks: dict[str, Any] = line_looks(number) | {"marker": ""}
            axes.plot(100 * curve["rate"], 100 * curve[column], clip_on=False, zorder=3, **looks)
            handles.append(Line2D([], [], label=label, **looks))
        _mark_risks(axes, result)
        axes.set_xlim(0, 100 * float(curve["rate"].iloc[-1]))
        axes.set_ylim(0, 100)
        axes.set_xlabel("true rate of faults per pick, %")
        axes.set_ylabel("chance to pass the trial, %")
        axes.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=STEPS))
        axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS))
        sheet.figure.legend(
            handles=handles,
            loc="lower left",
            bbox_to_anchor=(0.05, 0.0),
            ncols=-(-len(labels) // rows),
        )
    return sheet.figure


def _labels(result: PlanResult, columns: Sequence[str]) -> dict[str, str]:
    """What each curve is."""
    labels = {}
    for column in columns:
        if column == "passes_sequential":
            labels[column] = "sequential plan"
        elif column.startswith("passes_"):
            faults, picks = (int(part) for part in column.removeprefix("passes_").split("_in_"))
            labels[column] = f"at most {faults} in {picks:,}"
            if result.if_alone == (faults, picks):
                labels[column] += " (planned as if alone)"
    return labels


def _mark_risks(axes: Axes, result: PlanResult) -> None:
    """The contract's rate with the chance it may pass with, and the true rate with its own."""
    points = [(result.rate, 1 - result.confidence, "contract", "at most", "v")]
    if result.true_rate is not None:
        points.append((result.true_rate, result.pass_chance, "should pass", "at least", "^"))
    for rate, chance, what, bound, marker in points:
        axes.axvline(100 * rate, color=SOFT_INK, linewidth=1.1, linestyle=(0, (6, 2)), zorder=1.5)
        axes.plot(
            [100 * rate],
            [100 * chance],
            marker=marker,
            markersize=11,
            color=INK,
            markerfacecolor="white",
            markeredgewidth=1.6,
            zorder=5,
        )
        axes.annotate(
            f"{what}: {_rate(rate)}\n{bound} {given_percent(round(chance, 12))}",
            (100 * rate, 100 * chance),
            xytext=(10, 10),
            textcoords="offset points",
            size=FONT - 1,
            va="bottom",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
            zorder=6,
            annotation_clip=False,
        )


def _rate(rate: float) -> str:
    return f"{100 * rate:.4g} %"


def sequential_figure(result: PlanResult, title: str) -> Figure:
    """Draw a sequential plan: where a trial goes on, and where it is decided; and its length.

    Parameters
    ----------
    result : PlanResult
        With a sequential plan.
    title : str
        The finding.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ValueError
        If there is none.
    """
    plan = result.sequential
    if plan is None:
        raise ValueError("the result has no sequential plan")
    with figure_style():
        below_in = BELOW_IN + 0.35
        sheet = Sheet(WIDTH_IN, title, ABOVE_IN + PLOT_IN + below_in)
        axes = sheet.axes(LEFT_IN, below_in, 5.4, PLOT_IN)
        _draw_boundaries(axes, plan)
        handles = [
            Patch(facecolor=FAIL, edgecolor=FAIL_INK, hatch="//", linewidth=0, label="failed"),
            Patch(facecolor="white", edgecolor=SOFT_INK, label="go on"),
            Patch(facecolor=PASS, linewidth=0, label="passed"),
        ]
        sheet.figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.05, 0.0), ncols=3)
        lengths = sheet.axes(LEFT_IN + 5.4 + 1.15, below_in, 3.2, PLOT_IN)
        _draw_lengths(lengths, result)
    return sheet.figure


def _draw_boundaries(axes: Axes, plan: SequentialPlan) -> None:
    last = plan.most_picks
    picks = np.unique(
        [0, *plan.passed_from, *(n - 1 for n in plan.passed_from), *plan.failed_until, last]
        + [n + 1 for n in plan.failed_until if n < last]
    )
    passed = np.searchsorted(plan.passed_from, picks, side="right") - 1
    failed = np.searchsorted(plan.failed_until, picks, side="left") + 1
    top = plan.most_faults + 2
    axes.fill_between(
        picks,
        failed - 0.5,
        top,
        step=None,
        facecolor=FAIL,
        edgecolor=FAIL_INK,
        hatch="//",
        linewidth=0,
    )
    axes.fill_between(picks, -0.5, passed + 0.5, where=passed >= 0, facecolor=PASS, linewidth=0)
    axes.plot(picks, failed - 0.5, color=INK, linewidth=1.4)
    axes.plot(picks[passed >= 0], passed[passed >= 0] + 0.5, color=INK, linewidth=1.4)
    axes.vlines(plan.passed_from[0], -0.5, 0.5, color=INK, linewidth=1.4)
    axes.axvline(last, color=INK, linewidth=1.4)
    axes.set_xlim(0, last)
    axes.set_ylim(-0.5, top)
    axes.set_xlabel("picks made")
    axes.set_ylabel("faults counted")
    axes.yaxis.set_major_locator(MaxNLocator(nbins=8, integer=True, steps=STEPS))
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, integer=True, steps=STEPS))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda picks, _: f"{picks:,.0f}"))
    axes.grid(visible=False)


def _draw_lengths(axes: Axes, result: PlanResult) -> None:
    """Mean length over the true rate, beside the fixed plan's."""
    curve = result.curve
    looks: dict[str, Any] = line_looks(0) | {"marker": ""}
    axes.plot(100 * curve["rate"], curve["mean_picks_sequential"], label="sequential", **looks)
    top = float(curve["mean_picks_sequential"].max())
    if result.chosen is not None:
        fixed: dict[str, Any] = line_looks(1) | {"marker": ""}
        axes.axhline(result.chosen.picks, label="fixed", **fixed)
        top = max(top, result.chosen.picks)
    for rate, what in ((result.rate, "contract"), (result.true_rate, "should pass")):
        if rate is not None:
            axes.axvline(100 * rate, color=SOFT_INK, linewidth=1.1, linestyle=(0, (6, 2)))
            axes.annotate(
                what,
                (100 * rate, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 4),
                textcoords="offset points",
                size=FONT - 1,
                ha="center",
            )
    axes.set_xlim(0, 100 * float(curve["rate"].iloc[-1]))
    axes.set_ylim(0, 1.08 * top)
    axes.set_xlabel("true rate, %")
    axes.set_ylabel("mean picks")
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda picks, _: f"{picks:,.0f}"))
    axes.legend(
        loc="upper left", bbox_to_anchor=(-0.05, -0.17), ncols=2, borderaxespad=0, handlelength=2.6
    )


def result_figure(result: TrialResult, title: str) -> Figure:
    """Draw what is known of the rate: intervals, posterior density, the contract's rate.

    Parameters
    ----------
    result : TrialResult
    title : str
        The finding.

    Returns
    -------
    matplotlib.figure.Figure
    """
    lines = _intervals(result)
    has_density = result.bayes is not None
    plot_in = 0.5 * len(lines) + (1.9 if has_density else 0.3)
    with figure_style():
        sheet = Sheet(WIDTH_IN, title, ABOVE_IN + plot_in + BELOW_IN)
        left_in = EDGE_IN + max(width_in(label) for label, *_ in lines) + 0.25
        axes = sheet.axes(left_in, BELOW_IN, WIDTH_IN - left_in - 1.0, plot_in)
        top = _right_end(result)
        floor = 0.0
        if has_density:
            rates = np.linspace(top / DENSITY_POINTS, min(top, 1 - 1e-9), DENSITY_POINTS)
            density = posterior_density(result, rates)
            # Without a fault the density has no highest value at 0: it leaves the panel there.
            top_of_panel = np.quantile(density, SHOWN) if result.faults == 0 else 1.0
            height = 3.0 * np.minimum(density / top_of_panel, 1.0)
            axes.fill_between(100 * rates, 0.2, 0.2 + height, color=RULE, linewidth=0)
            axes.plot(100 * rates, 0.2 + height, color=SOFT_INK, linewidth=1.2)
            floor = 3.5
        for number, (_, low, high) in enumerate(lines):
            looks = line_looks(number)
            place = -number - 0.4
            axes.hlines(place, 100 * low, 100 * min(high, top), color=looks["color"], linewidth=5)
            for end in (low, high):
                if 0 < end <= top:
                    axes.plot(
                        [100 * end], [place], "|", color=looks["color"], markersize=15, mew=2.5
                    )
        axes.plot(
            [100 * result.seen] * 2,
            [-len(lines) + 0.2, max(floor, 0.2)],
            color=INK,
            linewidth=1.4,
            zorder=1.5,
        )
        axes.annotate(
            "seen",
            (100 * result.seen, max(floor, 0.2)),
            xytext=(4, 0),
            textcoords="offset points",
            size=FONT - 1,
            va="top",
        )
        _mark_contract(axes, result, top)
        names = [label for label, *_ in lines]
        places = [-number - 0.4 for number in range(len(lines))]
        if has_density:
            names, places = ["density (Jeffreys)", *names], [1.5, *places]
        axes.set_yticks(places, names)
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=False, axis="y")
        axes.spines["left"].set_visible(False)
        axes.set_xlim(0, 100 * top)
        axes.set_ylim(-len(lines) + 0.2, max(floor, 0.3))
        axes.set_xlabel("rate of faults per pick, %")
        axes.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=STEPS))
    return sheet.figure


def _intervals(result: TrialResult) -> list[tuple[str, float, float]]:
    sure = given_percent(result.confidence)
    lines = [
        (f"exact, {sure}", result.exact.low, result.exact.high),
        (f"at most, {sure} one-sided", 0.0, result.at_most),
        (f"at least, {sure} one-sided", result.at_least, 1.0),
    ]
    if result.bayes is not None:
        lines.append((f"Jeffreys, {sure}", result.bayes.low, result.bayes.high))
    return lines


def _right_end(result: TrialResult) -> float:
    """A rate that shows the intervals and the contract's rate, with some room."""
    return min(1.0, 1.15 * max(result.exact.high, 1.1 * (result.rate or 0)))


def _mark_contract(axes: Axes, result: TrialResult, top: float) -> None:
    if result.rate is None:
        return
    axes.axvspan(100 * result.rate, 100 * top, color=BAND_SHADE, zorder=0)
    axes.axvline(100 * result.rate, color=INK, linewidth=1.4, linestyle=(0, (6, 2)), zorder=2)
    axes.annotate(
        f"contract {_rate(result.rate)}",
        (100 * result.rate, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(4, -14),
        textcoords="offset points",
        size=FONT - 1,
        va="top",
    )
