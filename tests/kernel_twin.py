"""The compiled kernel beside the SimPy model: where their tellings of one shift part.

Also random cells for both of them: with a warm-up, and with nearly all things at one instant; and
the way from a cell that differs down to the smallest one that still does.
"""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import deepcopy
from dataclasses import fields
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from random_cells import random_config

from feedsim.accounts import MachineRecord, Record, columns_of, read
from feedsim.accounts.record import Run
from feedsim.cell import Cell, build_cell
from feedsim.config import ConfigError, dump_toml, parse_config
from feedsim.kernel import memory
from feedsim.kernel.engine import Kernel
from feedsim.kernel.layout import ALIGNMENT, lay_out
from feedsim.model.shift import run_shift

AT_THE_END = float("inf")

Difference = tuple[float, str]
Telling = dict[str, list[Any]]
KeyPath = tuple[str | int, ...]
Differs = Callable[[str], list[Difference]]

# What a machine's record tells; the rest of its fields is what it works with.
NARRATED = [
    field.name
    for field in fields(MachineRecord)
    if field.name[0] != "_" and field.name not in ("lanes", "open_runs")
]


class RunTold(NamedTuple):
    """A run of equal cycles, with all its fields."""

    first_end_us: int
    last_end_us: int
    count: int
    spacing_us: int
    lane: int
    cycle_us: int
    outcome: str
    bags_each: int
    attempts: int


class Pocket(NamedTuple):
    """One cycle's end."""

    at_us: int
    lane: int
    cycle_us: int
    outcome: str
    bags: int
    attempts: int


@cache
def the_kernel() -> Kernel:
    """The kernel that all tests of a process share."""
    return Kernel()


def differences(cell: Cell, seed: int, replication: int, kernel: Kernel) -> list[Difference]:
    """Where the SimPy model and the kernel part, each with its instant, first things first."""
    ours = telling(cell, seed, replication)
    try:
        record = kernel.record(cell, seed, replication)
        sums = kernel.sums(cell, seed, range(replication, replication + 1))[0]
    except Exception as error:
        # Whatever it fails with is a difference.
        return [(AT_THE_END, f"compiled failed with {error!r}")]
    theirs = _lists(record) | named(cell, sums)
    found = [
        difference
        for where in ours | theirs
        for difference in _part(where, ours.get(where, []), theirs.get(where, []))
    ]
    return sorted(found)


def differences_of(text: str, replication: int, kernel: Kernel) -> list[Difference]:
    """The same for a config's text."""
    config = parse_config(text)
    return differences(build_cell(config), config.study.seed, replication, kernel)


def telling(cell: Cell, seed: int, replication: int) -> Telling:
    """All that the SimPy model tells of a shift: the lists of its record, and the sums read."""
    record = run_shift(cell, seed, replication)
    return _lists(record) | sums_read(record, cell)


def sums_read(record: Record, cell: Cell) -> Telling:
    """The sums that are read from a record, by name."""
    reading = read(record, cell)
    return {
        f"sum of {where} {name}": [value]
        for where, sums in zip(_places(cell), (*reading.machines, reading.crew), strict=True)
        for name, value in sums.items()
    }


def named(cell: Cell, sums: NDArray[np.float64]) -> Telling:
    """The sums that the kernel hands over, by name."""
    names = [
        f"sum of {where} {name}"
        for where, columns in zip(_places(cell), columns_of(cell), strict=True)
        for name in columns
    ]
    return {name: [value] for name, value in zip(names, sums.tolist(), strict=True)}


def _places(cell: Cell) -> list[str]:
    return [*(f"machine {plan.index}" for plan in cell.machines), "crew"]


def _lists(record: Record) -> Telling:
    """Every list of a record, and what is left at its end."""
    lists: Telling = {"work": record.work}
    for number, machine in enumerate(record.machines):
        for what in NARRATED:
            told = getattr(machine, what)
            entries = told if isinstance(told, list) else [told]
            lists[f"machine {number} {what}"] = [_plain(entry) for entry in entries]
    return lists


def _plain(entry: Any) -> Any:
    if isinstance(entry, Run):
        return RunTold(*(getattr(entry, field) for field in RunTold._fields))
    return entry


