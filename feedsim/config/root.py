"""The whole config."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import PrivateAttr

from feedsim.config.crew import Crew
from feedsim.config.declare import Lines, Table, key
from feedsim.config.machine import Machine
from feedsim.config.problems import Path as KeyPath
from feedsim.config.study import Money, PlannedStop, Study


@dataclass(frozen=True)
class Origin:
    """Where a config came from: its text, and the keys that were set over it."""

    name: str = "config"
    text: str = ""
    folder: Path = field(default_factory=Path)
    overrides: tuple[str, ...] = ()
    set_paths: frozenset[KeyPath] = frozenset()
    changed_paths: frozenset[KeyPath] = frozenset()


class Config(Table):
    """A cell: its study, people, calendar and machines."""

    title: Lines = key("Title of the study", default="", max_length=500)
    study: Study = key("How long, how often and how surely", default={})
    crew: Crew = key("The operators and how they find their work", default={})
    planned_stop: tuple[PlannedStop, ...] = key(
        "Stops of all machines by the calendar",
        default=(),
        allowed="[[planned_stop]] tables",
        listed=True,
        max_length=1000,
    )
    machine: tuple[Machine, ...] = key(
        "The machines", default=(), allowed="[[machine]] tables", listed=True, max_length=100
    )
    money: Money | None = key(
        "What time and bags are worth", default=None, example={}, shown_default="none"
    )

    _origin: Origin = PrivateAttr(default_factory=Origin)

    @property
    def origin(self) -> Origin:
        """Where it came from; equal cells may differ in it."""
        return self._origin

    def __eq__(self, other: object) -> bool:
        """Equal cells are equal wherever they came from."""
        if not isinstance(other, Config):
            return NotImplemented
        return all(getattr(self, name) == getattr(other, name) for name in type(self).model_fields)

    def __hash__(self) -> int:
        return hash(tuple(getattr(self, name) for name in type(self).model_fields))

    def with_values(self, values: Mapping[str, Any]) -> Config:
        """A config with some keys changed, checked anew.

        Parameters
        ----------
        values : mapping of key path to value
            Paths as `--set` takes them, e.g. "machine[0].magazine.capacity_bags"; plain values as
            TOML would give them, a Spread, or None to take a key away (back to its default).

        Returns
        -------
        Config

        Raises
        ------
        ConfigError
            An unknown key, or a config that is no longer sound.
        """
        from feedsim.config.load import changed

        return changed(self, values)

    def resolved(self) -> dict[str, Any]:
        """Plain values of every key, defaults included, in the structure of the input.

        Loaded again they give an equal config. Keys that stand for "as it follows from another"
        (start_bags: full) are left out where they were not given.
        """
        from feedsim.config.write import plain

        return plain(self)
