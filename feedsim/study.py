"""A study: settings of a cell, each simulated over the same replications.

The same config, seed and version give the same result whatever the number of processes.
Settings share their seed and their replications' numbers, so they meet the same luck.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.accounts import Reading, check_balances, read
from feedsim.cell import Cell
from feedsim.executors import done_in_any_order, executor_for
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
    executor: Executor | None = None,
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
    executor : concurrent.futures.Executor, optional
        Where to simulate instead; it is left open. `jobs` tells how many tasks it does at once.
    progress : callable, optional
        Told of how many runs are done, of how many.

    Returns
    -------
    Results
    """
    tasks = list(_tasks(settings, replications, seed))
    jobs = min(jobs, max(1, len(tasks)))
    tables = [_Table(replications) for _ in settings]
    done, total = 0, len(settings) * replications
    own = executor or executor_for(jobs)
    try:
        for task, readings in done_in_any_order(own, 2 * jobs, _simulate_task, tasks):
            for replication, reading in zip(task.replications, readings, strict=True):
                tables[task.setting].enter(replication, reading)
            done += len(readings)
            if progress:
                progress(done, total)
    finally:
        if executor is None:
            own.shutdown(cancel_futures=True)
    sums = tuple(table.sums() for table in tables)
    return Results(tuple(settings), sums, replications, seed, confidence)


class _Task(NamedTuple):
    """A group of replications of one setting that is worth a message to another process."""

    setting: int
    cell: Cell
    seed: int
    replications: range


def _tasks(settings: Sequence[Setting], replications: int, seed: int) -> Iterator[_Task]:
    for number, setting in enumerate(settings):
        size = max(1, TASK_CYCLES // max(1, setting.cell.cycles_per_shift))
        for first in range(1, replications + 1, size):
            group = range(first, min(first + size, replications + 1))
            yield _Task(number, setting.cell, seed, group)


def _simulate_task(task: _Task) -> list[Reading]:
    return [simulate(task.cell, task.seed, replication) for replication in task.replications]


class _Table:
    """The sums of one setting, filled as its replications come in, in any order."""

    def __init__(self, replications: int) -> None:
        self._replications = replications
        self._machines: list[dict[str, Floats]] = []
        self._crew: dict[str, Floats] = {}

    def enter(self, replication: int, reading: Reading) -> None:
        """Enter one replication's sums."""
        if not self._machines:
            self._machines = [self._empty(sums) for sums in reading.machines]
            self._crew = self._empty(reading.crew)
        for columns, sums in zip(
            [*self._machines, self._crew], [*reading.machines, reading.crew], strict=True
        ):
            for name, value in sums.items():
                columns[name][replication - 1] = value

    def _empty(self, names: Iterable[str]) -> dict[str, Floats]:
        return {name: np.full(self._replications, np.nan) for name in names}

    def sums(self) -> Sums:
        """The whole table."""
        return Sums(tuple(self._machines), self._crew)
