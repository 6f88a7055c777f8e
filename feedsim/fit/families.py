"""Families of distributions fitted to times of which some are right-censored.

Each family is one of the logarithm of the time, with a location and a scale: the exponential has
its scale fixed. What is reported are the numbers that a config takes: mean, and cv or shape.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np

from feedsim.config import Spread
from feedsim.config.times import (
    LARGEST_CV,
    LARGEST_SHAPE,
    LONGEST_S,
    SMALLEST_CV,
    SMALLEST_SHAPE,
)
from feedsim.fit.rounded import LOG_ROOT_2PI, RoundedLikelihood
from feedsim.fit.survival import CensoredTimes
from feedsim.stats import Floats

FamilyName = Literal["exponential", "weibull", "lognormal"]
EXPONENTIAL: FamilyName = "exponential"
WEIBULL: FamilyName = "weibull"
LOGNORMAL: FamilyName = "lognormal"
FAMILIES: tuple[FamilyName, ...] = (EXPONENTIAL, WEIBULL, LOGNORMAL)
FORM: dict[str, str] = {WEIBULL: "shape", LOGNORMAL: "cv"}
# What a config may say of a form.
ALLOWED_FORM: dict[str, tuple[float, float]] = {
    WEIBULL: (SMALLEST_SHAPE, LARGEST_SHAPE),
    LOGNORMAL: (SMALLEST_CV, LARGEST_CV),
}
LEAST_DIFFERENT = 2

_LARGEST_Z = 50.0
_FARTHEST_Z = 1e8
_FLAT = 1e-7
# A step's length does not move a mean further, in its logarithm.
_NEAR = 6.0

Terms = tuple[Floats, Floats, Floats]


class FitError(ValueError):
    """Times that do not determine a family's parameters."""


def weibull_terms(z: Floats, seen: Floats) -> Terms:
    """Log-likelihood of each standardised log-time, with its first two derivatives."""
    grown = np.exp(np.minimum(z, _LARGEST_Z))
    return seen * z - grown, seen - grown, -grown


def lognormal_terms(z: Floats, seen: Floats) -> Terms:
    """Log-likelihood of each standardised log-time, with its first two derivatives."""
    from scipy.special import log_ndtr

    z = np.clip(z, -_FARTHEST_Z, _FARTHEST_Z)
    value = -0.5 * z * z - LOG_ROOT_2PI
    slope, bend = -z, -np.ones_like(z)
    cut = seen == 0
    if cut.any():
        z_cut = z[cut]
        log_survival = log_ndtr(-z_cut)
        hazard = np.exp(value[cut] - log_survival)
        value[cut], slope[cut], bend[cut] = log_survival, -hazard, -hazard * (hazard - z_cut)
    return value, slope, bend


TERMS: dict[str, Callable[[Floats, Floats], Terms]] = {
    EXPONENTIAL: weibull_terms,
    WEIBULL: weibull_terms,
    LOGNORMAL: lognormal_terms,
}


@dataclass(frozen=True, eq=False)
class Likelihood:
    """The log-likelihood of a family over location and log-scale of the log-times."""

    family: FamilyName
    data: CensoredTimes

    @cached_property
    def log_s(self) -> Floats:
        """Logarithms of the times."""
        return np.log(self.data.times_s)

    @cached_property
    def seen(self) -> Floats:
        """1 for an event, 0 for what is cut off."""
        return self.data.seen.astype(float)

    @cached_property
    def fixed(self) -> float:
        """The density's factor 1 / t of all events."""
        return float(-(self.seen * self.log_s).sum())

    def _terms(self, location: float, log_scale: float) -> tuple[Floats, Terms]:
        z = (self.log_s - location) * math.exp(-log_scale)
        return z, TERMS[self.family](z, self.seen)

    def value(self, location: float, log_scale: float) -> float:
        """Log-likelihood."""
        _, (value, _, _) = self._terms(location, log_scale)
        return float(value.sum()) - self.data.events * log_scale + self.fixed

    def slope(self, location: float, log_scale: float) -> Floats:
        """Its gradient, shape (2,)."""
        z, (_, slope, _) = self._terms(location, log_scale)
        per_scale = math.exp(-log_scale)
        return np.array([-per_scale * slope.sum(), -self.data.events - (slope * z).sum()])

    def bend(self, location: float, log_scale: float) -> Floats:
        """Its matrix of second derivatives, shape (2, 2)."""
        z, (_, slope, bend) = self._terms(location, log_scale)
        per_scale = math.exp(-log_scale)
        mixed = per_scale * (slope + bend * z).sum()
        return np.array(
            [
                [per_scale * per_scale * bend.sum(), mixed],
                [mixed, (slope * z + bend * z * z).sum()],
            ]
        )


