"""Stops in series, with and without an accumulation between, and over time."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

Pair = tuple[float, float]


def series_line(stations: Sequence[Pair]) -> float:
    """Efficiency of stations in series without a buffer, that do not age while halted.

    Parameters
    ----------
    stations : sequence of (mean up, mean stop)

    Returns
    -------
    float
        1 / (1 + sum of stop / up); the distribution of the stops does not matter.

    References
    ----------
    J. A. Buzacott 1968, "Prediction of the efficiency of production systems without internal
    storage" (from memory).

    Examples
    --------
    >>> round(series_line([(50, 2), (30, 1), (80, 5)]), 6)
    0.880411
    """
    return 1 / (1 + math.fsum(stop / up for up, stop in stations))


def product_of_availabilities(stations: Sequence[Pair]) -> float:
    """Efficiency that stations would have if they aged while others halt them: a wrong model.

    Parameters
    ----------
    stations : sequence of (mean up, mean stop)

    Returns
    -------
    float
        The product of up / (up + stop).

    Examples
    --------
    >>> round(product_of_availabilities([(50, 2), (30, 1), (80, 5)]), 6)
    0.875785
    """
    return math.prod(up / (up + stop) for up, stop in stations)


def series_line_in_cycles(cycle: float, stations: Sequence[Pair]) -> float:
    """The same line in whole cycles, where stops that begin together overlap.

    Parameters
    ----------
    cycle : float
        Length of a cycle; each station stops after a cycle with the chance cycle / up.
    stations : sequence of (mean up, constant stop)

    Returns
    -------
    float
        cycle / (cycle + mean of the longest of the stops that begin at a cycle's end).

    References
    ----------
    Own derivation; the limit for short cycles is `series_line`.

    Examples
    --------
    >>> round(series_line_in_cycles(1e-6, [(50, 2), (30, 1), (80, 5)]), 6)
    0.880411
    """
    halted = 0.0
    for begins in itertools.product((False, True), repeat=len(stations)):
        chance = math.prod(
            cycle / up if begun else 1 - cycle / up
            for begun, (up, _) in zip(begins, stations, strict=True)
        )
        stops = [stop for begun, (_, stop) in zip(begins, stations, strict=True) if begun]
        halted += chance * max(stops, default=0.0)
    return cycle / (cycle + halted)


def stage_of_stations(stations: int, cycle: float, chance: float, stop: float) -> float:
    """Efficiency of stations whose stops are dealt with one at a time.

    Parameters
    ----------
    stations : int
    cycle : float
        Tc, in the unit of time of `stop`.
    chance : float
        p, of a station's stop in a cycle.
    stop : float
        Td, mean length of a stop.

    Returns
    -------
    float
        Tc / (Tc + n p Td).

    References
    ----------
    M. P. Groover, Automation, Production Systems, and Computer-Integrated Manufacturing,
    appendix 16A.4 of the transfer-line chapter.

    Examples
    --------
    >>> round(stage_of_stations(20, 1.2, 0.005, 8), 4)
    0.6
    """
    return cycle / (cycle + stations * chance * stop)


def fluid_line(up_1: float, stop_1: float, up_2: float, stop_2: float, buffer: float) -> float:
    """Efficiency of two machines of equal speed with a buffer between, as a fluid.

    Parameters
    ----------
    up_1, stop_1, up_2, stop_2 : float
        Mean up and stop times, all exponential, up times of operation alone.
    buffer : float
        Content of the buffer in time units of processing.

    Returns
    -------
    float
        Throughput over speed.

    Notes
    -----
    With l = 1 / up, m = 1 / stop, th = -(l1 + m2) + l2 (m1 + m2) / (l1 + l2)
    + m1 (l1 + l2) / (m1 + m2), g = exp(th C), I = (g - 1) / th:
    numerator I ((m1 + m2) / (l1 + l2) + 1) + g / l1 + 1 / l2, denominator
    I ((m1 + m2) / (l1 + l2) + 2 + (l1 + l2) / (m1 + m2)) + g / l1 + (l1 + l2) g / (l1 m2)
    + 1 / l2 + (l1 + l2) / (l2 m1).

    References
    ----------
    Own derivation from the state equations; the model of Wijngaard 1979 and of Gershwin,
    Manufacturing Systems Engineering, 1994, ch. 3.

    Examples
    --------
    >>> [round(fluid_line(100, 10, 100, 10, c), 6) for c in (0, 10, 50)]
    [0.833333, 0.858726, 0.887574]
    """
    l1, m1, l2, m2 = 1 / up_1, 1 / stop_1, 1 / up_2, 1 / stop_2
    fails, mends = l1 + l2, m1 + m2
    theta = -(l1 + m2) + l2 * mends / fails + m1 * fails / mends
    growth = math.exp(theta * buffer)
    inside = buffer if abs(theta) < 1e-12 else math.expm1(theta * buffer) / theta
    top = inside * (mends / fails + 1) + growth / l1 + 1 / l2
    bottom = (
        inside * (mends / fails + 2 + fails / mends)
        + growth / l1
        + fails * growth / (l1 * m2)
        + 1 / l2
        + fails / (l2 * m1)
    )
    return top / bottom


def availability_at(up: float, stop: float, at: float) -> float:
    """Chance of being up at a time after a start as new, all times exponential.

    Parameters
    ----------
    up, stop : float
        Means, in one unit of time.
    at : float
        Time since the start, in the same unit.

    Returns
    -------
    float
        A + (1 - A) exp(-(l + m) t), A = m / (l + m), l = 1 / up, m = 1 / stop.

    References
    ----------
    A. Birolini, Reliability Engineering, sec. 6.2.

    Examples
    --------
    >>> round(availability_at(100, 5, 10), 6)
    0.958212
    """
    fails, mends = 1 / up, 1 / stop
    both = fails + mends
    return (mends + fails * math.exp(-both * at)) / both


def mean_availability(up: float, stop: float, until: float) -> float:
    """Mean share of time up over [0, until] after a start as new.

    Parameters
    ----------
    up, stop : float
        Means of exponential times, in one unit of time.
    until : float
        Length of the time looked at, in the same unit, above 0.

    Returns
    -------
    float
        A + l (1 - exp(-(l + m) t)) / ((l + m)^2 t), A = m / (l + m).

    References
    ----------
    A. Birolini, Reliability Engineering, sec. 6.2.

    Examples
    --------
    >>> [round(mean_availability(100, 5, t), 6) for t in (10, 100)]
    [0.97228, 0.954649]
    """
    fails, mends = 1 / up, 1 / stop
    both = fails + mends
    return mends / both - fails * math.expm1(-both * until) / (both**2 * until)
