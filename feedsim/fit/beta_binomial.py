"""Faults that come together: the correlation within a bundle, by the beta-binomial law."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.fit.bundles import Units
from feedsim.stats import Floats

# Rows of tallies are as long as the largest unit: longer ones are no bundles.
LARGEST_UNIT = 20_000
# Spreads (correlation / (1 - correlation)) between which the likeliest is looked for.
SMALLEST, LARGEST = 1e-7, 1e4
GRID = 45
_STEPS = 100
_TOLERANCE = 1e-13


@dataclass(frozen=True)
class Correlation:
    """The beta-binomial law fitted to units: chances differ from unit to unit by a beta law.

    Attributes
    ----------
    value : float
        Correlation of two attempts in one unit: 0 where faults come alone, 1 where a unit has
        only faults or none.
    low, high : float
        Likelihood-ratio interval.
    rates : array of shape (groups,)
        Mean chance of each group.
    log_likelihood, log_likelihood_alone : float
        Of the law, and of chances that are the same in every unit of a group (the binomial law);
        both but for binomial coefficients, as `Mixture` has it.
    """

    value: float
    low: float
    high: float
    rates: Floats
    log_likelihood: float
    log_likelihood_alone: float

    @property
    def gain(self) -> float:
        """Log-likelihood over faults that come alone."""
        return self.log_likelihood - self.log_likelihood_alone


def correlation_within(units: Units, confidence: float = 0.95) -> Correlation | None:
    """Fit the beta-binomial law by maximum likelihood: a mean a group, one correlation for all.

    Parameters
    ----------
    units : Units
    confidence : float
        Of the interval.

    Returns
    -------
    Correlation or None
        None where nothing tells it: no group has attempts with and without a fault, no unit has
        two attempts, or units are too large to be bundles.

    References
    ----------
    Williams, Biometrics 31 (1975) 949; the likelihood as products over faults: Griffiths,
    Biometrics 29 (1973) 637 (both from memory). With mean p and spread t = correlation /
    (1 - correlation): y faults of n have a chance of C(n, y) prod_(i<y) (p + i t)
    prod_(i<n-y) (1 - p + i t) / prod_(i<n) (1 + i t).
    """
    from scipy.special import chdtri

    if not len(units.attempts) or not 2 <= units.attempts.max() <= LARGEST_UNIT:
        return None
    law = _Law(units)
    if not len(law.groups):
        return None
    spread = _likeliest(law)
    high = law.profile(spread)[0]
    limit = high - float(chdtri(1, 1 - confidence)) / 2
    rates = units.sums(units.faults) / units.sums(units.attempts)
    rates[law.groups] = law.profile(spread)[1]
    low_spread, high_spread = _ends(law, spread, limit)
    return Correlation(
        _correlation(spread),
        _correlation(low_spread),
        _correlation(high_spread),
        rates,
        high,
        law.profile(0.0)[0],
    )


def _correlation(spread: float) -> float:
    return 1.0 if math.isinf(spread) else spread / (1 + spread)


class _Law:
    """The log-likelihood over the spread, each group's mean at its likeliest.

    Groups with no fault, and such with nothing else, add nothing at any spread.
    """

    def __init__(self, units: Units) -> None:
        self._units = units
        faults, good = units.faults, units.attempts - units.faults
        all_faults, all_good = units.sums(faults), units.sums(good)
        self.groups = np.flatnonzero((all_faults > 0) & (all_good > 0))
        self._start = (all_faults / np.maximum(all_faults + all_good, 1))[self.groups]
        length = int(units.attempts.max())
        self._places = np.arange(length, dtype=float)
        self._with, self._without = (
            _more_than(units, counts, length)[self.groups] for counts in (faults, good)
        )
        telling = np.isin(units.groups, self.groups)
        sizes = np.bincount(units.attempts[telling].astype(np.int64), minlength=length + 1)
        self._all = _from_above(sizes.astype(float))

    def profile(self, spread: float) -> tuple[float, Floats]:
        """Log-likelihood at a spread, and the groups' means there."""
        steps = spread * self._places
        rates = self._rates(steps)
        like = (
            (self._with * _log(rates[:, None] + steps, self._with)).sum()
            + (self._without * _log(1 - rates[:, None] + steps, self._without)).sum()
            - (self._all * np.log1p(steps)).sum()
        )
        return float(like), rates

    def slope(self, spread: float) -> float:
        """Of the log-likelihood over the spread; the means, being likeliest, add nothing."""
        steps = spread * self._places
        rates = self._rates(steps)[:, None]
        terms = (
            (self._with / (rates + steps)).sum(axis=0)
            + (self._without / (1 - rates + steps)).sum(axis=0)
            - self._all / (1 + steps)
        )
        return float(self._places @ terms)

    def _rates(self, steps: Floats) -> Floats:
        """Each group's likeliest mean: the log-likelihood is concave in it."""
        rates: Floats = self._start.copy()
        low, high = np.zeros_like(rates), np.ones_like(rates)
        for _ in range(_STEPS):
            up, down = rates[:, None] + steps, 1 - rates[:, None] + steps
            slope = (self._with / up).sum(axis=1) - (self._without / down).sum(axis=1)
            bend = (self._with / up**2).sum(axis=1) + (self._without / down**2).sum(axis=1)
            low, high = np.where(slope > 0, rates, low), np.where(slope > 0, high, rates)
            newer = rates + slope / bend
            # Halfway where Newton's step leaves the ends; without a slope there is no step.
            leaves = (slope != 0) & ~((newer > low) & (newer < high))
            newer = np.where(leaves, (low + high) / 2, newer)
            done = np.abs(newer - rates) <= _TOLERANCE * newer
            rates = newer
            if done.all():
                break
        return rates


