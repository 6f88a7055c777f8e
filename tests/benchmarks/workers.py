"""Two worker processes beside one on a study with SimPy, and what keeping every shift costs.

python tests/benchmarks/workers.py [SECONDS]

SECONDS is about how long the study takes one worker (60).
"""

from __future__ import annotations

import sys
import tempfile
import time
from concurrent.futures import Executor
from contextlib import nullcontext
from pathlib import Path

from feedsim.cell import Cell, build_cell
from feedsim.config import load_config
from feedsim.engines import COMPILED, SIMPY, engine_named
from feedsim.executors import executor_for
from feedsim.store import Store
from feedsim.study import Setting, Shifts, Work

CONFIG = Path(__file__).parents[2] / "configs" / "oats_slider.toml"
SHIFTS_KEPT = 100_000
ROUNDS = 3


def seconds(cell: Cell, replications: int, work: Work) -> float:
    """How long a study of one setting takes."""
    started = time.perf_counter()
    with Shifts(1, work) as shifts:
        shifts.results([Setting({}, cell)], replications, 0.95)
    return time.perf_counter() - started


def with_workers(cell: Cell, replications: int, processes: int) -> float:
    """A study in worker processes; with one, it still is a process of its own."""
    if processes > 1:
        return seconds(cell, replications, Work(jobs=processes, engine=SIMPY))
    pool: Executor = executor_for(2)
    with pool:
        # One task at a time, so that the second process has nothing to do.
        return seconds(cell, replications, Work(jobs=1, engine=SIMPY, executor=OneByOne(pool)))


class OneByOne(Executor):
    """Hands the next task on when the last is done."""

    def __init__(self, pool: Executor) -> None:
        self._pool = pool

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        """Do it, and come back when it is done."""
        future = self._pool.submit(fn, *args, **kwargs)
        future.exception()
        return future


def main() -> None:
    """Print the ratios."""
    wanted_s = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    cell = build_cell(load_config(CONFIG))
    probe = 40
    rate = probe / seconds(cell, probe, Work(engine=SIMPY))
    replications = max(probe, int(wanted_s * rate))
    here = seconds(cell, replications, Work(engine=SIMPY))
    one = with_workers(cell, replications, 1)
    two = with_workers(cell, replications, 2)
    print(f"{replications:,} shifts with SimPy")
    print(f"in this process  {here:>8.1f} s")
    print(f"one worker       {one:>8.1f} s")
    print(f"two workers      {two:>8.1f} s")
    print(f"one / two        {one / two:>8.2f}   (wanted: at least 1.7 on a quiet machine)")
    print(f"here / two       {here / two:>8.2f}")

    engine_named(COMPILED)
    times: dict[bool, list[float]] = {False: [], True: []}
    for _ in range(ROUNDS):
        for keeps, took in times.items():
            with (
                tempfile.TemporaryDirectory() as folder,
                Store(Path(folder)) if keeps else nullcontext() as store,
            ):
                work = Work(engine=COMPILED, store=store)
                took.append(seconds(cell, SHIFTS_KEPT, work))
    without, kept = min(times[False]), min(times[True])
    print(f"{SHIFTS_KEPT:,} shifts compiled, one thread")
    print(f"kept nowhere     {without:>8.2f} s")
    print(f"kept in a store  {kept:>8.2f} s   ({kept / without - 1:+.1%})")


if __name__ == "__main__":
    main()
