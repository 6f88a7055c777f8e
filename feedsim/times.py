"""Times that vary, drawn in seconds and kept in whole microseconds."""

from __future__ import annotations

import math
from functools import cache

from feedsim.config import Spread
from feedsim.streams import Stream

US_PER_S = 1_000_000


def to_us(seconds: float) -> int:
    """Round a time in seconds to whole microseconds, halves to even."""
    return round(seconds * 1e6)


def cycle_us(speed_per_min: float) -> int:
    """Length of one cycle in microseconds at a speed in cycles a minute."""
    return to_us(60 / speed_per_min)


@cache
def weibull_shape(cv: float) -> float:
    """Shape of the Weibull family with a given coefficient of variation.

    Parameters
    ----------
    cv : float
        Standard deviation over mean, above 0.

    Returns
    -------
    float
        The shape k that solves G(1 + 2/k) / G(1 + 1/k)^2 = 1 + cv^2, G the gamma function.

    References
    ----------
    First two moments of the Weibull distribution; any text on reliability.
    """
    from scipy.optimize import brentq

    target = math.log1p(cv * cv)

    def excess(log_shape: float) -> float:
        k = math.exp(log_shape)
        return math.lgamma(1 + 2 / k) - 2 * math.lgamma(1 + 1 / k) - target

    return math.exp(float(brentq(excess, math.log(0.01), math.log(1e5), xtol=1e-14)))


class Times:
    """The times of one purpose, each draw from that purpose's own stream.

    A constant draws nothing.
    """

    __slots__ = ("_constant_us", "_first", "_second", "_values", "family", "stream")

    def __init__(self, spread: Spread, stream: Stream) -> None:
        self.family = spread.family
        self.stream = stream
        self._constant_us: int | None = None
        self._values: list[int] = []
        self._first = self._second = 0.0
        mean_s = spread.mean_s
        if spread.family == "constant":
            self._constant_us = to_us(mean_s)
        elif spread.family == "exponential":
            self._first = mean_s
        elif spread.family == "lognormal":
            assert spread.cv is not None
            variance = math.log1p(spread.cv**2)
            self._first, self._second = math.log(mean_s) - variance / 2, math.sqrt(variance)
        elif spread.family == "weibull":
            shape = spread.shape
            if shape is None:
                assert spread.cv is not None
                shape = weibull_shape(spread.cv)
            self._first, self._second = mean_s / math.gamma(1 + 1 / shape), shape
        else:
            assert spread.values_s is not None
            self._values = [to_us(value) for value in spread.values_s]

    def draw_us(self) -> int:
        """Draw the next time, in microseconds."""
        if self._constant_us is not None:
            return self._constant_us
        draw = self.stream.generator
        if self.family == "exponential":
            return to_us(draw.exponential(self._first))
        if self.family == "lognormal":
            return to_us(draw.lognormal(self._first, self._second))
        if self.family == "weibull":
            return to_us(self._first * draw.weibull(self._second))
        return self._values[int(draw.integers(0, len(self._values)))]