def likelihood_of(family: FamilyName, data: CensoredTimes) -> Likelihood | RoundedLikelihood:
    """The log-likelihood of a family, of times as they are or as a clock with steps told them."""
    if data.step_s:
        return RoundedLikelihood(family == LOGNORMAL, data)
    return Likelihood(family, data)


@dataclass(frozen=True, eq=False)
class FamilyFit:
    """A family fitted by maximum likelihood.

    Attributes
    ----------
    family : str
    location, log_scale : float
        Of the log-times (s): Weibull ln(scale) and -ln(shape), lognormal mu and ln(sigma).
    covariance : array of shape (k, k)
        Of the logarithms of the mean and, where there is one, of the form (shape or cv), from
        the observed information.
    log_likelihood : float
        Of the times in seconds.
    data : CensoredTimes
    """

    family: FamilyName
    location: float
    log_scale: float
    covariance: Floats
    log_likelihood: float
    data: CensoredTimes

    @property
    def mean_s(self) -> float:
        """Mean, s."""
        return math.exp(min(self.log_mean, 700.0))

    @property
    def log_mean(self) -> float:
        """Logarithm of the mean in seconds."""
        return self.location + log_mean_over_location(self.family, self.log_scale)

    @property
    def form(self) -> float | None:
        """Shape of a Weibull, cv of a lognormal."""
        if self.family == EXPONENTIAL:
            return None
        return math.exp(log_form(self.family, self.log_scale))

    @property
    def form_name(self) -> str | None:
        """What the form is: shape or cv."""
        return FORM.get(self.family)

    @property
    def parameters(self) -> int:
        """How many numbers were fitted."""
        return 1 if self.family == EXPONENTIAL else 2

    @property
    def aic(self) -> float:
        """Akaike's information criterion."""
        return 2 * self.parameters - 2 * self.log_likelihood

    @property
    def bic(self) -> float:
        """Schwarz's information criterion, with the number of events as the sample's size.

        References
        ----------
        Events instead of times where some are censored: Volinsky and Raftery, Biometrics 56
        (2000) 256 (from memory).
        """
        return self.parameters * math.log(self.data.events) - 2 * self.log_likelihood

    @property
    def is_usable(self) -> bool:
        """Whether a config may say so."""
        if not 0 < self.mean_s <= LONGEST_S:
            return False
        if self.form is None:
            return True
        low, high = ALLOWED_FORM[self.family]
        return low <= self.form <= high

    @property
    def spread(self) -> Spread:
        """The time as a config has it."""
        return spread_of(self.family, self.mean_s, self.form)

    def log_cdf(self, times_s: Floats) -> Floats:
        """Logarithm of the share that is over by a time."""
        from scipy.special import log_ndtr

        if self.family == LOGNORMAL:
            found: Floats = log_ndtr(self._z(times_s))
            return found
        with np.errstate(divide="ignore"):
            return np.log(-np.expm1(self.log_survival(times_s)))

    def log_survival(self, times_s: Floats) -> Floats:
        """Logarithm of the share that lasts longer."""
        from scipy.special import log_ndtr

        z = self._z(times_s)
        found: Floats = log_ndtr(-z) if self.family == LOGNORMAL else -np.exp(np.minimum(z, 700))
        return found

    def survival(self, times_s: Floats) -> Floats:
        """Share that lasts longer than a time in seconds."""
        return np.exp(self.log_survival(times_s))

    def _z(self, times_s: Floats) -> Floats:
        return (np.log(times_s) - self.location) * math.exp(-self.log_scale)

    def draw(self, rng: np.random.Generator, shape: int | tuple[int, ...]) -> Floats:
        """Draw times in seconds."""
        scale = math.exp(self.log_scale)
        if self.family == LOGNORMAL:
            return np.exp(self.location + scale * rng.standard_normal(shape))
        return np.exp(self.location + scale * np.log(rng.standard_exponential(shape)))


def spread_of(family: str, mean_s: float, form: float | None) -> Spread:
    """A time as a config has it, of a family's mean and shape or cv."""
    name = FORM.get(family)
    values: dict[str, Any] = {} if name is None else {name: form}
    return Spread(family, mean_s, **values)  # type: ignore[arg-type]


def log_mean_over_location(family: str, log_scale: float) -> float:
    """Logarithm of the mean, less the location of the log-times."""
    if family == LOGNORMAL:
        return 0.5 * math.exp(min(2 * log_scale, 700.0))
    return math.lgamma(1 + math.exp(min(log_scale, 300.0)))


def log_form(family: str, log_scale: float) -> float:
    """Logarithm of the shape or cv that goes with a log-scale of the log-times."""
    if family == LOGNORMAL:
        variance = math.exp(2 * log_scale)
        return 0.5 * (variance if variance > 50 else math.log(math.expm1(variance)))
    return -log_scale


