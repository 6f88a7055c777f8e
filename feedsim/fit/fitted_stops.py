"""The file of fitted stops: what stations were fitted, and how sure their parameters are.

``stops.toml`` holds, for each station and each of its two times, family and parameters as a
config has them, and the covariance of their logarithms. A study with uncertain inputs draws the
parameters from it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import ValidationError

from feedsim.config import ConfigError, Problem, Spread
from feedsim.config.datafile import read_text
from feedsim.config.declare import Name, Table, allowed_text, key
from feedsim.config.lines import line_of, lines_of_keys
from feedsim.config.problems import key_text, show
from feedsim.config.reading import read_toml
from feedsim.fit.families import FORM, LONGEST_MEAN_S, spread_of
from feedsim.fit.stops import BETWEEN, EMPIRICAL, LENGTH, FittedTime, StopsResult
from feedsim.version import VERSION

SCHEMA = 1
KIND = "fitted stops"
METHOD = (
    "maximum likelihood with right-censoring; covariance of the logarithms of mean_s and of shape "
    "or cv from the observed information"
)
_ROUNDING = 1e-9

Matrix = tuple[tuple[float, ...], ...]


# pydantic wants a tuple given as a list to be told so at each level.
_Row = Annotated[tuple[float, ...], key("", listed=True)]


class StopTable(Table):
    """One fitted time of a station."""

    family: Literal["exponential", "weibull", "lognormal", "empirical"] = key(
        "Family of the distribution", example="lognormal"
    )
    mean_s: float | None = key("Mean", unit="s", default=None, gt=0, le=LONGEST_MEAN_S)
    cv: float | None = key(
        "Standard deviation over mean (lognormal)", default=None, ge=0.001, le=100
    )
    shape: float | None = key("Shape (weibull)", default=None, ge=0.1, le=2e3)
    covariance: tuple[_Row, ...] | None = key(
        "Covariance of the logarithms of the parameters",
        default=None,
        listed=True,
        allowed="a symmetric matrix of the parameters' size with no negative variance",
    )
    values_s: tuple[float, ...] | None = key(
        "Times drawn alike often (empirical)",
        unit="s",
        default=None,
        listed=True,
        allowed="a list of numbers of at least 0",
    )
    events: int = key("Stops seen", ge=0)
    censored: int = key("Times that are cut off", ge=0)


class StationTable(Table):
    """A fitted station."""

    name: Name = key("Name of the station", allowed="a name")
    reason: str = key("Reason in the log")
    between_stops: StopTable = key("Running time between stops")
    stop: StopTable = key("Length of a stop")


class StopsTable(Table):
    """The whole file."""

    schema_: Literal[1] = key("Of the file", alias="schema")
    kind: Literal["fitted stops"] = key("What the file is")
    notes: dict[str, str | int | float] = key("Where it comes from", default={})
    station: tuple[StationTable, ...] = key("Stations", listed=True, allowed="[[station]] tables")


@dataclass(frozen=True)
class DrawableTime:
    """A fitted time: its value, and the covariance of its parameters' logarithms.

    Attributes
    ----------
    spread : Spread
    covariance : tuple of tuples
        Of ln(mean) and, where there is one, ln(shape) or ln(cv); empty for an empirical time.
    events, censored : int
        What it rests on.
    """

    spread: Spread
    covariance: Matrix
    events: int
    censored: int

    def draw(self, rng: np.random.Generator) -> Spread:
        """The time with its parameters drawn from the normal law of their logarithms.

        Of an empirical time as many values are drawn as it rests on events, with replacement.
        """
        spread = self.spread
        if spread.values_s is not None:
            count = max(1, min(self.events, len(spread.values_s)))
            values = rng.choice(np.array(spread.values_s), count)
            return Spread(EMPIRICAL, math.fsum(values) / count, values_s=tuple(map(float, values)))
        form = spread.shape if spread.cv is None else spread.cv
        middle = [math.log(spread.mean_s), *([] if form is None else [math.log(form)])]
        drawn = rng.multivariate_normal(middle, np.array(self.covariance), method="eigh")
        mean_s, *forms = np.exp(drawn)
        return spread_of(spread.family, float(mean_s), float(forms[0]) if forms else None)


@dataclass(frozen=True)
class FittedStops:
    """Stations that were fitted to a log, as `feedsim fit stops` wrote them.

    Attributes
    ----------
    stations : mapping from a station's name to a mapping from the key to a DrawableTime
        Keys are between_stops and stop.
    reasons : mapping from a station's name to the reason of the log
    notes : mapping
        Where they come from.
    name : str
        Of the file.
    """

    stations: Mapping[str, Mapping[str, DrawableTime]]
    reasons: Mapping[str, str]
    notes: Mapping[str, str | int | float] = field(default_factory=dict)
    name: str = KIND

    def spreads(self) -> dict[str, dict[str, Spread]]:
        """The times as fitted: {station: {key: Spread}}."""
        return {
            name: {purpose: time.spread for purpose, time in times.items()}
            for name, times in self.stations.items()
        }

    def draw(self, rng: np.random.Generator) -> dict[str, dict[str, Spread]]:
        """The times with their parameters drawn anew: {station: {key: Spread}}.

        Parameters
        ----------
        rng : numpy.random.Generator

        Notes
        -----
        Times of different stations, and the two times of one, are independent. A draw may lie
        outside of what a config may say; that is for its reader to refuse and to draw again.
        """
        return {
            name: {purpose: time.draw(rng) for purpose, time in times.items()}
            for name, times in self.stations.items()
        }


def table_of(result: StopsResult, log_name: str) -> dict[str, Any]:
    """Plain values of the file of a result."""
    return {
        "schema": SCHEMA,
        "kind": KIND,
        "notes": {
            "feedsim": VERSION,
            "log": log_name,
            "machine": "all, as if alike" if result.machine is None else result.machine,
            "windows": result.windows,
            "running_h": result.running_s / 3600,
            "method": METHOD,
        },
        "station": [
            {
                "name": station.name,
                "reason": station.reason,
                BETWEEN: _time_table(station.between),
                LENGTH: _time_table(station.length),
            }
            for station in result.stations
        ],
    }


def _time_table(time: FittedTime) -> dict[str, Any]:
    table = time.table()
    family = time.family
    if family is not None:
        table["covariance"] = [[float(item) for item in row] for row in family.fit.covariance]
    return {**table, "events": time.data.events, "censored": time.data.censored}


def read(path: str | Path) -> FittedStops:
    """Read fitted stops that `feedsim fit stops` wrote.

    Parameters
    ----------
    path : str or Path
        The file stops.toml.

    Returns
    -------
    FittedStops

    Raises
    ------
    ConfigError
        With all problems of the file, each with its line.
    """
    path = Path(path)
    text, line, problem = read_text(path)
    if problem:
        raise ConfigError([Problem(str(path), line, "", problem)])
    data = read_toml(text, str(path))
    lines = lines_of_keys(text)

    def located(where: tuple[str | int, ...], message: str) -> Problem:
        return Problem(str(path), line_of(where, lines), key_text(where, data), message)

    try:
        found = StopsTable.model_validate(data)
    except ValidationError as error:
        raise ConfigError(
            [
                located(tuple(e["loc"]), _in_words(tuple(e["loc"]), e["type"], e["input"]))
                for e in error.errors(include_url=False)
            ]
        ) from error
    problems = [
        located(("station", number, purpose, *where), message)
        for number, station in enumerate(found.station)
        for purpose in (BETWEEN, LENGTH)
        for where, message in _misfits(getattr(station, purpose))
    ]
    names = [station.name for station in found.station]
    if not names:
        problems.append(located((), "has no [[station]] table"))
    problems += [
        located(("station", number, "name"), f"stands there twice, is {show(name)}")
        for number, name in enumerate(names)
        if name in names[:number]
    ]
    if problems:
        raise ConfigError(problems)
    return FittedStops(
        {s.name: {p: _drawable(getattr(s, p)) for p in (BETWEEN, LENGTH)} for s in found.station},
        {s.name: s.reason for s in found.station},
        found.notes,
        path.name,
    )


def _drawable(table: StopTable) -> DrawableTime:
    if table.values_s is not None:
        values = table.values_s
        spread = Spread(EMPIRICAL, math.fsum(values) / len(values), values_s=values)
    else:
        assert table.mean_s is not None
        form = table.shape if table.cv is None else table.cv
        spread = spread_of(table.family, table.mean_s, form)
    return DrawableTime(spread, table.covariance or (), table.events, table.censored)


def _misfits(table: StopTable) -> list[tuple[tuple[str, ...], str]]:
    """Keys that do not go with the family, or are missing."""
    if table.family == EMPIRICAL:
        wanted = ["values_s"]
    else:
        form = FORM.get(table.family)
        wanted = ["mean_s", *([form] if form else []), "covariance"]
    wrong: list[tuple[tuple[str, ...], str]] = []
    for name in ("mean_s", "cv", "shape", "covariance", "values_s"):
        there = getattr(table, name) is not None
        if there and name not in wanted:
            wrong.append(((name,), f"does not go with family {show(table.family)}"))
        if not there and name in wanted:
            wrong.append(((name,), f"is missing: family {show(table.family)} needs it"))
    if not wrong and table.covariance is not None:
        size = len(wanted) - 1
        if not _is_covariance(table.covariance, size):
            what = "a matrix" if size == 1 else "a symmetric matrix"
            wrong.append(
                (("covariance",), f"must be {what} of {size} x {size} with no negative variance")
            )
    if table.values_s is not None and (not table.values_s or min(table.values_s) < 0):
        wrong.append((("values_s",), "must be a list of numbers of at least 0"))
    return wrong


def _is_covariance(rows: Matrix, size: int) -> bool:
    if len(rows) != size or any(len(row) != size for row in rows):
        return False
    matrix = np.array(rows)
    room = _ROUNDING * max(float(np.abs(matrix).max()), 1e-300)
    return bool(
        np.abs(matrix - matrix.T).max() <= room and np.linalg.eigvalsh(matrix).min() >= -room
    )


_TABLES: dict[str, type[Table]] = {
    "station": StationTable,
    BETWEEN: StopTable,
    LENGTH: StopTable,
}


def _in_words(path: tuple[str | int, ...], kind: str, value: Any) -> str:
    """A pydantic error in plain words."""
    table: type[Table] = StopsTable
    declared = None
    for part in path:
        if isinstance(part, int):
            continue
        names = {f.alias or name: f for name, f in table.model_fields.items()}
        if part not in names:
            return f"unknown key, allowed here are {', '.join(names)}"
        declared = names[part]
        table = _TABLES.get(part, table)
    assert declared is not None
    what = f"must be {allowed_text(declared)}"
    return f"is missing: {what}" if kind == "missing" else f"{what}, is {show(value)}"
