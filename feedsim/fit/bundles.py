"""Do faults come alone, or in bad bundles: tests of the spread, and two kinds of bundles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.stats import Floats

Ints = NDArray[np.int64]

REPEATS = 999
MIXTURE_REPEATS = 199
MOST_CELLS = 2_000_000
EM_STEPS = 200
EM_CHECK = 5
EM_TOLERANCE = 1e-7
FIRST_SHARE = 0.05
# Where the search for a bad bundle's rate begins: times the mean rate, and as it is.
FIRST_TIMES, FIRST_MISSED = 6.0, 0.2
LEAST_RATE = 1e-12


@dataclass(frozen=True)
class Units:
    """Counts of one fault in units (bundles, or lines) of several groups, shape (m,) each.

    `groups` numbers those whose chance is the same: a closure at a stiffness.
    """

    groups: Ints
    attempts: Floats
    faults: Floats

    @property
    def number_of_groups(self) -> int:
        """How many groups there are."""
        return int(self.groups.max()) + 1 if len(self.groups) else 0

    @cached_property
    def _members(self) -> Any:
        """A sparse matrix, 1 where a unit is of a group: as long as the data, however many."""
        from scipy.sparse import csr_array

        units = np.arange(len(self.groups))
        shape = (self.number_of_groups, len(units))
        return csr_array((np.ones(len(units)), (self.groups, units)), shape=shape)

    def sums(self, values: Floats) -> Floats:
        """Sums over each group's units: values of shape (..., m) give (..., groups)."""
        found: Floats = (self._members @ values.T).T
        return found

    def rates(self, faults: Floats) -> Floats:
        """Each unit's group's rate; counts of shape (..., m) give rates of that shape."""
        found: Floats = (self.sums(faults) / self.sums(self.attempts))[..., self.groups]
        return found


@dataclass(frozen=True)
class SpreadTest:
    """Is the spread between units wider than chance makes it.

    Attributes
    ----------
    z : float
        Tarone's statistic, about standard normal where it is not.
    p_value : float
        One-sided, from the statistic's bootstrap distribution.
    dispersion : float
        Pearson's chi-square over its degrees of freedom: 1 where chance explains all.
    """

    z: float
    p_value: float
    dispersion: float


@dataclass(frozen=True)
class Mixture:
    """Bundles of two kinds, by maximum likelihood.

    Attributes
    ----------
    share, missed : float
        Of the bad ones among all, and the chance of a fault per attempt in them.
    good : array of shape (groups,)
        The chance in the others.
    log_likelihood : float
        But for binomial coefficients.
    ratio : float
        Likelihood ratio statistic against bundles of one kind.
    p_value : float
        Of it, from its bootstrap distribution.
    """

    share: float
    missed: float
    good: Floats
    log_likelihood: float
    ratio: float
    p_value: float


def tarone(units: Units, faults: Floats) -> Floats:
    """Tarone's statistic of counts of shape (..., m), summed over the groups.

    References
    ----------
    Tarone, Biometrika 66 (1979) 585: z = (sum (y - n p)^2 / (p q) - sum n) /
    sqrt(2 sum n (n - 1)); here sums run over all groups, each with its own p.
    """
    n = units.attempts
    p = units.rates(faults)
    varied = p * (1 - p) > 0
    square = np.where(varied, (faults - n * p) ** 2 / np.where(varied, p * (1 - p), 1), 0.0)
    whole = np.where(varied, n, 0).sum(axis=-1)
    scale = np.sqrt(2 * np.where(varied, n * (n - 1), 0).sum(axis=-1))
    found: Floats = np.where(
        scale > 0, (square.sum(axis=-1) - whole) / np.where(scale > 0, scale, 1), 0.0
    )
    return found


def spread_test(units: Units, rng: np.random.Generator, repeats: int = REPEATS) -> SpreadTest:
    """Test whether units of a group differ by more than chance.

    The null distribution is that of counts drawn with the groups' rates, of which the statistic
    is worked out anew: its normal law does not hold where faults are rare.

    Parameters
    ----------
    units : Units
    rng : numpy Generator
    repeats : int
        Of the bootstrap.
    """
    p = units.rates(units.faults)
    z = float(tarone(units, units.faults))
    higher, n = 0, units.attempts.astype(np.int64)
    for size in _batches(repeats, len(n)):
        drawn = rng.binomial(n, p, size=(size, len(n))).astype(float)
        higher += int((tarone(units, drawn) >= z - 1e-9).sum())
    expected = units.attempts * p * (1 - p)
    varied = expected > 0
    groups = len(np.unique(units.groups[varied]))
    degrees = int(varied.sum()) - groups
    square = (units.faults - units.attempts * p)[varied] ** 2 / expected[varied]
    dispersion = float(square.sum()) / degrees if degrees > 0 else 1.0
    return SpreadTest(z, (1 + higher) / (1 + repeats), dispersion)


