"""Times that vary, drawn in seconds and kept in whole microseconds."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from feedsim.config import Spread
from feedsim.streams import Stream

BLOCK = 32


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


def scale_and_form(spread: Spread) -> tuple[float, float]:
    """Numbers with which numpy draws a family's times in seconds.

    Returns
    -------
    tuple of float
        Exponential: mean, 0. Lognormal: mean and standard deviation of the logarithm. Weibull:
        scale and shape. Others: mean, 0.
    """
    if spread.family == "lognormal":
        assert spread.cv is not None
        variance = math.log1p(spread.cv**2)
        return math.log(spread.mean_s) - variance / 2, math.sqrt(variance)
    if spread.family == "weibull":
        shape = spread.shape if spread.cv is None else weibull_shape(spread.cv)
        assert shape is not None
        return spread.mean_s / math.gamma(1 + 1 / shape), shape
    return spread.mean_s, 0.0


class Times:
    """The times of one purpose, each draw from that purpose's own stream.

    A constant draws nothing. Others are drawn a block at a time: numpy gives the same numbers
    one by one and in blocks, and a block costs little more than one.
    """

    __slots__ = ("_block", "_constant_us", "_draw_block", "_left")

    def __init__(self, spread: Spread, stream: Stream) -> None:
        self._constant_us = to_us(spread.mean_s) if spread.family == "constant" else None
        self._draw_block = _block_of(spread, stream)
        self._block: list[int] = []
        self._left = 0

    def draw_us(self) -> int:
        """Draw the next time, in microseconds."""
        if self._constant_us is not None:
            return self._constant_us
        if not self._left:
            self._block = self._draw_block()
            self._left = BLOCK
        self._left -= 1
        return self._block[self._left]


def _block_of(spread: Spread, stream: Stream) -> Callable[[], list[int]]:
    """A function that draws a block of times of a family, the first one last."""
    scale, form = scale_and_form(spread)
    if spread.family == "exponential":
        return lambda: _turned(stream.generator.exponential(scale, BLOCK))
    if spread.family == "lognormal":
        return lambda: _turned(stream.generator.lognormal(scale, form, BLOCK))
    if spread.family == "weibull":
        return lambda: _turned(scale * stream.generator.weibull(form, BLOCK))
    values_s = np.array(spread.values_s or [spread.mean_s])
    return lambda: _turned(values_s[stream.generator.integers(0, len(values_s), BLOCK)])


def _turned(times_s: NDArray[np.float64]) -> list[int]:
    return [to_us(time_s) for time_s in times_s[::-1].tolist()]
