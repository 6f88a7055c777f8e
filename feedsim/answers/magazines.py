"""Capacities that a config may have: each machine's in its own bundles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from feedsim.config import Config, ConfigError
from feedsim.mistakes import Mistake

CAPACITY = "magazine.capacity_bags"
ROUNDS = "crew.rounds_every_min"


class CapacityError(Mistake):
    """A capacity, round interval or machine that cannot be studied."""


def swept_tables(config: Config, machine: str | None) -> list[int]:
    """Numbers of the machine tables whose capacity is varied.

    Raises
    ------
    CapacityError
        If no machine has that name.
    """
    if machine is None:
        return list(range(len(config.machine)))
    names = {table.name: number for number, table in enumerate(config.machine)}
    if machine not in names:
        raise CapacityError(
            f"--machine: no machine is named {machine!r}, allowed: " + ", ".join(names)
        )
    return [names[machine]]


def capacity_values(config: Config, tables: Sequence[int], bags: int) -> dict[str, Any]:
    """Capacity of each machine, rounded up to its own bundle, by the keys' paths."""
    changes = {}
    for number in tables:
        bundle = config.machine[number].magazine.bundle_bags
        changes[f"machine[{number}].magazine.capacity_bags"] = -(-bags // bundle) * bundle
    return changes


def is_allowed(config: Config, tables: Sequence[int], bags: int) -> bool:
    """Whether a config may have such capacities."""
    try:
        config.with_values(capacity_values(config, tables, bags))
    except ConfigError:
        return False
    return True
