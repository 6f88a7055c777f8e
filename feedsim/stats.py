"""Estimates over replications: ratios of sums, paired differences, events that are rare."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FEW_EVENTS = 20


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its interval.

    `seen_in` counts the replications in which what it measures occurred; where that is none,
    the interval says nothing and `chance_high` is the exact upper limit of the chance that a
    replication has one.
    """

    value: float
    low: float
    high: float
    replications: int
    seen_in: int
    chance_high: float | None = None

    @property
    def half_width(self) -> float:
        """The longer of the interval's two sides, where one is cut at what can be."""
        return max(self.high - self.value, self.value - self.low)

    @property
    def unseen(self) -> bool:
        """Whether no replication had such an event."""
        return self.seen_in == 0

    @property
    def few_events(self) -> bool:
        """Whether events were seen, but in too few replications for the stated coverage."""
        return self.seen_in > 0 and is_seldom(self.seen_in, self.replications)


def is_seldom(seen_in: int, replications: int) -> bool:
    """Whether too few replications saw an event for Student's t to hold its coverage."""
    return seen_in < min(FEW_EVENTS, replications)


def t_quantile(probability: float, degrees: float) -> float:
    """Quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees, probability))


def half_width(deviations: Floats, confidence: float) -> float:
    """Half-width of the two-sided interval of a mean of independent deviations.

    Parameters
    ----------
    deviations : array of shape (n,)
        One number a replication, of mean 0 or not.
    confidence : float
        Between 0 and 1.

    Returns
    -------
    float
        t * s / sqrt(n) in the deviations' unit; not a number for n = 1.

    References
    ----------
    Law, Simulation Modeling and Analysis, sec. 4.5 and 9.4.
    """
    n = len(deviations)
    if n < 2:
        return float("nan")
    spread = float(np.std(deviations, ddof=1))
    return t_quantile((1 + confidence) / 2, n - 1) * spread / float(np.sqrt(n))


def margin(deviations: Floats, alpha: float) -> float:
    """Distance of the one-sided limit of a mean at a risk of alpha; not a number for n = 1."""
    return half_width(deviations, 1 - 2 * alpha)


def sum_of_ratios(tops: Floats, bottoms: Floats) -> tuple[float, Floats]:
    """Sum over columns of the ratio of sums over rows, and its linearised deviations.

    Parameters
    ----------
    tops, bottoms : arrays of shape (n, k)
        Numerators and denominators, one row a replication, one column a ratio.

    Returns
    -------
    value : float
        Sum over the columns of sum(top) / sum(bottom); not a number where a bottom is 0.
    deviations : array of shape (n,)
        What each replication adds to value's deviation from the mean (delta method):
        sum over columns of (top_i - ratio * bottom_i) / mean(bottom).

    References
    ----------
    The ratio estimator of survey sampling: Cochran, Sampling Techniques, ch. 6.
    """
    bottom_sums = bottoms.sum(axis=0)
    if not np.all(bottom_sums > 0):
        return float("nan"), np.full(len(tops), np.nan)
    ratios = tops.sum(axis=0) / bottom_sums
    deviations = ((tops - ratios * bottoms) / bottoms.mean(axis=0)).sum(axis=1)
    return float(ratios.sum()), deviations


def chance_limit(replications: int, confidence: float) -> float:
    """Exact upper limit of a chance of which no event was seen (one-sided).

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934), at 0 of n: 1 - (1 - confidence)^(1/n).
    """
    return float(1 - (1 - confidence) ** (1 / replications))


def rate_at_least(faults: ArrayLike, attempts: ArrayLike, alpha: float) -> Floats:
    """Lower limit of a rate at a one-sided risk of alpha, exact for independent attempts.

    Parameters
    ----------
    faults, attempts : counts, or arrays of them that go together
    alpha : float

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(np.asarray(faults, float), np.asarray(attempts, float))
    return np.where(k > 0, betaincinv(k, n - np.minimum(k, n) + 1, alpha), 0.0)


def rate_at_most(faults: ArrayLike, attempts: ArrayLike, alpha: float) -> Floats:
    """Upper limit of a rate at a one-sided risk of alpha: see `rate_at_least`."""
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(np.asarray(faults, float), np.asarray(attempts, float))
    return np.where(k < n, betaincinv(k + 1, n - k, 1 - alpha), 1.0)


def exact_interval(
    faults: ArrayLike, attempts: ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Two-sided interval of a rate, exact for independent attempts; all of 0 to 1 without any."""
    alpha = (1 - confidence) / 2
    return rate_at_least(faults, attempts, alpha), rate_at_most(faults, attempts, alpha)


def seldom_limit(sizes: Floats, replications: int, alpha: float, largest: float) -> float:
    """Upper limit of a mean to which few replications contribute, one-sided.

    The limit of the chance that a replication has an event, times the limit of its size; each
    has half of alpha.

    Parameters
    ----------
    sizes : array of shape (k,)
        What each replication with an event contributes.
    replications : int
        All of them, those without an event included.
    alpha : float
        The risk that the mean lies above the limit.
    largest : float
        What one replication may contribute at the most.

    References
    ----------
    The chance: Clopper and Pearson, Biometrika 26 (1934); the size: Student's t.
    """
    seen_in = len(sizes)
    if seen_in == 0:
        return chance_limit(replications, 1 - alpha) * largest
    chance = float(rate_at_most(seen_in, replications, alpha / 2))
    size = largest
    if seen_in > 1:
        spread = float(np.std(sizes, ddof=1) / np.sqrt(seen_in))
        size = min(largest, float(sizes.mean()) + t_quantile(1 - alpha / 2, seen_in - 1) * spread)
    return chance * size


def estimate(
    value: float,
    deviations: Floats,
    seen_in: int,
    confidence: float,
    bounds: tuple[float, float] = (-np.inf, np.inf),
) -> Estimate:
    """Put an interval around a value, cut at what the figure can be."""
    n = len(deviations)
    if seen_in == 0:
        nothing = float("nan")
        return Estimate(value, nothing, nothing, n, 0, chance_limit(n, confidence))
    half = half_width(deviations, confidence)
    # A width that is not a number makes both ends not a number, as numpy compares.
    low = float(np.maximum(value - half, bounds[0]))
    high = float(np.minimum(value + half, bounds[1]))
    return Estimate(value, low, high, n, seen_in)


def difference(
    value: float,
    deviations: Floats,
    other: float,
    other_deviations: Floats,
    confidence: float,
    seen_in: int | None = None,
) -> Estimate:
    """Paired difference `value - other` of two figures that met the same luck.

    `seen_in` counts the replications in which either saw an event; by default all did.

    References
    ----------
    Law, Simulation Modeling and Analysis, sec. 10.2.1 (paired t), on linearised deviations.
    """
    paired = deviations - other_deviations
    seen_in = len(paired) if seen_in is None else seen_in
    return estimate(value - other, paired, seen_in, confidence)
