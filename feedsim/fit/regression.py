"""Binomial regression: on the log-odds scale, or by another curve; with or without a prior."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.stats import Floats

MOST_STEPS = 100
MOST_HALVINGS = 40
TOLERANCE = 1e-12
# Where the logarithm of a chance, or of what is left, lies below: maximum likelihood has run away.
RUNAWAY = -25.0


class NoMaximumError(ValueError):
    """A likelihood without a maximum: data that a coefficient separates completely."""


@dataclass(frozen=True)
class NormalPrior:
    """A normal law of the coefficients: mean of shape (k,), covariance of shape (k, k)."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True)
class Link:
    """A curve from a sum of effects to a chance.

    Attributes
    ----------
    name : str
    logs : callable
        From the sum of effects to the logarithms of the chance and of 1 - chance.
    log_slope : callable
        From the same to the logarithm of the curve's slope.
    """

    name: str
    logs: Callable[[Floats], tuple[Floats, Floats]]
    log_slope: Callable[[Floats], Floats]

    def chance(self, eta: Floats) -> Floats:
        """Chance at a sum of effects."""
        return np.exp(self.logs(eta)[0])


def _logs_of_logit(eta: Floats) -> tuple[Floats, Floats]:
    return -np.logaddexp(0, -eta), -np.logaddexp(0, eta)


def _log_slope_of_logit(eta: Floats) -> Floats:
    chance, left = _logs_of_logit(eta)
    return chance + left


def _logs_of_probit(eta: Floats) -> tuple[Floats, Floats]:
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(eta)), np.asarray(log_ndtr(-eta))


def _log_slope_of_probit(eta: Floats) -> Floats:
    return np.asarray(-(eta * eta) / 2 - np.log(2 * np.pi) / 2)


def _logs_of_cloglog(eta: Floats) -> tuple[Floats, Floats]:
    grown = np.exp(np.minimum(eta, _LARGEST_LOG))
    with np.errstate(divide="ignore"):
        return np.log(-np.expm1(-grown)), -grown


def _log_slope_of_cloglog(eta: Floats) -> Floats:
    return eta - np.exp(np.minimum(eta, _LARGEST_LOG))


_LARGEST_LOG = 50.0
LOGIT = Link("logit", _logs_of_logit, _log_slope_of_logit)
PROBIT = Link("probit", _logs_of_probit, _log_slope_of_probit)
CLOGLOG = Link("complementary log-log", _logs_of_cloglog, _log_slope_of_cloglog)
LINKS = (LOGIT, PROBIT, CLOGLOG)


@dataclass(frozen=True)
class BinomialFit:
    """A regression at its maximum.

    Attributes
    ----------
    coefficients : array of shape (k,)
    covariance : array of shape (k, k)
        Inverse of the information there (Laplace's approximation, with a prior).
    log_likelihood : float
        Of the data, with the binomial coefficients.
    deviance : float
        Against the saturated model, on `degrees` degrees of freedom.
    degrees : int
    """

    coefficients: Floats
    covariance: Floats
    log_likelihood: float
    deviance: float
    degrees: int


def fit_binomial(
    design: Floats,
    faults: Floats,
    attempts: Floats,
    prior: NormalPrior | None = None,
    link: Link = LOGIT,
) -> BinomialFit:
    """Fit link(chance) = design @ coefficients to counts, by Fisher's scoring.

    With the logit that is Newton's method.

    Parameters
    ----------
    design : array of shape (n, k)
    faults, attempts : arrays of shape (n,)
        Counts, faults at most attempts.
    prior : NormalPrior, optional
        Without one it is plain maximum likelihood.
    link : Link

    Returns
    -------
    BinomialFit

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
    curve = _Curve(design, faults, attempts, start, precision, link)
    beta = start.astype(float)
    height = curve.height(beta)
    for _ in range(MOST_STEPS):
        gradient, information = curve.slope_and_information(beta)
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError as error:
            raise NoMaximumError(_NO_MAXIMUM) from error
        for _ in range(MOST_HALVINGS):
            higher = curve.height(beta + step)
            if higher >= height - TOLERANCE * abs(height):
                break
            step = step / 2
        beta, height = beta + step, higher
        if prior is None and np.min(link.logs(design @ beta)) < RUNAWAY:
            raise NoMaximumError(_NO_MAXIMUM)
        if np.abs(step).max() <= TOLERANCE * (1 + np.abs(beta).max()):
            break
    return curve.told(beta)


_NO_MAXIMUM = "no maximum: some group has no fault, or nothing else; a prior is needed"


@dataclass(frozen=True)
class _Curve:
    """The log posterior over the coefficients."""

    design: Floats
    faults: Floats
    attempts: Floats
    mean: Floats
    precision: Floats
    link: Link

    def height(self, beta: Floats) -> float:
        """Log posterior but for a constant."""
        away = beta - self.mean
        return float(self._log_like(beta).sum() - away @ self.precision @ away / 2)

    def slope_and_information(self, beta: Floats) -> tuple[Floats, Floats]:
        """Gradient, and the expected information with the prior's."""
        eta = self.design @ beta
        chance, left = self.link.logs(eta)
        slope = self.link.log_slope(eta)
        pull = (self.faults - self.attempts * np.exp(chance)) * np.exp(slope - chance - left)
        weight = self.attempts * np.exp(2 * slope - chance - left)
        gradient = self.design.T @ pull - self.precision @ (beta - self.mean)
        return gradient, self.design.T @ (weight[:, None] * self.design) + self.precision

    def told(self, beta: Floats) -> BinomialFit:
        """The fit with its measures."""
        from scipy.special import gammaln, xlogy

        faults, attempts = self.faults, self.attempts
        good = attempts - faults
        coefficients = gammaln(attempts + 1) - gammaln(faults + 1) - gammaln(good + 1)
        like = self._log_like(beta)
        best = xlogy(faults, faults / attempts) + xlogy(good, good / attempts)
        return BinomialFit(
            beta,
            np.linalg.inv(self.slope_and_information(beta)[1]).astype(float),
            float((coefficients + like).sum()),
            float(2 * (best - like).sum()),
            len(faults) - len(beta),
        )

    def _log_like(self, beta: Floats) -> Floats:
        """Of each line, but for its binomial coefficient."""
        chance, left = self.link.logs(self.design @ beta)
        good = self.attempts - self.faults
        # 0 times minus infinity is 0 here.
        found: Floats = np.where(self.faults > 0, self.faults * chance, 0.0)
        return found + np.where(good > 0, good * left, 0.0)
