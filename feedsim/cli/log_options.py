"""Options of the commands that read a plant's event log."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.options import NumberRange

if TYPE_CHECKING:
    from feedsim.logs import EventLog

# Option, key of the log's columns, help.
_LOG_COLUMNS = (
    ("--start", "start", "Column of the start of a stop."),
    ("--end", "end", "Column of its end."),
    ("--duration", "duration", "Column of its length, in place of the end or beside it."),
    ("--reason", "reason", "Column of its reason."),
    ("--machine", "machine", "Column of its machine."),
    ("--date", "date", "Column of the day, where start and end are times of day."),
)
_WINDOW_COLUMNS = (
    ("--window-start", "start", "Column of a window's start, in the file of --windows."),
    ("--window-end", "end", "Column of its end."),
    ("--window-machine", "machine", "Column of its machine."),
    ("--good", "good", "Column of the good packs of a window."),
    ("--made", "made", "Column of all packs that it made."),
    ("--rejected", "rejected", "Column of its rejected packs."),
    ("--speed", "speed", "Column of its speed, packs a minute."),
)
_COUNTS = ("good", "made", "rejected")


@dataclass(frozen=True)
class LogSource:
    """Which log to read, and how it is written.

    Attributes
    ----------
    path : Path
    windows : Path or None
    columns_path : Path or None
        The TOML file that says how the log is written.
    told : mapping
        What the options say of it, over that file.
    """

    path: Path
    windows: Path | None
    columns_path: Path | None
    told: Mapping[str, Any]

    @property
    def files(self) -> list[Path]:
        """All files that are read."""
        return [path for path in (self.path, self.windows, self.columns_path) if path is not None]

    def read(self) -> EventLog:
        """Read the log.

        Raises
        ------
        LogError, ConfigError
            If a file cannot be read, or not without being told how.
        """
        from feedsim.logs import Layout, load_layout, read_log

        layout = Layout() if self.columns_path is None else load_layout(self.columns_path)
        data = layout.model_dump()
        told = {key: value for key, value in self.told.items() if value not in (None, ())}
        of_log, of_windows = dict(told.pop("log", {})), dict(told.pop("windows", {}))
        if self.windows is None:
            # Without a file of windows the counts stand in the log.
            of_log |= {role: name for role, name in of_windows.items() if role in _COUNTS}
        data["log"] |= of_log
        data["windows"] |= of_windows
        data["states"] |= told.pop("states", {})
        return read_log(self.path, Layout.model_validate(data | told), self.windows)


def log_command(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the argument LOG and the options of reading it, as one `LogSource`."""

    def wrapped(*, log_path: Path, windows: Path | None, columns: Path | None, **rest: Any) -> Any:
        told = {key: rest.pop(key) for key in _KEYS}
        for table, options in (("log", _LOG_COLUMNS), ("windows", _WINDOW_COLUMNS)):
            given = {key: rest.pop(_parameter(option)) for option, key, _ in options}
            told[table] = {key: name for key, name in given.items() if name is not None}
        unit = rest.pop("duration_unit")
        if unit is not None:
            told["log"]["duration_unit"] = unit
        if told["delimiter"] == "tab":
            told["delimiter"] = "\t"
        told["states"] = _states(rest.pop("as_states"))
        return command(LogSource(log_path, windows, columns, told), **rest)

    functools.update_wrapper(wrapped, command)  # its own options come along
    for option in reversed(_options()):
        wrapped = option(wrapped)
    return wrapped


_KEYS = (
    *("zone", "time_format", "decimal", "delimiter", "encoding", "counters", "missing_end"),
    *("visited", "speed_per_min"),
)


def _parameter(option: str) -> str:
    return "column_" + option.removeprefix("--").replace("-", "_")


def _states(given: tuple[str, ...]) -> dict[str, str]:
    """`REASON=STATE` of each --as."""
    from feedsim.logs.layout import STATES

    found = {}
    for text in given:
        reason, equals, state = text.rpartition("=")
        if not equals or not reason.strip() or state.strip() not in STATES:
            raise click.UsageError(
                f"--as: must be REASON=STATE, the state one of {', '.join(STATES)}, is {text!r}"
            )
        found[reason.strip()] = state.strip()
    return found


def _options() -> list[Callable[..., Any]]:
    path = click.Path(path_type=Path)
    columns = [
        click.option(option, _parameter(option), metavar="COL", help=told)
        for option, _, told in (*_LOG_COLUMNS, *_WINDOW_COLUMNS)
    ]
    return [
        click.argument("log_path", metavar="LOG", type=path),
        click.option(
            "--windows",
            type=path,
            metavar="FILE",
            help="CSV file of production windows: start, end, and counts if there are.",
        ),
        click.option(
            "--columns",
            type=path,
            metavar="FILE",
            help="TOML file that says how the log is written; options go before it.",
        ),
        *columns,
        click.option(
            "--duration-unit",
            type=click.Choice(["us", "ms", "s", "min", "h"]),
            help="Unit of the length, where its column's name does not end in it.",
        ),
        click.option(
            "--as",
            "as_states",
            multiple=True,
            metavar="REASON=STATE",
            help="A reason that is a state: dry, jam, lane_fault, blocked, changeover, "
            "planned_stop (a break), running. May be given several times.",
        ),
        click.option(
            "--visited",
            multiple=True,
            metavar="REASON",
            help="A reason whose stops somebody came to end: they count as visits.",
        ),
        click.option("--zone", help="Time zone of local times, such as Europe/Berlin."),
        click.option("--time-format", help='How times are written, such as "%d/%m/%Y %H:%M:%S".'),
        click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark."),
        click.option(
            "--delimiter",
            type=click.Choice([",", ";", "tab", "|"]),
            help="What parts the fields (default: as the heading shows).",
        ),
        click.option("--encoding", help="Of the files (default: utf-8), such as cp1252."),
        click.option(
            "--counters",
            is_flag=True,
            default=None,
            help="Counts are readings of counters that go on.",
        ),
        click.option(
            "--missing-end",
            type=click.Choice(["leave-out", "until-next"]),
            help="A stop without an end: left out (default), or as long as it can have been.",
        ),
        click.option(
            "--speed-per-min",
            type=NumberRange(0.001, 100_000),
            help="Speed of the machines, packs a minute.",
        ),
    ]
