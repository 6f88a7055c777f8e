"""Times of which some are cut off: what they show without any family."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from feedsim.stats import Floats

Bools = NDArray[np.bool_]
LEAST_VALUES = 200
# More would not be told from these, and a file of them would be hard to read.
MOST_VALUES = 2000


@dataclass(frozen=True, eq=False)
class CensoredTimes:
    """Times to an event, some of them right-censored: the event had not come yet.

    Parameters
    ----------
    times_s : array of shape (n,)
        Above 0, s.
    seen : array of bool, shape (n,)
        Whether the event was seen at that time.
    step_s : float
        Where it is above 0, each time is the difference of two readings of a clock with such
        steps, s (see `rounded`).
    told_none : int
        With a step, how many more it told as no time at all; 0: they are left out.

    Raises
    ------
    ValueError
        If a time is not above 0 or not finite, or the shapes differ.
    """

    times_s: Floats
    seen: Bools
    step_s: float = 0.0
    told_none: int = 0

    def __post_init__(self) -> None:
        if self.times_s.shape != self.seen.shape or self.times_s.ndim != 1:
            raise ValueError("times and flags must be two lists of the same length")
        if not np.all((self.times_s > 0) & np.isfinite(self.times_s)):
            raise ValueError("times must be above 0 and finite")

    @classmethod
    def of(
        cls, seen_s: Sequence[float] | Floats, cut_s: Sequence[float] | Floats = ()
    ) -> CensoredTimes:
        """Times at which the event was seen, and times at which it had not come yet."""
        seen, cut = np.asarray(seen_s, float), np.asarray(cut_s, float)
        flags = np.repeat([True, False], [len(seen), len(cut)])
        return cls(np.concatenate([seen, cut]), flags)

    def __len__(self) -> int:
        return len(self.times_s)

    @cached_property
    def events(self) -> int:
        """How many events were seen."""
        return int(self.seen.sum())

    @property
    def censored(self) -> int:
        """How many times are cut off."""
        return len(self) - self.events

    @cached_property
    def total_s(self) -> float:
        """Time under observation, s."""
        return float(self.times_s.sum())

    @property
    def seen_s(self) -> Floats:
        """The times at which an event was seen, s."""
        return self.times_s[self.seen]

    @cached_property
    def in_order(self) -> CensoredTimes:
        """The same in order of time, at one time the events before what is cut off."""
        order = np.lexsort((~self.seen, self.times_s))
        return CensoredTimes(self.times_s[order], self.seen[order], self.step_s, self.told_none)


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """The share not yet ended, as far as it was observed.

    Attributes
    ----------
    times_s : array of shape (k,)
        Different times at which events were seen, s.
    survival : array of shape (k,)
        Share that lasts longer than each.
    error : array of shape (k,)
        Its standard error (Greenwood).
    last_s : float
        The longest time under observation, s.
    """

    times_s: Floats
    survival: Floats
    error: Floats
    last_s: float

    def band(self, confidence: float) -> tuple[Floats, Floats]:
        """Pointwise limits of the survival, on the log-minus-log scale.

        References
        ----------
        Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data, sec. 1.4.
        """
        from scipy.special import ndtri

        with np.errstate(divide="ignore", invalid="ignore"):
            log_survival = np.log(self.survival)
            width = ndtri((1 + confidence) / 2) * self.error / (self.survival * -log_survival)
            low, high = self.survival ** np.exp(width), self.survival ** np.exp(-width)
        open_end = ~((self.survival > 0) & (self.survival < 1))
        return np.where(open_end, 0.0, low), np.where(open_end, self.survival, high)


def kaplan_meier(data: CensoredTimes) -> KaplanMeier:
    """The product-limit estimate of the share not yet ended.

    Parameters
    ----------
    data : CensoredTimes
        With at least one time.

    Returns
    -------
    KaplanMeier

    References
    ----------
    Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457; the error: Greenwood's formula.
    """
    times_s, place, counts = np.unique(data.times_s, return_inverse=True, return_counts=True)
    events = np.bincount(place, weights=data.seen, minlength=len(times_s))
    at_risk = len(data) - np.concatenate([[0], np.cumsum(counts)[:-1]])
    survival = np.cumprod(1 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = events / (at_risk * (at_risk - events))
        error = np.where(survival > 0, survival * np.sqrt(np.cumsum(terms)), 0.0)
    there = events > 0
    return KaplanMeier(times_s[there], survival[there], error[there], float(times_s[-1]))


def equally_likely(data: CensoredTimes) -> Floats:
    """Times that are drawn alike often, as an empirical time of a config has them.

    Where nothing is cut off these are the times themselves. Else, and where they are very many,
    they are quantiles of the Kaplan-Meier curve, which ends in an exponential tail where the
    longest times are cut off.

    Parameters
    ----------
    data : CensoredTimes
        With at least one event.

    Returns
    -------
    array
        In order, s.

    References
    ----------
    The tail: Brown, Hollander and Korwar, in Reliability and Biometry, SIAM 1974, p. 327 (from
    memory).
    """
    if data.censored == 0 and len(data) <= MOST_VALUES:
        return np.sort(data.times_s)
    count = min(max(LEAST_VALUES, data.events), MOST_VALUES)
    levels = (np.arange(count) + 0.5) / count
    return km_quantiles(kaplan_meier(data), levels)


def km_quantiles(curve: KaplanMeier, levels: Floats) -> Floats:
    """Quantiles of a Kaplan-Meier curve with an exponential tail, s, at levels below 1."""
    left = float(curve.survival[-1])
    place = np.searchsorted(1 - curve.survival, levels, side="left")
    inside = curve.times_s[np.minimum(place, len(curve.times_s) - 1)]
    if left <= 0:
        return inside
    # The tail begins at the curve's end and goes through it, as if from time 0.
    rate = -np.log(left) / curve.last_s if left < 1 else 1 / curve.last_s
    tail = np.maximum(-np.log1p(-levels) / rate, curve.last_s)
    return np.where(levels > 1 - left, tail, inside)