def _part(where: str, ours: list[Any], theirs: list[Any]) -> Iterator[Difference]:
    """The first entry at which two lists part, if they do."""
    if ours == theirs:
        return
    if all(isinstance(entry, RunTold) for entry in (*ours, *theirs)):
        # A run that ends early differs as a whole: its first pocket that differs says when.
        pockets = list(_part(f"{where}, pocket", _pockets(ours), _pockets(theirs)))
        if pockets:
            yield from pockets
            return
    number = 0
    while ours[number : number + 1] == theirs[number : number + 1]:
        number += 1
    pair = [side[number] if number < len(side) else None for side in (ours, theirs)]
    instants = [entry[0] for entry in pair if isinstance(entry, tuple)]
    at_us = min(instants, default=AT_THE_END)
    yield at_us, f"{where}[{number}]: simpy {pair[0]}, compiled {pair[1]}"


def _pockets(runs: list[RunTold]) -> list[Pocket]:
    return sorted(
        Pocket(run[0] + k * run.spacing_us, run.lane, run.cycle_us, *run[-3:])
        for run in runs
        for k in range(run.count)
    )


# A cell as the kernel has it before it.


class LaidOut:
    """A cell laid out in memory, its rows at hand."""

    def __init__(self, cell: Cell, seed: int, replication: int = 1) -> None:
        layout = lay_out(cell, seed)
        size = layout.plan.nbytes
        memory_of_shift = np.zeros(size + ALIGNMENT, np.uint8)
        begin = -memory_of_shift.ctypes.data % ALIGNMENT
        self.block = memory_of_shift[begin : begin + size]
        self.address = self.block.ctypes.data
        words = self.block.view(np.int64)
        words[:] = layout.plan
        words[layout.addresses] += self.address
        self.shift = self.block[: memory.SHIFT.itemsize].view(memory.SHIFT)[0]
        self.shift["address"] = self.address
        self.shift["replication"] = replication

    def rows(self, first: str, row_type: np.dtype[np.void], count: int = 1) -> Any:
        """Rows of a kind, by the field that says where they begin."""
        begin = int(self.shift[first]) - self.address
        return self.block[begin : begin + count * row_type.itemsize].view(row_type)


# The smallest config that still differs.


def shrunk(text: str, differs: Differs) -> str:
    """Leave out, or make smaller, whatever can be while the config still differs."""
    values = tomllib.loads(text)
    before = None
    while before != values:
        before = deepcopy(values)
        for path in sorted(_paths(values), key=len):
            for step in _smaller(values, path):
                if _still_differs(step, differs):
                    values = step
                    break
    return dump_toml(values)


def _paths(table: Any, above: KeyPath = ()) -> Iterator[KeyPath]:
    """Paths of all that is in a table."""
    items: Any = ()
    if isinstance(table, dict):
        items = table.items()
    elif isinstance(table, list):
        items = enumerate(table)
    for name, inner in items:
        yield (*above, name)
        yield from _paths(inner, (*above, name))


