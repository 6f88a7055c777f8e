"""The figure of a sized magazine: each target's measure at the capacities tried."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator

from feedsim.answers.size import SizeResult
from feedsim.answers.targets import MET, MISSED, OPEN, Check, Evidence, Target
from feedsim.labels import given_percent, label_of
from feedsim.plots.sheet import Sheet
from feedsim.plots.style import FONT, INK, OWN_LINE, SOFT_INK, STEPS, figure_style, line_looks
from feedsim.plots.wording import fitted, wrapped

WIDTH_IN = 11.0
PANEL_IN = 2.7
LEFT_IN, BELOW_IN, PLOT_WIDE_IN, PLOT_TALL_IN = 0.95, 0.6, 8.2, 1.85
KEY_IN, LONE_KEY_IN = 0.75, 0.4
KEY_LINE_IN = 0.3
MOST_TICKS = 12
TICK_APART = 0.05  # of all that is shown
LEAST_APART = 0.2
ASIDE = 0.14


def size_figure(result: SizeResult, title: str) -> Figure:
    """Draw each target's measure over the capacities tried, with the target and the answer.

    Parameters
    ----------
    result : SizeResult
    title : str
        The finding, in one line or more.

    Returns
    -------
    matplotlib.figure.Figure
    """
    tried = result.tried
    with figure_style():
        key_in = KEY_IN if len(_named(result)) > 1 else LONE_KEY_IN
        sheet = Sheet(WIDTH_IN, title, PANEL_IN * len(result.targets) + key_in)
        bottom_in = key_in + BELOW_IN
        for target in reversed(result.targets):
            axes = sheet.axes(LEFT_IN, bottom_in, PLOT_WIDE_IN, PLOT_TALL_IN)
            _draw_target(axes, target, tried, result)
            bottom_in += PANEL_IN
        _write_key(sheet.figure, result)
    return sheet.figure


def _answered(result: SizeResult) -> int | None:
    """The capacity that is the answer, if any is."""
    answer = result.found if result.is_met else result.beyond
    return None if answer is None else answer.best_bags


def _named(result: SizeResult) -> list[str]:
    """The machines at which targets are judged."""
    machines = dict.fromkeys(check.machine for check in result.found.best.checks)
    return [machine for machine in machines if machine is not None]


def _draw_target(
    axes: Axes, target: Target, tried: dict[int, Evidence], result: SizeResult
) -> None:
    scale = target.factor
    machines = _machines(target, result)
    reached: list[float] = [scale * target.value]
    for place, machine in enumerate(machines):
        points = [(bags, _check(e, target, machine)) for bags, e in tried.items()]
        aside = (place - (len(machines) - 1) / 2) * ASIDE * _least_step(tried)
        reached += _draw_points(axes, points, place, scale, aside)
    axes.axhline(scale * target.value, color=INK, linewidth=1.4, linestyle=(0, (6, 2)))
    if result.ceiling is not None:
        ends = [_check(result.ceiling.evidence, target, machine) for machine in machines]
        value = scale * (min if target.is_least else max)(check.found.value for check in ends)
        axes.axhline(value, color=SOFT_INK, linewidth=1.4, linestyle=(0, (1, 1.5)))
        reached.append(value)
    answer_bags = _answered(result)
    if answer_bags is not None:
        axes.axvline(answer_bags, zorder=1, **OWN_LINE)
    axes.set_ylabel(label_of(target.measure).axis)
    axes.set_xlabel("bags per lane")
    if len(tried) <= MOST_TICKS and _least_step(tried) >= TICK_APART * (max(tried) - min(tried)):
        axes.set_xticks(list(tried))
    else:
        axes.xaxis.set_major_locator(MaxNLocator(nbins=10, integer=True, steps=STEPS))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS, min_n_ticks=3))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda bags, _: f"{bags:,.0f}"))
    low, high = min(reached), max(reached)
    room = 0.1 * max(high - low, 0.02 * max(abs(high), 1e-9))
    axes.set_ylim(max(0.0, low - room), high + room)
    _say_lines(axes, target, scale, value if result.ceiling is not None else None)


def _least_step(tried: dict[int, Evidence]) -> float:
    return float(np.min(np.diff(list(tried)), initial=min(tried)))


def _machines(target: Target, result: SizeResult) -> list[str | None]:
    checks = result.found.best.checks
    return [check.machine for check in checks if check.target == target]


def _check(evidence: Evidence, target: Target, machine: str | None) -> Check:
    return next(
        check for check in evidence.checks if (check.target, check.machine) == (target, machine)
    )


def _draw_points(
    axes: Axes, points: Sequence[tuple[int, Check]], place: int, scale: float, aside: float
) -> list[float]:
    """Draw a machine's values with their intervals; returns all that must be within the axis."""
    looks = line_looks(place)
    bags = np.array([number for number, _ in points]) + aside
    value, low, high = (
        scale * np.array([getattr(check.found, end) for _, check in points])
        for end in ("value", "low", "high")
    )
    # No line from one to the next: each rests on as many shifts as its verdict took.
    axes.vlines(bags, low, high, color=looks["color"], linewidth=6, alpha=0.3)
    for number, (_, check) in enumerate(points):
        fill = looks["color"] if check.verdict == MET else "white"
        marker = "X" if check.verdict == MISSED else looks["marker"]
        style: dict[str, Any] = {
            "markersize": 8,
            "markeredgewidth": 1.4,
            "markeredgecolor": looks["color"],
        }
        axes.plot(
            bags[number], value[number], marker=marker, markerfacecolor=fill, zorder=4, **style
        )
    return [end for end in (*value, *low, *high) if np.isfinite(end)]


