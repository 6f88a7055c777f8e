"""The figure of an efficiency run: how often lines pass, and what single trials bring."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from feedsim.answers.trial_efficiency import EfficiencyResult, Point
from feedsim.labels import given_percent, label_of
from feedsim.plots.sheet import Sheet
from feedsim.plots.style import FONT, INK, LOOKS, SOFT_INK, STEPS, figure_style, line_looks
from feedsim.plots.trial import ABOVE_IN, LEFT_IN, WIDTH_IN

CURVE_IN, VALUES_IN, GAP_IN = 3.6, 1.5, 0.45
BELOW_IN = 0.8
CLEAR = 0.995
LOW = 12.0


def efficiency_figure(result: EfficiencyResult, title: str) -> Figure:
    """Draw the chance to pass over the true efficiency, above what single trials bring.

    Parameters
    ----------
    result : EfficiencyResult
    title : str
        The finding.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with figure_style():
        sheet = Sheet(WIDTH_IN, title, ABOVE_IN + CURVE_IN + GAP_IN + VALUES_IN + BELOW_IN)
        wide_in = WIDTH_IN - LEFT_IN - 1.2
        values = sheet.axes(LEFT_IN, BELOW_IN, wide_in, VALUES_IN)
        curve = sheet.axes(LEFT_IN, BELOW_IN + VALUES_IN + GAP_IN, wide_in, CURVE_IN)
        low, high = _ends(result)
        _draw_curve(curve, result, low, high)
        _draw_values(values, result)
        for axes in (curve, values):
            axes.set_xlim(low, high)
            axes.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=STEPS))
            axes.axvline(
                100 * result.trial.target,
                color=INK,
                linewidth=1.4,
                linestyle=(0, (6, 2)),
                zorder=2,
            )
        curve.tick_params(labelbottom=False)
        name = label_of(result.trial.measure).text
        values.set_xlabel(f"{name}, %: true above, of single trials of the config's line below")
    return sheet.figure


def _ends(result: EfficiencyResult) -> tuple[float, float]:
    """The part of the axis in which chances change, with the config's trials on it."""
    between = [
        100 * point.efficiency.value
        for point in result.points
        if 1 - CLEAR < point.passes.value < CLEAR
    ]
    named = [p.efficiency.value for p in (result.own, result.good, result.bad) if p is not None]
    shown = [*between, *(100 * value for value in named), 100 * result.trial.target]
    shown += [100 * float(end) for end in np.quantile(result.own.values, [0.005, 0.995])]
    room = max(1.0, 0.05 * (max(shown) - min(shown)))
    return max(0.0, min(shown) - room), max(shown) + room


def _draw_curve(axes: Axes, result: EfficiencyResult, low: float, high: float) -> None:
    points = result.points
    true = 100 * np.array([point.efficiency.value for point in points])
    passes, least, most = (
        100 * np.array([getattr(point.passes, end) for point in points])
        for end in ("value", "low", "high")
    )
    looks: dict[str, Any] = line_looks(0) | {"marker": ""}
    axes.plot(true, passes, zorder=3, **looks)
    band = f"{given_percent(result.results.confidence)}\nband"
    axes.fill_between(true, least, most, color=looks["color"], alpha=0.16, linewidth=0, label=band)
    within = (true >= low) & (true <= high)
    dots: dict[str, Any] = {"color": looks["color"], "markersize": 4.5, "clip_on": False}
    axes.plot(true[within], passes[within], "o", zorder=3, **dots)
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.2)
    named = {"config": result.own, "good": result.good, "bad": result.bad}
    for what, point in named.items():
        if point is not None:
            _name_point(axes, what, point, is_left=100 * point.efficiency.value > (low + high) / 2)
    axes.annotate(
        f"target {given_percent(result.trial.target)}",
        (100 * result.trial.target, 100),
        xytext=(5, 6),
        textcoords="offset points",
        size=FONT - 1,
        annotation_clip=False,
    )
    axes.set_ylim(0, 100)
    axes.set_ylabel("chance to pass, %")
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS))


def _name_point(axes: Axes, what: str, point: Point, *, is_left: bool) -> None:
    at = 100 * point.efficiency.value, 100 * point.passes.value
    axes.plot(
        *at,
        marker="D",
        markersize=9,
        color=INK,
        markerfacecolor="white",
        markeredgewidth=1.6,
        zorder=5,
        clip_on=False,
    )
    axes.annotate(
        f"{what}: {at[1]:.1f} %",
        at,
        xytext=(-12, 6) if is_left else (4 if at[1] < LOW else 12, 12 if at[1] < LOW else -6),
        textcoords="offset points",
        ha="right" if is_left else "left",
        va="bottom" if is_left or at[1] < LOW else "top",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
        zorder=6,
        size=FONT,
        weight="bold",
        annotation_clip=False,
    )


def _draw_values(axes: Axes, result: EfficiencyResult) -> None:
    """What single trials of the config's line brought, those that pass told apart."""
    values, target = 100 * result.own.values, 100 * result.trial.target
    spread = float(values.max() - values.min())
    wide = max(spread / max(8, min(40, int(np.sqrt(len(values)) * 1.5))), 1e-6)
    first = target - wide * np.ceil((target - values.min()) / wide + 1e-9)
    edges = first + wide * np.arange(int(np.ceil((values.max() - first) / wide + 1e-9)) + 1)
    for is_passed, look in ((True, LOOKS["running"]), (False, LOOKS["dry"])):
        own = values[(values >= target) == is_passed]
        axes.hist(
            own,
            edges,
            facecolor=look.colour,
            edgecolor=look.ink,
            hatch=look.hatch,
            linewidth=0.4,
            label="passed" if is_passed else "failed",
        )
    axes.axvline(100 * result.own.efficiency.value, color=SOFT_INK, linewidth=1.4)
    axes.set_ylabel("trials")
    axes.grid(visible=False, axis="x")
    axes.yaxis.set_major_locator(MaxNLocator(nbins=3, integer=True, steps=STEPS))
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.2)
