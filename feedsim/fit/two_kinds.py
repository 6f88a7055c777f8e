"""Short and long stops in one: two lognormals, and the length at which to part them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.fit.rounded import LOG_ROOT_2PI
from feedsim.fit.survival import CensoredTimes
from feedsim.stats import Floats

PARAMETERS = 5
STARTS = (0.5, 0.7, 0.85, 0.95)
LEAST_SCALE = 0.05
DIGITS = 2


@dataclass(frozen=True, slots=True)
class TwoKinds:
    """Two lognormals mixed.

    Attributes
    ----------
    share : float
        Of the longer kind.
    locations, scales : pair of float
        Of the log-times (s), the shorter kind first.
    log_likelihood : float
        Of the times in seconds.
    events : int
    """

    share: float
    locations: tuple[float, float]
    scales: tuple[float, float]
    log_likelihood: float
    events: int

    @property
    def bic(self) -> float:
        """Schwarz's information criterion, with the number of events as the sample's size."""
        return PARAMETERS * math.log(self.events) - 2 * self.log_likelihood

    @property
    def parting_s(self) -> float | None:
        """The length at which either kind is as likely, rounded, s; None where there is none."""
        from scipy.optimize import brentq

        def odds(log_s: float) -> float:
            short, long = (
                _log_density(np.array([log_s]), location, scale)[0]
                for location, scale in zip(self.locations, self.scales, strict=True)
            )
            return float(math.log(self.share) + long - math.log1p(-self.share) - short)

        low, high = self.locations
        if not odds(low) < 0 < odds(high):
            return None
        return _rounded(math.exp(float(brentq(odds, low, high))))


def fit_two_kinds(data: CensoredTimes) -> TwoKinds | None:
    """Fit two lognormals by maximum likelihood, each kind from several starts.

    Parameters
    ----------
    data : CensoredTimes
        Lengths of stops.

    Returns
    -------
    TwoKinds or None
        None where the search does not end within sensible parameters.

    References
    ----------
    McLachlan and Peel, Finite Mixture Models, ch. 2; scales are kept above 0.05 of the log-time,
    for without a limit the likelihood has none.
    """
    from scipy.optimize import minimize

    log_s, seen = np.log(data.times_s), data.seen

    def missing(at: Floats) -> float:
        share = 1 / (1 + math.exp(-at[0]))
        kinds = (
            (math.log1p(-share) if share < 1 else -math.inf, at[1], at[2]),
            (math.log(share) if share > 0 else -math.inf, at[3], at[4]),
        )
        terms = [
            log_share
            + np.where(
                seen,
                _log_density(log_s, location, math.exp(log_scale)),
                _log_survival(log_s, location, math.exp(log_scale)),
            )
            for log_share, location, log_scale in kinds
        ]
        return -float(np.logaddexp(*terms).sum())

    low, high = float(log_s.min()), float(log_s.max())
    within = [(-7.0, 7.0), *[(low, high), (math.log(LEAST_SCALE), math.log(high - low + 1))] * 2]
    found = [
        minimize(missing, _start(log_s, part), bounds=within, method="L-BFGS-B") for part in STARTS
    ]
    best = min(found, key=lambda each: float(each.fun))
    if not np.isfinite(best.fun):
        return None
    share = 1 / (1 + math.exp(-best.x[0]))
    kinds = [(best.x[1], best.x[2], 1 - share), (best.x[3], best.x[4], share)]
    short, long = sorted(kinds)
    value = -float(best.fun) - float(log_s[seen].sum())
    return TwoKinds(
        float(long[2]),
        (float(short[0]), float(long[0])),
        (math.exp(short[1]), math.exp(long[1])),
        value,
        data.events,
    )


def _start(log_s: Floats, part: float) -> Floats:
    edge = np.quantile(log_s, part)
    short, long = log_s[log_s <= edge], log_s[log_s > edge]
    if not len(long):
        short, long = log_s, log_s
    scales = [math.log(max(float(side.std()), 4 * LEAST_SCALE)) for side in (short, long)]
    return np.array([math.log((1 - part) / part), short.mean(), scales[0], long.mean(), scales[1]])


def _log_density(log_s: Floats, location: float, scale: float) -> Floats:
    z = (log_s - location) / scale
    return -0.5 * z * z - LOG_ROOT_2PI - math.log(scale)


def _log_survival(log_s: Floats, location: float, scale: float) -> Floats:
    from scipy.special import log_ndtr

    found: Floats = log_ndtr((location - log_s) / scale)
    return found


def _rounded(value_s: float) -> float:
    digits = DIGITS - 1 - math.floor(math.log10(value_s))
    return round(value_s, digits)
