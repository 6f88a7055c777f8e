"""The way from a cell that the engines tell differently to the smallest one that still is."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import deepcopy
from typing import Any

from feedsim.config import ConfigError, dump_toml
from feedsim.verify.twins import Difference

KeyPath = tuple[str | int, ...]
Differs = Callable[[str], list[Difference]]


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
        less: tuple[float, ...] = (was / 2,) if name == "shift_h" else ()
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
