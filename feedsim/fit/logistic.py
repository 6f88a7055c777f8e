"""Binomial regression on the log-odds scale, with or without a normal prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.stats import Floats

MOST_STEPS = 100
MOST_HALVINGS = 40
TOLERANCE = 1e-12
# Log-odds beyond which a chance is as good as 0 or 1: maximum likelihood has run away.
RUNAWAY = 25.0


class NoMaximumError(ValueError):
    """A likelihood without a maximum: data that a coefficient separates completely."""


@dataclass(frozen=True)
class NormalPrior:
    """A normal law of the coefficients: mean of shape (k,), covariance of shape (k, k)."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True)
class LogisticFit:
    """A regression at its maximum.

    Attributes
    ----------
    coefficients : array of shape (k,)
    covariance : array of shape (k, k)
        Inverse of the information there (Laplace's approximation, with a prior).
    log_likelihood : float
        Of the data, with the binomial coefficients.
    deviance, pearson : float
        Against the saturated model, on `degrees` degrees of freedom.
    """

    coefficients: Floats
    covariance: Floats
    log_likelihood: float
    deviance: float
    pearson: float
    degrees: int

    @property
    def standard_errors(self) -> Floats:
        """Of the coefficients, shape (k,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 k - 2 log-likelihood."""
        return 2 * len(self.coefficients) - 2 * self.log_likelihood


def fit_logistic(
    design: Floats, faults: Floats, attempts: Floats, prior: NormalPrior | None = None
) -> LogisticFit:
    """Fit logit(chance) = design @ coefficients to counts, by Newton's method.

    Parameters
    ----------
    design : array of shape (n, k)
    faults, attempts : arrays of shape (n,)
        Counts, faults at most attempts.
    prior : NormalPrior, optional
        Without one it is plain maximum likelihood.

    Returns
    -------
    LogisticFit

    Raises
    ------
    NoMaximumError
        Without a prior, where a coefficient runs off to infinity: no fault at all in a group, or
        nothing but faults. With a prior there always is a maximum.

    References
    ----------
    McCullagh and Nelder, Generalized Linear Models, 2nd ed., ch. 4.
    """
    k = design.shape[1]
    start = np.zeros(k) if prior is None else prior.mean
    precision: Floats = np.zeros((k, k))
    if prior is not None:
        precision = np.linalg.inv(prior.covariance).astype(float)
    beta = start.astype(float)
    height = _height(design, faults, attempts, beta, start, precision)
    for _ in range(MOST_STEPS):
        chance = _expit(design @ beta)
        gradient = design.T @ (faults - attempts * chance) - precision @ (beta - start)
        information = design.T @ ((attempts * chance * (1 - chance))[:, None] * design) + precision
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError as error:
            raise NoMaximumError(_NO_MAXIMUM) from error
        for _ in range(MOST_HALVINGS):
            higher = _height(design, faults, attempts, beta + step, start, precision)
            if higher >= height - TOLERANCE * abs(height):
                break
            step = step / 2
        beta, height = beta + step, higher
        if prior is None and np.abs(design @ beta).max() > RUNAWAY:
            raise NoMaximumError(_NO_MAXIMUM)
        if np.abs(step).max() <= TOLERANCE * (1 + np.abs(beta).max()):
            break
    return _told(design, faults, attempts, beta, precision)


_NO_MAXIMUM = "no maximum: some group has no fault, or nothing else; a prior is needed"


def _told(
    design: Floats, faults: Floats, attempts: Floats, beta: Floats, precision: Floats
) -> LogisticFit:
    from scipy.special import gammaln, xlogy

    chance = _expit(design @ beta)
    variance = attempts * chance * (1 - chance)
    information = design.T @ (variance[:, None] * design) + precision
    coefficients = gammaln(attempts + 1) - gammaln(faults + 1) - gammaln(attempts - faults + 1)
    good = attempts - faults
    like = xlogy(faults, chance) + xlogy(good, 1 - chance)
    best = xlogy(faults, faults / attempts) + xlogy(good, good / attempts)
    return LogisticFit(
        beta,
        np.linalg.inv(information).astype(float),
        float((coefficients + like).sum()),
        float(2 * (best - like).sum()),
        float(((faults - attempts * chance) ** 2 / variance).sum()),
        len(faults) - len(beta),
    )


def _height(
    design: Floats,
    faults: Floats,
    attempts: Floats,
    beta: Floats,
    mean: Floats,
    precision: Floats,
) -> float:
    """Log posterior but for a constant."""
    eta = design @ beta
    away = beta - mean
    like = faults * eta - attempts * np.logaddexp(0, eta)
    return float(like.sum() - away @ precision @ away / 2)


def _expit(eta: Floats) -> Floats:
    from scipy.special import expit

    found: Floats = expit(eta)
    return found
