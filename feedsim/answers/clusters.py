"""How faults come in a trial: each pick alone, or clustered in bad bundles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.answers.binomial import chance_at_most, count_chances
from feedsim.stats import Floats, rate_at_most

MOST_COUNTED = 512


class Mix(NamedTuple):
    """Bundles of two kinds: the share of bad ones, and the rate within each kind."""

    bad_share: float
    good_rate: float
    bad_rate: float


@dataclass(frozen=True, slots=True)
class BadBundles:
    """Bad bundles, as they are where the rate over all picks is `at_rate`.

    Where the rate over all is another, bundles are bad as much more often, and good ones fail
    in proportion: the part of the faults that comes from bad bundles stays the same.

    Attributes
    ----------
    share : float
        Share of the bundles that are bad.
    missed : float
        Chance that a pick from a bad bundle fails.
    bundle_picks : int
        Picks that a bundle lasts.
    at_rate : float
        The rate over all picks at which `share` holds; at least share x missed.
    """

    share: float
    missed: float
    bundle_picks: int
    at_rate: float

    def mix(self, rate: float) -> Mix:
        """Both kinds of bundles where the rate over all picks is `rate`.

        Own derivation: share(p) = share p / at_rate and good(p) (1 - share(p)) =
        p - share(p) missed. From p = missed on all picks fail alike.
        """
        if rate >= self.missed:
            return Mix(0.0, rate, rate)
        share = self.share * rate / self.at_rate
        return Mix(share, max(0.0, rate - share * self.missed) / (1 - share), self.missed)

    def intraclass(self, rate: float) -> float:
        """Correlation of two picks of one bundle: var(chance) / (rate (1 - rate))."""
        share, good, bad = self.mix(rate)
        return share * (1 - share) * (bad - good) ** 2 / (rate * (1 - rate))

    def design_effect(self, rate: float) -> float:
        """How much wider the count spreads than a binomial one, as a ratio of variances.

        References
        ----------
        1 + (m - 1) rho for clusters of m: Kish, Survey Sampling (1965), sec. 5.4, from memory.
        """
        return 1 + (self.bundle_picks - 1) * self.intraclass(rate)


@dataclass(frozen=True, slots=True)
class Pattern:
    """How faults come: alone where `bundles` is None.

    A trial begins with a fresh bundle, and each lasts its number of picks. Every pick fails with
    the rate, whatever the pattern; what differs is how the count spreads.
    """

    bundles: BadBundles | None = None

    def chance_at_most(self, faults: int, picks: int, rate: float) -> float:
        """Chance of at most so many faults, exactly.

        Raises
        ------
        OverflowError
            If bundles are bad, and more than 512 faults are asked for.
        """
        if self.bundles is None or faults < 0 or rate >= self.bundles.missed:
            return float(chance_at_most(faults, picks, rate))
        if faults > MOST_COUNTED:
            raise OverflowError(f"more than {MOST_COUNTED} faults in bad bundles")
        whole, rest = divmod(picks, self.bundles.bundle_picks)
        most = next(size for size in (16, 64, MOST_COUNTED) if faults <= size)
        chances = _one_bundle(self.bundles, rate, most, rest)
        place = 0
        while whole >> place:
            if whole >> place & 1:
                power = _doubled(self.bundles, rate, most, place)
                chances = np.convolve(chances, power)[: most + 1]
            place += 1
        return float(min(1.0, chances[: faults + 1].sum()))

    def rate_where(self, faults: int, picks: int, chance: float) -> float:
        """The rate at which at most so many faults have a chance; it falls with the rate."""
        from scipy.optimize import brentq

        if self.bundles is None:
            return float(rate_at_most(faults, picks, chance))
        if faults >= picks:
            return 1.0
        return float(
            brentq(
                lambda rate: self.chance_at_most(faults, picks, rate) - chance,
                0.0,
                1.0,
                xtol=1e-15,
                rtol=1e-12,
            )
        )


ALONE = Pattern()


def _one_bundle(bundles: BadBundles, rate: float, most: int, picks: int) -> Floats:
    share, good, bad = bundles.mix(rate)
    return (1 - share) * count_chances(most, picks, good) + share * count_chances(most, picks, bad)


@lru_cache(maxsize=4096)
def _doubled(bundles: BadBundles, rate: float, most: int, place: int) -> Floats:
    """Chances of the counts in 2^place bundles; a sum of what is no more than `most` each."""
    if place == 0:
        return _one_bundle(bundles, rate, most, bundles.bundle_picks)
    half = _doubled(bundles, rate, most, place - 1)
    return np.convolve(half, half)[: most + 1]
