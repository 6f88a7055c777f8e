"""Are stops independent, and as frequent at the end as at the start? Trend and clustering."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np

from feedsim.fit.renewals import Renewals
from feedsim.fit.survival import KaplanMeier, kaplan_meier, km_quantiles
from feedsim.stats import Floats

SAMPLES = 999
LEAST_STOPS = 8
LEAST_PAIRS = 8


@dataclass(frozen=True, slots=True)
class Trend:
    """Whether stops become more or less frequent over the running time.

    Attributes
    ----------
    laplace : float
        Laplace's statistic, standard normal where stops come at random (a Poisson process);
        above 0 they become more frequent.
    renewal : float
        The same over the cv of the times (Lewis and Robinson), standard normal also where times
        between stops are of another family.
    p_laplace, p_renewal : float
        Two-sided.
    """

    laplace: float
    renewal: float
    p_laplace: float
    p_renewal: float


def laplace(instants_s: Floats, total_s: float) -> float:
    """Laplace's statistic of a trend.

    Parameters
    ----------
    instants_s : array of shape (n,)
        When events came, s from the start.
    total_s : float
        Length of the observation, which does not end with an event by rule, s.

    References
    ----------
    Cox and Lewis, The Statistical Analysis of Series of Events, sec. 3.3.
    """
    n = len(instants_s)
    return float((instants_s.mean() / total_s - 0.5) * math.sqrt(12 * n))


def trend(renewals: Renewals) -> Trend | None:
    """Test for a trend over the windows' running time, one window after the other.

    Returns
    -------
    Trend or None
        None with fewer than `LEAST_STOPS` stops.

    References
    ----------
    Lewis and Robinson, in Reliability and Biometry, SIAM 1974, p. 363 (from memory).
    """
    from scipy.special import ndtr

    instants_s, times_s = renewals.instants_s, renewals.data.seen_s
    if len(instants_s) < LEAST_STOPS:
        return None
    plain = laplace(instants_s, renewals.total_s)
    cv = float(times_s.std(ddof=1) / times_s.mean())
    renewal = plain / cv if cv > 0 else plain
    return Trend(plain, renewal, *(float(2 * ndtr(-abs(u))) for u in (plain, renewal)))


@dataclass(frozen=True, slots=True)
class Clustering:
    """Whether short times follow short ones, and windows differ by more than chance.

    Attributes
    ----------
    neighbours : float
        Rank correlation of each time with the next one of its window; above 0: bursts.
    dispersion : float
        Variance of the stops of the windows over that of a Poisson process (index of
        dispersion).
    p_neighbours, p_dispersion : float
        One-sided, by simulation; not a number where there are too few pairs or one window.
    samples : int
    """

    neighbours: float
    dispersion: float
    p_neighbours: float
    p_dispersion: float
    samples: int

    @property
    def p_value(self) -> float:
        """Of both together (Bonferroni)."""
        found = [p for p in (self.p_neighbours, self.p_dispersion) if not math.isnan(p)]
        return min(1.0, len(found) * min(found)) if found else math.nan


def clustering(
    renewals: Renewals, rng: np.random.Generator, samples: int = SAMPLES
) -> Clustering | None:
    """Test whether stops cluster more than independent times between them explain.

    Both statistics are compared with those of independent times, drawn from the data's own
    Kaplan-Meier curve, in the same windows. So neither a skewed distribution nor the windows'
    ends, which cut long times off, are taken for clusters. (To shuffle the times, as a
    permutation test does, would put times together that do not fit into one window.)

    Returns
    -------
    Clustering or None
        None with fewer than `LEAST_STOPS` stops.

    Raises
    ------
    FitError
        As `Renewals.like`.

    References
    ----------
    Serial correlation and index of dispersion: Cox and Lewis, The Statistical Analysis of Series
    of Events, ch. 4 and 5; their null distribution: own, by simulation.
    """
    if renewals.data.events < LEAST_STOPS:
        return None
    draw = partial(_drawn_from, kaplan_meier(renewals.data))
    own = _neighbours(renewals), _dispersion(renewals)
    told, as_much = [0, 0], [0, 0]
    for _ in range(samples):
        sample = renewals.like(rng, draw)
        for place, found in enumerate((_neighbours(sample), _dispersion(sample))):
            told[place] += not math.isnan(found)
            as_much[place] += found >= own[place]
    p_neighbours, p_dispersion = (
        math.nan if math.isnan(value) else (1 + more) / (1 + all_told)
        for value, more, all_told in zip(own, as_much, told, strict=True)
    )
    return Clustering(*own, p_neighbours, p_dispersion, samples)


def _drawn_from(
    curve: KaplanMeier, rng: np.random.Generator, shape: int | tuple[int, ...]
) -> Floats:
    return km_quantiles(curve, rng.random(shape))


def _neighbours(renewals: Renewals) -> float:
    from scipy.stats import rankdata

    window = np.where(renewals.seen, renewals.window, -1)
    together = (window[1:] == window[:-1]) & renewals.seen[1:]
    if together.sum() < LEAST_PAIRS:
        return math.nan
    first, second = (
        rankdata(side) for side in (renewals.times_s[:-1][together], renewals.times_s[1:][together])
    )
    spread = first.std() * second.std()
    if spread == 0:
        return math.nan
    return float(((first - first.mean()) * (second - second.mean())).mean() / spread)


def _dispersion(renewals: Renewals) -> float:
    there = renewals.running_s > 0
    running_s, counts = renewals.running_s[there], renewals.counts[there]
    if len(running_s) < 2 or counts.sum() == 0:
        return math.nan
    expected = running_s * counts.sum() / running_s.sum()
    return float(((counts - expected) ** 2 / expected).sum() / (len(running_s) - 1))
