"""After a trial of a rate: what its result shows, and what would settle an open one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.binomial import (
    ROUNDING,
    Limits,
    chance_at_most,
    count_chances,
    fewest,
    picks_needed,
)
from feedsim.answers.clusters import MOST_COUNTED, BadBundles, Pattern
from feedsim.answers.targets import MET, MISSED, OPEN
from feedsim.answers.trial import (
    LARGEST_TRIAL,
    LEAST_RATE,
    TrialError,
    refuse_picks,
    refuse_share,
)
from feedsim.answers.trial_prior import JEFFREYS, UNIFORM, Posterior
from feedsim.shown import Shown
from feedsim.stats import Floats

if TYPE_CHECKING:
    import pandas as pd

MOST_FURTHER = 500
FURTHER_CHANCE = 0.9


@dataclass(frozen=True, slots=True)
class Further:
    """Picks that would settle an open result as a second look, with both looks counted.

    Attributes
    ----------
    faults : int
        Allowed in all, those seen included.
    picks : int
        In all, those made included.
    more : int
        Still to be made.
    passes : float
        Chance that the second look is passed, if the bags fail at the rate seen.
    risk : float
        Chance that bags at the contract's rate pass at either look.
    """

    faults: int
    picks: int
    more: int
    passes: float
    risk: float


@dataclass(frozen=True)
class TrialResult(Shown):
    """The answer of `trial result`: what so many faults in so many picks show.

    Attributes
    ----------
    exact : Limits
        Two-sided at the confidence.
    at_most, at_least : float
        One-sided limits at the confidence.
    posteriors : tuple of Posterior
        Under Jeffreys' prior and under a uniform one; none where faults come in bad bundles.
    verdict : str
        "met", "missed" or "open"; empty without a contract's rate.
    seen_if_at_rate : tuple of float
        Chance of so few faults, and of so many, from bags at the contract's rate.
    clean, likely : Further or None
        Of an open result: without a further fault, and with a chance of nine in ten at the rate
        seen (None where that is not below the contract's).
    single_look_picks : int or None
        How many picks a trial planned from the start would have needed with the faults seen.
    """

    faults: int
    picks: int
    rate: float | None
    confidence: float
    pattern: Pattern
    exact: Limits
    at_most: float
    at_least: float
    posteriors: tuple[Posterior, ...]
    verdict: str = ""
    seen_if_at_rate: tuple[float, float] | None = None
    clean: Further | None = None
    likely: Further | None = None
    single_look_picks: int | None = None

    @property
    def seen(self) -> float:
        """The rate seen."""
        return self.faults / self.picks

    @property
    def bayes(self) -> Limits | None:
        """Interval under Jeffreys' prior; None where faults come in bad bundles."""
        return self.posteriors[0].limits(self.confidence) if self.posteriors else None

    @property
    def chance_within(self) -> float | None:
        """Posterior chance, under Jeffreys' prior, that the rate is within the contract's."""
        if self.rate is None or not self.posteriors:
            return None
        return self.posteriors[0].chance_within(self.rate)

    @property
    def is_met(self) -> bool:
        """Whether the contract's rate, if one is stated, is shown to be met."""
        return self.verdict in ("", MET)

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        told: dict[str, Any] = {
            "faults": self.faults,
            "picks": self.picks,
            "rate_seen": self.seen,
            "confidence": self.confidence,
            "exact": {"low": self.exact.low, "high": self.exact.high},
            "at_most": self.at_most,
            "at_least": self.at_least,
            "jeffreys": None,
            "uniform": None,
        }
        for posterior in self.posteriors:
            limits = posterior.limits(self.confidence)
            told[posterior.prior] = {
                "low": limits.low,
                "high": limits.high,
                "mean": posterior.mean,
                "sd": posterior.sd,
                "median": posterior.median,
            }
        if self.rate is not None and self.seen_if_at_rate is not None:
            told["contract"] = {
                "rate": self.rate,
                "verdict": self.verdict,
                "chance_of_so_few": self.seen_if_at_rate[0],
                "chance_of_so_many": self.seen_if_at_rate[1],
                "chance_within": self.chance_within,
                "further_clean": _further_json(self.clean),
                "further_likely": _further_json(self.likely),
            }
        return told

    def frame(self) -> pd.DataFrame:
        """Each interval with its ends: a line each."""
        import pandas as pd

        lines = [
            ("exact", self.exact.low, self.exact.high),
            ("exact, one-sided: at most", 0.0, self.at_most),
            ("exact, one-sided: at least", self.at_least, 1.0),
        ]
        for posterior in self.posteriors:
            limits = posterior.limits(self.confidence)
            lines.append((posterior.prior.capitalize(), limits.low, limits.high))
        return pd.DataFrame(lines, columns=["interval", "low", "high"])

    def __repr__(self) -> str:
        told = f", {self.verdict}" if self.verdict else ""
        return (
            f"TrialResult({self.faults} in {self.picks}: "
            f"{self.exact.low:.3g} to {self.exact.high:.3g}{told})"
        )


def _further_json(further: Further | None) -> dict[str, Any] | None:
    if further is None:
        return None
    return {name: getattr(further, name) for name in Further.__slots__}


def trial_result(
    faults: int,
    picks: int,
    rate: float | None = None,
    confidence: float = 0.95,
    *,
    bundles: BadBundles | None = None,
) -> TrialResult:
    """Say what so many faults in so many picks show.

    Parameters
    ----------
    faults, picks : int
    rate : float, optional
        The contract's rate.
    confidence : float
        Of each statement; a contract is met where the one-sided upper limit is within it, missed
        where the one-sided lower limit is beyond it.
    bundles : BadBundles, optional
        How faults cluster.

    Returns
    -------
    TrialResult

    Raises
    ------
    TrialError
        If a value makes no sense.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934); Brown, Cai and DasGupta, Statistical Science 16
    (2001), for Jeffreys' interval; Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 2.4, for
    the one under a uniform prior.
    """
    _refuse_result(faults, picks, rate, confidence, bundles)
    pattern = Pattern(bundles)
    alpha = 1 - confidence
    exact = Limits(
        _at_least(pattern, faults, picks, alpha / 2), pattern.rate_where(faults, picks, alpha / 2)
    )
    ends = pattern.rate_where(faults, picks, alpha), _at_least(pattern, faults, picks, alpha)
    posteriors: tuple[Posterior, ...] = ()
    if bundles is None:
        posteriors = tuple(Posterior(faults, picks, prior) for prior in (JEFFREYS, UNIFORM))
    found = TrialResult(faults, picks, rate, confidence, pattern, exact, *ends, posteriors)
    return found if rate is None else _judged(found, rate)


def _at_least(pattern: Pattern, faults: int, picks: int, alpha: float) -> float:
    """Lower limit of the rate, one-sided at a risk of alpha."""
    return 0.0 if faults == 0 else pattern.rate_where(faults - 1, picks, 1 - alpha)


def _judged(found: TrialResult, rate: float) -> TrialResult:
    """The same result, held against a contract's rate."""
    faults, picks, pattern = found.faults, found.picks, found.pattern
    limit = (1 - found.confidence) * (1 + ROUNDING)
    few = pattern.chance_at_most(faults, picks, rate)
    many = 1 - pattern.chance_at_most(faults - 1, picks, rate)
    verdict = MET if few <= limit else MISSED if many <= limit else OPEN
    alone = pattern.bundles is None
    clean = likely = single = None
    if verdict == OPEN and alone:
        looks = _TwoLooks(faults, picks, rate, found.confidence)
        clean, likely = looks.further(faults), looks.likely()
        single = picks_needed(faults, rate, found.confidence)
    return replace(
        found,
        verdict=verdict,
        seen_if_at_rate=(few, many),
        clean=clean,
        likely=likely,
        single_look_picks=single,
    )


class _TwoLooks:
    """A second look at a trial that was open at the first.

    Bags at the contract's rate may pass at the first look or at the second; more picks are
    asked for until both chances together keep to the confidence.
    """

    def __init__(self, faults: int, picks: int, rate: float, confidence: float) -> None:
        self._faults, self._picks, self._rate = faults, picks, rate
        self._alpha = 1 - confidence
        limit = self._alpha * (1 + ROUNDING)
        counts = np.arange(faults + 1)
        # With these counts the first look would have passed the bags, and ended the trial.
        passing = np.asarray(chance_at_most(counts, picks, rate)) <= limit
        self._first = int(np.count_nonzero(passing)) - 1

    def risk(self, faults: int, more: int) -> float:
        """Chance that bags at the contract's rate pass at either look.

        Own derivation: P(X <= first) + sum over x above first of P(X = x) P(Y <= faults - x),
        Y the faults in the further picks; first looks that would have failed are left in.
        """
        first = float(chance_at_most(self._first, self._picks, self._rate))
        counts = np.arange(self._first + 1, faults + 1)
        here = count_chances(faults, self._picks, self._rate)[counts]
        then = np.asarray(chance_at_most(faults - counts, more, self._rate))
        return first + float(here @ then)

    def further(self, faults: int, least: int = 1) -> Further | None:
        """The fewest picks more, from `least` on, with so many faults allowed in all.

        None if they are too many.
        """
        more = fewest(lambda number: self.risk(faults, number), least, self._alpha)
        if self._picks + more > LARGEST_TRIAL:
            return None
        rate = self._rate_seen
        passes = float(chance_at_most(faults - self._faults, more, rate))
        return Further(faults, self._picks + more, more, passes, self.risk(faults, more))

    @property
    def _rate_seen(self) -> float:
        """The rate seen, or what Jeffreys' prior makes of none."""
        return (self._faults + 0.5) / (self._picks + 1)

    def likely(self) -> Further | None:
        """The fewest faults in all with which bags of the rate seen pass nine times in ten."""
        if self._rate_seen >= self._rate:
            return None
        least = 1
        for faults in range(self._faults, self._faults + MOST_FURTHER + 1):
            found = self.further(faults, least)
            if found is None or found.passes >= FURTHER_CHANCE:
                return found
            least = found.more
        return None


def posterior_density(result: TrialResult, rates: Floats) -> Floats:
    """Posterior density of the rate under Jeffreys' prior, its highest value 1.

    Parameters
    ----------
    result : TrialResult
    rates : array of shape (n,)

    Returns
    -------
    array of shape (n,)
    """
    return result.posteriors[0].density(rates)


def _refuse_result(
    faults: int, picks: int, rate: float | None, confidence: float, bundles: BadBundles | None
) -> None:
    refuse_picks(picks)
    most = picks if bundles is None else min(picks, MOST_COUNTED)
    if not 0 <= faults <= most:
        raise TrialError(f"--faults: is {faults}, allowed: 0 to {most:,} in {picks:,} picks")
    refuse_share("--confidence", confidence)
    if rate is not None:
        refuse_share("--rate", rate, least=LEAST_RATE)
