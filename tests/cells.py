"""Small cells for tests, from short TOML texts, and shifts of them.

In these texts any time may be written in seconds, ``20 s``: under a key in hours or minutes it is
turned into that unit, under any other key into a constant time.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pytest
from accounts_as_told import told

import feedsim.model.shift
from feedsim.accounts import Record, Window, check_balances, read
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.model.shift import run_shift
from feedsim.streams import Stream, Streams

SECONDS = 1_000_000
_TIME = re.compile(r"^(\s*)(\w+) = ([\d.]+) s$", re.MULTILINE)
_UNITS = {"_h": 3600, "_min": 60}


def toml_of(text: str) -> str:
    """The TOML of a short text."""

    def written(found: re.Match[str]) -> str:
        indent, key, seconds = found.groups()
        for end, size in _UNITS.items():
            if key.endswith(end):
                return f"{indent}{key} = {float(seconds) / size!r}"
        return f'{indent}{key} = {{ family = "constant", mean_s = {seconds} }}'

    return _TIME.sub(written, text)


def cell_of(*texts: str, **values: Any) -> Cell:
    """The cell of a short text (or several, joined)."""
    config = parse_config(toml_of("\n".join(texts)))
    return build_cell(config.with_values(values) if values else config)


@dataclass(frozen=True)
class Shift:
    """A shift that was simulated; times in seconds."""

    cell: Cell
    record: Record

    @cached_property
    def told(self) -> dict[str, Any]:
        """All that happened, in plain numbers, as `accounts_as_told` has it."""
        return told(self.record, self.cell)

    def of(self, what: str, machine: int = 0) -> list[tuple[Any, ...]]:
        """One list of what happened at a machine: states, pockets, loads, visits, calls, ...."""
        return in_seconds(self.told["machines"][machine][what])

    def tasks(self) -> list[tuple[Any, ...]]:
        """What each operator did: number, taken, begun, ended, kind, where."""
        return [
            (number, *(None if at is None else _short(at) for at in times), kind, where)
            for number, *times, kind, where in self.told["tasks"]
        ]

    def sums(self, machine: int = 0, window: Sequence[float] | None = None) -> dict[str, int]:
        """A reading's sums of one machine, by default of the whole shift."""
        return read(self.record, self.cell, self._window(window)).machines[machine]

    def crew(self, window: Sequence[float] | None = None) -> dict[str, int]:
        """A reading's sums of the crew."""
        return read(self.record, self.cell, self._window(window)).crew

    def _window(self, window: Sequence[float] | None) -> Window:
        if window is None:
            return Window(0, self.cell.shift_us)
        begin, end = window
        return Window(round(begin * SECONDS), round(end * SECONDS))


def _short(us: int) -> float:
    seconds = us / SECONDS
    return int(seconds) if seconds == int(seconds) else seconds


def in_seconds(entries: Sequence[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Entries whose first field is an instant in microseconds, in seconds."""
    return [(_short(at), *rest) for at, *rest in entries]


def shift_of(*texts: str, seed: int = 1, replication: int = 1) -> Shift:
    """Simulate one shift of a short text, its balances checked."""
    cell = cell_of(*texts)
    record = run_shift(cell, seed, replication)
    check_balances(record, cell)
    return Shift(cell, record)


class Script:
    """A generator that gives what it was told to, in order; running out of it is an error."""

    def __init__(self, values: Sequence[float]) -> None:
        self.values = list(values)

    def _next(self, *_: float) -> Any:
        return self.values.pop(0)

    geometric = random = _next


@dataclass
class _ScriptedStream:
    generator: Script


Luck = Mapping[str, Sequence[float]]


@pytest.fixture
def shift_with_luck(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Shift]:
    """Simulate a shift in which some streams are written out by hand, by their names."""

    def simulate(luck: Luck, *texts: str) -> Shift:
        scripts = {name: Script(values) for name, values in luck.items()}

        class Scripted(Streams):
            def named(self, *parts: object) -> Stream:
                name = "/".join(map(str, parts))
                if name in scripts:
                    return _ScriptedStream(scripts[name])  # type: ignore[return-value]
                return super().named(*parts)

        with monkeypatch.context() as patch:
            patch.setattr(feedsim.model.shift, "Streams", Scripted)
            return shift_of(*texts)

    return simulate


def sequence_of(stream: Stream, count: int = 20) -> list[float]:
    """The first uniform numbers of a stream."""
    return [float(value) for value in np.asarray(stream.generator.random(count))]
