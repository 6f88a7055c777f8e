"""The figure of face validity: each figure of a cell within, or beside, the range of real lines."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from feedsim.labels import given_percent
from feedsim.plots.dots import Dot, dots_figure
from feedsim.plots.style import INK, RULE, SOFT_INK, figure_style, line_looks
from feedsim.plots.wording import counted

if TYPE_CHECKING:
    from feedsim.verify.face import FaceLine, FaceValidity

# A range is drawn from 0 to 1; what is farther from it than its width stands at the edge.
LOWEST, HIGHEST = -1.0, 2.0
MOST_DRAWN = 40


def face_figure(result: FaceValidity) -> Figure:
    """Draw the lines that can be judged, each on the scale of its own range.

    Parameters
    ----------
    result : FaceValidity
        Of more than 40 such lines those outside are drawn, or else the first ones.

    Returns
    -------
    matplotlib.figure.Figure
        Filled dots lie within their range, hollow ones outside; a diamond has no declared reason.
    """
    lines = result.judged
    subtitle = f"{counted(result.replications, 'shift')}; lines: "
    subtitle += f"{given_percent(result.config.study.confidence)} intervals"
    if len(lines) > MOST_DRAWN:
        lines = [line for line in lines if line.is_outside] or lines[:MOST_DRAWN]
        subtitle += f"; {len(lines)} of {len(result.judged)} drawn, those outside first"
    several = len({line.of for line in lines}) > 2
    with figure_style():
        figure = dots_figure(
            result.title,
            subtitle,
            [_dot(line, named=several) for line in lines],
            "place within the range of real lines: 0 its lower end, 1 its upper end",
            [
                "Filled: within the range, or across its end; hollow: outside, for a declared "
                "reason; diamond: outside, no reason declared. What lies farther away than the "
                "range is wide is drawn at the edge.",
            ],
        )
        axes = figure.axes[0]
        axes.axvspan(0, 1, color=RULE, alpha=0.45, zorder=0, hatch="")
        for end in (0, 1):
            axes.axvline(end, color=SOFT_INK, linewidth=1.1, zorder=1.5)
        axes.set_xlim(LOWEST - 0.08, HIGHEST + 0.08)
    return figure


def _dot(line: FaceLine, *, named: bool) -> Dot:
    from feedsim.verify.face import shown_estimate, shown_range

    real, found = line.real, line.found
    if real is None:
        raise ValueError(f"no range is known for {line.what}")
    value, low, high = (
        min(HIGHEST, max(LOWEST, (end - real.low) / (real.high - real.low)))
        for end in (found.value, found.low, found.high)
    )
    short = replace(found, low=float("nan"), high=float("nan"))
    remark = f"{shown_estimate(short, line.scale)} {line.unit}, real {shown_range(real)}"
    colour = line_looks(1)["color"] if line.is_unexplained else INK
    return Dot(
        f"{line.of}: {line.what}" if named else line.what,
        *(value, low if isfinite(found.low) else value, high if isfinite(found.high) else value),
        remark,
        full=not line.is_outside,
        strong=line.is_unexplained,
        colour=colour if not line.reason else SOFT_INK,
    )
