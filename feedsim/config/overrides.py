"""Setting keys over a file: `--set key=value`, and changes made in Python."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from feedsim.config.catalog import declaration_of, declarations, pattern_of, unknown_key_text
from feedsim.config.problems import Path, Problem, show
from feedsim.config.reading import too_deep
from feedsim.config.times import MEANS, VALUES, Spread

SET = "--set"
_PART = re.compile(r"([A-Za-z0-9_-]+)(?:\[(\d+)\])?")

# Of each pair a file may have only one: setting one takes the other out of the file.
_EXCLUSIVE: tuple[tuple[str, ...], ...] = (
    ("capacity_bags", "geometry"),
    ("stiffness_uNm", "layers"),
    ("faults", "film"),
    ("material", "modulus_GPa"),
    ("cv", "shape"),
    (*MEANS, *VALUES),
)


@dataclass
class Changes:
    """Data with keys set over it; what was set, and what was wrong with the setting."""

    data: dict[str, Any]
    origin: str
    set_paths: set[Path] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, key: str, message: str) -> None:
        """Note a problem."""
        self.problems.append(Problem(self.origin, None, key, message))


class _CannotSet(Exception):
    """Why a key cannot be set; the message is for the user."""


def apply_overrides(data: dict[str, Any], overrides: Sequence[str]) -> Changes:
    """Set `key=value` texts over plain values, in place.

    A value is read as TOML, and taken as a text where it is none. A path that passes through a
    list of tables without a number means every one of them.
    """
    changes = Changes(data, SET)
    for override in overrides:
        key, equals, value = override.partition("=")
        if not equals or not key.strip():
            changes.wrong("", f"must be key=value, is {show(override)}")
            continue
        _set(changes, key.strip(), toml_or_text(value.strip()))
    return changes


def apply_values(data: dict[str, Any], values: Mapping[str, Any]) -> Changes:
    """Set Python values over plain values, in place; None takes a key away."""
    changes = Changes(data, "with_values")
    for key, value in values.items():
        _set(changes, key, _plain(value))
    return changes


def _plain(value: Any) -> Any:
    if isinstance(value, Spread):
        return value.table()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {name: _plain(item) for name, item in value.items()}
    return value


def toml_or_text(text: str) -> Any:
    """A value as TOML reads it, or the text itself where it is none."""
    try:
        parsed = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return parsed["value"] if len(parsed) == 1 and not too_deep(parsed) else text


def _set(changes: Changes, key: str, value: Any) -> None:
    try:
        parts = _parts(key)
        for path in _targets(changes.data, parts):
            # Each table its own: a later override of one must not change the others.
            _put(changes, path, copy.deepcopy(value))
    except _CannotSet as error:
        changes.wrong(key, str(error))


def _parts(key: str) -> list[tuple[str, int | None]]:
    parts: list[tuple[str, int | None]] = []
    for piece in key.split("."):
        match = _PART.fullmatch(piece)
        if match is None:
            raise _CannotSet("must be a path like machine[0].magazine.capacity_bags")
        parts.append((match[1], int(match[2]) if match[2] is not None else None))
    for length in range(1, len(parts) + 1):
        pattern = tuple(name for name, _ in parts[:length])
        declared = declaration_of(pattern)
        if declared is None:
            raise _CannotSet(unknown_key_text(pattern)[0])
        if parts[length - 1][1] is not None and declared.kind != "tables":
            raise _CannotSet(f"{pattern[-1]} is not a list of tables, it takes no [number]")
    return parts


def _targets(data: dict[str, Any], parts: list[tuple[str, int | None]]) -> list[Path]:
    """All paths that are meant, numbers of lists filled in."""
    paths: list[Path] = [()]
    for depth, (name, number) in enumerate(parts):
        last = depth == len(parts) - 1
        paths = [(*path, name) for path in paths]
        declared = declarations().get(tuple(part for part, _ in parts[: depth + 1]))
        if declared is not None and declared.kind == "tables" and not (last and number is None):
            paths = [(*path, at) for path in paths for at in _numbers(data, path, number)]
            if not paths:
                raise _CannotSet(f"the file has no [[{declared.path}]] to set this in")
    return paths


def _numbers(data: dict[str, Any], path: Path, number: int | None) -> list[int]:
    items = _get(data, path)
    length = len(items) if isinstance(items, list) else 0
    if number is None:
        return list(range(length))
    if number >= length:
        there = "there is none" if length == 0 else f"the numbers go from 0 to {length - 1}"
        raise _CannotSet(f"no [{number}] in {'.'.join(pattern_of(path))}: {there}")
    return [number]


def _get(data: Any, path: Path) -> Any:
    for part in path:
        if isinstance(part, int) and isinstance(data, list) and part < len(data):
            data = data[part]
        elif isinstance(part, str) and isinstance(data, dict):
            data = data.get(part)
        else:
            return None
    return data


def _put(changes: Changes, path: Path, value: Any) -> None:
    here: Any = changes.data
    for depth, part in enumerate(path[:-1]):
        if isinstance(part, str) and isinstance(here, dict):
            declared = declaration_of(pattern_of(path[: depth + 1]))
            is_time = declared is not None and declared.kind == "time"
            if part not in here or (is_time and not isinstance(here[part], dict)):
                here[part] = {}
            here = here[part]
        elif isinstance(part, int):
            here = here[part]
        if not isinstance(here, dict | list):
            name = ".".join(pattern_of(path[: depth + 1]))
            raise _CannotSet(f"{name} is not a table in the file, it is {show(here)}")
    last = path[-1]
    if isinstance(last, str) and not isinstance(here, dict):
        raise _CannotSet(f"{'.'.join(pattern_of(path[:-1]))} is not a table in the file")
    if value is None and isinstance(last, str):
        here.pop(last, None)
    else:
        here[last] = value
        _drop_rivals(changes, path)
    changes.set_paths.add(path)


def _drop_rivals(changes: Changes, path: Path) -> None:
    """Take out of the file what may not stand beside a key now set."""
    for depth, name in enumerate(path):
        table = _get(changes.data, path[:depth])
        for group in _EXCLUSIVE:
            if name in group and isinstance(table, dict):
                for rival in group:
                    if rival != name and (*path[:depth], rival) not in changes.set_paths:
                        table.pop(rival, None)
    if path == ("crew", "walk_s"):
        for number, machine in enumerate(_get(changes.data, ("machine",)) or []):
            if isinstance(machine, dict) and ("machine", number, "at_m") not in changes.set_paths:
                machine.pop("at_m", None)
    crew = changes.data.get("crew")
    if (
        path[-1] == "at_m"
        and isinstance(crew, dict)
        and ("crew", "walk_s") not in changes.set_paths
    ):
        crew.pop("walk_s", None)
