"""How likely counts of a fault are: one chance a closure and stiffness, or bad bundles too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.film import ANY, CLOSURES, FAULTS, PLANNING_EXPONENTS, PLANNING_ODDS
from feedsim.fit.bundles import Ints
from feedsim.fit.regression import NormalPrior
from feedsim.stats import Floats

# Spread of the priors, on the scale of log-odds: a common shift of all closures (95 % within 19
# times the planning odds, up or down), each closure's own (4 times), and the slope.
COMMON_SD, OWN_SD, SLOPE_SD = 1.5, 0.7, 0.5
# Bad bundles: share about 0.03 (0.0016 to 0.37), a miss within one about 0.2 (0.034 to 0.64).
BAD_MEAN = (float(np.log(0.03 / 0.97)), float(np.log(0.2 / 0.8)))
BAD_SD = (1.5, 1.0)
_CELLS = 4_000_000


def prior_of(fault: str, closures: tuple[str, ...]) -> NormalPrior:
    """Weakly informative law of a fault's log-odds at 40 uN.m, and last of its slope.

    The planning odds, all shifted together by COMMON_SD and each by OWN_SD; the slope is the
    planning exponent with SLOPE_SD. So a closure that was not tried, or showed no fault, leans on
    what the others show, and all lean on the planning values where little was tried.

    Parameters
    ----------
    fault : str
    closures : tuple of k str
        Closures, or ("any",): the middle of all.

    Returns
    -------
    NormalPrior
        Of k + 1 coefficients.
    """
    number = FAULTS.index(fault)
    planned = {closure: float(np.log(PLANNING_ODDS[closure][number])) for closure in CLOSURES}
    planned[ANY] = float(np.mean(list(planned.values())))
    k = len(closures)
    covariance = np.zeros((k + 1, k + 1))
    covariance[:k, :k] = COMMON_SD**2 + OWN_SD**2 * np.eye(k)
    covariance[k, k] = SLOPE_SD**2
    mean = [planned[closure] for closure in closures]
    return NormalPrior(np.array([*mean, -PLANNING_EXPONENTS[number]]), covariance)


def log_prior(prior: NormalPrior, points: Floats) -> Floats:
    """Log density but for a constant, at points of shape (n, k)."""
    away = points - prior.mean
    found: Floats = -(away * np.linalg.solve(prior.covariance, away.T).T).sum(axis=1) / 2
    return found


@dataclass(frozen=True)
class Counts:
    """Counts of one fault by closure and stiffness; equal lines stand once, with their number.

    Attributes
    ----------
    closures : array of shape (m,)
        Number of the closure.
    log_ratios : array of shape (m,)
        Log of stiffness over the reference.
    attempts, faults, times : arrays of shape (m,)
        Of one line, and how many such lines there are.
    """

    closures: Ints
    log_ratios: Floats
    attempts: Floats
    faults: Floats
    times: Floats

    def design(self, k: int) -> Floats:
        """The regression's design: an indicator of each of k closures, and the log ratio."""
        design = np.zeros((len(self.attempts), k + 1))
        design[np.arange(len(self.attempts)), self.closures] = 1.0
        design[:, k] = self.log_ratios
        return design


def pooled(
    closures: Ints, log_ratios: Floats, attempts: Floats, faults: Floats, *, whole: bool
) -> Counts:
    """Put lines together: all of a closure and stiffness (whole), or only those that are equal."""
    keys = [closures.astype(float), log_ratios]
    if whole:
        rows, place = np.unique(np.column_stack(keys), axis=0, return_inverse=True)
        place = place.ravel()
        n = np.bincount(place, attempts, len(rows)).astype(float)
        k = np.bincount(place, faults, len(rows)).astype(float)
        return Counts(rows[:, 0].astype(int), rows[:, 1], n, k, np.ones(len(rows)))
    rows, times = np.unique(np.column_stack([*keys, attempts, faults]), axis=0, return_counts=True)
    return Counts(rows[:, 0].astype(int), rows[:, 1], rows[:, 2], rows[:, 3], times.astype(float))


def log_like(counts: Counts, points: Floats, dispersion: float = 1.0) -> Floats:
    """Log-likelihood at points of shape (n, k + 1), over the dispersion, shape (n,)."""
    return _in_parts(_one_kind, counts, points) / dispersion


def log_like_of_two_kinds(counts: Counts, points: Floats) -> Floats:
    """The same with bad bundles: the last two columns are log-odds of the share and of a miss."""
    return _in_parts(_two_kinds, counts, points)


def _in_parts(like: Callable[[Counts, Floats], Floats], counts: Counts, points: Floats) -> Floats:
    """A log-likelihood at many points: arrays of lines and points must fit into memory."""
    size = max(1, _CELLS // len(counts.attempts))
    parts = [like(counts, points[at : at + size]) for at in range(0, len(points), size)]
    return np.concatenate(parts)


def _one_kind(counts: Counts, points: Floats) -> Floats:
    eta = _eta(counts, points)
    like = counts.faults * eta - counts.attempts * np.logaddexp(0, eta)
    found: Floats = like @ counts.times
    return found


def _two_kinds(counts: Counts, points: Floats) -> Floats:
    whole = np.logaddexp(*_kinds(counts, points))
    found: Floats = whole @ counts.times
    return found


def _kinds(counts: Counts, points: Floats) -> tuple[Floats, Floats]:
    """Log of each line's joint chance with being good, and with being bad."""
    eta = _eta(counts, points[:, :-2])
    share, missed = points[:, -2:-1], points[:, -1:]
    k, n = counts.faults, counts.attempts
    in_good = -np.logaddexp(0, share) + k * eta - n * np.logaddexp(0, eta)
    in_bad = -np.logaddexp(0, -share) + k * missed - n * np.logaddexp(0, missed)
    return in_good, in_bad


def gradient_of_two_kinds(counts: Counts, point: Floats) -> Floats:
    """Gradient of the log-likelihood with bad bundles, at one point of shape (k + 3,)."""
    from scipy.special import expit

    in_good, in_bad = (found[0] for found in _kinds(counts, point[None, :]))
    bad = expit(in_bad - in_good)
    eta = _eta(counts, point[None, :-2])[0]
    k, n, times = counts.faults, counts.attempts, counts.times
    of_eta = times * (1 - bad) * (k - n * expit(eta))
    coefficients = counts.design(len(point) - 3).T @ of_eta
    of_share = (times * (bad - expit(point[-2]))).sum()
    of_missed = (times * bad * (k - n * expit(point[-1]))).sum()
    return np.array([*coefficients, of_share, of_missed])


def likelier_bad(counts: Counts, point: Floats) -> NDArray[np.bool_]:
    """Which lines are likelier of bad bundles, at one point of shape (k + 3,)."""
    in_good, in_bad = (found[0] for found in _kinds(counts, point[None, :]))
    found: NDArray[np.bool_] = in_bad > in_good
    return found


def _eta(counts: Counts, points: Floats) -> Floats:
    found: Floats = points[:, counts.closures] + points[:, -1:] * counts.log_ratios
    return found
