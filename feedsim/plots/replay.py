"""A shift as a picture: lanes, states and people over time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator

from feedsim.accounts.record import (
    RUNNING,
)
from feedsim.accounts.timeline import Segment, halts_of, segments_of, states_of
from feedsim.answers.event_words import clock, lasting, state_names
from feedsim.answers.events import operator_name
from feedsim.answers.replay import (
    AT_BASE,
    WHEREABOUTS,
    Replay,
)
from feedsim.cell import MachinePlan
from feedsim.config.problems import escaped
from feedsim.plots.replay_parts import (
    CALLS,
    DUTY_MARK,
    FINEST,
    KEY_GAP_IN,
    PICKS,
    ROUND,
    SMALL,
    STAYS,
    Mark,
    drawable,
    fill,
    in_lines,
    mark_looks,
    thinned,
    tick_text,
    ticks,
)
from feedsim.plots.sheet import EDGE_IN, NOTE_IN, Sheet
from feedsim.plots.style import (
    INK,
    RULE,
    SOFT_INK,
    STEPS,
    Look,
    area_looks,
    figure_style,
    line_looks,
    look_of,
)
from feedsim.plots.wording import counted, fitted, percent, width_in

WIDTH_IN = 12.0
LEFT_IN, RIGHT_IN = 1.45, 0.75
PLOT_IN = WIDTH_IN - LEFT_IN - RIGHT_IN
NAME_SIZE = 13.0
NAME_IN, LANES_IN, BAND_IN, ROW_IN, GAP_IN = 0.36, 1.45, 0.3, 0.22, 0.1
LEGEND_IN, CLOCK_IN, FOOT_IN = 0.24, 0.26, 0.15
CALENDAR_IN, STOCK_IN = 0.2, 0.5
APART_IN = 0.3

MOST_MACHINES, MOST_OPERATORS = 8, 12
SHADE = "#dde3ea"
CROWDED_STEPS = 3_000


def time_axis() -> tuple[float, float]:
    """Where time begins in the picture, and how wide it is, as shares of the picture's width."""
    return LEFT_IN / WIDTH_IN, PLOT_IN / WIDTH_IN


def time_rows(figure: Figure) -> list[tuple[float, float]]:
    """Top and height of what is drawn over time, as shares of the picture's height.

    Rows that lie close together, such as a machine's, are one.
    """
    places = [axes.get_position() for axes in figure.axes if axes.axison]
    rows: list[tuple[float, float]] = []
    near = APART_IN / figure.get_figheight()
    for place in sorted(places, key=lambda place: -place.y1):
        top, bottom = 1 - place.y1, 1 - place.y0
        if rows and top - sum(rows[-1]) < near:
            top = rows.pop()[0]
        rows.append((top, bottom - top))
    return rows


def replay_figure(replay: Replay) -> Figure:
    """Draw a shift, or the part of it that is shown.

    For each machine the lanes' levels, its states as a band, calls and failed picks; below them
    where each operator was. Planned stops and breaks are shaded. Of more than eight machines and
    twelve operators the first are drawn, and it is said.

    Parameters
    ----------
    replay : Replay

    Returns
    -------
    matplotlib.figure.Figure
    """
    with figure_style():
        return _Picture(replay).sheet.figure


