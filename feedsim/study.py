"""A study: cells, each simulated over the same replications, on whatever does the work.

The same config, seed and version give the same result whoever does the work, and in whatever
order. All cells of a study share their seed and their replications' numbers, so they meet the
same luck. A shift is simulated once: what is asked for again, or was kept by a study of before,
is given out of what is there.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from copy import copy
from dataclasses import dataclass, replace
from types import TracebackType
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts import columns_of
from feedsim.cell import Cell
from feedsim.engines import AUTO, COMPILED, CYCLES_PER_S, SIMPY, choose, engine_named, made_ready
from feedsim.executors import Workers, WorkersGone
from feedsim.mistakes import Mistake
from feedsim.stats import Floats
from feedsim.store import Store
from feedsim.version import program

Value = float | int | str | bool
Progress = Callable[[int, int], None]
Say = Callable[[str], None]

TASK_S = 0.25
LARGEST_STUDY_S = 4_000
LARGEST_STUDY_GB = 4.0


class TooLarge(Mistake):
    """A study that would cost more than the limit."""


class OtherProgramError(RuntimeError):
    """A worker has another version of feedsim, or of numpy: its numbers may be others."""


@dataclass(frozen=True, slots=True)
class Work:
    """Who simulates, and who is told of it; no answer hangs on it.

    Attributes
    ----------
    jobs : int
        Processes (threads with the compiled model); 1 works in this one. From a script, more
        than 1 needs the usual ``if __name__ == "__main__"`` around it. With an executor, how
        many tasks it does at once.
    engine : {"auto", "simpy", "compiled"}
        What simulates.
    executor : concurrent.futures.Executor, optional
        Where to simulate instead, such as a dask cluster's; it is left open.
    store : Store, optional
        Where finished shifts are kept, and taken from.
    allow_large : bool
        Lift the limit on a study's size.
    progress : callable, optional
        Told of how many shifts are done, of how many.
    say : callable, optional
        Told what the user should know: that the model is compiled first, or not at all.
    """

    jobs: int = 1
    engine: str = AUTO
    executor: Executor | None = None
    store: Store | None = None
    allow_large: bool = False
    progress: Progress | None = None
    say: Say | None = None


HERE = Work()


@dataclass(frozen=True, slots=True)
class Setting:
    """One cell of a study, and the values of the keys that make it differ from the others."""

    values: Mapping[str, Value]
    cell: Cell


@dataclass(frozen=True, slots=True)
class Sums:
    """Sums of one cell over its replications: arrays of shape (n,)."""

    machines: tuple[Mapping[str, Floats], ...]
    crew: Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class Results:
    """Everything simulated in a study.

    `numbers` are the replications', from 1 on; what was set aside is missing in every setting.
    """

    settings: tuple[Setting, ...]
    sums: tuple[Sums, ...]
    numbers: NDArray[np.int64]
    seed: int
    confidence: float
    engine: str
    set_aside: tuple[int, ...] = ()

    @property
    def replications(self) -> int:
        """How many replications each setting has."""
        return len(self.numbers)


def cycles_of(cells: Iterable[Cell], replications: int) -> int:
    """Machine cycles that a study will simulate at the most."""
    return sum(cell.cycles_per_shift for cell in cells) * replications


def cost_text(cycles: int, engine: str) -> str:
    """What a number of cycles costs on one core, as a rough time in words."""
    seconds = cycles / CYCLES_PER_S[engine]
    for unit, size in (("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 1.5 * size:
            return f"about {seconds / size:,.0f} {unit}"
    return f"about {max(1, round(seconds))} s"


def refuse_absurd(cells: Sequence[Cell], replications: int, work: Work = HERE) -> None:
    """Refuse a study that would run for hours or fill the memory, unless it is allowed.

    Raises
    ------
    TooLarge
        With the estimate and what to change.
    NoEngineError
        If the compiled model is asked for and numba is not installed.
    """
    if work.allow_large:
        return
    size_gb = sum(sum(map(len, columns_of(cell))) for cell in cells) * replications * 8e-9
    if size_gb > LARGEST_STUDY_GB:
        raise TooLarge(
            f"this study has {len(cells):,} settings x {replications:,} replications, whose sums "
            f"take {size_gb:,.0f} GB of memory; the limit is {LARGEST_STUDY_GB:g} GB: take fewer "
            "settings, machines or replications, or lift it with --allow-large"
        )
    cycles = sum(cell.cost_cycles for cell in cells) * replications
    chosen = choose(work.engine, cells, cycles).engine
    limit = LARGEST_STUDY_S * CYCLES_PER_S[chosen]
    if cycles > limit:
        raise TooLarge(
            f"this study has {len(cells):,} settings x {replications:,} replications, what costs "
            f"as much as {cycles:.2g} machine cycles, {cost_text(cycles, chosen)} on one core; the "
            f"limit is {limit:.2g} cycles: take fewer settings or replications, or lift it with "
            "--allow-large"
        )


def run_study(
    settings: Sequence[Setting],
    *,
    replications: int,
    seed: int,
    confidence: float,
    work: Work = HERE,
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
    work : Work

    Returns
    -------
    Results

    Raises
    ------
    NoEngineError
        If the compiled model is asked for and numba is not installed.
    WorkersGone, OtherProgramError
        If nobody is left to work, or a worker has another program.
    StoreError, OSError
        If the store is damaged, or its disk is full or fails.
    """
    with Shifts(seed, work) as shifts:
        return shifts.results(settings, replications, confidence)


