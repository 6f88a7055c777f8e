"""The compiled kernel beside the SimPy model: where their tellings of one shift part."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from functools import cache
from typing import Any, NamedTuple

from feedsim.accounts import MachineRecord, Record, columns_of, read
from feedsim.accounts.record import Run
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.engines import COMPILED, Engine, engine_named
from feedsim.model.shift import run_shift
from feedsim.stats import Floats

AT_THE_END = float("inf")

Difference = tuple[float, str]
Telling = dict[str, list[Any]]

# What a machine's record tells; the rest of its fields is what it works with.
NARRATED = [
    field.name
    for field in fields(MachineRecord)
    if field.name[0] != "_" and field.name not in ("lanes", "open_runs")
]


class RunTold(NamedTuple):
    """A run of equal cycles, with all its fields, by their names in the record."""

    first_end_us: int
    last_end_us: int
    count: int  # type: ignore[assignment]
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
def the_kernel() -> Engine:
    """The kernel that all tests of a process share."""
    return engine_named(COMPILED)


def differences(cell: Cell, seed: int, replication: int, kernel: Engine) -> list[Difference]:
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


def differences_of(text: str, replication: int, kernel: Engine) -> list[Difference]:
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


def named(cell: Cell, sums: Floats) -> Telling:
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
