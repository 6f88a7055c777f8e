"""Exact intervals of rates counted in attempts."""

from __future__ import annotations

import numpy as np

from feedsim.stats import Floats


def exact_interval(
    faults: int | Floats, attempts: int | Floats, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Two-sided interval of a rate, exact for independent attempts.

    Parameters
    ----------
    faults, attempts : int or arrays that go together
        Counts; without an attempt the interval is all from 0 to 1.
    confidence : float
        Between 0 and 1: at least so often the interval holds the rate, whatever it is.

    Returns
    -------
    low, high : arrays

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(np.asarray(faults, float), np.asarray(attempts, float))
    tail = (1 - confidence) / 2
    low = np.where(k > 0, betaincinv(np.maximum(k, 1), n - np.minimum(k, n) + 1, tail), 0.0)
    high = np.where(k < n, betaincinv(k + 1, np.maximum(n - k, 1), 1 - tail), 1.0)
    return low, high
