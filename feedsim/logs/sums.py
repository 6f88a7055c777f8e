"""A log as the accounts of a cell: the sums that a simulated shift has, window by window.

Machine states are running and, for every reason, a state of its own; what a log cannot know
(bags, retries, people) is zero here and marked as not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts import columns_of
from feedsim.accounts.record import DRY, RUNNING, SKEWED
from feedsim.cell import Cell, CrewPlan, MachinePlan, StationPlan
from feedsim.config import Spread
from feedsim.logs.findings import Finding
from feedsim.logs.layout import STATES
from feedsim.logs.log import EventLog
from feedsim.logs.numbers import US_IN
from feedsim.logs.spans import ProductionWindow
from feedsim.study import Results, Setting, Sums

LOGGED = "log"
LINE = "line"
WINDOW, DAY = "window", "day"
# Stands where the speed is not known: nothing that needs a cycle is shown then.
NO_CYCLE_US = US_IN["s"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Known:
    """What is known in each window, or on each day: arrays of shape (n,)."""

    good: Flags
    made: Flags
    cycle: Flags

    def but(self, other: Known) -> Known:
        """What is known of both."""
        return Known(self.good & other.good, self.made & other.made, self.cycle & other.cycle)


@dataclass(frozen=True, slots=True)
class LogSums:
    """A log's sums as results, a replication a window or a day.

    Attributes
    ----------
    results : Results
    known : tuple of Known
        Of each machine.
    begins_us : tuple of int
        When the window, or the day's first one, begins.
    findings : tuple of Finding
        Windows that made more than their speed allows.
    """

    results: Results
    known: tuple[Known, ...]
    begins_us: tuple[int, ...]
    findings: tuple[Finding, ...]


def cell_of(log: EventLog, minor_stop_min: float) -> Cell:
    """The cell of a log: its machines with their reasons as stations, the costliest first."""
    return Cell(
        shift_us=max(window.end_us for window in log.windows),
        warm_up_us=0,
        minor_stop_us=round(minor_stop_min * US_IN["min"]),
        machines=tuple(_plan(log, name, index) for index, name in enumerate(log.machines)),
        crew=CrewPlan(
            operators=0,
            calls="none",
            rounds_us=None,
            notice=Spread(),
            walk_us=0,
            has_places=False,
            base_m=(0.0, 0.0),
            walk_m_per_s=1.0,
            duties=(),
            breaks=(),
        ),
        planned_stops=(),
    )


def _plan(log: EventLog, name: str, index: int) -> MachinePlan:
    time_us = dict.fromkeys((stop.reason for stop in log.stops_of(name)), 0)
    for stop in log.stops_of(name):
        time_us[stop.reason] += stop.length_us
    stations = tuple(
        StationPlan(reason, log.state_of(reason), Spread(), Spread(), reason in log.visited)
        for reason in sorted(time_us, key=lambda reason: -time_us[reason])
        if log.state_of(reason) not in STATES
    )
    return MachinePlan(
        name=name or LINE,
        table=name or LINE,
        ordinal=1,
        index=index,
        at_m=None,
        cycle_us=NO_CYCLE_US,
        single_lane_cycle_us=NO_CYCLE_US,
        restart_us=0,
        scrap_packs=0,
        scrap_after_us=0,
        lanes=1,
        capacity_bags=0,
        start_bags=0,
        call_level_bags=0,
        live_loading=True,
        bundle_bags=1,
        bundle=Spread(),
        visit=Spread(),
        carry_bundles=None,
        fetch=Spread(),
        retries=0,
        retry_us=0,
        misses_to_stop=0,
        halts_on_lane_fault=False,
        clear=Spread(),
        discard_bags=0,
        chances=(0.0, 0.0, 0.0, 0.0, 0.0),
        bad_share=None,
        bad_chances=(0.0, 0.0, 0.0, 0.0, 0.0),
        stations=stations,
        outfeed=None,
    )


def log_sums(
    log: EventLog, *, minor_stop_min: float, confidence: float, per: str = WINDOW
) -> LogSums:
    """Sum a log's windows as a simulation's shifts are summed.

    Time is booked by its part in the window. A halt counts in the first window that it touches,
    under its first unplanned reason, and is judged by its whole length, planned stops left out.

    Parameters
    ----------
    log : EventLog
    minor_stop_min : float
        Halts as long or longer count against availability, minutes.
    confidence : float
        Of the intervals.
    per : {"window", "day"}
        What stands for a replication (of a day: its windows of one speed). A machine without a
        window in one is 0 there.
    """
    cell = cell_of(log, minor_stop_min)
    names = columns_of(cell)
    groups = _groups(log, per)
    machines, known = [], []
    findings: list[Finding] = []
    for machine, columns in zip(log.machines, names, strict=False):
        sums = {name: np.zeros(len(groups)) for name in columns}
        sums["cycle_us"] += NO_CYCLE_US
        flags = Known(*(np.ones(len(groups), bool) for _ in range(3)))
        for number, (_, windows) in enumerate(groups):
            for window in windows:
                if window.machine in ("", machine):
                    own = _window_sums(log, window, machine, cell.minor_stop_us, columns)
                    for name, value in own.items():
                        sums[name][number] += value
                    sums["cycle_us"][number] = window.cycle_us or NO_CYCLE_US
                    _mark(flags, number, window)
                    _judge(log, window, own, findings)
        packs_us = (sums["good_packs"] + sums["rejected_packs"]) * sums["cycle_us"]
        sums["slow_cycles_us"] = sums[f"time_{RUNNING}_us"] - packs_us
        machines.append(sums)
        known.append(flags)
    nobody = {name: np.zeros(len(groups)) for name in names[-1]}
    results = Results(
        settings=(Setting({}, cell),),
        sums=(Sums(tuple(machines), nobody),),
        numbers=np.arange(1, len(groups) + 1),
        seed=0,
        confidence=confidence,
        engine=LOGGED,
    )
    return LogSums(
        results,
        tuple(known),
        tuple(windows[0].begin_us for _, windows in groups),
        tuple(findings),
    )


Key = tuple[int | date, int]


def _groups(log: EventLog, per: str) -> list[tuple[Key, list[ProductionWindow]]]:
    """Windows that stand for one replication, in order of time.

    A day on which a machine has windows of unlike speeds is one for each: packs of unlike cycles
    do not add up.
    """
    found: dict[Key, list[ProductionWindow]] = {}
    cycles: dict[tuple[date, str], list[int | None]] = {}
    for window in sorted(log.windows, key=lambda w: (w.begin_us, w.end_us)):
        key: Key = (window.begin_us, window.end_us)
        if per == DAY:
            day = log.zone.day_of(window.begin_us)
            own = cycles.setdefault((day, window.machine), [])
            if window.cycle_us not in own:
                own.append(window.cycle_us)
            key = (day, own.index(window.cycle_us))
        found.setdefault(key, []).append(window)
    return list(found.items())


def _window_sums(
    log: EventLog,
    window: ProductionWindow,
    machine: str,
    minor_stop_us: int,
    columns: Sequence[str],
) -> dict[str, float]:
    sums = dict.fromkeys((name for name in columns if name != "cycle_us"), 0.0)
    sums["window_us"] = sums[f"time_{RUNNING}_us"] = window.length_us
    for halt in log.stops_in(window, machine):
        for part in halt.parts:
            sums[f"time_{log.state_of(part.reason)}_us"] += part.length_us
            sums[f"time_{RUNNING}_us"] -= part.length_us
            if halt.whole_us >= minor_stop_us and not log.is_planned(part.reason):
                sums["long_halts_us"] += part.length_us
        if halt.is_counted:
            state = log.state_of(halt.reason)
            sums[f"stops_{state}"] += 1
            if halt.reason in log.visited:
                sums["refill_visits" if state == DRY else "fault_visits"] += 1
    sums["rejected_packs"] = sums[f"pockets_{SKEWED}"] = window.rejected or 0
    sums["good_packs"] = _packs(window) - sums["rejected_packs"]
    return sums


def _packs(window: ProductionWindow) -> int:
    """Packs made, as far as they are known: all of them, else the good ones."""
    if window.made is not None:
        return window.made
    return window.good or 0


def _mark(flags: Known, number: int, window: ProductionWindow) -> None:
    flags.good[number] &= window.good is not None
    flags.made[number] &= window.made is not None
    flags.cycle[number] &= window.cycle_us is not None


def _judge(
    log: EventLog, window: ProductionWindow, sums: dict[str, float], findings: list[Finding]
) -> None:
    """Note a window that made more than its running time allows."""
    if window.cycle_us is None or not window.line:
        return
    over_us = _packs(window) * window.cycle_us - sums[f"time_{RUNNING}_us"]
    if over_us > window.cycle_us:
        detail = f"{_packs(window):,} packs"
        findings.append(Finding(log.windows_file, window.line, "faster", detail))