def _smaller(values: dict[str, Any], path: KeyPath) -> Iterator[dict[str, Any]]:
    """Without what is at a path, if it is still there, or with a smaller number in its place."""
    *above, name = path
    with suppress(KeyError, IndexError, TypeError):
        step = deepcopy(values)
        holder: Any = step
        for inner in above:
            holder = holder[inner]
        was = holder.pop(name)
        if name not in ("shift_h", "study"):
            yield step
        less = (was / 2,) if name == "shift_h" else ()
        if isinstance(holder, dict) and type(was) is int and name != "seed":
            less = (was // 2, was - 1)
        for holder[name] in less:
            yield step


def _still_differs(values: dict[str, Any], differs: Differs) -> bool:
    try:
        return bool(differs(dump_toml(values)))
    except ConfigError:
        return False


def story(text: str, differs: Differs) -> str:
    """The smallest config that differs, and the first event that does, on both sides."""
    smallest = shrunk(text, differs)
    at_us, first = differs(smallest)[0]
    return f"{smallest}\nfirst at {at_us / 1e6} s: {first}"


# Random cells.


def random_text(number: int) -> str:
    """A random config by its number; half of all have a warm-up."""
    rng = random.Random(f"cell {number}")
    values = tomllib.loads(random_config(rng))
    _add_warm_up(values, rng)
    return dump_toml(values)


def _add_warm_up(values: dict[str, Any], rng: random.Random) -> None:
    """Open the window at a whole second, at any instant, or where a break or a stop has an edge.

    What counts as a minor stop is of the length of the stops that these cells have.
    """
    study = values["study"]
    spans = [*values.get("planned_stop", ()), *values["crew"].get("break", ())]
    edges = [span["at_h"] for span in spans]
    edges += [span["at_h"] + span["takes_min"] / 60 for span in spans]
    second = rng.randrange(1, round(study["shift_h"] * 3600)) / 3600
    if rng.random() < 0.5:
        warm_up_h = rng.choice([second, second, rng.random() * study["shift_h"], *edges])
        study["warm_up_h"] = warm_up_h if warm_up_h < study["shift_h"] else second
    study["minor_stop_min"] = rng.choice([0, 0.1, 0.5, 1, 5])


def text_with_long_runs(number: int) -> str:
    """A random config with bigger lanes and accumulations and fewer faults: longer jumps."""
    rng = random.Random(f"long runs {number}")
    values = tomllib.loads(random_config(rng))
    values["study"]["shift_h"] = max(values["study"]["shift_h"], rng.choice([0.5, 1, 2]))
    _add_warm_up(values, rng)
    for machine in values["machine"]:
        times = rng.choice([10, 25])
        magazine, bag = machine["magazine"], machine.get("bag", {})
        for name in {"capacity_bags", "start_bags", "call_level_bags"} & magazine.keys():
            magazine[name] *= times
        magazine["bundle_bags"] *= rng.choice([1, 5, times])
        for chances in {"faults", "bad_bundles"} & bag.keys():
            for name in bag[chances].keys() - {"share"}:
                bag[chances][name] /= 30
        for station in machine.get("station", ()):
            minutes = rng.choice([2, 5, 20])
            station["between_stops"] = {"family": "exponential", "mean_min": minutes}
        outfeed = machine.get("outfeed", {"accumulation_packs": 0})
        if outfeed["accumulation_packs"]:
            outfeed["accumulation_packs"] *= times
            outfeed["speed_per_min"] = rng.choice([rng.randint(15, 130), machine["speed_per_min"]])
            outfeed["restart_packs"] = rng.randrange(outfeed["accumulation_packs"])
    return dump_toml(values)


def text_full_of_ties(number: int) -> str:
    """A random config in which all times are whole cycles, so that most things coincide."""
    rng = random.Random(f"ties {number}")
    values = tomllib.loads(random_config(rng))
    values["study"]["shift_h"] = rng.choice([0.05, 0.1, 0.2])
    for span in (*values.get("planned_stop", ()), *values["crew"].get("break", ())):
        span["at_h"] = rng.randrange(175) / 3600
        span["takes_min"] = rng.choice([1, 2, 10, 30, 60]) / 60
    _add_warm_up(values, rng)
    _on_the_second(values, rng)
    return dump_toml(values)


RATES = {
    "speed_per_min": (60,),
    "single_lane_speed_per_min": (30, 60, 20),
    "retry_s": (0, 1, 2),
    "restart_s": (0, 1, 2, 5),
    "scrap_after_s": (0, 1, 2, 5),
    "walk_s": (0, 1, 2),
    "walk_m_per_s": (0.5, 1),
    "every_min": (0.1, 0.2, 0.5, 1),
    "rounds_every_min": (0.1, 0.2, 0.5, 1),
}
OUTFEED_RATES = (60, 60, 30, 20, 120)
WAITS_S = {"between_stops": (1, 2, 4, 5, 10, 20), "bundle": (0, 1, 1, 2), "visit": (0, 0, 1, 2)}


def _on_the_second(table: dict[str, Any], rng: random.Random, above: str = "") -> None:
    """Turn every time and rate in a table to whole cycles of one second."""
    for name, value in table.items():
        if isinstance(value, dict) and "family" in value:
            seconds = rng.choice(WAITS_S.get(name, (0, 1, 2, 3, 5, 10)))
            table[name] = {"family": "constant", "mean_s": seconds}
        elif isinstance(value, dict):
            _on_the_second(value, rng, name)
        elif isinstance(value, list) and isinstance(value[0], dict):
            for inner in value:
                _on_the_second(inner, rng)
        elif name in RATES:
            table[name] = rng.choice(OUTFEED_RATES if above == "outfeed" else RATES[name])
