"""What is taken for likely of a rate before a trial, and what a trial leaves of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np

from feedsim.answers.binomial import Limits
from feedsim.stats import Floats

PriorName = Literal["jeffreys", "uniform"]
JEFFREYS: PriorName = "jeffreys"
UNIFORM: PriorName = "uniform"
# Both numbers of the prior's beta law: it is alike in faults and in picks without one.
WEIGHTS: dict[PriorName, float] = {JEFFREYS: 0.5, UNIFORM: 1.0}
IN_WORDS: dict[PriorName, str] = {JEFFREYS: "Jeffreys' prior", UNIFORM: "uniform prior"}


@dataclass(frozen=True)
class Posterior:
    """What faults counted in picks leave of a rate: a beta law.

    Parameters
    ----------
    faults, picks : int
    prior : {"jeffreys", "uniform"}
        Beta(1/2, 1/2), or Beta(1, 1): every rate as likely as any other.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 2.4; Jeffreys' prior: Brown, Cai and
    DasGupta, Statistical Science 16 (2001) 101-133, sec. 4.
    """

    faults: int
    picks: int
    prior: PriorName = JEFFREYS

    @property
    def alpha(self) -> float:
        """First number of the beta law: faults, with the prior's."""
        return self.faults + WEIGHTS[self.prior]

    @property
    def beta(self) -> float:
        """Second number of the beta law: picks without a fault, with the prior's."""
        return self.picks - self.faults + WEIGHTS[self.prior]

    @property
    def mean(self) -> float:
        """Mean of the rate."""
        return self.alpha / (self.alpha + self.beta)

    @property
    def sd(self) -> float:
        """Standard deviation of the rate."""
        whole = self.alpha + self.beta
        return sqrt(self.alpha * self.beta / (whole + 1)) / whole

    @property
    def median(self) -> float:
        """Median of the rate."""
        return self._quantile(0.5)

    def limits(self, confidence: float) -> Limits:
        """Equal-tailed interval; 0 is in it where no fault was seen, 1 where nothing else was.

        So Brown, Cai and DasGupta close it for Jeffreys' prior; here for the uniform one too.
        """
        tail = (1 - confidence) / 2
        low = 0.0 if self.faults == 0 else self._quantile(tail)
        high = 1.0 if self.faults == self.picks else self._quantile(1 - tail)
        return Limits(low, high)

    def chance_within(self, rate: float) -> float:
        """Chance that the rate is at most so high."""
        from scipy.special import betainc

        return float(betainc(self.alpha, self.beta, rate))

    def density(self, rates: Floats) -> Floats:
        """Density at rates of shape (n,), the highest of its values 1."""
        from scipy.special import xlog1py, xlogy

        logs = xlogy(self.alpha - 1, rates) + xlog1py(self.beta - 1, -rates)
        return np.asarray(np.exp(logs - logs.max()))

    def _quantile(self, share: float) -> float:
        from scipy.special import betaincinv

        return float(betaincinv(self.alpha, self.beta, share))