def log_scale_of(family: str, form: float) -> float:
    """Log-scale of the log-times that goes with a shape or cv."""
    if family == LOGNORMAL:
        return 0.5 * math.log(math.log1p(form * form))
    return -math.log(form)


def fit_family(family: FamilyName, data: CensoredTimes) -> FamilyFit:
    """Fit a family by maximum likelihood.

    Parameters
    ----------
    family : str
        exponential, weibull or lognormal.
    data : CensoredTimes

    Returns
    -------
    FamilyFit

    Raises
    ------
    FitError
        If there is no event, or, for two parameters, the likelihood grows without end.

    Notes
    -----
    With location over scale and one over scale as parameters the log-likelihood of either
    family is concave, so the only place without a slope is its maximum.

    References
    ----------
    Lawless, Statistical Models and Methods for Lifetime Data, ch. 5; the concavity: Burridge,
    J. R. Stat. Soc. B 43 (1981) 41 (from memory).
    """
    if data.events == 0:
        raise FitError("no event was seen")
    likelihood = likelihood_of(family, data)
    if family == EXPONENTIAL:
        location, log_scale = _location(likelihood), 0.0
        covariance = np.array([[1 / -likelihood.bend(location, 0.0)[0, 0]]])
    else:
        location, log_scale = _maximum(likelihood)
        covariance = _covariance(family, likelihood, location, log_scale)
    value = likelihood.value(location, log_scale)
    return FamilyFit(family, location, log_scale, covariance, value, data)


def _location(likelihood: Likelihood | RoundedLikelihood) -> float:
    """The likeliest location of an exponential."""
    from scipy.optimize import brentq

    data = likelihood.data
    place = math.log(data.total_s / data.events)
    if not data.step_s:
        return place
    low, high = place - _NEAR, place + _NEAR
    if not likelihood.slope(low, 0.0)[0] > 0 > likelihood.slope(high, 0.0)[0]:
        raise FitError("no mean is the likeliest")
    return float(brentq(lambda at: likelihood.slope(at, 0.0)[0], low, high, xtol=1e-12))


def _maximum(likelihood: Likelihood | RoundedLikelihood) -> tuple[float, float]:
    from scipy.optimize import minimize, root

    data = likelihood.data
    if len(np.unique(data.seen_s)) < LEAST_DIFFERENT:
        raise FitError("fewer than two different times were seen")
    log_s = np.log(data.times_s)
    start: Any = np.array([float(log_s.mean()), math.log(max(float(log_s.std()), 1e-3))])
    room = _FLAT * (1 + data.events)

    def slope(at: Floats) -> Floats:
        return -likelihood.slope(*_within(at))

    def bend(at: Floats) -> Floats:
        return -likelihood.bend(*_within(at))

    found: Any = root(
        slope,
        start,
        jac=bend,
        method="hybr",
        options={"xtol": 1e-13},
    )
    if _is_top(likelihood, found.x, room):
        return float(found.x[0]), float(found.x[1])
    search: Any = minimize  # its types know no gradient over an array of any shape
    found = search(
        lambda at: -likelihood.value(*_within(at)),
        start,
        jac=slope,
        hess=bend,
        method="trust-exact",
        options={"gtol": room / 10},
    )
    if not _is_top(likelihood, found.x, room):
        raise FitError("no parameters are the likeliest")
    return float(found.x[0]), float(found.x[1])


def _within(at: Floats) -> tuple[float, float]:
    """A trial point, its log-scale kept where numbers can be told."""
    return float(at[0]), min(max(float(at[1]), -25.0), 25.0)


def _is_top(likelihood: Likelihood | RoundedLikelihood, at: Floats, room: float) -> bool:
    if not (np.all(np.isfinite(at)) and abs(at[1]) < 20):
        return False
    # The slope over the location is in units of the scale.
    slope = likelihood.slope(*at) * np.array([math.exp(at[1]), 1.0])
    return bool(np.all(np.abs(slope) < room))


def _covariance(
    family: FamilyName,
    likelihood: Likelihood | RoundedLikelihood,
    location: float,
    log_scale: float,
) -> Floats:
    """Of log-mean and log-form, by the delta method."""
    inverse = np.linalg.inv(-likelihood.bend(location, log_scale))
    scale = math.exp(log_scale)
    if family == LOGNORMAL:
        variance = scale * scale
        mean_by, form_by = variance, variance / -math.expm1(-variance)
    else:
        from scipy.special import digamma

        mean_by, form_by = float(digamma(1 + scale)) * scale, -1.0
    turn = np.array([[1.0, mean_by], [0.0, form_by]])
    covariance: Floats = turn @ inverse @ turn.T
    return covariance
