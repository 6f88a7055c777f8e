"""A study: settings of a cell, each simulated over the same replications.

The same config, seed and version give the same result whatever the number of processes.
Settings share their seed and their replications' numbers, so they meet the same luck.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice

import numpy as np

from feedsim.accounts import Reading, check_balances, read
from feedsim.cell import Cell
from feedsim.model.shift import run_shift
from feedsim.stats import Floats

Value = float | int | str | bool
Progress = Callable[[int, int], None]

CYCLES_PER_S = 500_000
TASK_CYCLES = CYCLES_PER_S // 4
LARGEST_STUDY_CYCLES = 2_000_000_000


class TooLarge(ValueError):
    """A study that would cost more than the limit."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One cell of a study, and the values of the keys that make it differ from the others."""

    values: Mapping[str, Value]
    cell: Cell


@dataclass(frozen=True, slots=True)
class Sums:
    """Sums of one setting over its replications: arrays of shape (n,)."""

    machines: tuple[Mapping[str, Floats], ...]
    crew: Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class Results:
    """Everything simulated in a study."""

    settings: tuple[Setting, ...]
    sums: tuple[Sums, ...]
    replications: int
    seed: int
    confidence: float


def simulate(cell: Cell, seed: int, replication: int) -> Reading:
    """Simulate one shift, check its balances and read its window."""
    record = run_shift(cell, seed, replication)
    check_balances(record, cell)
    return read(record, cell)


def _simulate_several(cell: Cell, seed: int, replications: Sequence[int]) -> list[Reading]:
    return [simulate(cell, seed, replication) for replication in replications]


def cycles_of(cells: Sequence[Cell], replications: int) -> int:
    """Machine cycles that a study will simulate at the most."""
    return sum(cell.cycles_per_shift for cell in cells) * replications


def cost_text(cycles: int, jobs: int = 1) -> str:
    """What a number of cycles costs, as a rough time in words."""
    seconds = cycles / CYCLES_PER_S / jobs
    for unit, size in (("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 1.5 * size:
            return f"about {seconds / size:,.0f} {unit}"
    return f"about {max(1, round(seconds))} s"


def refuse_absurd(cells: Sequence[Cell], replications: int) -> None:
    """Refuse a study that would run for hours.

    Raises
    ------
    TooLarge
        With the estimate and what to change.
    """
    cycles = cycles_of(cells, replications)
    if cycles > LARGEST_STUDY_CYCLES:
        raise TooLarge(
            f"this study has {len(cells):,} settings x {replications:,} replications, "
            f"{cycles:.2g} machine cycles, {cost_text(cycles)} on one core; the limit is "
            f"{LARGEST_STUDY_CYCLES:.2g} cycles: take fewer settings or replications, "
            "or lift it with --allow-large"
        )


def run_study(
    settings: Sequence[Setting],
    *,
    replications: int,
    seed: int,
    confidence: float,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Results:
    """Simulate every setting over the same replications.

    Parameters
    ----------
    settings : sequence of Setting
    replications : int
        Number of replications of each setting, numbered from 1.
    seed : int
    confidence : float
        Kept with the results, for their intervals.
    jobs : int
        Processes; 1 works in this one. From a script, more than 1 needs the usual
        ``if __name__ == "__main__"`` around it.
    progress : callable, optional
        Told of how many runs are done, of how many.

    Returns
    -------
    Results
    """
    tasks = list(_tasks(settings, replications))
    if jobs > 1 and len(tasks) > 1:
        jobs = min(jobs, len(tasks))
        context = multiprocessing.get_context("spawn")
        executor = ProcessPoolExecutor(jobs, mp_context=context, initializer=_leave_interrupts)
        try:
            readings = _run_on(executor, jobs, settings, tasks, seed, replications, progress)
        finally:
            executor.shutdown(cancel_futures=True)
    else:
        readings = _run_here(settings, tasks, seed, replications, progress)
    return Results(
        tuple(settings),
        tuple(_collect(found) for found in readings),
        replications,
        seed,
        confidence,
    )


Task = tuple[int, Sequence[int]]
Readings = list[list[Reading | None]]


def _tasks(settings: Sequence[Setting], replications: int) -> Iterator[Task]:
    """Groups of replications that are worth a message to another process."""
    for number, setting in enumerate(settings):
        size = max(1, TASK_CYCLES // max(1, setting.cell.cycles_per_shift))
        for first in range(1, replications + 1, size):
            yield number, range(first, min(first + size, replications + 1))


def _run_here(
    settings: Sequence[Setting],
    tasks: Sequence[Task],
    seed: int,
    replications: int,
    progress: Progress | None,
) -> Readings:
    readings: Readings = [[None] * replications for _ in settings]
    done, total = 0, len(settings) * replications
    for number, group in tasks:
        for replication in group:
            cell = settings[number].cell
            readings[number][replication - 1] = simulate(cell, seed, replication)
            done += 1
            if progress:
                progress(done, total)
    return readings


def _leave_interrupts() -> None:
    """Ctrl-C reaches every process of a terminal: the driver alone answers it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _run_on(
    executor: Executor,
    jobs: int,
    settings: Sequence[Setting],
    tasks: Sequence[Task],
    seed: int,
    replications: int,
    progress: Progress | None,
) -> Readings:
    """Keep a few tasks ahead of the workers, so that an interrupt has little to wait for."""
    readings: Readings = [[None] * replications for _ in settings]
    ahead: dict[Future[list[Reading]], Task] = {}
    left = iter(tasks)
    done, total = 0, len(settings) * replications
    while True:
        for number, group in islice(left, 2 * jobs - len(ahead)):
            future = executor.submit(_simulate_several, settings[number].cell, seed, group)
            ahead[future] = (number, group)
        if not ahead:
            return readings
        for future in wait(ahead, return_when=FIRST_COMPLETED).done:
            number, group = ahead.pop(future)
            for replication, reading in zip(group, future.result(), strict=True):
                readings[number][replication - 1] = reading
            done += len(group)
            if progress:
                progress(done, total)


def _collect(readings: Sequence[Reading | None]) -> Sums:
    found = [reading for reading in readings if reading is not None]
    machines = tuple(
        _arrays([reading.machines[number] for reading in found])
        for number in range(len(found[0].machines))
    )
    return Sums(machines, _arrays([reading.crew for reading in found]))


def _arrays(sums: Sequence[Mapping[str, int]]) -> dict[str, Floats]:
    return {name: np.array([each[name] for each in sums], dtype=float) for name in sums[0]}
