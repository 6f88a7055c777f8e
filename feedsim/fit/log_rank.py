"""Do groups of times differ: the log-rank test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.fit.survival import CensoredTimes
from feedsim.stats import Floats

# A direction in which the groups cannot differ: its variance, over the largest one.
_NONE = 1e-10


@dataclass(frozen=True, eq=False)
class LogRank:
    """A log-rank test of groups of times.

    Attributes
    ----------
    statistic : float
        Chi-square with `degrees` degrees of freedom where the groups do not differ.
    degrees : int
    p_value : float
    seen, expected : array of shape (groups,)
        Events of each group, and how many it would have if all groups were alike.
    """

    statistic: float
    degrees: int
    p_value: float
    seen: Floats
    expected: Floats


def log_rank(groups: Sequence[CensoredTimes]) -> LogRank:
    """Test whether groups of times, some of them cut off, are of one distribution.

    Parameters
    ----------
    groups : sequence of CensoredTimes
        Two or more.

    Returns
    -------
    LogRank
        Without degrees of freedom (nothing to compare) the p-value is 1.

    References
    ----------
    Mantel, Cancer Chemotherapy Reports 50 (1966) 163; Peto and Peto, J. R. Stat. Soc. A 135 (1972)
    185; several groups: Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data,
    sec. 1.5 (all from memory). At each time with an event its groups are drawn without
    replacement from those still under observation.
    """
    from scipy.special import chdtrc

    instants = np.unique(np.concatenate([group.seen_s for group in groups]))
    at_risk = np.array([_from(group.times_s, instants) for group in groups])
    events = np.array([_at(group.seen_s, instants) for group in groups])
    here, left = events.sum(axis=0), at_risk.sum(axis=0)
    shares = at_risk / left
    expected = shares * here
    # Of one who is left all events are its own: nothing varies.
    varied = here * (left - here) / np.maximum(left - 1, 1)
    covariance = np.diag((varied * shares).sum(axis=1)) - (varied * shares) @ shares.T
    away = (events - expected).sum(axis=1)
    values, vectors = np.linalg.eigh(covariance)
    differs = values > _NONE * max(float(values[-1]), 1.0)
    statistic = float(((vectors[:, differs].T @ away) ** 2 / values[differs]).sum())
    degrees = int(differs.sum())
    p_value = float(chdtrc(degrees, statistic)) if degrees else 1.0
    return LogRank(statistic, degrees, p_value, events.sum(axis=1), expected.sum(axis=1))


def _from(times_s: Floats, instants_s: Floats) -> Floats:
    """How many times are at least each instant."""
    return len(times_s) - np.searchsorted(np.sort(times_s), instants_s, side="left").astype(float)


def _at(times_s: Floats, instants_s: Floats) -> Floats:
    """How many times are each instant."""
    place = np.searchsorted(instants_s, times_s)
    return np.bincount(place, minlength=len(instants_s)).astype(float)
