"""The compiled model's speed: beside SimPy, per change of state, and beside a bare loop.

python tests/benchmarks/kernel.py

All in one process; what is compared alternates, so that both sides meet the same machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numba import njit
from numpy.random import Generator, default_rng

from feedsim.accounts import columns_of
from feedsim.cell import Cell, build_cell
from feedsim.config import Config, load_config, parse_config
from feedsim.engines import SimpyModel
from feedsim.film import FAULTS
from feedsim.kernel import codes, memory
from feedsim.kernel.engine import Kernel, _shift_in
from feedsim.kernel.layout import lay_out

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
OATS = Path(__file__).parents[2] / "configs" / "oats_slider.toml"
SEED = 1
ROUNDS = 12
SIMPY_SHIFTS = 4
KERNEL_SHIFTS = 1000
JOURNALS = 20
JOURNAL_ROOM = 1 << 16
NO_CHANGES = (codes.TELLS_CYCLES, codes.TELLS_OUTFEED, codes.TELLS_HALT)
CHECKED_SHIFTS = 300
MOST_ERRORS = 4

# What the bare loop simulates, told to the kernel as a config. Times in the loop are in seconds.
SHIFT_H = 8.0
SPEED_PER_MIN = 25.0
CAPACITY_BAGS = 200
BUNDLE_BAGS = 25
BUNDLE_S = 24.0
ROUND_MIN = 4.0
CLEAR_S = 50.0
MISSED = 0.003
JAM = 0.0005
BETWEEN_STOPS_S = (5400.0, 3600.0, 3000.0)
STOP_S = (84.0, 108.0, 120.0)

REDUCED = f"""
[study]
shift_h = {SHIFT_H}
warm_up_h = 0
[crew]
calls = "none"
rounds_every_min = {ROUND_MIN}
[[machine]]
name = "machine"
speed_per_min = {SPEED_PER_MIN}
[machine.magazine]
capacity_bags = {CAPACITY_BAGS}
bundle_bags = {BUNDLE_BAGS}
bundle = {{ family = "exponential", mean_s = {BUNDLE_S} }}
[machine.pick]
misses_to_stop = 0
clear = {{ family = "exponential", mean_s = {CLEAR_S} }}
[machine.bag]
faults = {{ missed = {MISSED}, jam = {JAM} }}
""" + "".join(
    f"""
[[machine.station]]
name = "station {number}"
between_stops = {{ family = "exponential", mean_s = {between_s} }}
stop = {{ family = "exponential", mean_s = {stop_s} }}
"""
    for number, (between_s, stop_s) in enumerate(zip(BETWEEN_STOPS_S, STOP_S, strict=True), 1)
)

NEVER_S = 1e18
FREE, CLEARING, LOADING = range(3)


@njit
def least(times_s: np.ndarray) -> float:
    """The earliest of the three stations' times."""
    return min(times_s[0], times_s[1], times_s[2])


