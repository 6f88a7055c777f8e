"""A study: settings of a cell, each simulated over the same replications.

The same config, seed and version give the same result whatever the number of processes.
Settings share their seed and their replications' numbers, so they meet the same luck.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.accounts import columns_of
from feedsim.cell import Cell
from feedsim.engines import AUTO, COMPILED, CYCLES_PER_S, choose, engine_named, made_ready
from feedsim.executors import done_in_any_order, executor_for
from feedsim.stats import Floats

Value = float | int | str | bool
Progress = Callable[[int, int], None]
Say = Callable[[str], None]

TASK_S = 0.25
LARGEST_STUDY_S = 4_000


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
    engine: str


def cycles_of(cells: Sequence[Cell], replications: int) -> int:
    """Machine cycles that a study will simulate at the most."""
    return sum(cell.cycles_per_shift for cell in cells) * replications


def cost_text(cycles: int, engine: str) -> str:
    """What a number of cycles costs on one core, as a rough time in words."""
    seconds = cycles / CYCLES_PER_S[engine]
    for unit, size in (("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 1.5 * size:
            return f"about {seconds / size:,.0f} {unit}"
    return f"about {max(1, round(seconds))} s"


def refuse_absurd(cells: Sequence[Cell], replications: int, engine: str = AUTO) -> None:
    """Refuse a study that would run for hours.

    Raises
    ------
    TooLarge
        With the estimate and what to change.
    """
    cycles = cycles_of(cells, replications)
    chosen = choose(engine, cells, cycles).engine
    limit = LARGEST_STUDY_S * CYCLES_PER_S[chosen]
    if cycles > limit:
        raise TooLarge(
            f"this study has {len(cells):,} settings x {replications:,} replications, "
            f"{cycles:.2g} machine cycles, {cost_text(cycles, chosen)} on one core; the limit is "
            f"{limit:.2g} cycles: take fewer settings or replications, or lift it with "
            "--allow-large"
        )


def run_study(
    settings: Sequence[Setting],
    *,
    replications: int,
    seed: int,
    confidence: float,
    jobs: int = 1,
    engine: str = AUTO,
    executor: Executor | None = None,
    progress: Progress | None = None,
    say: Say | None = None,
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
        Processes (threads with the compiled model); 1 works in this one. From a script, more
        than 1 needs the usual ``if __name__ == "__main__"`` around it.
    engine : {"auto", "simpy", "compiled"}
        What simulates; the results are the same.
    executor : concurrent.futures.Executor, optional
        Where to simulate instead; it is left open. `jobs` tells how many tasks it does at once.
    progress : callable, optional
        Told of how many runs are done, of how many.
    say : callable, optional
        Told what the user should know: that the model is compiled first, or not at all.

    Returns
    -------
    Results

    Raises
    ------
    NoEngineError
        If the compiled model is asked for and numba is not installed.
    """
    cells = [setting.cell for setting in settings]
    choice = choose(engine, cells, cycles_of(cells, replications), jobs)
    if choice.note and say:
        say(choice.note)
    ready = made_ready(choice)
    if ready != choice and say:
        say(ready.note)
    tasks = list(_tasks(settings, replications, seed, ready.engine))
    jobs = min(jobs, max(1, len(tasks)))
    tables = [np.empty((sum(map(len, columns_of(c))), replications)) for c in cells]
    done, total = 0, len(settings) * replications
    own = executor or executor_for(jobs, in_threads=ready.engine == COMPILED)
    try:
        for task, sums in done_in_any_order(own, 2 * jobs, _simulate_task, tasks):
            first, last = task.replications[0], task.replications[-1]
            tables[task.setting][:, first - 1 : last] = sums.T
            done += len(sums)
            if progress:
                progress(done, total)
    finally:
        if executor is None:
            own.shutdown(cancel_futures=True)
    found = tuple(_named(table, cell) for table, cell in zip(tables, cells, strict=True))
    return Results(tuple(settings), found, replications, seed, confidence, ready.engine)


class _Task(NamedTuple):
    """A group of replications of one setting that is worth a message to another process."""

    setting: int
    cell: Cell
    seed: int
    replications: range
    engine: str


def _tasks(
    settings: Sequence[Setting], replications: int, seed: int, engine: str
) -> Iterator[_Task]:
    cycles = int(TASK_S * CYCLES_PER_S[engine])
    for number, setting in enumerate(settings):
        size = max(1, cycles // max(1, setting.cell.cycles_per_shift))
        for first in range(1, replications + 1, size):
            group = range(first, min(first + size, replications + 1))
            yield _Task(number, setting.cell, seed, group, engine)


def _simulate_task(task: _Task) -> Floats:
    return engine_named(task.engine).sums(task.cell, task.seed, task.replications)


def _named(table: Floats, cell: Cell) -> Sums:
    """The rows of a table by the names of the sums."""
    rows = iter(table)
    *machines, crew = [{name: next(rows) for name in names} for names in columns_of(cell)]
    return Sums(tuple(machines), crew)
