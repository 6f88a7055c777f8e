"""How likely times are that were read off a clock with whole steps, such as minutes.

A stop told as 2 min, by a clock that shows whole minutes at its start and at its end, lasted
between 1 and 3: how late in its minute it began is not known. Each phase of the start leaves an
interval of one step; what is likely is the mean over the phases. Stops that lie within one step
are told as none: how many counts too, and where a log holds none of them it leaves them out, and
the likelihood is that of times that are told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from feedsim.fit.survival import CensoredTimes
from feedsim.stats import Floats

PHASES = 8
LOG_ROOT_2PI = 0.5 * math.log(2 * math.pi)
_SMALLEST_S = 1e-12
_STEP = 1e-5
_FARTHEST = 1e8
_LARGEST_Z = 600.0
_LARGEST_LOG = 300.0


def _phases() -> tuple[Floats, Floats]:
    """Phases of the start within its step, with their weights: Gauss and Legendre's."""
    nodes, weights = np.polynomial.legendre.leggauss(PHASES)
    return (1 + nodes) / 2, weights / 2


@dataclass(frozen=True, eq=False)
class RoundedLikelihood:
    """The log-likelihood over location and log-scale of the log-times, as `Likelihood`.

    Attributes
    ----------
    is_lognormal : bool
        Else Weibull, of which the exponential is one.
    data : CensoredTimes
        With a step.
    phases, weights : arrays of shape (p,)
        Of the start within its step; one in the middle: times are rounded to the nearest step.

    References
    ----------
    Interval censoring: Meeker and Escobar, Statistical Methods for Reliability Data, ch. 7 (from
    memory). The mean over the phases, and the times told as none: own derivation. The likelihood
    is divided by the step for each event, so that it is one of seconds as that of exact times.
    """

    is_lognormal: bool
    data: CensoredTimes
    phases: Floats = field(default_factory=lambda: _phases()[0])
    weights: Floats = field(default_factory=lambda: _phases()[1])

    @cached_property
    def _told(self) -> tuple[Floats, Floats, Floats]:
        """Different times, how many were seen at each, and how many cut off."""
        times_s, place = np.unique(self.data.times_s, return_inverse=True)
        seen, cut = (
            np.bincount(place, flags, len(times_s)).astype(float)
            for flags in (self.data.seen, ~self.data.seen)
        )
        return times_s, seen, cut

    @cached_property
    def _ends(self) -> tuple[Floats, Floats, Floats]:
        """Logarithms of where each time may end, by phase: from, to; and of the first step."""
        step_s = self.data.step_s
        start = self._told[0][:, None] - step_s * self.phases
        first = step_s * (1 - self.phases)
        return _log(start), _log(start + step_s), _log(first)

    @property
    def _leaves_out(self) -> bool:
        """Whether times told as none are missing: a rounded length of one phase is never none."""
        return not self.data.told_none and len(self.phases) > 1

    def value(self, location: float, log_scale: float) -> float:
        """Log-likelihood."""
        _, seen, cut = self._told
        logs = self._logs(location, log_scale)
        inside, beyond, first = (self._mixed(each) for each in logs)
        like = self._sum(seen, inside) + self._sum(cut, beyond)
        like -= self.data.events * math.log(self.data.step_s)
        if self._leaves_out:
            return like - len(self.data) * float(first)
        none = -math.expm1(min(float(first), -_SMALLEST_S))
        return like + self.data.told_none * math.log(none)

    def slope(self, location: float, log_scale: float) -> Floats:
        """Its gradient, shape (2,)."""
        _, seen, cut = self._told
        inside, beyond, first = self._logs(location, log_scale)
        low, high, early = (self._z(each, location, log_scale) for each in self._ends)
        steep_low, steep_high, steep_early = map(self._log_density, (low, high, early))
        # Of the chance to leave the first step, or of the one not to.
        weight = -float(len(self.data))
        if not self._leaves_out:
            left = math.exp(min(float(self._mixed(first)), -_SMALLEST_S))
            weight = -self.data.told_none * left / (1 - left)
        found = np.zeros(2)
        for number in range(2):
            by_low, by_high, by_early = (
                (math.exp(-log_scale), z)[number] for z in (low, high, early)
            )
            ends = _ratio(steep_low - inside) * by_low - _ratio(steep_high - inside) * by_high
            of_inside = self._meant(inside, ends)
            of_beyond = self._meant(beyond, _ratio(steep_low - beyond) * by_low)
            of_first = self._meant(first, _ratio(steep_early - first) * by_early)
            found[number] = seen @ of_inside + cut @ of_beyond + weight * float(of_first)
        return found

    def bend(self, location: float, log_scale: float) -> Floats:
        """Its matrix of second derivatives, shape (2, 2), by differences of the gradient."""
        at = np.array([location, log_scale])
        steps = _STEP * np.diag([math.exp(log_scale), 1.0])
        rows = [
            (self.slope(*(at + step)) - self.slope(*(at - step))) / (2 * step.sum())
            for step in steps
        ]
        matrix = np.array(rows)
        even: Floats = (matrix + matrix.T) / 2
        return even

    def _logs(self, location: float, log_scale: float) -> tuple[Floats, Floats, Floats]:
        """Logarithms of the chance to end within, to last beyond, and to leave the first step."""
        low, high, first = (self._z(each, location, log_scale) for each in self._ends)
        return self._log_between(low, high), self._log_survival(low), self._log_survival(first)

    def _z(self, log_s: Floats, location: float, log_scale: float) -> Floats:
        z = (log_s - location) * math.exp(-log_scale)
        return np.clip(z, -_FARTHEST, _FARTHEST if self.is_lognormal else _LARGEST_Z)

    def _log_density(self, z: Floats) -> Floats:
        if self.is_lognormal:
            return -0.5 * z * z - LOG_ROOT_2PI
        return z - np.exp(z)

    def _log_survival(self, z: Floats) -> Floats:
        if not self.is_lognormal:
            return -np.exp(z)
        from scipy.special import log_ndtr

        found: Floats = log_ndtr(-z)
        return found

    def _log_between(self, low: Floats, high: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            if not self.is_lognormal:
                grown = np.exp(low)
                logs: Floats = np.log(-np.expm1(grown - np.exp(high))) - grown
                return np.maximum(logs, -_FARTHEST)
            from scipy.special import log_ndtr

            # From the side where less lies beyond: differences near 1 have few digits.
            above = low > 0
            near = log_ndtr(np.where(above, -low, high))
            far = log_ndtr(np.where(above, -high, low))
            found: Floats = near + np.log(-np.expm1(far - near))
        return np.maximum(found, -_FARTHEST)

    def _mixed(self, logs: Floats) -> Floats:
        """Logarithm of the mean over the phases, which stand last."""
        highest = logs.max(axis=-1, keepdims=True)
        found: Floats = highest[..., 0] + np.log(np.exp(logs - highest) @ self.weights)
        return found

    def _meant(self, logs: Floats, values: Floats) -> Floats:
        """Mean of values over the phases, each as likely as its logarithm says."""
        likely = self.weights * np.exp(logs - logs.max(axis=-1, keepdims=True))
        found: Floats = (likely * values).sum(axis=-1) / likely.sum(axis=-1)
        return found

    @staticmethod
    def _sum(counts: Floats, logs: Floats) -> float:
        there = counts > 0
        return float(counts[there] @ logs[there])


def _log(times_s: Floats) -> Floats:
    return np.log(np.maximum(times_s, _SMALLEST_S))


def _ratio(logs: Floats) -> Floats:
    return np.exp(np.minimum(logs, _LARGEST_LOG))
