"""What data and a prior leave open: weighted points that stand for a posterior distribution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.stats import Floats

# The number of points is 2 to this power.
POINTS_LOG2 = 13
MOST_ROUNDS = 6
ENOUGH = 0.5
FEW = 10
DEGREES = 5.0
WIDER = 1.2
SEED = 1


@dataclass(frozen=True)
class Posterior:
    """Points of the coefficients, shape (n, k), with weights that sum to 1, shape (n,).

    `effective` is the number of equally weighted points that they are worth.
    """

    points: Floats
    weights: Floats

    @property
    def effective(self) -> float:
        """Kish's effective number of points."""
        return float(1 / (self.weights**2).sum())

    @property
    def mean(self) -> Floats:
        """Of the coefficients, shape (k,)."""
        found: Floats = self.weights @ self.points
        return found

    @property
    def covariance(self) -> Floats:
        """Of the coefficients, shape (k, k)."""
        away = self.points - self.mean
        found: Floats = away.T @ (self.weights[:, None] * away)
        return found

    def quantiles(self, values: Floats, at: Floats) -> Floats:
        """Quantiles of what has a value at each point.

        Parameters
        ----------
        values : array of shape (n,)
        at : array of shape (q,)
            Probabilities.

        Returns
        -------
        array of shape (q,)
        """
        order = np.argsort(values)
        steps = np.cumsum(self.weights[order]) - self.weights[order] / 2
        return np.interp(at, steps, values[order])


def explore(
    log_density: Callable[[Floats], Floats],
    mode: Floats,
    covariance: Floats,
) -> Posterior:
    """Work out a posterior by importance sampling from Student laws around its mode.

    The points are a scrambled Sobol sequence with a fixed seed, so that the answer is the same
    every time; the law is fitted anew to what was found until it fits.

    Parameters
    ----------
    log_density : callable
        From points of shape (n, k) to log densities of shape (n,), but for a constant.
    mode : array of shape (k,)
    covariance : array of shape (k, k)
        Laplace's approximation there.

    Returns
    -------
    Posterior

    References
    ----------
    Adaptive importance sampling: Oh and Berger, J. Stat. Comput. Simul. 41 (1992) 143.
    """
    from scipy.special import chdtri, ndtri
    from scipy.stats.qmc import Sobol

    k = len(mode)
    uniform = Sobol(k + 1, seed=SEED).random_base2(POINTS_LOG2)
    uniform = np.clip(uniform, 1e-12, 1 - 1e-12)
    heavy = np.sqrt(DEGREES / chdtri(DEGREES, uniform[:, :1]))
    standard = ndtri(uniform[:, 1:]) * heavy
    kernel = -(DEGREES + k) / 2 * np.log1p((standard**2).sum(axis=1) / DEGREES)
    best: Posterior | None = None
    middle, spread = mode, covariance * WIDER**2
    for number in range(MOST_ROUNDS):
        points = middle + standard @ _root(spread).T
        log_weights = log_density(points) - kernel
        weights = np.exp(log_weights - log_weights.max())
        found = Posterior(points, weights / weights.sum())
        if best is None or found.effective > best.effective:
            best = found
        if found.effective >= ENOUGH * len(points):
            break
        # A Student law's own spread is wider than its scale.
        middle = found.mean
        spread = found.covariance * (DEGREES - 2) / DEGREES * WIDER**2
        if found.effective < FEW * k:
            # Too few points for a covariance: look further around the mode.
            middle, spread = mode, covariance * WIDER**2 * 3.0 ** (number + 1)
    assert best is not None
    return best


def _root(covariance: Floats) -> Floats:
    values, vectors = np.linalg.eigh(covariance)
    root: Floats = vectors * np.sqrt(np.maximum(values, 1e-300))
    return root
