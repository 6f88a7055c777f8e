"""Machines that stop and the people who tend them: queues with a finite source."""

from __future__ import annotations

import math
from typing import NamedTuple


def mean_to_draw(up: float, cycle: float) -> float:
    """Mean of an exponential time that, seen only at cycle ends, has a stated mean.

    A station stops at the end of the cycle in which its drawn time is reached, so its up time
    is a geometric number of cycles with the mean c / (1 - exp(-c / m)). Solved for m, this
    takes out the half cycle that would otherwise be added.

    Parameters
    ----------
    up : float
        Wanted mean up time, longer than the cycle.
    cycle : float
        Length of a cycle, in the same unit.

    Returns
    -------
    float
        m = -c / ln(1 - c / up), in the same unit.

    References
    ----------
    Own derivation.

    Examples
    --------
    >>> round(mean_to_draw(100.0, 1.0), 3)
    99.499
    """
    return -cycle / math.log1p(-cycle / up)


class FiniteSource(NamedTuple):
    """Steady state of N machines and c operators."""

    stopped: float
    """L, mean number of machines stopped (waiting or served)."""
    waiting: float
    """Lq, mean number of machines waiting."""
    served: float
    """B, mean number of busy operators."""
    found_busy: float
    """D, chance that a machine that stops finds every operator busy."""
    all_busy: float
    """Share of time in which every operator is busy: not what a stopping machine sees."""


def _states(machines: int, operators: int, load: float) -> list[float]:
    weights = [1.0]
    for n in range(1, machines + 1):
        weights.append(weights[-1] * (machines - n + 1) * load / min(n, operators))
    total = math.fsum(weights)
    return [weight / total for weight in weights]


def finite_source(machines: int, operators: int, up: float, service: float) -> FiniteSource:
    """Steady state of the queue M/M/c//N.

    Parameters
    ----------
    machines : int
        N.
    operators : int
        c.
    up, service : float
        Mean up and mean service time, in one unit.

    Returns
    -------
    FiniteSource

    Notes
    -----
    p_n is proportional to the product over i = 1..n of (N - i + 1) r / min(i, c), r = service /
    up. A machine that stops sees the state of N - 1 others (arrival theorem). With exponential
    service the result depends on the up times by their mean alone (a delay station of a closed
    network is insensitive), so up times of whole cycles need no further correction.

    References
    ----------
    Machine interference model, e.g. K. E. Stecke in Handbook of Industrial Engineering, 2nd ed.
    1992; arrival theorem and insensitivity: Lavenberg and Reiser 1980, Baskett et al. 1975 (from
    memory).

    Examples
    --------
    >>> round(finite_source(5, 1, 10, 4).stopped, 3)
    2.674
    """
    load = service / up
    states = _states(machines, operators, load)
    others = _states(machines - 1, operators, load)
    stopped = math.fsum(n * p for n, p in enumerate(states))
    served = math.fsum(min(n, operators) * p for n, p in enumerate(states))
    return FiniteSource(
        stopped=stopped,
        waiting=stopped - served,
        served=served,
        found_busy=math.fsum(others[operators:]),
        all_busy=math.fsum(states[operators:]),
    )


def constant_service(machines: int, service: float) -> float:
    """Mean number of machines running with one operator and constant service, M/D/1//N.

    Parameters
    ----------
    machines : int
        N.
    service : float
        rho, service time in units of the mean up time.

    Returns
    -------
    float
        A_N = (1 - p0) / rho with 1 / p0 = 1 + N rho sum over k = 0..N-1 of
        C(N-1, k) prod over j = 1..k of (exp(j rho) - 1).

    References
    ----------
    H. Ashcroft, J. R. Statist. Soc. B 12 (1950) 145-151; L. Takacs, Introduction to the Theory
    of Queues, 1962, ch. 5. Formula from memory.

    Examples
    --------
    >>> round(constant_service(5, 0.2), 4)
    3.7521
    """
    total, product = 0.0, 1.0
    for k in range(machines):
        if k:
            product *= math.expm1(k * service)
        total += math.comb(machines - 1, k) * product
    idle = 1 / (1 + machines * service * total)
    return (1 - idle) / service