class _Picture:
    """The picture, drawn from the top downwards, in inches."""

    def __init__(self, replay: Replay) -> None:
        self.replay = replay
        self.window = replay.window
        self.machines = replay.cell.machines[:MOST_MACHINES]
        self.stays = replay.whereabouts[:MOST_OPERATORS]
        self.calendar = self._calendar()
        self.calendar_in = CALENDAR_IN if self.calendar else 0.0
        self.keys = {plan.index: self._key(plan) for plan in self.machines}
        self.sheet = Sheet(WIDTH_IN, finding(replay), self._body_in())
        self.top_in = self.sheet.body_in
        self.at_axis: list[Axes] = []
        self._head()
        for plan in self.machines:
            self._machine(plan)
        if self.stays:
            self._crew()
        self._marks_key()
        self._shade()

    def _body_in(self) -> float:
        head_in = 2 * NOTE_IN + 0.12 + self.calendar_in
        machines_in = sum(
            NAME_IN
            + LANES_IN
            + BAND_IN
            + 2 * ROW_IN
            + 2 * GAP_IN
            + LEGEND_IN * len(self.keys[plan.index])
            + CLOCK_IN
            + (STOCK_IN + GAP_IN if plan.outfeed else 0.0)
            for plan in self.machines
        )
        crew_in = NAME_IN + (BAND_IN + GAP_IN) * len(self.stays) + ROW_IN + CLOCK_IN
        return head_in + machines_in + (crew_in if self.stays else 0.0) + 2 * LEGEND_IN + FOOT_IN

    # Parts.

    def _head(self) -> None:
        for line in self._subtitle():
            self.top_in -= NOTE_IN
            self.sheet.write(EDGE_IN, self.top_in + 0.04, line, color=SOFT_INK)
        self.top_in -= 0.12

    def _subtitle(self) -> list[str]:
        room_in = WIDTH_IN - 2 * EDGE_IN
        window = self.window
        told = f"{clock(window.start_us)} to {clock(window.end_us)} of the shift"
        told += f", seed {self.replay.seed}, replication {self.replay.replication}"
        if self.window.start_us < self.replay.cell.warm_up_us:
            told += "; all figures with the warm-up"
        left_out = [
            f"{more} further {what}"
            for more, what in (
                (len(self.replay.cell.machines) - len(self.machines), "machines"),
                (len(self.replay.whereabouts) - len(self.stays), "operators"),
            )
            if more
        ]
        if left_out:
            told += f"; not shown: {', '.join(left_out)}"
        return [fitted(escaped(self.replay.config.title), room_in), fitted(told, room_in)]

    def _machine(self, plan: MachinePlan) -> None:
        self.top_in -= NAME_IN
        name = fitted(plan.name, WIDTH_IN - LEFT_IN - 5.5, NAME_SIZE, bold=True)
        self.sheet.write(LEFT_IN, self.top_in + 0.1, name, size=NAME_SIZE, weight="bold")
        told = _machine_finding(self.replay, plan)
        self.sheet.write(WIDTH_IN - RIGHT_IN, self.top_in + 0.1, told, ha="right", color=SOFT_INK)
        if plan is self.machines[0]:
            self.top_in -= self.calendar_in
        self._lanes(plan)
        if plan.outfeed is not None:
            self._stock(plan)
        self._states(plan)
        self._calls(plan)
        self._picks(plan)
        self._state_key(plan)

    def _axes(self, height: float, *, grid: bool = False) -> Axes:
        """Axes over the window's time, below what has been drawn."""
        self.top_in -= height
        axes = self.sheet.axes(LEFT_IN, self.top_in, PLOT_IN, height)
        axes.set_xlim(self.window.start_us, self.window.end_us)
        axes.xaxis.set_major_locator(FixedLocator(list(ticks(self.window))))
        axes.tick_params(axis="x", length=0, labelbottom=False)
        axes.grid(visible=grid)
        self.at_axis.append(axes)
        return axes

    def _lanes(self, plan: MachinePlan) -> None:
        axes = self._axes(LANES_IN, grid=True)
        axes.set_ylabel("bags in lane")
        axes.set_ylim(0, 1.06 * plan.capacity_bags)
        axes.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True, steps=STEPS))
        call_level = self.replay.cell.crew.calls_at_bags(plan)
        if call_level > 0:
            axes.axhline(call_level, color=SOFT_INK, linewidth=1.0, linestyle=(0, (6, 3)))
            axes.text(
                *(1 + 0.08 / PLOT_IN, call_level, "call level"),
                transform=axes.get_yaxis_transform(),
                size=SMALL,
                color=SOFT_INK,
                va="center_baseline",
            )
        for lane in range(1, plan.lanes + 1):
            at_us, bags = self.replay.levels(plan, lane)
            at_us = np.append(at_us, self.window.end_us)
            bags = np.append(bags, bags[-1])
            at_us, bags = thinned(at_us, bags, self.window)
            crowded = len(at_us) > CROWDED_STEPS
            looks = line_looks(lane - 1) | {"marker": "", "linewidth": 0.8 if crowded else 1.5}
            axes.plot(at_us, bags, drawstyle="steps-post", label=f"lane {lane}", **looks)
        self._lane_key(axes, plan)
        self.top_in -= GAP_IN

    def _lane_key(self, axes: Axes, plan: MachinePlan) -> None:
        """Name the lines in the margin."""
        for lane in range(1, plan.lanes + 1):
            y = 0.92 - 0.2 * (lane - 1)
            looks = line_looks(lane - 1)
            line = {name: looks[name] for name in ("color", "linestyle")}
            x0, x1 = (-(LEFT_IN - at_in) / PLOT_IN for at_in in (EDGE_IN, EDGE_IN + 0.3))
            axes.plot(
                [x0, x1], [y, y], transform=axes.transAxes, clip_on=False, linewidth=1.8, **line
            )
            axes.text(
                *(x1 + 0.006, y, f"{lane}"),
                transform=axes.transAxes,
                size=SMALL,
                va="center_baseline",
                color=INK,
            )
        axes.text(
            *(-(LEFT_IN - EDGE_IN) / PLOT_IN, 1.06, "lane"),
            transform=axes.transAxes,
            size=SMALL,
            color=SOFT_INK,
        )

    def _stock(self, plan: MachinePlan) -> None:
        """Draw the packs in the accumulation behind the machine."""
        assert plan.outfeed is not None
        axes = self._axes(STOCK_IN)
        axes.set_ylabel("packs\nwaiting", size=SMALL)
        axes.set_ylim(0, 1.1 * plan.outfeed.accumulation_packs)
        axes.set_yticks([0, plan.outfeed.accumulation_packs])
        at_us, packs = self.replay.accumulation(plan)
        at_us, packs = np.append(at_us, self.window.end_us), np.append(packs, packs[-1])
        at_us, packs = thinned(at_us, packs, self.window)
        axes.fill_between(at_us, packs, step="post", color=RULE, linewidth=0)
        axes.plot(at_us, packs, drawstyle="steps-post", color=SOFT_INK, linewidth=1.0)
        self.top_in -= GAP_IN

    def _states(self, plan: MachinePlan) -> None:
        axes = self._band("state")
        stations = [station.state for station in plan.stations]
        segments = self.replay.segments(plan)
        fill(axes, [(self.window.start_us, self.window.end_us)], look_of(RUNNING))
        finest_us = FINEST * (self.window.end_us - self.window.start_us)
        for state, spans in drawable(segments, finest_us).items():
            if state != RUNNING:
                fill(axes, spans, look_of(state, stations))
        self.top_in -= GAP_IN

    def _band(self, label: str) -> Axes:
        axes = self._axes(BAND_IN)
        axes.set_ylim(0, 1)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.spines["bottom"].set_visible(False)
        self._row_label(axes, label)
        return axes

    def _row_label(self, axes: Axes, label: str) -> None:
        axes.text(
            -0.1 / PLOT_IN,
            0.5,
            fitted(label, LEFT_IN - EDGE_IN - 0.1),
            ha="right",
            va="center_baseline",
            transform=axes.transAxes,
        )

    def _row(self, label: str, marks: Iterable[tuple[float, Mark]]) -> None:
        """Draw a row of marks."""
        axes = self._axes(ROW_IN)
        axes.set_ylim(0, 1)
        axes.set_yticks([])
        for spine in axes.spines.values():
            spine.set_visible(False)
        axes.axhline(0.5, color=RULE, linewidth=0.8, zorder=0.5)
        self._row_label(axes, label)
        by_mark: dict[Mark, list[float]] = defaultdict(list)
        for at_us, mark in marks:
            by_mark[mark].append(at_us)
        for mark, instants in by_mark.items():
            axes.plot(instants, np.full(len(instants), 0.5), clip_on=False, **mark_looks(mark))

    def _calls(self, plan: MachinePlan) -> None:
        calls = self.replay.record.machines[plan.index].calls
        self._row(
            "calls",
            (
                (call.at_us, CALLS[call.kind.partition(" ")[0]])
                for call in calls
                if self.window.holds(call.at_us)
            ),
        )

    def _picks(self, plan: MachinePlan) -> None:
        window = self.window
        marks: list[tuple[float, Mark]] = []
        for run in self.replay.record.machines[plan.index].runs:
            if run.outcome in PICKS and run.last_end_us >= window.start_us:
                ends = (at_us for at_us in run.ends_us() if window.holds(at_us))
                marks += [(at_us, PICKS[run.outcome]) for at_us in ends]
        self._row("failed picks", marks)

    def _clock(self) -> None:
        """Write the clock below what was drawn last."""
        axes = self.at_axis[-1]
        for at_us in ticks(self.window):
            axes.annotate(
                tick_text(at_us, self.window),
                (at_us, 0),
                xycoords=("data", "axes fraction"),
                xytext=(0, -4),
                textcoords="offset points",
                ha="center",
                va="top",
                size=SMALL,
                color=SOFT_INK,
                annotation_clip=False,
            )
        self.top_in -= CLOCK_IN

    def _key(self, plan: MachinePlan) -> list[list[tuple[str, Look]]]:
        """The states that were seen, with the time each had, in lines that fit."""
        names = state_names(plan)
        stations = [station.state for station in plan.stations]
        total_us: dict[str, int] = defaultdict(int)
        for segment in self.replay.segments(plan):
            total_us[segment.state] += segment.end_us - segment.begin_us
        entries = [
            (
                f"{fitted(names[state], 2.6, SMALL)} {lasting(total_us[state])}",
                look_of(state, stations),
            )
            for state in states_of(plan)
            if total_us[state]
        ]
        return in_lines(entries, PLOT_IN)

    def _state_key(self, plan: MachinePlan) -> None:
        self._clock()
        for line in self.keys[plan.index]:
            self._key_line(line)

    def _key_line(self, line: Sequence[tuple[str, Look]]) -> None:
        self.top_in -= LEGEND_IN
        axes = self.sheet.axes(LEFT_IN, self.top_in, PLOT_IN, LEGEND_IN)
        axes.axis("off")
        axes.set(xlim=(0, PLOT_IN), ylim=(0, LEGEND_IN))
        x_in = 0.0
        for text, look in line:
            axes.bar(x_in, 0.15, 0.26, bottom=0.05, align="edge", **area_looks(look))
            axes.text(x_in + 0.32, 0.12, text, size=SMALL, va="center_baseline")
            x_in += 0.32 + width_in(text, SMALL) + KEY_GAP_IN

    def _crew(self) -> None:
        self.top_in -= NAME_IN
        people = counted(len(self.replay.whereabouts), "operator")
        self.sheet.write(
            LEFT_IN, self.top_in + 0.1, f"Crew: {people}", size=NAME_SIZE, weight="bold"
        )
        finest_us = FINEST * (self.window.end_us - self.window.start_us)
        for number, stays in enumerate(self.stays, start=1):
            axes = self._band(operator_name(number))
            fill(axes, [(self.window.start_us, self.window.end_us)], STAYS[AT_BASE])
            segments = [
                Segment(
                    max(stay.begin_us, self.window.start_us),
                    min(stay.end_us, self.window.end_us),
                    stay.kind,
                )
                for stay in stays
                if stay.end_us > self.window.start_us and stay.begin_us < self.window.end_us
            ]
            for kind, spans in drawable(segments, finest_us).items():
                if kind != AT_BASE:
                    fill(axes, spans, STAYS[kind])
            self.top_in -= GAP_IN
        self._row("due", self._due())
        self._clock()

    def _due(self) -> list[tuple[float, Mark]]:
        """Rounds and duties falling due."""
        crew, shift_us = self.replay.cell.crew, self.replay.cell.shift_us
        found: list[tuple[float, Mark]] = []
        if crew.rounds_us:
            instants = range(crew.rounds_us, shift_us, crew.rounds_us)
            found += [(at, ROUND) for at in instants if self.window.holds(at)]
        for duty in crew.duties:
            instants = range(duty.every_us, shift_us, duty.every_us)
            found += [(at, DUTY_MARK) for at in instants if self.window.holds(at)]
        return found

    def _marks_key(self) -> None:
        """Explain the crew's bands and the marks, in two lines at the bottom."""
        if self.stays:
            self._key_line([(kind, STAYS[kind]) for kind in WHEREABOUTS])
        else:
            self.top_in -= LEGEND_IN
        self.top_in -= LEGEND_IN
        axes = self.sheet.axes(EDGE_IN, self.top_in, WIDTH_IN - 2 * EDGE_IN, LEGEND_IN)
        axes.axis("off")
        axes.set(xlim=(0, WIDTH_IN - 2 * EDGE_IN), ylim=(0, 1))
        x_in = 0.0
        for title, marks in (
            ("calls:", CALLS.values()),
            ("failed picks:", PICKS.values()),
            ("due:", (ROUND, DUTY_MARK)),
        ):
            axes.text(x_in, 0.5, title, size=SMALL, va="center_baseline", color=SOFT_INK)
            x_in += width_in(title, SMALL) + 0.14
            for mark in marks:
                axes.plot([x_in], [0.55], clip_on=False, **mark_looks(mark))
                axes.text(x_in + 0.1, 0.5, mark[1], size=SMALL, va="center_baseline")
                x_in += 0.1 + width_in(mark[1], SMALL) + 0.17
            x_in += 0.16

    def _calendar(self) -> list[tuple[float, float, str]]:
        """Planned stops, breaks and the warm-up's end in the window: begin, end, name."""
        cell = self.replay.cell
        spans = [(s.begin_us, s.end_us, s.name) for s in cell.planned_stops]
        spans += [(b.begin_us, b.end_us, f"break, cover {b.cover}") for b in cell.crew.breaks]
        if cell.warm_up_us:
            spans.append((cell.warm_up_us, cell.warm_up_us, "warm-up ends"))
        start_us, end_us = self.window
        cut = [(max(begin, start_us), min(end, end_us), name) for begin, end, name in spans]
        return sorted(span for span in cut if start_us <= span[0] <= span[1] and span[0] < end_us)

    def _shade(self) -> None:
        """Shade planned stops and breaks in all rows, and name them at the top."""
        per_in = (self.window.end_us - self.window.start_us) / PLOT_IN
        top = self.at_axis[0]
        free_from = -np.inf
        for begin, end, name in self.calendar:
            for axes in self.at_axis:
                if end > begin:
                    axes.axvspan(begin, end, color=SHADE, linewidth=0, zorder=0.2)
                else:
                    axes.axvline(begin, color=SOFT_INK, linewidth=1.2, linestyle=(0, (2, 2)))
            room_in = (self.window.end_us - begin) / per_in + RIGHT_IN - 0.1
            text = fitted(name, min(2.4, room_in), SMALL)
            if begin >= free_from:
                looks: dict[str, Any] = {"size": SMALL, "color": SOFT_INK}
                top.text(begin, 1.02, text, transform=top.get_xaxis_transform(), **looks)
                free_from = begin + (width_in(text, SMALL) + 0.1) * per_in