@njit(error_model="numpy")
def bare_shift(luck: Generator) -> int:
    """Good packs of a shift of the reduced config, from one change to the next."""
    shift_s, cycle_s, round_s = SHIFT_H * 3600, 60 / SPEED_PER_MIN, ROUND_MIN * 60
    chance = MISSED + JAM
    bags = np.full(2, CAPACITY_BAGS)
    stops_at_s, ready_at_s = np.empty(3), np.full(3, NEVER_S)
    for place in range(3):
        stops_at_s[place] = luck.exponential(BETWEEN_STOPS_S[place])
    next_stop_s, next_ready_s = least(stops_at_s), NEVER_S
    now_s, ran_s, cycle_end_s = 0.0, 0.0, cycle_s
    task, task_end_s, next_round_s = FREE, NEVER_S, round_s
    loaded, reached, bundles_left = 0, 0, 0
    jammed, stopped, round_due, runs = False, 0, False, True
    turn, good_packs = 0, 0
    to_fault = luck.geometric(chance)
    while True:
        event_s = min(shift_s, next_round_s, task_end_s, next_ready_s)
        if runs and cycle_end_s <= event_s:
            # As many cycles as end before anything else can happen.
            both = bags[0] > 0 and bags[1] > 0
            if not both:
                turn = 0 if bags[0] > 0 else 1
            other = 1 - turn
            till_empty = min(2 * bags[turn] - 1, 2 * bags[other]) if both else bags[turn]
            till_event = int((event_s - cycle_end_s) / cycle_s) + 1
            till_stop = int((next_stop_s - ran_s) / cycle_s) + 1
            cycles = min(to_fault, till_empty, till_event, till_stop)
            bags[turn] -= (cycles + 1) // 2 if both else cycles
            bags[other] -= cycles // 2 if both else 0
            last = turn if cycles % 2 == 1 or not both else other
            turn = 1 - last
            now_s = cycle_end_s + (cycles - 1) * cycle_s
            cycle_end_s = now_s + cycle_s
            ran_s += cycles * cycle_s
            good_packs += cycles
            to_fault -= cycles
            if to_fault == 0:
                good_packs -= 1
                if luck.random() * chance < MISSED:
                    bags[last] += 1
                else:
                    jammed = True
                to_fault = luck.geometric(chance)
            if cycles == till_stop:
                for place in range(3):
                    if stops_at_s[place] < ran_s:
                        stopped += 1
                        stops_at_s[place] = NEVER_S
                        ready_at_s[place] = now_s + luck.exponential(STOP_S[place])
                next_stop_s, next_ready_s = least(stops_at_s), least(ready_at_s)
        elif event_s >= shift_s:
            return good_packs
        else:
            now_s = event_s
            if now_s == next_round_s:
                next_round_s += round_s
                round_due = round_due or task != LOADING
            elif now_s == task_end_s:
                task_end_s = NEVER_S
                if task == CLEARING:
                    jammed, task = False, FREE
                else:
                    bags[loaded] += BUNDLE_BAGS
                    bundles_left -= 1
            else:
                for place in range(3):
                    if ready_at_s[place] == now_s:
                        stopped -= 1
                        ready_at_s[place] = NEVER_S
                        stops_at_s[place] = ran_s + luck.exponential(BETWEEN_STOPS_S[place])
                next_stop_s, next_ready_s = least(stops_at_s), least(ready_at_s)
        # What the operator turns to: the jam first; a round fills the emptier lane first.
        if task == FREE and jammed:
            task, task_end_s = CLEARING, now_s + luck.exponential(CLEAR_S)
        elif task == FREE and round_due:
            task, round_due, reached, bundles_left = LOADING, False, 0, 0
        while task == LOADING and task_end_s == NEVER_S:
            if bundles_left > 0:
                task_end_s = now_s + luck.exponential(BUNDLE_S)
            elif reached < 2:
                loaded = (1 if bags[1] < bags[0] else 0) if reached == 0 else 1 - loaded
                reached += 1
                bundles_left = (CAPACITY_BAGS - bags[loaded]) // BUNDLE_BAGS
            elif jammed:
                task, task_end_s = CLEARING, now_s + luck.exponential(CLEAR_S)
            else:
                task = FREE
                break
        could_run, runs = runs, not jammed and stopped == 0 and bags[0] + bags[1] > 0
        if runs and not could_run:
            cycle_end_s = now_s + cycle_s


@njit(error_model="numpy")
def bare_shifts(luck: Generator, good_packs: np.ndarray) -> None:
    """Simulate as many shifts as there is room for."""
    for shift in range(len(good_packs)):
        good_packs[shift] = bare_shift(luck)


def us_per_shift(simulate: Callable[[int], object], shifts: int) -> float:
    """Time of a shift among many, in microseconds."""
    start = time.perf_counter()
    simulate(shifts)
    return (time.perf_counter() - start) / shifts * 1e6


def in_turns(*sides: tuple[Callable[[int], object], int]) -> list[float]:
    """Time of a shift of each side, in microseconds, in its best round: the least disturbed."""
    rounds = [[us_per_shift(*side) for side in sides] for _ in range(ROUNDS)]
    return [min(times) for times in zip(*rounds, strict=True)]


def of_kernel(kernel: Kernel, cell: Cell) -> tuple[Callable[[int], object], int]:
    """A side: the kernel on a cell."""
    return lambda shifts: kernel.sums(cell, SEED, range(1, shifts + 1)), KERNEL_SHIFTS


def of_simpy(cell: Cell) -> tuple[Callable[[int], object], int]:
    """A side: the SimPy model on a cell."""
    model = SimpyModel()
    return lambda shifts: model.sums(cell, SEED, range(1, shifts + 1)), SIMPY_SHIFTS


def changes_of(kernel: Kernel, cell: Cell) -> float:
    """Mean number of changes of state in a shift, as its journal tells them.

    Runs of good cycles, cycles of an outfeed and the marks of halts change nothing by themselves.
    """
    sums = np.empty((1, sum(map(len, columns_of(cell)))))
    journal = np.empty(JOURNAL_ROOM, memory.ENTRY)
    layout = lay_out(cell, SEED)
    changes = []
    for replication in range(1, JOURNALS + 1):
        block = kernel._run(cell, layout, replication, sums, journal)
        entries = int(_shift_in(block)["journal_rows"])
        assert entries <= JOURNAL_ROOM
        changes.append(np.isin(journal["kind"][:entries], NO_CHANGES, invert=True).sum())
    return float(np.mean(changes))


def beside_simpy(kernel: Kernel) -> None:
    """Shifts per second of both engines on each config."""
    print(f"Shifts per second, best of {ROUNDS} rounds (wanted: 300 on oats_slider, 150 on all)")
    for path in CONFIGS:
        cell = build_cell(load_config(path))
        simpy_us, kernel_us = in_turns(of_simpy(cell), of_kernel(kernel, cell))
        print(
            f"  {path.stem:<24} SimPy {1e6 / simpy_us:>7.1f}  compiled "
            f"{1e6 / kernel_us:>9,.0f}  {simpy_us / kernel_us:>5.0f}x"
        )


