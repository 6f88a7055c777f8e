"""Exact statements about a rate from faults counted in picks, and how many picks they take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from feedsim.stats import Floats, exact_interval

MOST_PICKS = 1 << 50
# Chances that are equal but for rounding count as equal.
ROUNDING = 1e-11


@dataclass(frozen=True, slots=True)
class Limits:
    """A rate's interval."""

    low: float
    high: float


def chance_at_most(faults: ArrayLike, picks: ArrayLike, rate: ArrayLike) -> Floats:
    """Chance of at most so many faults in picks that fail independently at a rate.

    Parameters
    ----------
    faults, picks, rate : float or arrays that go together
        Below 0 faults the chance is 0, from `picks` faults on it is 1.

    Returns
    -------
    array

    References
    ----------
    The binomial sum as an incomplete beta function: Abramowitz and Stegun, Handbook of
    Mathematical Functions, 26.5.24, from memory.
    """
    from scipy.special import betainc

    faults, picks, rate = np.broadcast_arrays(
        np.asarray(faults), np.asarray(picks), np.asarray(rate, float)
    )
    inside = (faults >= 0) & (faults < picks)
    k = np.where(inside, faults, 0)
    n = np.where(inside, picks, 1)
    return np.where(inside, betainc(n - k, k + 1, 1 - rate), np.where(faults < 0, 0.0, 1.0))


def count_chances(most: int, picks: int, rate: float) -> Floats:
    """Chances of 0, 1, ... faults in picks that fail independently at a rate.

    Parameters
    ----------
    most : int
        The highest count that is asked for.
    picks : int
    rate : float

    Returns
    -------
    array of shape (most + 1,)
    """
    counts = np.arange(most + 1)
    if rate <= 0 or rate >= 1 or picks == 0:
        return np.asarray(counts == (picks if rate >= 1 else 0), dtype=float)
    # From each count to the next by the ratio of their chances: no large factorials, which
    # would leave few digits.
    left = np.maximum(picks - counts[:-1], 0)
    with np.errstate(divide="ignore"):
        steps = np.log(left / counts[1:] * (rate / (1 - rate)))
    logs = picks * np.log1p(-rate) + np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(np.exp(logs))


def rate_limits(faults: int, picks: int, confidence: float) -> Limits:
    """Exact two-sided interval of a rate.

    Parameters
    ----------
    faults, picks : int
    confidence : float
        Between 0 and 1.

    Returns
    -------
    Limits

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404-413.
    """
    low, high = exact_interval(faults, picks, confidence)
    return Limits(float(low), float(high))


def picks_needed(faults: int, rate: float, confidence: float) -> int:
    """Fewest picks after which at most so many faults show a rate of at most `rate`.

    Parameters
    ----------
    faults : int
        How many are allowed.
    rate : float
        Above 0 and below 1.
    confidence : float
        A bag at the rate passes with a chance of at most 1 - confidence.

    Returns
    -------
    int
        The smallest n with P(X <= faults | n, rate) <= 1 - confidence.

    Raises
    ------
    OverflowError
        If that is beyond 2^50.

    References
    ----------
    Without a fault the success-run theorem, n = ln(1 - confidence) / ln(1 - rate); with faults
    Wilks, Annals of Mathematical Statistics 12 (1941) 91-96, from memory.
    """
    return fewest(
        lambda picks: float(chance_at_most(faults, picks, rate)), faults + 1, 1 - confidence
    )


def fewest(chance: Callable[[int], float], least: int, limit: float) -> int:
    """Smallest number, from `least` on, at which a chance that falls with it is at most `limit`.

    Raises
    ------
    OverflowError
        If that is beyond 2^50.
    """
    limit *= 1 + ROUNDING
    if chance(least) <= limit:
        return least
    low, step = least, max(1, least // 4)
    while chance(low + step) > limit:
        low, step = low + step, 2 * step
        if low > MOST_PICKS:
            raise OverflowError("more picks than can be counted")
    high = low + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) <= limit else (middle, high)
    return high


def picks_until_failed(faults: int, picks: int, rate: float) -> float:
    """Mean length of a trial that ends at its last pick, or at the first fault too many.

    References
    ----------
    Wald's identity: rate x mean length = mean count at the end, min(X, faults + 1).
    """
    over = np.arange(faults + 1)
    # The mean of min(X, k) sums P(X > j) over j below k.
    return float(np.sum(1 - chance_at_most(over, picks, rate))) / rate if rate > 0 else picks
