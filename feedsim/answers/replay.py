"""One shift, event by event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts import Reading, Record, Window, read
from feedsim.accounts.record import DUTY, GOOD, LOAD, MachineRecord, Run
from feedsim.accounts.timeline import Segment, halts_of, segments_of
from feedsim.answers.event_words import (
    HOUR_US,
    SECOND_US,
    clock,
    exact_clock,
    in_words,
    lasting,
    state_names,
)
from feedsim.answers.events import (
    CALENDAR,
    Event,
    count_events,
    events_of,
    operator_name,
    starts_of,
    task_name,
)
from feedsim.answers.rows import finite_or_none
from feedsim.cell import Cell, MachinePlan, build_cell
from feedsim.config import Config
from feedsim.engines import AUTO, choose, engine_named, made_ready
from feedsim.measures import OEE, figure
from feedsim.mistakes import Mistake
from feedsim.shown import Shown
from feedsim.study import Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

MOST_EVENTS = 200_000

WALKING, LOADING, CLEARING, ON_DUTY, AT_BASE, AWAY = WHEREABOUTS = (
    *("walking", "loading", "clearing", "duty", "at the base", "break"),
)


class ReplayError(Mistake):
    """A shift or a part of it that cannot be shown as asked for."""


class Stay(NamedTuple):
    """Where an operator is: `kind` one of `WHEREABOUTS`, at or on the way to `machine`.

    `machine` is an index, None at the base; `task` is in words.
    """

    begin_us: int
    end_us: int
    kind: str
    machine: int | None
    task: str


class StoryLine(NamedTuple):
    """A main event: a halt, a visit or an entry of the calendar."""

    at_us: int
    lasts_us: int
    who: str
    what: str


@dataclass(frozen=True)
class Replay(Shown):
    """A shift that was simulated, and the window of it that is shown.

    Attributes
    ----------
    config : Config
    cell : Cell
    record : Record
        All that changed in the whole shift.
    seed, replication : int
        What the shift's luck hangs on.
    engine : str
        What simulated it.
    window : Window
        In microseconds from the shift's start.
    """

    config: Config
    cell: Cell
    record: Record
    seed: int
    replication: int
    engine: str
    window: Window

    def __repr__(self) -> str:
        part = f"{clock(self.window.start_us)} to {clock(self.window.end_us)}"
        return f"Replay(replication={self.replication}, {part})"

    @cached_property
    def events(self) -> list[Event]:
        """All events of the window, in the model's order."""
        return events_of(self.record, self.cell, self.window)

    @cached_property
    def reading(self) -> Reading:
        """The sums of the window."""
        return read(self.record, self.cell, self.window)

    @property
    def is_whole(self) -> bool:
        """Whether the window is the whole shift."""
        return self.window == Window(0, self.cell.shift_us)

    def oee(self, machine: int) -> float:
        """OEE of a machine in the window; not a number where no time was planned."""
        return figure(OEE, [_arrays(self.reading.machines[machine])]).value

    @property
    def cell_oee(self) -> float:
        """OEE of all machines together."""
        return figure(OEE, [_arrays(sums) for sums in self.reading.machines]).value

    def segments(self, plan: MachinePlan) -> list[Segment]:
        """States of a machine within the window, without a gap."""
        return [
            Segment(
                max(s.begin_us, self.window.start_us), min(s.end_us, self.window.end_us), s.state
            )
            for s in segments_of(self.record.machines[plan.index], self.cell.shift_us)
            if s.end_us > self.window.start_us and s.begin_us < self.window.end_us
        ]

    def levels(self, plan: MachinePlan, lane: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """When a lane's level changes, and the bags it holds from then on.

        Returns
        -------
        tuple of arrays of shape (n,)
            Instants in microseconds, the first the window's start, and bags.
        """
        return lane_levels(plan, self.record.machines[plan.index], lane, self.window)

    def accumulation(self, plan: MachinePlan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """When the packs in a machine's accumulation change, and how many there are then."""
        return packs_waiting(self.record.machines[plan.index], self.window)

    @cached_property
    def whereabouts(self) -> list[list[Stay]]:
        """Where each operator is over the whole shift, without a gap."""
        return [stays_of(self.record, self.cell, k + 1) for k in range(self.cell.crew.operators)]

    @cached_property
    def story(self) -> list[StoryLine]:
        """Halts, visits, duties and the calendar's entries that begin in the window."""
        lines = [line for line in _story(self) if self.window.holds(line.at_us)]
        return sorted(lines, key=lambda line: line.at_us)

    def words(self, event: Event) -> str:
        """An event in words."""
        return in_words(event, self._states[event.machine] if event.machine else {})

    @cached_property
    def _states(self) -> dict[str, dict[str, str]]:
        return {plan.name: state_names(plan) for plan in self.cell.machines}

    def frame(self) -> pd.DataFrame:
        """The event log as a table.

        Returns
        -------
        pandas.DataFrame
            `event` counts from 1 in the window; `time_s` and `clock` are text, exact to the
            microsecond; `bags` came into the lane (below 0: left it), which then holds
            `lane_bags`.
        """
        import pandas as pd

        events = self.events
        return pd.DataFrame(
            {
                "event": range(1, len(events) + 1),
                "time_s": [f"{e.at_us // SECOND_US}.{e.at_us % SECOND_US:06d}" for e in events],
                "clock": [exact_clock(e.at_us) for e in events],
                "what": [e.what for e in events],
                "who": [e.who for e in events],
                "machine": [e.machine for e in events],
                "lane": pd.array([e.lane for e in events], "Int64"),
                "bags": pd.array([e.bags for e in events], "Int64"),
                "lane_bags": pd.array([e.lane_bags for e in events], "Int64"),
                "detail": [e.detail for e in events],
            }
        )

    def summary(self) -> dict[str, Any]:
        """What the window came to, as plain numbers: times in seconds, the rest counts."""
        machines = []
        for plan, sums in zip(self.cell.machines, self.reading.machines, strict=True):
            oee = self.oee(plan.index)
            machines.append(
                {
                    "machine": plan.name,
                    "oee": finite_or_none(oee),
                    **{name: sums[name] for name in _COUNTS},
                    "bags_wasted": sums["bags_gone"] - sums["good_packs"] - sums["rejected_packs"],
                    "time_s": {
                        name.removeprefix("time_").removesuffix("_us"): number / SECOND_US
                        for name, number in sums.items()
                        if name.startswith("time_")
                    },
                }
            )
        crew = self.reading.crew
        return {
            "machines": machines,
            "crew_busy_s": crew["busy_us"] / SECOND_US,
            "crew_present_s": crew["present_us"] / SECOND_US,
        }


_COUNTS = (
    *("good_packs", "rejected_packs", "lost_pockets", "bags_loaded"),
    *("refill_visits", "fault_visits"),
)


def _arrays(sums: dict[str, int]) -> dict[str, NDArray[np.float64]]:
    return {name: np.array([float(number)]) for name, number in sums.items()}


def replay(
    config: Config,
    replication: int = 1,
    *,
    from_h: float | None = None,
    to_h: float | None = None,
    engine: str = AUTO,
    allow_large: bool = False,
) -> Replay:
    """Simulate one shift and keep all that happened in it.

    Parameters
    ----------
    config : Config
    replication : int
        Its number, from 1: the same luck as the shift of that number in any study of this seed.
    from_h, to_h : float, optional
        Hours from the shift's start between which to show it, by default all of it.
    engine : {"auto", "simpy", "compiled"}
        What simulates; the shift is the same.
    allow_large : bool
        Lift the limits on the shift's size and on the number of events shown.

    Returns
    -------
    Replay

    Raises
    ------
    ReplayError
        If the window does not lie in the shift, or holds more than 200,000 events.
    TooLarge
        If the shift would take hours to simulate.
    NoEngineError
        If the compiled model is asked for and numba is not installed.
    """
    cell = build_cell(config)
    window = _window(cell, from_h, to_h)
    if replication < 1:
        raise ReplayError(f"--replication: {replication} is no replication, allowed: 1 or more")
    refuse_absurd([cell], 1, Work(engine=engine, allow_large=allow_large))
    if not allow_large:
        _refuse_many(_cycles_in(cell, window), window)
    choice = made_ready(choose(engine, [cell], cell.cycles_per_shift))
    record = engine_named(choice.engine).record(cell, config.study.seed, replication)
    if not allow_large:
        _refuse_many(count_events(record, cell, window), window)
    return Replay(config, cell, record, config.study.seed, replication, choice.engine, window)


def _window(cell: Cell, from_h: float | None, to_h: float | None) -> Window:
    shift = f"the shift is 0:00 to {clock(cell.shift_us)}"
    for option, hours in (("--from", from_h), ("--to", to_h)):
        if hours is not None and not isfinite(hours):
            raise ReplayError(f"{option}: is {hours:g}, allowed: a number of hours ({shift})")
    start_us = 0 if from_h is None else round(from_h * HOUR_US)
    end_us = cell.shift_us if to_h is None else round(to_h * HOUR_US)
    for option, at_us in (("--from", start_us), ("--to", end_us)):
        if not 0 <= at_us <= cell.shift_us:
            raise ReplayError(f"{option}: {clock(at_us)} is outside the shift, allowed: {shift}")
    if start_us >= end_us:
        raise ReplayError(
            f"--from: {clock(start_us)} is not before --to {clock(end_us)}, allowed: an earlier "
            f"instant ({shift})"
        )
    return Window(start_us, end_us)


def _cycles_in(cell: Cell, window: Window) -> int:
    """A bold guess at the events of a window: half of the cycles that fit into it."""
    return sum((window.end_us - window.start_us) // (2 * plan.cycle_us) for plan in cell.machines)


def _refuse_many(events: int, window: Window) -> None:
    if events > MOST_EVENTS:
        part = max(1, (window.end_us - window.start_us) * MOST_EVENTS // events)
        raise ReplayError(
            f"this part of the shift has about {events:,} events, the limit is {MOST_EVENTS:,}: "
            f"take some {lasting(part)} of it with --from and --to, or lift it with --allow-large"
        )


Levels = tuple[NDArray[np.int64], NDArray[np.int64]]


def lane_levels(plan: MachinePlan, machine: MachineRecord, lane: int, window: Window) -> Levels:
    """When a lane's level changes within a window, and the bags it holds from then on."""
    changes = [(run, -run.bags_each) for run in machine.runs if run.lane == lane]
    single = [(load.at_us, load.bags) for load in machine.loads if load.lane == lane]
    single += [(gone.at_us, -gone.bags) for gone in machine.discards if gone.lane == lane]
    return _levels(plan.start_bags, changes, single, window)


def packs_waiting(machine: MachineRecord, window: Window) -> Levels:
    """When the packs in an accumulation change within a window, and how many there are then."""
    changes = [(run, 1) for run in machine.runs if run.outcome == GOOD]
    changes += [(starts_of(run), -1) for run in machine.outfeed_cycles]
    return _levels(0, changes, [], window)


def _levels(
    start: int,
    runs: Sequence[tuple[Run, int]],
    single: Sequence[tuple[int, int]],
    window: Window,
) -> Levels:
    """Add up changes from the shift's start: those of runs of cycles, and single ones."""
    times = [np.zeros(1, np.int64), np.array([at_us for at_us, _ in single], np.int64)]
    changes = [np.array([start]), np.array([change for _, change in single], np.int64)]
    for run, each in runs:
        if each:
            numbers = np.arange(run.count, dtype=np.int64)
            times.append(run.first_end_us + run.spacing_us * numbers)
            changes.append(np.full(run.count, each))
    at_us, change = np.concatenate(times), np.concatenate(changes)
    order = np.argsort(at_us, kind="stable")
    at_us, held = at_us[order], np.cumsum(change[order])
    last_of_instant = np.append(at_us[1:] != at_us[:-1], True)
    last_of_instant &= at_us <= window.end_us
    at_us, held = at_us[last_of_instant], held[last_of_instant]
    first = int(np.searchsorted(at_us, window.start_us, side="right")) - 1
    at_us = at_us[first:].copy()
    at_us[0] = window.start_us
    return at_us, held[first:]


def stays_of(record: Record, cell: Cell, operator: int) -> list[Stay]:
    """Where an operator is over the shift, without a gap."""
    busy: list[Stay] = []
    works = [work for work in record.work if work.operator == operator]
    for number, work in enumerate(works):
        until_us = works[number + 1].at_us if number + 1 < len(works) else record.shift_us
        task = task_name(work, cell)
        if work.event == "takes":
            busy.append(Stay(work.at_us, until_us, WALKING, work.machine, task))
        elif work.event == "begins":
            kind = {LOAD: LOADING, DUTY: ON_DUTY}.get(work.kind, CLEARING)
            busy.append(Stay(work.at_us, until_us, kind, work.machine, task))
    stays: list[Stay] = []
    since_us = 0
    for stay in [*busy, Stay(record.shift_us, record.shift_us, AT_BASE, None, "")]:
        stays += _free(cell, operator, since_us, stay.begin_us)
        if stay.end_us > stay.begin_us:
            stays.append(stay)
        since_us = max(since_us, stay.end_us)
    return stays


def _free(cell: Cell, operator: int, begin_us: int, end_us: int) -> list[Stay]:
    """Time without a task: at the base, or away in a break without cover by this operator."""
    if end_us <= begin_us:
        return []
    away = sorted(
        (max(pause.begin_us, begin_us), min(pause.end_us, end_us))
        for pause in cell.crew.breaks
        if operator > pause.cover and pause.begin_us < end_us and pause.end_us > begin_us
    )
    stays: list[Stay] = []
    for since_us, until_us in away:
        if since_us > begin_us:
            stays.append(Stay(begin_us, since_us, AT_BASE, None, ""))
        if until_us > begin_us:
            stays.append(Stay(max(since_us, begin_us), until_us, AWAY, None, ""))
            begin_us = until_us
    if begin_us < end_us:
        stays.append(Stay(begin_us, end_us, AT_BASE, None, ""))
    return stays


def _story(replay: Replay) -> list[StoryLine]:
    lines: list[StoryLine] = []
    for plan, machine in zip(replay.cell.machines, replay.record.machines, strict=True):
        names = state_names(plan)
        for halt in halts_of(segments_of(machine, replay.cell.shift_us)):
            end_us = halt.segments[-1].end_us
            lines.append(
                StoryLine(halt.begin_us, end_us - halt.begin_us, plan.name, names[halt.cause])
            )
    for number, stays in enumerate(replay.whereabouts, start=1):
        lines += _visits(replay.cell, number, stays)
    for stop in replay.cell.planned_stops:
        kind = "planned stop" if stop.is_break else "changeover"
        lines.append(
            StoryLine(stop.begin_us, stop.end_us - stop.begin_us, CALENDAR, f"{kind}: {stop.name}")
        )
    for pause in replay.cell.crew.breaks:
        cover = f"break of the crew, cover: {operators(pause.cover)}"
        lines.append(StoryLine(pause.begin_us, pause.end_us - pause.begin_us, CALENDAR, cover))
    return lines


def operators(number: int) -> str:
    """A number of operators in words."""
    return {0: "nobody", 1: "one operator"}.get(number, f"{number} operators")


def _visits(cell: Cell, number: int, stays: Sequence[Stay]) -> list[StoryLine]:
    """What an operator did, each with the walk to it."""
    lines: list[StoryLine] = []
    walk: Stay | None = None
    for stay in stays:
        if stay.kind == WALKING:
            walk = stay
        elif stay.kind in (LOADING, CLEARING, ON_DUTY):
            what = stay.task
            if stay.machine is not None:
                what += f" at {cell.machines[stay.machine].name}"
            if walk is not None:
                what += f", after a walk of {lasting(walk.end_us - walk.begin_us)}"
            lines.append(
                StoryLine(stay.begin_us, stay.end_us - stay.begin_us, operator_name(number), what)
            )
            walk = None
        else:
            walk = None
    return lines
