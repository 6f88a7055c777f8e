"""The map of round intervals: which capacities keep the targets at which intervals."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from feedsim.answers.rounds import Kept, RoundsResult
from feedsim.answers.rounds_inputs import RoundsInputs
from feedsim.answers.targets import MET, MISSED, OPEN, Check, Evidence
from feedsim.labels import label_of
from feedsim.plots.sheet import EDGE_IN, Sheet
from feedsim.plots.style import BAND_SHADE, FONT, INK, SOFT_INK, Look, figure_style
from feedsim.plots.wording import fitted, wrapped

WIDTH_IN = 12.0
LEFT_IN, RIGHT_IN = 1.75, 2.35
ROOM_IN = WIDTH_IN - LEFT_IN - RIGHT_IN
ROW_IN, LONE_ROW_IN = 0.52, 0.9
MOST_ROWS_IN = 7.0
GAP_IN, BELOW_IN = 0.67, 1.35
NUMBER_IN, NAME_IN = 0.5, 0.46
LEAST_TICK_IN = 0.36
WHOLE_MIN = 9.95

LOOKS = {
    MET: Look("#a9c9e6", "", INK),
    OPEN: Look(BAND_SHADE, "..", SOFT_INK),
    MISSED: Look("#ecd9a0", "//", "#9a7a2a"),
}
WORDS = {MET: "shown to meet the targets", OPEN: "not shown", MISSED: "surely missed"}
EDGE: dict[str, Any] = {
    "color": INK,
    "linewidth": 3,
    "zorder": 5,
    "clip_on": False,
    "solid_capstyle": "projecting",
}


def rounds_figure(
    result: RoundsResult, title: str, tending: str, inputs: RoundsInputs | None = None
) -> Figure:
    """Draw the verdicts over capacity and round interval, with the answer's boundary.

    Each cell shows the measure with least to spare; at the right stand the most machines.

    Parameters
    ----------
    result : RoundsResult
    title : str
        The finding, in one line or more.
    tending : str
        How the machines at the right are tended, in a few words.
    inputs : RoundsInputs, optional
        In how many sets of inputs each interval found meets the targets, said beside it.

    Returns
    -------
    matplotlib.figure.Figure
    """
    rows = len(result.kept)
    rows_in = LONE_ROW_IN if rows == 1 else min(MOST_ROWS_IN, ROW_IN * rows)
    with figure_style():
        sheet = Sheet(WIDTH_IN, title, GAP_IN + rows_in + BELOW_IN)
        axes = sheet.axes(LEFT_IN, BELOW_IN, ROOM_IN, rows_in)
        _draw_map(axes, result, rows_in / rows, inputs)
        _say_machines(axes, result, tending)
        _finish_axes(axes, result, rows_in / rows)
        _write_key(sheet, result, inputs)
    return sheet.figure


def _draw_map(axes: Axes, result: RoundsResult, row_in: float, inputs: RoundsInputs | None) -> None:
    column_in = ROOM_IN / len(result.intervals_min)
    several = len(result.targets) > 1
    named = several and row_in >= NAME_IN
    for row, kept in enumerate(result.kept):
        for column, (minutes, evidence) in enumerate(kept.by_interval.items()):
            look = LOOKS[evidence.verdict]
            axes.add_patch(
                Rectangle(
                    (column, row),
                    1,
                    1,
                    facecolor=look.colour,
                    edgecolor=look.ink if look.hatch else "white",
                    hatch=look.hatch,
                    linewidth=0,
                )
            )
            axes.add_patch(
                Rectangle((column, row), 1, 1, fill=False, edgecolor="white", linewidth=1.5)
            )
            if column_in >= NUMBER_IN and row_in >= 0.26:
                axes.text(
                    column + 0.5,
                    row + 0.5,
                    _number(evidence, named) + _sets(inputs, kept, minutes, row_in),
                    ha="center",
                    va="center",
                    size=FONT - 1,
                    linespacing=1.05,
                    bbox={"facecolor": look.colour, "edgecolor": "none", "pad": 1.5}
                    if look.hatch
                    else None,
                )
        begin, end = _edges(kept)
        for place in (begin, end) if end > begin else ():
            axes.plot([place, place], [row, row + 1], **EDGE)


def _edges(kept: Kept) -> tuple[int, int]:
    """The first column of the answer, and the one after its last; alike where there is none."""
    if kept.stretch_min is None:
        return 0, 0
    intervals = list(kept.by_interval)
    first, last = kept.stretch_min
    return intervals.index(first), intervals.index(last) + 1


def _number(evidence: Evidence, named: bool) -> str:
    """The measure with least to spare, and which it is where there are several."""
    worst = evidence.worst
    text = _value(worst)
    return f"{text}\n{label_of(worst.target.measure).text}" if named else text


def _sets(inputs: RoundsInputs | None, kept: Kept, minutes: float, row_in: float) -> str:
    """In how many sets of inputs the targets are met, where they were drawn and there is room."""
    found = None if inputs is None else inputs.at(kept.bags, minutes)
    if found is None or row_in < NAME_IN:
        return ""
    return f"\n{found.met.number}/{found.met.sets}"


def _value(check: Check) -> str:
    if check.found.unseen:
        return "none"
    value = check.target.factor * check.found.value
    return f"{value:,.0f}" if abs(value) >= 99.95 else f"{value:.1f}"


def _say_machines(axes: Axes, result: RoundsResult, tending: str) -> None:
    """Write the most machines beside each capacity."""
    right = len(result.intervals_min)
    room_in = RIGHT_IN - EDGE_IN - 0.1
    head = "\n".join(wrapped(f"Machines per operator, {tending}", room_in, FONT - 1, bold=True))
    axes.annotate(
        head,
        (right, len(result.kept)),
        xytext=(10, 6),
        textcoords="offset points",
        va="bottom",
        size=FONT - 1,
        weight="bold",
        annotation_clip=False,
    )
    for row, kept in enumerate(result.kept):
        axes.annotate(
            _machines(result, kept),
            (right, row + 0.5),
            xytext=(10, 0),
            textcoords="offset points",
            va="center",
            annotation_clip=False,
        )


def _machines(result: RoundsResult, kept: Kept) -> str:
    if not kept.most_machines:
        return "not even one"
    end = "at least " if kept.most_machines == result.limit_machines else ""
    return f"{end}{result.per_operator(kept):.3g}"


def _finish_axes(axes: Axes, result: RoundsResult, row_in: float) -> None:
    intervals, kept = result.intervals_min, result.kept
    # Edges where the answers of two rows differ close the boundary.
    for row, (below, above) in enumerate(pairwise([None, *kept, None])):
        spans = [set(range(*_edges(each))) if each else set() for each in (below, above)]
        for column in spans[0] ^ spans[1]:
            axes.plot([column, column + 1], [row, row], **EDGE)
    axes.set_xlim(0, len(intervals))
    axes.set_ylim(0, len(kept))
    axes.grid(visible=False)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0)
    skip = max(1, round(LEAST_TICK_IN * len(intervals) / ROOM_IN + 0.5))
    shown = range(0, len(intervals), skip)
    own = result.config.crew.rounds_every_min
    axes.set_xticks(
        [place + 0.5 for place in shown],
        [f"{intervals[p]:g}" + ("\nconfig" if intervals[p] == own else "") for p in shown],
    )
    axes.set_xlabel("round interval, min")
    skip = max(1, round(0.22 / row_in + 0.5))
    shown = range(0, len(kept), skip)
    axes.set_yticks(
        [place + 0.5 for place in shown],
        [_capacity(kept[place], row_in) for place in shown],
    )
    axes.annotate(
        "Bags per lane",
        (0, len(kept)),
        xytext=(-8, 6),
        textcoords="offset points",
        ha="right",
        va="bottom",
        size=FONT - 1,
        weight="bold",
        annotation_clip=False,
    )


def _capacity(kept: Kept, row_in: float) -> str:
    """A capacity, and how long full lanes last where that is soonest over."""
    if row_in < NAME_IN:
        return f"{kept.bags:,}"
    digits = 1 if kept.autonomy_min < WHOLE_MIN else 0
    return f"{kept.bags:,}\nlast {kept.autonomy_min:.{digits}f} min"


def _write_key(sheet: Sheet, result: RoundsResult, inputs: RoundsInputs | None) -> None:
    verdicts = {found.verdict for kept in result.kept for found in kept.by_interval.values()}
    handles: list[Patch | Line2D] = [
        Patch(
            facecolor=look.colour,
            edgecolor=look.ink if look.hatch else look.colour,
            hatch=look.hatch * 2,
            linewidth=0,
            label=WORDS[verdict],
        )
        for verdict, look in LOOKS.items()
        if verdict in verdicts
    ]
    if result.is_met:
        handles.append(Line2D([], [], color=INK, linewidth=3, label="the answer's edge"))
    sheet.figure.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(EDGE_IN / WIDTH_IN, 0.28 / sheet.height_in),
        ncols=len(handles),
        borderpad=0,
        borderaxespad=0,
    )
    if len(result.targets) == 1:
        told = f"Numbers: {label_of(result.targets[0].measure).axis}"
    else:
        told = "Numbers: the measure with least to spare, shares in %"
    if len({c.machine for k in result.kept for e in k.by_interval.values() for c in e.checks}) > 1:
        told += ", at the machine where it is tightest"
    if inputs is not None:
        told += "; below: sets of uncertain inputs that meet the targets"
    sheet.write(
        EDGE_IN,
        0.08,
        fitted(told, WIDTH_IN - 2 * EDGE_IN, FONT - 1),
        size=FONT - 1,
        color=SOFT_INK,
    )
