"""Uncertain inputs: how far the answer may lie from what the config's values give.

Inputs that were fitted to trials and logs are known with an error. They are drawn anew for each
of K sets, and each set is simulated over R replications of its own. What the sets' means differ
by, beyond what so few shifts explain, is the data's part of the answer's error.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt
from typing import Any

import numpy as np

from feedsim.answers.rows import Row, estimate_json, rows_of
from feedsim.config import Config, ConfigError
from feedsim.mistakes import Mistake
from feedsim.stats import Floats, t_quantile
from feedsim.streams import Streams
from feedsim.study import HERE, Setting, Shifts, Work, refuse_absurd

SETS = 40
SETS_OF_ONE = 20
MOST_TRIES = 100
MORE = 10

Draw = Callable[[np.random.Generator], Mapping[str, Any]]
SettingsOf = Callable[[Config], list[Setting]]


class InputsError(Mistake):
    """Inputs that cannot be drawn."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """One fit's inputs, drawn together: a name for readers, and new values of config keys."""

    name: str
    draw: Draw


@dataclass(frozen=True, slots=True)
class Range:
    """What is known of a measure's expectation, over the simulation and over the inputs.

    Attributes
    ----------
    expected : float
        Mean over the sets.
    low, high : float
        Interval of the expected measure at the study's confidence, both errors included.
    data_sd : float
        Standard deviation of the expected measure over the inputs.
    simulation_sd : float
        Standard error that the shifts of one set leave: more of them make it smaller.
    """

    expected: float
    low: float
    high: float
    data_sd: float
    simulation_sd: float

    @property
    def data_part(self) -> float:
        """The data's part of the variance of one set's mean."""
        whole = self.data_sd**2 + self.simulation_sd**2
        return self.data_sd**2 / whole if whole > 0 else float("nan")

    def json(self) -> dict[str, Any]:
        """The range as the JSON document has it."""
        told = {
            "expected": self.expected,
            "low": self.low,
            "high": self.high,
            "data_sd": self.data_sd,
            "simulation_sd": self.simulation_sd,
        }
        return {name: None if np.isnan(value) else value for name, value in told.items()}


@dataclass(frozen=True)
class InputsResult:
    """Ranges of all measures over uncertain inputs, and which of them weigh most.

    Attributes
    ----------
    rows : list of Row
        With the inputs as the config has them.
    ranges : list of mappings from a measure's name to its Range
        One a row.
    parts : mapping from an unknown's name to mappings from a measure's name to a variance
        Of the first setting's whole cell, with this unknown drawn alone.
    sets, replications : int
    """

    rows: list[Row]
    ranges: list[Mapping[str, Range]]
    parts: Mapping[str, Mapping[str, float]]
    sets: int
    replications: int

    def gain(self, unknown: str, measure: str) -> float:
        """By which part ten times its trial would cut the variance that the data leave."""
        whole = sum(parts.get(measure, 0.0) for parts in self.parts.values())
        if not whole > 0:
            return float("nan")
        return self.parts[unknown].get(measure, 0.0) / whole * (1 - 1 / MORE)

    def json(self) -> dict[str, Any]:
        """The command's part of the JSON document."""
        gains = {
            name: {m: value for m in parts if (value := self.gain(name, m)) == value}
            for name, parts in self.parts.items()
        }
        return {
            "sets": self.sets,
            "replications": self.replications,
            "ranges": [
                {
                    "setting": dict(row.setting),
                    "machine": row.machine,
                    "fixed": {name: estimate_json(row[name]) for name in row.figures},
                    "measures": {name: found.json() for name, found in ranges.items()},
                }
                for row, ranges in zip(self.rows, self.ranges, strict=True)
            ],
            "variance_cut_by_ten_times_the_trial": gains,
        }


def with_uncertain_inputs(
    config: Config,
    unknowns: Sequence[Unknown],
    settings_of: SettingsOf,
    *,
    sets: int = SETS,
    work: Work = HERE,
) -> InputsResult:
    """Simulate settings over drawn inputs.

    Parameters
    ----------
    config : Config
        Its study table says the replications of each set.
    unknowns : sequence of Unknown
    settings_of : callable
        From a config to the settings that are studied, the same for every config.
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work

    Returns
    -------
    InputsResult

    Raises
    ------
    InputsError
        If nothing is uncertain, or what is drawn makes no config.
    TooLarge
        If it would run for hours.

    References
    ----------
    One-way analysis of variance with random effects: Searle, Casella and McCulloch, Variance
    Components, ch. 3; its use on simulation inputs: Song, Nelson and Pegden, Winter Simulation
    Conference 2014 (both from memory).
    """
    refuse_certain(unknowns)
    study = config.study
    fixed = settings_of(config)
    cells = [setting.cell for setting in fixed]
    refuse_absurd(cells * (sets + 1), study.replications, work)
    with Shifts(study.seed, work) as shifts:
        rows = rows_of(shifts.results(fixed, study.replications, study.confidence))
        parts = {
            unknown.name: _alone(config, unknown, settings_of, rows, shifts) for unknown in unknowns
        }
    drawn = [
        _rows_of_set(config, unknowns, settings_of, number, work) for number in range(1, sets + 1)
    ]
    ranges: list[Mapping[str, Range]] = [
        {name: _range(alike, name, study.confidence) for name in row.figures}
        for row, *alike in zip(rows, *drawn, strict=True)
    ]
    return InputsResult(rows, ranges, parts, sets, study.replications)


