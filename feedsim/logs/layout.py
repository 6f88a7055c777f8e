"""How a log is written: which column is what, in which zone, with which marks.

All of it may be left out where the file says it plainly; what could be read in two ways must be
told.
"""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ValidationError

from feedsim.config import ConfigError, Problem
from feedsim.config.datafile import read_text
from feedsim.config.declare import Table, allowed_text, key
from feedsim.config.lines import line_of, lines_of_keys
from feedsim.config.problems import key_text, show
from feedsim.config.reading import read_toml
from feedsim.logs.findings import shown
from feedsim.logs.instants import time_format_problem, zone_problem

# States of the accounts that a log's reason may be.
State = Literal["running", "dry", "lane_fault", "jam", "blocked", "changeover", "planned_stop"]
STATES: tuple[State, ...] = get_args(State)
# Speeds of a machine, packs a minute.
SLOWEST_PER_MIN, FASTEST_PER_MIN = 0.001, 1e5
Unit = Literal["us", "ms", "s", "min", "h"]


class Columns(Table):
    """Names of a file's columns; what is not named is looked for under its obvious names."""

    start: str | None = key("Column of the start", default=None, example="begin")
    end: str | None = key("Column of the end", default=None, example="end")
    duration: str | None = key("Column of the length", default=None, example="minutes")
    duration_unit: Unit | None = key("Unit of the length", default=None, example="min")
    date: str | None = key(
        "Column of the day, where start and end are times of day", default=None, example="date"
    )
    reason: str | None = key("Column of the stop's reason", default=None, example="fault")
    machine: str | None = key("Column of the machine", default=None, example="line")
    good: str | None = key("Column of the good packs", default=None, example="good")
    made: str | None = key("Column of all packs made", default=None, example="total")
    rejected: str | None = key("Column of the rejected packs", default=None, example="rejects")
    speed: str | None = key("Column of the speed, per minute", default=None, example="speed")


class Layout(Table):
    """How a log and its file of production windows are written."""

    log: Columns = key("Columns of the log", default=Columns())
    windows: Columns = key("Columns of the file of production windows", default=Columns())
    zone: str | None = key(
        "Time zone of local times, by its IANA name", default=None, example="Europe/Berlin"
    )
    time_format: str | None = key(
        "How times are written, as strptime reads it", default=None, example="%d/%m/%Y %H:%M:%S"
    )
    decimal: Literal[".", ","] | None = key("Decimal mark", default=None, example=",")
    delimiter: Literal[",", ";", "\t", "|"] | None = key(
        "What parts the fields",
        default=None,
        example=";",
        allowed='one of ",", ";", "\\t", "|"',
    )
    encoding: str = key("Of the files", default="utf-8", example="cp1252")
    counters: bool = key("Counts are readings of counters that go on", default=False)
    missing_end: Literal["leave-out", "until-next"] = key(
        "What becomes of a stop without an end and a duration", default="leave-out"
    )
    states: dict[str, State] = key(
        "Reasons that are a state of the accounts",
        default={},
        allowed="a table of reasons, each one of " + ", ".join(f'"{state}"' for state in STATES),
    )
    visited: tuple[str, ...] = key(
        "Reasons whose stops somebody came to end",
        default=(),
        listed=True,
        allowed="a list of reasons",
    )
    speed_per_min: float | None = key(
        "Speed of the machines",
        unit="packs/min",
        default=None,
        example=40,
        ge=SLOWEST_PER_MIN,
        le=FASTEST_PER_MIN,
    )


PLAIN = Layout()


def load_layout(path: str | Path) -> Layout:
    """Read a layout from a small TOML file.

    Parameters
    ----------
    path : str or Path
        Keys of `Layout` at the top, of `Columns` in the tables ``[log]`` and ``[windows]``,
        reasons that are states in ``[states]``.

    Raises
    ------
    ConfigError
        With all problems of the file at once.
    """
    text, line, problem = read_text(Path(path))
    if problem:
        raise ConfigError([Problem(str(path), line, "", problem)])
    data = read_toml(text, str(path))
    try:
        layout = Layout.model_validate(data)
    except ValidationError as error:
        lines = lines_of_keys(text)
        raise ConfigError(
            [
                Problem(
                    str(path),
                    line_of(tuple(wrong["loc"]), lines),
                    key_text(tuple(wrong["loc"]), data),
                    _in_words(tuple(wrong["loc"]), wrong["type"], wrong["input"]),
                )
                for wrong in error.errors(include_url=False)
            ]
        ) from error
    wrong = {key: words for key, words in _unusable(layout).items() if words}
    if wrong:
        lines = lines_of_keys(text)
        raise ConfigError([Problem(str(path), lines.get((k,)), k, w) for k, w in wrong.items()])
    return layout


def _unusable(layout: Layout) -> dict[str, str]:
    """What is wrong with keys that name something outside, or nothing, by key."""
    return {
        "zone": "" if layout.zone is None else zone_problem(layout.zone),
        "time_format": (
            "" if layout.time_format is None else time_format_problem(layout.time_format)
        ),
        "encoding": encoding_problem(layout.encoding),
    }


def encoding_problem(name: str) -> str:
    """What is wrong with the name of an encoding, or nothing."""
    try:
        "".encode(name)
        b"".decode(name)
    except (LookupError, ValueError):
        return f"no such encoding of text, is {shown(name)}, allowed: such as utf-8 or cp1252"
    return ""


def _in_words(path: tuple[str | int, ...], kind: str, value: Any) -> str:
    table = Columns if path[0] in ("log", "windows") and len(path) > 1 else Layout
    if kind == "extra_forbidden":
        near = get_close_matches(str(path[-1]), table.model_fields, 1)
        meant = f": meant is perhaps {near[0]}" if near else ""
        return f"no such key{meant}, allowed: {', '.join(table.model_fields)}"
    declared = table.model_fields[str(path[1] if table is Columns else path[0])]
    return f"must be {allowed_text(declared)}, is {show(value)}"