class Shifts:
    """The shifts of cells on one seed: simulated when first asked for, and kept.

    Parameters
    ----------
    seed : int
    work : Work
    foreseen_cycles : int
        Machine cycles that will be asked for at the least, where that is known before: they
        decide which engine is worth its loading.

    Attributes
    ----------
    engine : str
        What simulated last.
    set_aside : set of int
        Replications that no worker survived; all cells are read without them.
    simulated : int
        Shifts simulated here, those taken from the store left out.
    """

    def __init__(self, seed: int, work: Work = HERE, foreseen_cycles: int = 0) -> None:
        self.seed = seed
        self.engine = SIMPY
        self.set_aside: set[int] = set()
        self.simulated = 0
        self._work = work
        self._workers = Workers(work.jobs, work.executor)
        self._tables: dict[str, Floats] = {}
        self._foreseen_cycles = foreseen_cycles
        self._cycles = 0
        self._asked = self._done = 0
        self._told: set[str] = set()

    def __enter__(self) -> Self:
        """Begin to work; the workers end with the block."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the workers: at once if the block was interrupted."""
        self._workers.close(at_once=error is not None)

    def on_seed(self, seed: int) -> Shifts:
        """The same workers' shifts on another seed; what is simulated there is kept apart."""
        other = copy(self)
        other.seed = seed
        other.set_aside, other._tables = set(), {}
        other._work = replace(self._work, progress=None)
        return other

    def results(self, settings: Sequence[Setting], replications: int, confidence: float) -> Results:
        """Simulate every setting over replications from 1 on; see `run_study`."""
        sums = self.sums([setting.cell for setting in settings], replications)
        return Results(
            tuple(settings),
            tuple(sums),
            self.numbers(replications),
            self.seed,
            confidence,
            self.engine,
            tuple(sorted(n for n in self.set_aside if n <= replications)),
        )

    def numbers(self, replications: int) -> NDArray[np.int64]:
        """The numbers of the first replications, without those set aside."""
        return np.array([n for n in range(1, replications + 1) if n not in self.set_aside], int)

    def sums(self, cells: Sequence[Cell], replications: int) -> list[Sums]:
        """Sums of cells over the first replications.

        Parameters
        ----------
        cells : sequence of Cell
        replications : int

        Returns
        -------
        list of Sums
            One a cell, all over the same replications (those set aside are left out of all).

        Raises
        ------
        NoEngineError
            If the compiled model is asked for and numba is not installed.
        WorkersGone, OtherProgramError
            If nobody is left to work or every replication was set aside, or if a worker has
            another program.
        StoreError, OSError
            If the store is damaged, or its disk is full or fails.
        """
        named = {self._key(cell): cell for cell in cells}
        for key, cell in named.items():
            self._make_room(key, cell, replications)
        missing = {key: self._missing(key, replications) for key in named}
        if any(len(numbers) for numbers in missing.values()):
            self._simulate(named, missing)
        places = self.numbers(replications) - 1
        if not len(places):
            raise WorkersGone("no worker survived any of the shifts, three attempts each")
        return [_named(self._tables[self._key(cell)][:, places], cell) for cell in cells]

    def _key(self, cell: Cell) -> str:
        """Under what a cell's shifts are kept: another seed's are others."""
        return f"{cell_key(cell)}-{self.seed}"

    def _make_room(self, key: str, cell: Cell, replications: int) -> None:
        """Have a table with a column for each replication; what is not simulated is no number."""
        table = self._tables.get(key)
        if table is None:
            table = np.full((sum(map(len, columns_of(cell))), replications), np.nan)
            if self._work.store is not None:
                numbers, rows = self._work.store.load(key, len(table))
                wide = max(replications, int(numbers.max(initial=0)))
                table = np.full((len(table), wide), np.nan)
                table[:, numbers - 1] = rows.T
        elif table.shape[1] < replications:
            more = np.full((len(table), replications - table.shape[1]), np.nan)
            table = np.hstack([table, more])
        self._tables[key] = table

    def _missing(self, key: str, replications: int) -> NDArray[np.int64]:
        there = ~np.isnan(self._tables[key][0, :replications])
        return np.array(
            [n for n in np.flatnonzero(~there) + 1 if n not in self.set_aside], dtype=int
        )

    def _simulate(
        self, cells: Mapping[str, Cell], missing: Mapping[str, NDArray[np.int64]]
    ) -> None:
        self._ready_engine(cells, missing)
        tasks = [
            _Task(key, cells[key], self.seed, group, self.engine, program())
            for key, numbers in missing.items()
            for group in _groups(numbers, self._runs_in_task(cells[key]))
        ]
        self._asked += sum(len(task.replications) for task in tasks)
        self._tell_progress(0)
        in_threads = self.engine == COMPILED
        done = self._workers.done_in_any_order(
            _simulate_task, tasks, split=_Task.single_runs, in_threads=in_threads
        )
        for task, sums in done:
            if sums is None:
                self.set_aside |= set(task.replications)
                continue
            self._tables[task.key][:, np.array(task.replications) - 1] = sums.T
            self.simulated += len(sums)
            if self._work.store is not None:
                self._work.store.keep(task.key, task.replications, sums)
            self._tell_progress(len(sums))

    def _runs_in_task(self, cell: Cell) -> int:
        return max(1, int(TASK_S * CYCLES_PER_S[self.engine]) // cell.cost_cycles)

    def _ready_engine(
        self, cells: Mapping[str, Cell], missing: Mapping[str, NDArray[np.int64]]
    ) -> None:
        """Choose what simulates; who asks for more in small parts gets to the compiled model."""
        work = self._work
        self._cycles += sum(cycles_of([cells[key]], len(n)) for key, n in missing.items())
        choice = choose(
            work.engine,
            list(cells.values()),
            max(self._cycles, self._foreseen_cycles),
            work.jobs,
        )
        ready = made_ready(choice)
        for note in (choice.note, ready.note):
            if note and note not in self._told and work.say:
                work.say(note)
            self._told.add(note)
        self.engine = ready.engine

    def _tell_progress(self, more: int) -> None:
        self._done += more
        if self._work.progress:
            self._work.progress(self._done, self._asked)


class _Task(NamedTuple):
    """Some replications of a cell that are worth a message to another process."""

    key: str
    cell: Cell
    seed: int
    replications: range
    engine: str
    program: str

    def single_runs(self) -> list[_Task]:
        """The same, a task for each replication."""
        return [self._replace(replications=range(n, n + 1)) for n in self.replications]


def _groups(numbers: NDArray[np.int64], most: int) -> Iterator[range]:
    """Ascending numbers as ranges of at most so many."""
    for stretch in np.split(numbers, np.flatnonzero(np.diff(numbers) != 1) + 1):
        for first in range(0, len(stretch), most):
            group = stretch[first : first + most]
            yield range(int(group[0]), int(group[-1]) + 1)


# A worker's threads begin together: one of them loads the machine code, for all.
_READYING = threading.Lock()


def _simulate_task(task: _Task) -> Floats:
    if task.program != program():
        raise OtherProgramError(
            f"a worker has another version ({program()}) than its driver ({task.program}): "
            "install the same feedsim and numpy on all of them"
        )
    with _READYING:
        engine = engine_named(task.engine)
    return engine.sums(task.cell, task.seed, task.replications)


def cell_key(cell: Cell) -> str:
    """A name for all that a cell is, under which its shifts are kept."""
    return hashlib.sha256(repr(cell).encode()).hexdigest()[:32]


def _named(table: Floats, cell: Cell) -> Sums:
    """The rows of a table by the names of the sums."""
    rows = iter(table)
    *machines, crew = [{name: next(rows) for name in names} for names in columns_of(cell)]
    return Sums(tuple(machines), crew)
