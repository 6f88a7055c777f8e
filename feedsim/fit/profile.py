"""Likelihood-ratio intervals of a fitted mean and form, and the exact one of an exponential."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from feedsim.fit.families import (
    EXPONENTIAL,
    FamilyFit,
    likelihood_of,
    log_form,
    log_mean_over_location,
    log_scale_of,
)

Parameter = Literal["mean", "form"]
FARTHEST = 60.0
# What the log-likelihood ratio of a normal mean with unknown variance is larger than chi-square
# on average, times the number of events: E[n ln(1 + t²/(n-1))] = 1 + 1.5/n + ...
SMALL_SAMPLE = 1.5
_TOLERANCE = 1e-9


def deviance(fit: FamilyFit, parameter: Parameter, value: float) -> float:
    """Twice the log-likelihood that is lost when a parameter is held at a value.

    Parameters
    ----------
    fit : FamilyFit
    parameter : {"mean", "form"}
        The mean in seconds, or shape or cv; the other one is fitted anew.
    value : float
        Above 0.

    Returns
    -------
    float
        At least 0; about chi-square with one degree of freedom at the true value.
    """
    return _Profile(fit, parameter)(math.log(value))


def deviance_limit(fit: FamilyFit, confidence: float) -> float:
    """The deviance at which an interval of a fit ends.

    Chi-square's quantile, for two parameters times Bartlett's factor of a normal mean.

    References
    ----------
    Bartlett, Proc. R. Soc. A 160 (1937) 268; the factor 1 + 1.5/n: own derivation from the
    moments of Student's t, with the events as n.
    """
    from scipy.special import chdtri

    limit = float(chdtri(1, 1 - confidence))
    if fit.family == EXPONENTIAL:
        return limit
    return limit * (1 + SMALL_SAMPLE / fit.data.events)


class _Profile:
    """The deviance over the logarithm of one parameter, the other fitted anew at each value."""

    def __init__(self, fit: FamilyFit, parameter: Parameter) -> None:
        self._fit = fit
        self._parameter = parameter
        self._likelihood = likelihood_of(fit.family, fit.data)
        # Where the other parameter was for a value before is a good place to begin.
        if parameter == "mean":
            self._near, self._width = fit.log_scale, 0.2
        else:
            self._near, self._width = fit.location, 0.2 * math.exp(fit.log_scale)

    def __call__(self, log_value: float) -> float:
        if self._fit.family == EXPONENTIAL:
            return self._lost(self._likelihood.value(log_value, 0.0))
        from scipy.optimize import minimize_scalar

        found = minimize_scalar(
            lambda other: -self._likelihood.value(*self._place(log_value, other)),
            bracket=(self._near - self._width, self._near + self._width),
            tol=1e-10,
        )
        self._near = float(found.x)
        return self._lost(-float(found.fun))

    def _place(self, log_value: float, other: float) -> tuple[float, float]:
        """Location and log-scale at a value of the one parameter and one of the other."""
        family = self._fit.family
        if self._parameter == "mean":
            log_scale = min(max(other, -20.0), 4.0)
            return log_value - log_mean_over_location(family, log_scale), log_scale
        return other, log_scale_of(family, math.exp(log_value))

    def _lost(self, log_likelihood: float) -> float:
        return max(0.0, 2 * (self._fit.log_likelihood - log_likelihood))


def interval(fit: FamilyFit, parameter: Parameter, confidence: float = 0.95) -> tuple[float, float]:
    """Likelihood-ratio interval of the mean (s) or of the form.

    Parameters
    ----------
    fit : FamilyFit
    parameter : {"mean", "form"}
    confidence : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        0 or infinity where the data set no limit on that side.

    References
    ----------
    Meeker and Escobar, Statistical Methods for Reliability Data, ch. 7 and 8 (from memory).
    """
    limit = deviance_limit(fit, confidence)
    lost = _Profile(fit, parameter)
    if parameter == "mean":
        middle, place = fit.log_mean, 0
    else:
        middle, place = log_form(fit.family, fit.log_scale), 1
    step = math.sqrt(limit * float(fit.covariance[place, place]))
    low, high = (_end(lost, middle, side * step, limit) for side in (-1, 1))
    return math.exp(low), (math.inf if high > 690 else math.exp(high))


def _end(lost: Callable[[float], float], middle: float, step: float, limit: float) -> float:
    """Where the loss reaches its limit on one side; infinity where it does not."""
    from scipy.optimize import brentq

    inner, outer = middle, middle + step
    while lost(outer) < limit:
        if abs(outer - middle) > FARTHEST:
            return math.copysign(math.inf, step)
        inner, outer = outer, outer + 0.6 * (outer - middle)
    return float(brentq(lambda at: lost(at) - limit, inner, outer, xtol=_TOLERANCE))


def exact_mean_interval(
    total_s: float, events: int, confidence: float = 0.95, *, ended_by_time: bool = True
) -> tuple[float, float]:
    """Exact interval of the mean time between events that come at random.

    Parameters
    ----------
    total_s : float
        Time under observation, s.
    events : int
        Events seen in it.
    confidence : float
        Between 0 and 1.
    ended_by_time : bool
        Whether the time was given, as a window is; else the last event ended it.

    Returns
    -------
    low, high : float
        s; without an event the upper limit is infinite.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, sec. 8.4.5.1.
    """
    from scipy.special import chdtri

    tail = (1 - confidence) / 2
    low = 2 * total_s / float(chdtri(2 * events + (2 if ended_by_time else 0), tail))
    high = 2 * total_s / float(chdtri(2 * events, 1 - tail)) if events else math.inf
    return low, high
