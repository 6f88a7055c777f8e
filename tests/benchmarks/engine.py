"""Simulated machine cycles per second beside the events of a bare SimPy loop, in one run.

python tests/benchmarks/engine.py [CONFIG]
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import simpy

from feedsim.accounts import check_balances, read
from feedsim.cell import build_cell
from feedsim.config import load_config
from feedsim.model.shift import run_shift

CONFIG = Path(__file__).parents[2] / "configs" / "oats_slider.toml"
EVENTS = 200_000
ROUNDS = 15


def bare_loop() -> float:
    """Events per second of a process that only waits."""
    env = simpy.Environment()

    def process() -> Iterator[simpy.Event]:
        while True:
            yield env.timeout(1)

    env.process(process())
    start = time.perf_counter()
    env.run(until=EVENTS)
    return EVENTS / (time.perf_counter() - start)


def main() -> None:
    """Alternate the two, so that both meet the same machine, and print the medians."""
    cell = build_cell(load_config(sys.argv[1] if len(sys.argv) > 1 else CONFIG))
    bare, model, reading = [], [], []
    for replication in range(1, ROUNDS + 1):
        bare.append(bare_loop())
        start = time.perf_counter()
        record = run_shift(cell, 1, replication)
        simulated = time.perf_counter()
        check_balances(record, cell)
        read(record, cell)
        reading.append((time.perf_counter() - simulated) / (simulated - start))
        cycles = sum(run.count for machine in record.machines for run in machine.runs)
        model.append(cycles / (simulated - start))
    ratio = statistics.median(m / b for m, b in zip(model, bare, strict=True))
    print(f"bare loop   {statistics.median(bare):>12,.0f} events/s")
    print(f"model       {statistics.median(model):>12,.0f} machine cycles/s")
    print(f"ratio       {ratio:>12.3f} (median of {ROUNDS}, wanted: at least 0.35)")
    print(f"balances and reading: {statistics.median(reading):.1%} of the simulation's time")


if __name__ == "__main__":
    main()
