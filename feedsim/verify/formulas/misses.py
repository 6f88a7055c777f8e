"""Runs of missed picks, retries and bad bundles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def run_of_misses(miss: float, run: int) -> float:
    """Mean number of independent trials to the first run of misses.

    Parameters
    ----------
    miss : float
        Chance of a miss.
    run : int
        Length of the run.

    Returns
    -------
    float
        M_k = M_(k-1) / p + 1 / p, M_0 = 0.

    References
    ----------
    W. Feller, An Introduction to Probability Theory, vol. 1, 3rd ed. 1968, XIII.7.

    Examples
    --------
    >>> [round(run_of_misses(0.1, k), 6) for k in (2, 3, 4)]
    [110.0, 1110.0, 11110.0]
    """
    mean = 0.0
    for _ in range(run):
        mean = (mean + 1) / miss
    return mean


def attempts_per_cycle(miss: float, retries: int) -> float:
    """Mean number of attempts of a cycle: 1 + p + p^2 + ... + p^retries.

    Parameters
    ----------
    miss : float
        p, chance of a miss per attempt.
    retries : int
        At most, after the first attempt.

    References
    ----------
    Own derivation: attempt j + 1 is made when j attempts missed.
    """
    return sum(miss**j for j in range(retries + 1))


def miss_share(share: float, bad: float, good: float) -> float:
    """Share of missed attempts when bundles are bad with a chance, and misses are all faults.

    A missed bag stays where it is and is tried again, so a bag of a bad bundle sees more
    attempts than others: 1 / (1 - chance of a miss) each.

    Parameters
    ----------
    share : float
        Share of bad bundles.
    bad, good : float
        Chance of a miss per attempt in a bad and in a good bundle, below 1.

    Returns
    -------
    float
        Misses per bag over attempts per bag, above share * bad + (1 - share) * good.

    References
    ----------
    Own derivation.
    """
    misses = share * bad / (1 - bad) + (1 - share) * good / (1 - good)
    return misses / (misses + 1)


def one_by_one(chances: Sequence[float]) -> list[float]:
    """Shares that faults would have if each were looked for only when those before failed to come.

    This is a wrong reading of "a pick has one outcome": a control for the right one.

    Parameters
    ----------
    chances : sequence of float
        Of the faults per attempt, in the order in which they are looked for.

    Returns
    -------
    list of float
        One a fault.
    """
    shares, left = [], 1.0
    for chance in chances:
        shares.append(left * chance)
        left *= 1 - chance
    return shares


def run_of_one_bag(share: float, miss: float, run: int) -> float:
    """Mean number of a lane's cycles between its faults where single bags are bad.

    Bundles of one bag; a bad bag is missed with a chance at each attempt and stays, a good one
    is never missed; clearing takes no bag and no time.

    Parameters
    ----------
    share : float
        Share of bad bags, below 1.
    miss : float
        Chance that an attempt at a bad bag misses.
    run : int
        Missed cycles in a row that fault the lane.

    Returns
    -------
    float
        W = (A + a) / (1 - a s / (1 - s)), a = 1 - m^k, A = a / (1 - m): from a fault, with the
        bad bag in front, either k misses follow or, after a success, new bags come until a bad
        one, each good one a cycle.

    References
    ----------
    Own derivation.

    Examples
    --------
    >>> run_of_one_bag(0.5, 0.5, 3)
    21.0
    """
    picked = 1 - miss**run
    odds = share / (1 - share)
    return (picked / (1 - miss) + picked) / (1 - picked * odds)


def run_across_lanes(share: float, miss: float, run: int) -> float:
    """The same for two lanes in turn whose misses count as one run: a wrong model.

    Solved as the absorbing chain of (front bag bad in the lane in turn, in the other, misses
    so far), from its stationary start after a fault.

    Parameters
    ----------
    share, miss, run
        As of `run_of_one_bag`.

    References
    ----------
    Own derivation.
    """
    states = [(here, there, n) for here in (0, 1) for there in (0, 1) for n in range(run)]
    number = {state: k for k, state in enumerate(states)}
    steps = np.zeros((len(states), len(states)))
    faults = np.zeros_like(steps)
    for (here, there, n), k in number.items():
        missed = miss if here else 0.0
        target = faults if n + 1 == run else steps
        target[k, number[there, here, (n + 1) % run]] += missed
        for bad, chance in ((1, share), (0, 1 - share)):
            steps[k, number[there, bad, 0]] += (1 - missed) * chance
    whole = steps + faults
    balance = np.vstack([whole.T - np.eye(len(states)), np.ones(len(states))])
    long_run = np.linalg.lstsq(balance, np.append(np.zeros(len(states)), 1.0), rcond=None)[0]
    return float(1 / (long_run @ faults.sum(axis=1)))
