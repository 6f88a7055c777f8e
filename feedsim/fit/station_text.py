"""Fitted stations as a config has them: text to paste, and the files of times that it names."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import chain, count
from typing import Any

from feedsim.config.write import toml_value
from feedsim.fit.stop_words import PURPOSES, answer, length, unit_of
from feedsim.fit.stops import FittedStation, FittedTime, StopsResult

DIGITS = 6
LONGEST_NAME = 60


def stations_text(result: StopsResult, log_name: str) -> str:
    """``[[machine.station]]`` tables that a config's machine takes as they stand.

    Parameters
    ----------
    result : StopsResult
    log_name : str
        Where the stops come from, for a comment.

    Returns
    -------
    str
        TOML. An empirical time names its file, to be put beside the config.
    """
    lines = [
        f"# Stations fitted by `feedsim fit stops` to {_comment(log_name)}.",
        *(f"# {_comment(sentence)}" for sentence in answer(result)),
        "# Put these tables behind the [[machine]] of your config, with the files they name.",
        "# covariance: how well the log tells mean and cv or shape, for --inputs uncertain.",
        "# Lengths hold the wait for an operator where the log does, so none is waited for here.",
    ]
    for station, name in zip(result.stations, _names(result), strict=True):
        lines += ["", *_lines(station, name)]
    return "\n".join(lines) + "\n"


def files_of_times(result: StopsResult) -> Mapping[str, str]:
    """Files of the times that no family carries, one number of seconds a line, by name."""
    return {
        _file_name(name, time): "".join(f"{value:.{DIGITS}f}\n" for value in time.values_s)
        for station, name in zip(result.stations, _names(result), strict=True)
        for time in station.times
        if time.family is None
    }


def _names(result: StopsResult) -> list[str]:
    """Each station's name as files have it: none twice, also where names differ only behind it."""
    names: list[str] = []
    for station in result.stations:
        plain = re.sub(r"\W+", "-", station.name.lower()).strip("-")[:LONGEST_NAME] or "station"
        numbered = (f"{plain}-{number}" for number in count(2))
        names.append(next(name for name in chain([plain], numbered) if name not in names))
    return names


def _file_name(name: str, time: FittedTime) -> str:
    """Name of the file of an empirical time."""
    return f"{name}-{time.purpose.replace('_', '-')}-s.txt"


def _lines(station: FittedStation, name: str) -> Iterator[str]:
    yield "[[machine.station]]"
    yield f"name = {toml_value(station.name)}"
    for time in station.times:
        yield f"# {_basis(time)}"
        yield f"{time.purpose} = {toml_value(_table(time, name))}"


def _table(time: FittedTime, name: str) -> dict[str, Any]:
    family = time.family
    if family is None:
        return {"family": time.chosen, "file_s": _file_name(name, time)}
    fit = family.fit
    unit, size_s = unit_of(fit.mean_s)
    table: dict[str, Any] = {
        "family": fit.family,
        f"mean_{unit}": _rounded(fit.mean_s / size_s),
    }
    if fit.form is not None and fit.form_name is not None:
        table[fit.form_name] = _rounded(fit.form)
    table["covariance"] = [[_rounded(item) for item in row] for row in fit.covariance]
    return table


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _basis(time: FittedTime) -> str:
    seen = f"{time.data.events:,} {PURPOSES[time.purpose]}"
    cut = f", {time.data.censored:,} cut off" if time.data.censored else ""
    family = time.family
    if family is None:
        return f"{seen}{cut}: no family carries them"
    low, high = family.mean_s
    return f"{seen}{cut}: mean {length(low)} to {length(high)}"


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)
