"""The model against an independent plain reading of it, equal to the microsecond."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from accounts_as_told import told
from campaigns import one_in
from cells import SECONDS
from second_opinion import simulate

from feedsim.accounts import check_balances
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.model.lane import Lane
from feedsim.model.shift import run_shift
from feedsim.verify.random_cells import random_config

QUICK = 60
CAMPAIGN = 5_000


def differences(ours: Any, theirs: Any, where: str = "") -> Iterator[tuple[float, str]]:
    """Where two tellings part, each with its instant: the first of every list."""
    if isinstance(ours, dict):
        for key in ours.keys() | theirs.keys():
            yield from differences(ours.get(key), theirs.get(key), f"{where} {key}")
    elif where.endswith(" machines"):
        for number, pair in enumerate(zip(ours, theirs, strict=True)):
            yield from differences(*pair, f"{where}[{number}]")
    elif isinstance(ours, list):
        for number in range(max(len(ours), len(theirs))):
            pair = [side[number] if number < len(side) else None for side in (ours, theirs)]
            if pair[0] != pair[1]:
                yield (
                    _instant(pair, where),
                    f"{where}[{number}]: feedsim {pair[0]}, plain {pair[1]}",
                )
                return
    elif ours != theirs:
        yield float("inf"), f"{where}: feedsim {ours}, plain {theirs}"


def _instant(pair: list[Any], where: str) -> float:
    """When the earlier of two entries was; levels at the end have no instant."""
    if where.endswith("lanes_left"):
        return float("inf")
    place = 1 if where.endswith(" tasks") else 0
    entries = [entry for entry in pair if entry is not None]
    return float(min(entry[place] if isinstance(entry, tuple) else entry for entry in entries))


def opinions(seed: int, alter: Any = None) -> list[tuple[float, str]]:
    """How feedsim and the plain reading part on a random config, first things first."""
    text = random_config(random.Random(seed))
    config = parse_config(text)
    cell: Cell = build_cell(config)
    if alter is not None:
        cell = alter(cell)
    replication = 1 + seed % 3
    record = run_shift(cell, config.study.seed, replication)
    check_balances(record, cell)
    return sorted(differences(told(record, cell), simulate(text, replication)))


def agree(seed: int) -> None:
    found = opinions(seed)
    if found:
        at_us, first = found[0]
        pytest.fail(f"random config {seed}, at {at_us / SECONDS} s:{first}", pytrace=False)


@pytest.mark.parametrize("first", range(0, QUICK, 20))
def test_same_to_the_microsecond(first: int) -> None:
    for seed in range(first, first + 20):
        agree(seed)


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(QUICK, QUICK + CAMPAIGN, 100))
def test_same_to_the_microsecond_often(first: int) -> None:
    for seed in range(first, first + 100):
        agree(seed)


# Negative controls: a model that is a little different is told apart.


def _told_apart(alter: Any = None, seeds: int = 40) -> int:
    return sum(bool(opinions(seed, alter)) for seed in range(1000, 1000 + seeds))


def _every_machine(cell: Cell, **changes: Any) -> Cell:
    return replace(cell, machines=tuple(replace(plan, **changes) for plan in cell.machines))


def _one_more_miss(cell: Cell) -> Cell:
    misses = [plan.misses_to_stop + 1 for plan in cell.machines]
    machines = zip(cell.machines, misses, strict=True)
    return replace(cell, machines=tuple(replace(p, misses_to_stop=n) for p, n in machines))


def _longer_cycle(cell: Cell) -> Cell:
    return _every_machine(cell, cycle_us=cell.machines[0].cycle_us + 1)


def _no_discards(cell: Cell) -> Cell:
    return _every_machine(cell, discard_bags=0)


@pytest.mark.parametrize("alter", one_in(3, [_one_more_miss, _longer_cycle, _no_discards]))
def test_an_altered_cell_is_told_apart(alter: Any) -> None:
    assert _told_apart(alter) > 5


@pytest.mark.campaign
def test_another_turn_order_is_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """The turn stays with the lane that served."""
    build = Lane.__init__

    def stay(self: Lane, *given: Any) -> None:
        build(self, *given)
        self.next_turn = self.number - 1

    monkeypatch.setattr(Lane, "__init__", stay)
    assert _told_apart() > 5


@pytest.mark.campaign
def test_another_order_of_operators_is_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Machines before operators, within an instant."""
    import feedsim.model.machine as machines

    monkeypatch.setattr(machines, "MACHINES", 1)
    assert _told_apart() > 5


def test_the_first_difference_is_named() -> None:
    """What a failing comparison prints: the earliest event that differs, on both sides."""
    found = opinions(1002, _longer_cycle)
    assert found
    assert "feedsim" in found[0][1]
    assert "plain" in found[0][1]
    assert found[0][0] == min(at for at, _ in found)