def _say_lines(axes: Axes, target: Target, scale: float, endless: float | None) -> None:
    """Write what the lines are at their ends, one above the other where they lie close."""
    height = scale * target.value
    low, high = axes.get_ylim()
    lift = 0.0
    if endless is not None:
        apart = (height - endless) / (high - low)
        lift = max(0.0, LEAST_APART - abs(apart)) / 2 * (1 if apart >= 0 else -1)
        text = f"endless magazine {endless:.3g}"
        _say_beside(axes, endless - lift * (high - low), text, SOFT_INK)
    _say_beside(axes, height + lift * (high - low), target.bound_in_words(), INK)


def _say_beside(axes: Axes, height: float, text: str, colour: str) -> None:
    axes.annotate(
        "\n".join(wrapped(text, 1.55, FONT - 1)),
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(5, 0),
        textcoords="offset points",
        va="center",
        color=colour,
        size=FONT - 1,
        annotation_clip=False,
    )


def _write_key(figure: Figure, result: SizeResult) -> None:
    """Explain the marks, and the machines where there are several."""
    named = _named(result)
    if len(named) > 1:
        names = [
            Line2D([], [], label=fitted(name, 2.0), **line_looks(place) | {"linestyle": ""})
            for place, name in enumerate(named)
        ]
        figure.legend(
            handles=names,
            loc="lower left",
            bbox_to_anchor=(0.02, KEY_LINE_IN / figure.get_figheight()),
            ncols=min(5, len(names)),
        )
    bare: dict[str, Any] = {
        "linestyle": "",
        "markersize": 8,
        "color": SOFT_INK,
        "markeredgecolor": SOFT_INK,
    }
    marks = (
        (MET, {"marker": "o"}, "shown to meet it"),
        (OPEN, {"marker": "o", "markerfacecolor": "white"}, "not shown"),
        (MISSED, {"marker": "X", "markerfacecolor": "white"}, "surely missed"),
    )
    verdicts = {check.verdict for found in result.tried.values() for check in found.checks}
    handles = [
        *(
            Line2D([], [], label=label, **bare | looks)
            for verdict, looks, label in marks
            if verdict in verdicts
        ),
        Line2D(
            [],
            [],
            color=SOFT_INK,
            linewidth=5,
            alpha=0.3,
            label=f"{given_percent(result.results.confidence)} interval",
        ),
    ]
    if _answered(result) is not None:
        handles.append(Line2D([], [], label="the answer", **OWN_LINE))
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.02, 0.0), ncols=len(handles))