def per_change(kernel: Kernel) -> None:
    """Time of a change of state, with what a shift costs before its first one and without."""
    print("Nanoseconds per change of state, best rounds (wanted: at most 100)")
    for path in CONFIGS:
        cell = build_cell(load_config(path))
        # A second of a shift: rows set up, and the streams seeded that are drawn from at once.
        begun = replace(cell, shift_us=1_000_000, warm_up_us=0, planned_stops=())
        whole_us, begun_us = in_turns(of_kernel(kernel, cell), of_kernel(kernel, begun))
        changes = changes_of(kernel, cell)
        print(
            f"  {path.stem:<24} {(whole_us - begun_us) / changes * 1e3:>5.0f} ns, with the start "
            f"{whole_us / changes * 1e3:>4.0f} ns: {changes:,.0f} changes in {whole_us:.1f} us, "
            f"start {begun_us:.1f} us"
        )


def oats(times: int) -> Config:
    """Oats without bad bundles, so many times as fast, with as much rarer faults and more bags."""
    config = load_config(OATS)
    machine = config.machine[0]
    magazine, pick = machine.magazine, machine.pick
    assert pick.single_lane_speed_per_min is not None
    chances = zip(FAULTS, machine.bag.chances(pick.mouth_opener), strict=True)
    return config.with_values(
        {
            "machine.bag.bad_bundles": None,
            "machine.bag.faults": {fault: chance / times for fault, chance in chances},
            "machine.speed_per_min": machine.speed_per_min * times,
            "machine.pick.single_lane_speed_per_min": pick.single_lane_speed_per_min * times,
            "machine.pick.discard_on_clear_bags": pick.discard_on_clear_bags * times,
            "machine.magazine.capacity_bags": magazine.lane_capacity_bags * times,
            "machine.magazine.bundle_bags": magazine.bundle_bags * times,
            "machine.magazine.call_level_bags": magazine.call_level_bags * times,
        }
    )


def ten_times_as_fast(kernel: Kernel) -> None:
    """Cost follows the changes, not the cycles."""
    slow, fast = build_cell(oats(1)), build_cell(oats(10))
    slow_us, fast_us = in_turns(of_kernel(kernel, slow), of_kernel(kernel, fast))
    print(
        f"Ten times as fast: {slow_us:.1f} us a shift ({changes_of(kernel, slow):,.0f} "
        f"changes, {slow.cycles_per_shift:,} cycles), then {fast_us:.1f} us "
        f"({changes_of(kernel, fast):,.0f} changes, {fast.cycles_per_shift:,} cycles), "
        f"ratio {fast_us / slow_us:.2f} (wanted: at most 1.5)"
    )


def beside_bare_loop(kernel: Kernel) -> None:
    """The kernel beside a loop that knows one machine only and keeps no accounts."""
    cell = build_cell(parse_config(REDUCED))
    luck = default_rng(SEED)
    bare = np.empty(CHECKED_SHIFTS, np.int64)
    bare_shifts(luck, bare)
    column = columns_of(cell)[0].index("good_packs")
    own = kernel.sums(cell, SEED, range(1, CHECKED_SHIFTS + 1))[:, column]
    error = np.sqrt((bare.var(ddof=1) + own.var(ddof=1)) / CHECKED_SHIFTS)
    off = own.mean() - bare.mean()
    bare_us, kernel_us = in_turns(
        (lambda shifts: bare_shifts(luck, np.empty(shifts, np.int64)), KERNEL_SHIFTS),
        of_kernel(kernel, cell),
    )
    print(
        f"Bare loop: {bare.mean():,.0f} good packs a shift (sd {bare.std(ddof=1):.0f}), kernel "
        f"{own.mean():,.0f} (sd {own.std(ddof=1):.0f}), off by {off / error:+.1f} standard errors"
    )
    print(
        f"  bare {bare_us:.1f} us a shift, kernel {kernel_us:.1f} us "
        f"({changes_of(kernel, cell):,.0f} changes), ratio {kernel_us / bare_us:.2f} "
        "(wanted: at most 3)"
    )
    if abs(off) > MOST_ERRORS * error:
        raise SystemExit("The two do not simulate the same: no comparison.")


def main() -> None:
    """Compile first, then print what each part takes."""
    start = time.perf_counter()
    kernel = Kernel()
    bare_shifts(default_rng(SEED), np.empty(1, np.int64))
    print(f"Loaded or compiled in {time.perf_counter() - start:.1f} s, apart from all below")
    beside_simpy(kernel)
    per_change(kernel)
    ten_times_as_fast(kernel)
    beside_bare_loop(kernel)


if __name__ == "__main__":
    main()
