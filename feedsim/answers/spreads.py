"""Times of another mean, whose spread keeps its shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from feedsim.config import Spread


def with_times(spread: Spread, change: Callable[[float], float]) -> Spread:
    """A spread whose mean and values are changed alike.

    Parameters
    ----------
    spread : Spread
    change : callable
        A time in seconds becomes another; proportional, so that the coefficient of variation
        stays what it is.
    """
    values_s = None if spread.values_s is None else tuple(map(change, spread.values_s))
    return replace(spread, mean_s=change(spread.mean_s), values_s=values_s)
