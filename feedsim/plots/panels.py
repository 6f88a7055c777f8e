"""Small panels of curves over what is varied, all drawn alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from feedsim.labels import label_of
from feedsim.measures import CREW_BUSY, GENERAL, OEE, Measure
from feedsim.plots.curves import Curve
from feedsim.plots.style import FONT, SOFT_INK, STEPS, line_looks
from feedsim.plots.wording import counted
from feedsim.stats import Floats

LEAST_SPAN = 2.0
LEAST_TOP = 0.5
ROOM = 0.07
INPUTS_BAND: dict[str, Any] = {"hatch": "////", "linewidth": 0, "alpha": 0.3, "zorder": 1.2}
INPUTS_EDGE: dict[str, Any] = {"linewidth": 0.9, "linestyle": (0, (4, 2)), "zorder": 1.3}


@dataclass(frozen=True, slots=True)
class Panel:
    """What a panel shows: a measure, on an axis from 0 or not."""

    measure: Measure
    title: str
    from_zero: bool = True

    @property
    def is_share(self) -> bool:
        """Whether it is in per cent."""
        return label_of(self.measure.name).is_share

    @property
    def factor(self) -> float:
        """Figures in the panel's unit, per unit of the measure."""
        return label_of(self.measure.name).factor

    @property
    def unit(self) -> str:
        """The unit of its axis."""
        return "%" if self.is_share else self.measure.unit


_NAMED = {measure.name: measure for measure in GENERAL}

PANELS = (
    Panel(OEE, "OEE", from_zero=False),
    Panel(_NAMED["availability"], "Availability", from_zero=False),
    Panel(_NAMED["performance"], "Performance", from_zero=False),
    Panel(_NAMED["quality"], "Quality", from_zero=False),
    Panel(_NAMED["dry_share"], "Dry: no bags"),
    Panel(_NAMED["blocked_share"], "Blocked"),
    Panel(CREW_BUSY, "Crew busy"),
    Panel(_NAMED["refill_visits_per_h"], "Refill visits"),
    Panel(_NAMED["fault_visits_per_h"], "Fault visits"),
    Panel(_NAMED["bags_per_refill"], "Bags per refill"),
)
# In place of the blocked time of a cell that is never blocked.
WAITING = Panel(_NAMED["wait_share"], "Stopped, waiting for help")


def draw_panel(axes: Axes, panel: Panel, curves: Sequence[Curve]) -> None:
    """Draw a measure's curves with their bands, axes and units."""
    axes.set_title(panel.title)
    axes.set_ylabel(panel.unit)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, integer=True, steps=STEPS))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=STEPS, min_n_ticks=3))
    if is_never_seen(curves):
        shifts = counted(curves[0].estimates[0].replications, "shift")
        _say_instead(axes, f"none seen in {shifts}")
        return
    ends: list[float] = []
    for number, curve in enumerate(curves):
        ends += _draw_curve(axes, panel, curve, number, len(curves))
    finite = [end for end in ends if np.isfinite(end)]
    if not finite:
        _say_instead(axes, "no value")
        return
    axes.set_ylim(*_limits(panel, min(finite), max(finite)))


def is_never_seen(curves: Sequence[Curve]) -> bool:
    """Whether there is nothing to draw: what is counted was seen at no point of any curve."""
    return all(e.unseen for c in curves for e in c.estimates) and not any(
        c.over_inputs for c in curves
    )


def _say_instead(axes: Axes, text: str) -> None:
    axes.text(0.5, 0.5, text, ha="center", color=SOFT_INK, transform=axes.transAxes)
    axes.set_yticks([])
    axes.set_ylabel("")


def _draw_curve(axes: Axes, panel: Panel, curve: Curve, number: int, of: int) -> list[float]:
    """Draw a line with its band; returns all that must be within the axis."""
    looks = line_looks(number)
    x = np.array(curve.at)
    value, low, high = (
        panel.factor * np.array([getattr(e, end) for e in curve.estimates])
        for end in ("value", "low", "high")
    )
    unseen = np.array([estimate.unseen for estimate in curve.estimates])
    band: dict[str, Any] = {"color": looks["color"], "alpha": min(0.16, 0.3 / of)}
    if len(x) > 1:
        axes.fill_between(x, low, high, linewidth=0, **band)
        axes.plot(x, value, clip_on=False, zorder=3, **looks | {"marker": ""})
    else:
        x = x + 0.1 * x * (number - (of - 1) / 2)
        axes.vlines(x, low, high, linewidth=9, **band | {"alpha": 0.3})
    for filled, which in ((looks["color"], ~unseen), ("white", unseen)):
        point = looks | {"linestyle": "", "markerfacecolor": filled}
        axes.plot(x[which], value[which], clip_on=False, zorder=3, **point)
    return [*value, *low, *high, *_draw_inputs(axes, panel, curve, x, looks["color"])]


def _draw_inputs(axes: Axes, panel: Panel, curve: Curve, x: Floats, colour: str) -> list[float]:
    """Draw the band of uncertain inputs, hatched within thin lines; returns its ends."""
    if not curve.over_inputs:
        return []
    nothing = float("nan")
    low, high = (
        panel.factor
        * np.array([nothing if o is None else getattr(o, end) for o in curve.over_inputs])
        for end in ("low", "high")
    )
    if len(x) > 1:
        axes.fill_between(x, low, high, facecolor="none", edgecolor=colour, **INPUTS_BAND)
        for ends in (low, high):
            axes.plot(x, ends, color=colour, **INPUTS_EDGE)
    else:
        axes.vlines(x, low, high, color=colour, linewidth=1.3, capstyle="butt")
        axes.plot([*x, *x], [*low, *high], linestyle="", marker="_", color=colour)
    return [*low, *high]


def _limits(panel: Panel, low: float, high: float) -> tuple[float, float]:
    """Limits with some room; a share's axis ends at 100 % and shows 2 % at least."""
    is_share = panel.is_share
    if panel.from_zero:
        least = LEAST_TOP if is_share or high == 0 else 0.0
        bottom, top = 0.0, max(high * (1 + ROOM), least)
    else:
        short = max(0.0, LEAST_SPAN - (high - low)) / 2
        room = ROOM * max(high - low, LEAST_SPAN)
        bottom, top = max(0.0, low - short - room), high + short + room
    return bottom, min(top, 100.0) if is_share and high <= 100 else top


def end_heights_in(axes: Axes, panel: Panel, curves: Sequence[Curve], height_in: float) -> Floats:
    """Heights of the lines' ends above the panel's floor, in inches."""
    low, high = axes.get_ylim()
    ends = np.array([panel.factor * curve.estimates[-1].value for curve in curves])
    return (ends - low) / (high - low) * height_in


def label_ends(axes: Axes, panel: Panel, curves: Sequence[Curve]) -> None:
    """Write each line's label at its end."""
    for number, curve in enumerate(curves):
        axes.annotate(
            curve.label,
            (curve.at[-1], panel.factor * curve.estimates[-1].value),
            xytext=(9, 0),
            textcoords="offset points",
            va="center_baseline",
            color=line_looks(number)["color"],
            size=FONT,
            weight="bold",
            annotation_clip=False,
        )