def _more_than(units: Units, counts: Floats, length: int) -> Floats:
    """How many units of a group have more than 0, 1, ... of something: (groups, length)."""
    table = np.zeros((units.number_of_groups, length + 1))
    np.add.at(table, (units.groups, counts.astype(np.int64)), 1.0)
    return _from_above(table)


def _from_above(table: Floats) -> Floats:
    """How many are above 0, 1, ... of how many are at 0, 1, ...: one shorter along the last."""
    at_least = np.cumsum(table[..., ::-1], axis=-1)[..., ::-1]
    return at_least[..., 1:]


def _log(values: Floats, counted: Floats) -> Floats:
    """Logarithms where something is counted; else 0."""
    return np.log(np.where(counted > 0, values, 1.0))


def _likeliest(law: _Law) -> float:
    from scipy.optimize import brentq, minimize_scalar

    grid = np.concatenate([[0.0], np.geomspace(SMALLEST, LARGEST, GRID)])
    heights = [law.profile(float(at))[0] for at in grid]
    best = int(np.argmax(heights))
    if best == 0:
        return 0.0
    if best == GRID:
        return LARGEST
    low, high = float(grid[best - 1]), float(grid[best + 1])
    if law.slope(low) > 0 > law.slope(high):
        return float(brentq(law.slope, low, high, xtol=1e-300, rtol=1e-14))
    found = minimize_scalar(lambda at: -law.profile(at)[0], bounds=(low, high), method="bounded")
    return float(found.x)


def _ends(law: _Law, spread: float, limit: float) -> tuple[float, float]:
    """Spreads at which the profile falls to its limit."""
    from scipy.optimize import brentq

    def over(log_spread: float) -> float:
        return law.profile(math.exp(log_spread))[0] - limit

    bottom, top = math.log(SMALLEST), math.log(LARGEST)
    middle = min(max(math.log(spread), bottom), top) if spread > 0 else bottom
    low = 0.0
    if law.profile(0.0)[0] < limit:
        low = math.exp(brentq(over, bottom, middle)) if over(bottom) < 0 else SMALLEST
    high = math.exp(brentq(over, middle, top)) if over(top) < 0 else math.inf
    return low, high