def finding(replay: Replay) -> str:
    """What to see, in a sentence."""
    refills = sum(sums["refill_visits"] for sums in replay.reading.machines)
    faults = sum(sums["fault_visits"] for sums in replay.reading.machines)
    oee = percent(replay.cell_oee)
    told = f"Shift {replay.replication}: OEE {oee}"
    if not replay.is_whole:
        told = f"Part of shift {replay.replication}: OEE {oee}"
    return (
        f"{told}, {counted(refills, 'loading visit')} and "
        f"{counted(faults, 'fault visit')}, {_longest_halt(replay)}"
    )


def _longest_halt(replay: Replay) -> str:
    longest: tuple[int, str] = (0, "")
    for plan, machine in zip(replay.cell.machines, replay.record.machines, strict=True):
        for halt in halts_of(segments_of(machine, replay.cell.shift_us)):
            if replay.window.holds(halt.begin_us) and halt.length_us > longest[0]:
                cause = state_names(plan)[halt.cause].removesuffix(" stopped")
                longest = halt.length_us, cause
    if not longest[0]:
        return "no halt"
    return f"longest halt {lasting(longest[0])} ({fitted(longest[1], 3.0)})"


def _machine_finding(replay: Replay, plan: MachinePlan) -> str:
    sums = replay.reading.machines[plan.index]
    dry_us = sums["time_dry_us"]
    return (
        f"OEE {percent(replay.oee(plan.index))}, {sums['good_packs']:,} good packs, "
        f"{counted(sums['lost_pockets'], 'lost pocket')}, "
        f"{'never dry' if not dry_us else f'dry {lasting(dry_us)}'}"
    )