def two_kinds(units: Units, rng: np.random.Generator, repeats: int = MIXTURE_REPEATS) -> Mixture:
    """Fit two kinds of bundles, and test them against one.

    Parameters
    ----------
    units : Units
        Bundles.
    rng : numpy Generator
    repeats : int
        Of the bootstrap; 0: none, and the p-value is not a number.

    Returns
    -------
    Mixture

    References
    ----------
    EM: Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977) 1. Bootstrap of the likelihood
    ratio, whose chi-square law does not hold here: McLachlan, Appl. Statist. 36 (1987) 318.
    """
    faults = units.faults[None, :]
    share, missed, good, high = (found[0] for found in _em(units, faults))
    ratio = float(2 * (high - _one_kind(units, faults)[0]))
    higher, n, p = 0, units.attempts.astype(np.int64), units.rates(units.faults)
    for size in _batches(repeats, len(n)):
        drawn = rng.binomial(n, p, size=(size, len(n))).astype(float)
        ratios = 2 * (_em(units, drawn)[3] - _one_kind(units, drawn))
        higher += int((ratios >= ratio - 1e-9).sum())
    p_value = (1 + higher) / (1 + repeats) if repeats else float("nan")
    return Mixture(float(share), float(missed), good, float(high), max(ratio, 0.0), p_value)


def _batches(repeats: int, width: int) -> list[int]:
    size = max(1, min(repeats, MOST_CELLS // max(width, 1)))
    return [min(size, repeats - done) for done in range(0, repeats, size)]


def _one_kind(units: Units, faults: Floats) -> Floats:
    found: Floats = _log_like(faults, units.attempts, units.rates(faults)).sum(axis=-1)
    return found


def _log_like(faults: Floats, attempts: Floats, rates: Floats) -> Floats:
    fault, none = _logs(rates)
    found: Floats = faults * fault + (attempts - faults) * none
    return found


def _em(units: Units, faults: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Share, missed, good rates (by group) and log-likelihood of counts of shape (b, m)."""
    mean = faults.sum(axis=-1) / units.attempts.sum()
    starts = (np.clip(FIRST_TIMES * mean, 1e-6, 0.9), np.full_like(mean, FIRST_MISSED))
    found = [_em_from(units, faults, start) for start in starts]
    second = found[1][3] > found[0][3]
    share, missed, good, high = (
        np.where(second[:, None] if one.ndim > 1 else second, other, one)
        for one, other in zip(*found, strict=True)
    )
    return share, missed, good, high


def _em_from(units: Units, faults: Floats, missed: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    good = np.clip(units.sums(faults) / units.sums(units.attempts) / 2, LEAST_RATE, 1)
    share = np.full(len(faults), FIRST_SHARE)
    missed = missed.astype(float)
    high = _height(units, faults, share, missed, good)
    # Rows whose likelihood does not rise any more are done; the others go on without them.
    going = np.arange(len(faults))
    for _ in range(EM_STEPS // EM_CHECK):
        counts = faults[going]
        at = share[going], missed[going], good[going]
        for _ in range(EM_CHECK):
            at = _em_step(units, counts, at)
        share[going], missed[going], good[going] = at
        now = _height(units, counts, *at)
        rises = now - high[going] > EM_TOLERANCE * np.maximum(1, np.abs(now))
        high[going] = now
        going = going[rises]
        if not len(going):
            break
    return share, missed, good, high


_At = tuple[Floats, Floats, Floats]


def _em_step(units: Units, faults: Floats, at: _At) -> _At:
    from scipy.special import expit

    bad = expit(_odds_of_bad(units, faults, *at))
    bad_attempts, bad_faults = units.sums(bad * units.attempts), units.sums(bad * faults)
    rest = units.sums(units.attempts) - bad_attempts
    good = (units.sums(faults) - bad_faults) / np.maximum(rest, LEAST_RATE)
    missed = bad_faults.sum(axis=-1) / np.maximum(bad_attempts.sum(axis=-1), LEAST_RATE)
    return np.clip(bad.mean(axis=-1), LEAST_RATE, 1 - LEAST_RATE), missed, np.maximum(good, 0.0)


def _odds_of_bad(
    units: Units, faults: Floats, share: Floats, missed: Floats, good: Floats
) -> Floats:
    """Log-odds that a unit is bad, by its count, shape (b, m)."""
    fault_bad, none_bad = _logs(missed)
    fault_good, none_good = _logs(good)
    # The logarithms are of each group, not of each unit: there are far fewer.
    per_none = none_bad[:, None] - none_good
    per_fault = (fault_bad[:, None] - fault_good) - per_none
    odds = faults * per_fault[:, units.groups] + units.attempts * per_none[:, units.groups]
    found: Floats = odds + (np.log(share) - np.log1p(-share))[:, None]
    return found


def _height(units: Units, faults: Floats, share: Floats, missed: Floats, good: Floats) -> Floats:
    """Log-likelihood of counts of shape (b, m)."""
    as_good = _log_like(faults, units.attempts, good[:, units.groups]).sum(axis=-1)
    odds = _odds_of_bad(units, faults, share, missed, good)
    found: Floats = as_good + np.logaddexp(0, odds).sum(axis=-1)
    return np.asarray(found + len(units.groups) * np.log1p(-share))


def _logs(rates: Floats) -> tuple[Floats, Floats]:
    """Logarithms of a rate, and of what is left."""
    p = np.clip(rates, LEAST_RATE, 1 - LEAST_RATE)
    return np.log(p), np.log1p(-p)
