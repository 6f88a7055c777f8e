"""Does a family carry the times? Anderson and Darling's distance, judged by simulation.

Printed tables of the distance hold for parameters that are known beforehand, and for times of
which none is cut off. Here both are otherwise, so the distance is compared with those of samples
drawn from the fit, written down to the log's resolution, cut off in the same way, and fitted anew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.fit.families import FamilyFit, FitError, fit_family
from feedsim.fit.survival import CensoredTimes, kaplan_meier, km_quantiles
from feedsim.stats import Floats

SAMPLES = 499
# A p-value need not be known closely where it is large, nor more closely than 1 in 200.
ENOUGH_AS_FAR = 50
ENOUGH_WITHOUT = 199
LEAST_EVENTS = 5
_MOST_TRIES = 20

DrawTimes = Callable[[np.random.Generator, int | tuple[int, ...]], Floats]
DrawSample = Callable[[np.random.Generator, DrawTimes], CensoredTimes]


@dataclass(frozen=True, slots=True)
class Goodness:
    """A fit's distance from the times, and how often chance alone gives as large a one."""

    distance: float
    p_value: float
    samples: int


def distance(fit: FamilyFit, data: CensoredTimes) -> float:
    """Anderson and Darling's distance of a distribution from a Kaplan-Meier curve.

    Parameters
    ----------
    fit : FamilyFit
    data : CensoredTimes

    Returns
    -------
    float
        n times the integral of (K - F)^2 / (F (1 - F)) over F, K the share that is over by the
        Kaplan-Meier curve, up to the longest time under observation. Where nothing is cut off
        it is the classic statistic.

    References
    ----------
    Anderson and Darling, J. Am. Stat. Assoc. 49 (1954) 765; with a product-limit curve in the
    place of the sample's: Koziol and Green, Biometrika 63 (1976) 465 (from memory; there for
    Cramér and von Mises' distance). The integral over each step: own derivation.
    """
    ordered = data.in_order
    n = len(ordered)
    left = np.cumprod(1 - ordered.seen / (n - np.arange(n)))
    log_f, log_s = fit.log_cdf(ordered.times_s), fit.log_survival(ordered.times_s)
    over = 1 - left[:-1]
    share = np.exp(log_f)
    steps = over**2 * np.diff(log_f) - left[:-1] ** 2 * np.diff(log_s) - np.diff(share)
    whole = float(steps.sum()) - float(log_s[0]) - float(share[0])
    if ordered.seen[-1]:
        whole += -float(log_f[-1]) - float(-np.expm1(log_f[-1]))
    return n * whole


def judge(
    fit: FamilyFit,
    draw: DrawSample,
    rng: np.random.Generator,
    samples: int = SAMPLES,
    step_s: float = 0.0,
) -> Goodness:
    """Compare a fit's distance with those of samples from it.

    Parameters
    ----------
    fit : FamilyFit
    draw : callable
        Makes a sample, cut off as the data are, of a function that draws times.
    rng : numpy.random.Generator
    samples : int
        How many at the most; fewer where the p-value is clear before.
    step_s : float
        Resolution of the clock that the times were read from, s. Times of whole minutes lie
        further from any family than their own: those of the samples are rounded alike.

    Returns
    -------
    Goodness
        Its p-value is (1 + samples as far away) / (1 + samples), or their ratio where the
        number as far away ended the sampling.

    References
    ----------
    Stute, Gonzáles Manteiga and Presedo Quindimil, Metrika 40 (1993) 243: bootstrap of tests of
    fit with fitted parameters; when to stop: Besag and Clifford, Biometrika 78 (1991) 301 (both
    from memory).
    """
    own = distance(fit, fit.data)
    as_far = 0
    for drawn in range(1, samples + 1):
        as_far += _distance_of_sample(fit, draw, rng, step_s) >= own
        if as_far >= ENOUGH_AS_FAR:
            return Goodness(own, as_far / drawn, drawn)
        if drawn == ENOUGH_WITHOUT and not as_far:
            break
    return Goodness(own, (1 + as_far) / (1 + drawn), drawn)


def _distance_of_sample(
    fit: FamilyFit, draw: DrawSample, rng: np.random.Generator, step_s: float
) -> float:
    def drawn(luck: np.random.Generator, shape: int | tuple[int, ...]) -> Floats:
        return as_recorded(fit.draw(luck, shape), step_s, luck)

    for _ in range(_MOST_TRIES):
        try:
            data = draw(rng, drawn)
            return distance(fit_family(fit.family, data), data)
        except FitError:
            continue
    return np.inf  # no sample can be fitted again: the family is given the benefit of the doubt


def as_recorded(times_s: Floats, step_s: float, rng: np.random.Generator) -> Floats:
    """Times as the difference of two readings of a clock with whole steps, s."""
    if not step_s:
        return times_s
    return step_s * np.floor(times_s / step_s + rng.random(times_s.shape))


@dataclass(frozen=True, eq=False)
class CutAsSeen:
    """Samples cut off like data of which a few times are: each time keeps what could cut it.

    References
    ----------
    Efron, J. Am. Stat. Assoc. 76 (1981) 312: the times of censoring are drawn from their own
    Kaplan-Meier curve (from memory).
    """

    data: CensoredTimes

    def __call__(self, rng: np.random.Generator, draw: DrawTimes) -> CensoredTimes:
        """Make a sample; times told as none are left out, and counted where the data's are."""
        times_s = draw(rng, len(self.data) + self.data.told_none)
        cut_s = self._cuts(rng, len(times_s))
        kept = times_s > 0
        times_s, cut_s = times_s[kept], cut_s[kept]
        none = int((~kept).sum()) if self.data.told_none else 0
        return CensoredTimes(np.minimum(times_s, cut_s), times_s <= cut_s, self.data.step_s, none)

    def _cuts(self, rng: np.random.Generator, number: int) -> Floats:
        """What could cut each time off; beyond the last time of censoring nothing does."""
        if not self.data.censored:
            return np.full(number, np.inf)
        curve = kaplan_meier(CensoredTimes(self.data.times_s, ~self.data.seen))
        levels = rng.random(number)
        return np.where(levels > 1 - curve.survival[-1], np.inf, km_quantiles(curve, levels))
