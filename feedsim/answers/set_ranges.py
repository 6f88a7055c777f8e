"""Ranges over sets of inputs: what scatters for want of data, and what for want of shifts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Any

import numpy as np

from feedsim.answers.rows import Row, finite_or_none, row_of
from feedsim.answers.targets import Target
from feedsim.measures import Figure
from feedsim.stats import Floats, exact_interval, t_quantile


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
        Standard error that the shifts of one set leave: more of them make it smaller. Both are no
        numbers with one shift a set: then the range holds all of the sets' scatter.
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
        return {name: finite_or_none(value) for name, value in told.items()}


@dataclass(frozen=True, slots=True)
class ShareOfSets:
    """In how many sets of inputs something holds, and the exact interval of its chance."""

    number: int
    sets: int
    low: float
    high: float

    def json(self) -> dict[str, Any]:
        """The share as the JSON document has it."""
        return {
            "sets_met": self.number,
            "sets": self.sets,
            "share": self.number / self.sets,
            "share_low": self.low,
            "share_high": self.high,
        }

    def in_words(self) -> str:
        """The share for readers."""
        return f"{self.number} of {self.sets} sets of inputs"


def range_of(figures: Sequence[Figure], confidence: float) -> Range:
    """The range of a measure of which each set has a figure."""
    means = [figure.value for figure in figures]
    errors = [error_variance(figure.deviations) for figure in figures]
    return range_over(means, errors, figures[0].measure.bounds, confidence)


def range_over(
    means: Sequence[float],
    errors: Sequence[float],
    bounds: tuple[float, float],
    confidence: float,
) -> Range:
    """Mean over the sets, and its error split in two.

    Parameters
    ----------
    means : sequence of K floats
        One a set.
    errors : sequence of K floats
        Variance of each that its shifts leave.
    bounds : tuple of float
        What it can be.
    confidence : float

    Returns
    -------
    Range
        Not numbers with less than two sets, or where a mean is none.

    References
    ----------
    One-way analysis of variance with random effects: Searle, Casella and McCulloch, Variance
    Components, ch. 3 (from memory).
    """
    values = np.array(means, float)
    if len(values) < 2 or not np.all(np.isfinite(values)):
        nothing = float("nan")
        return Range(nothing, nothing, nothing, nothing, nothing)
    expected, between = float(values.mean()), float(values.var(ddof=1))
    simulation, data = _parts(between, errors)
    shrunk = without_luck(means, errors)
    least, most = np.quantile(shrunk, [(1 - confidence) / 2, (1 + confidence) / 2])
    # What the inputs make of it, in the shape of the sets, and the error of the sets' mean.
    error = t_quantile((1 + confidence) / 2, len(values) - 1) * sqrt(between / len(values))
    low, high = bounds
    return Range(
        expected,
        max(low, expected - hypot(expected - least, error)),
        min(max(high, expected), expected + hypot(most - expected, error)),
        sqrt(data),
        sqrt(simulation),
    )


def without_luck(means: Sequence[float], errors: Sequence[float]) -> Floats:
    """Each set's mean moved to that of all, so that only the data's scatter is left, shape (K,).

    With one shift a set nothing is moved: what is luck cannot be told.
    """
    values = np.array(means, float)
    expected, between = float(values.mean()), float(values.var(ddof=1))
    _, data = _parts(between, errors)
    if not data < between:
        return values
    shrunk: Floats = expected + (values - expected) * sqrt(data / between)
    return shrunk


def _parts(between: float, errors: Sequence[float]) -> tuple[float, float]:
    """The simulation's and the data's part of a variance; not numbers with one shift a set."""
    simulation = float(np.mean(errors))
    return simulation, simulation if np.isnan(simulation) else max(0.0, between - simulation)


def error_variance(deviations: Floats) -> float:
    """Variance of a mean by its deviations; not a number for one."""
    n = len(deviations)
    return float(np.var(deviations, ddof=1)) / n if n > 1 else float("nan")


def share_met(
    sets: Sequence[Sequence[Row]],
    checks: Iterable[tuple[Target, str | None]],
    confidence: float,
) -> ShareOfSets:
    """In how many sets of inputs the expected measures meet all targets.

    Parameters
    ----------
    sets : sequence of K sequences of Row
        One setting's rows in each set.
    checks : iterable of (Target, name of a machine or None)
        What must hold where.
    confidence : float
        Of the interval of the share.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404.
    """
    met = np.ones(len(sets), bool)
    for target, machine in checks:
        figures = [row_of(rows, machine).figures[target.measure] for rows in sets]
        values = without_luck(
            [figure.value for figure in figures],
            [error_variance(figure.deviations) for figure in figures],
        )
        met &= values >= target.value if target.is_least else values <= target.value
    number = int(np.count_nonzero(met))
    low, high = exact_interval(number, len(sets), confidence)
    return ShareOfSets(number, len(sets), float(low), float(high))