def refuse_certain(unknowns: Sequence[Unknown]) -> None:
    """Refuse to draw inputs of which none is uncertain.

    Raises
    ------
    InputsError
    """
    if not unknowns:
        raise InputsError(
            "--inputs: nothing in this config is uncertain, allowed: 'fixed', or a config with "
            "what `feedsim fit` wrote: bag.film, or stations' times with a covariance"
        )


def _rows_of_set(
    config: Config,
    unknowns: Sequence[Unknown],
    settings_of: SettingsOf,
    number: int,
    work: Work,
) -> list[Row]:
    """A set of drawn inputs, on luck of its own."""
    study = config.study
    settings = settings_of(_drawn(config, unknowns, number))
    seed = int(Streams(study.seed, number).named("inputs").generator.integers(1 << 32))
    with Shifts(seed, replace(work, progress=None)) as shifts:
        return rows_of(shifts.results(settings, study.replications, study.confidence))


def _alone(
    config: Config,
    unknown: Unknown,
    settings_of: SettingsOf,
    rows: Sequence[Row],
    shifts: Shifts,
) -> dict[str, float]:
    """Variance of the whole cell's measures with one unknown drawn, on the luck of the config."""
    study = config.study
    values: dict[str, list[float]] = {name: [] for name in _cell_of_first(rows).figures}
    for number in range(1, SETS_OF_ONE + 1):
        settings = settings_of(_drawn(config, [unknown], number))[:1]
        found = rows_of(shifts.results(settings, study.replications, study.confidence))
        for name, seen in values.items():
            if name in found[-1].figures:
                seen.append(found[-1].figures[name].value)
    return {name: float(np.var(seen, ddof=1)) for name, seen in values.items() if len(seen) > 1}


def _cell_of_first(rows: Sequence[Row]) -> Row:
    return next(row for row in rows if row.machine is None)


def _drawn(config: Config, unknowns: Sequence[Unknown], number: int) -> Config:
    """The config with inputs drawn; a draw that no config may have is drawn again.

    Raises
    ------
    InputsError
        If none of many draws makes a config.
    """
    problem = ""
    streams = Streams(config.study.seed, number)
    luck = {unknown.name: streams.named("inputs", unknown.name).generator for unknown in unknowns}
    for _ in range(MOST_TRIES):
        values: dict[str, Any] = {}
        for unknown in unknowns:
            values |= unknown.draw(luck[unknown.name])
        try:
            return config.with_values(values)
        except ConfigError as error:
            problem = str(error.problems[0])
    raise InputsError(f"--inputs: {MOST_TRIES} draws of the inputs made no config: {problem}")


def _range(rows: Sequence[Row], name: str, confidence: float) -> Range:
    """Mean over the sets, and its error split in two."""
    figures = [row.figures[name] for row in rows if name in row.figures]
    means = np.array([figure.value for figure in figures], float)
    within = np.array([_error_variance(figure.deviations) for figure in figures])
    if len(means) < 2 or not np.all(np.isfinite(means)):
        nothing = float("nan")
        return Range(nothing, nothing, nothing, nothing, nothing)
    expected, between = float(means.mean()), float(means.var(ddof=1))
    simulation = float(within.mean())
    data = max(0.0, between - simulation)
    low, high = figures[0].measure.bounds
    spread = sqrt(data / between) if between > 0 else 0.0
    shrunk = expected + (means - expected) * spread
    least, most = np.quantile(shrunk, [(1 - confidence) / 2, (1 + confidence) / 2])
    # What the inputs make of it, in the shape of the sets, and the error of the sets' mean.
    error = t_quantile((1 + confidence) / 2, len(means) - 1) * sqrt(between / len(means))
    return Range(
        expected,
        max(low, expected - hypot(expected - least, error)),
        min(max(high, expected), expected + hypot(most - expected, error)),
        sqrt(data),
        sqrt(simulation),
    )


def _error_variance(deviations: Floats) -> float:
    n = len(deviations)
    return float(np.var(deviations, ddof=1)) / n if n > 1 else float("nan")
