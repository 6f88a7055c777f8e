"""Does the curve over stiffness carry the counts, and would a curve of another form do better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.fit.likelihood import Counts
from feedsim.fit.regression import (
    LINKS,
    LOGIT,
    BinomialFit,
    Link,
    NoMaximumError,
    fit_binomial,
)
from feedsim.stats import Floats

REPEATS = 199
# In log-likelihood; all forms have as many coefficients, so no more is needed to set them off.
BETTER = 2.0
CURVE_POINTS = 41
_STEPS = 30
_LONGEST_STEP = 2.0
_FAINT = 1e-9


@dataclass(frozen=True)
class OtherForm:
    """A curve of another form.

    Attributes
    ----------
    name : str
    gain : float
        Log-likelihood over the logit's, divided by the dispersion.
    farthest : float
        Largest difference of its chances from the logit's within the stiffness tried, as a share
        of the logit's.
    """

    name: str
    gain: float
    farthest: float


@dataclass(frozen=True)
class CurveForm:
    """How well the film model's curve carries what was counted of a fault.

    Attributes
    ----------
    deviance : float
        Of the logit with one slope for all closures against the rates as counted, divided by
        the dispersion.
    degrees : int
        Rates counted, less coefficients.
    p_value : float
        How often counts from the fitted curve lie as far from theirs (bootstrap).
    others : tuple of OtherForm
        Probit and complementary log-log.
    """

    deviance: float
    degrees: int
    p_value: float
    others: tuple[OtherForm, ...]

    @property
    def better(self) -> OtherForm | None:
        """The form that carries the counts clearly better than the logit, if one does."""
        best = max(self.others, key=lambda each: each.gain)
        return best if best.gain >= BETTER else None


def curve_form(
    counts: Counts, rng: np.random.Generator, dispersion: float = 1.0, repeats: int = REPEATS
) -> CurveForm | None:
    """Judge the curve over stiffness by plain maximum likelihood.

    Closures without a fault are left out: they say nothing of its form.

    Parameters
    ----------
    counts : Counts
        One line for each closure and stiffness.
    rng : numpy Generator
    dispersion : float
        By which the information is divided.
    repeats : int
        Of the bootstrap.

    Returns
    -------
    CurveForm or None
        None where the trials cannot tell: no more rates than coefficients, or no maximum.

    References
    ----------
    Deviance and links: McCullagh and Nelder, Generalized Linear Models, 2nd ed., ch. 4. The
    bootstrap in the place of chi-square, which does not hold where faults are rare.
    """
    lines = _informative(counts)
    design = (
        lines.design(int(lines.closures.max()) + 1) if len(lines.closures) else np.zeros((0, 1))
    )
    if len(design) <= design.shape[1] or np.ptp(lines.log_ratios) == 0:
        return None
    try:
        fits = {
            link: fit_binomial(design, lines.faults, lines.attempts, link=link) for link in LINKS
        }
    except NoMaximumError:
        return None
    logit = fits[LOGIT]
    deviance = logit.deviance / dispersion
    chance = LOGIT.chance(design @ logit.coefficients)
    attempts = lines.attempts.astype(np.int64)
    drawn = rng.binomial(attempts, chance, size=(repeats, len(attempts))).astype(float)
    found = _deviances(design, drawn, lines.attempts, logit.coefficients)
    farther = int((found >= deviance - 1e-9).sum())
    others = tuple(
        OtherForm(
            link.name,
            (fit.log_likelihood - logit.log_likelihood) / dispersion,
            _farthest(lines, link, fit, logit),
        )
        for link, fit in fits.items()
        if link is not LOGIT
    )
    return CurveForm(deviance, logit.degrees, (1 + farther) / (1 + repeats), others)


def _informative(counts: Counts) -> Counts:
    """Lines of closures that had a fault, the closures numbered anew."""
    faulty = np.unique(counts.closures[counts.faults > 0])
    kept = np.isin(counts.closures, faulty)
    return Counts(
        np.searchsorted(faulty, counts.closures[kept]),
        counts.log_ratios[kept],
        (counts.attempts * counts.times)[kept],
        (counts.faults * counts.times)[kept],
        np.ones(int(kept.sum())),
    )


def _farthest(lines: Counts, link: Link, fit: BinomialFit, logit: BinomialFit) -> float:
    over = np.linspace(lines.log_ratios.min(), lines.log_ratios.max(), CURVE_POINTS)
    closures = np.arange(int(lines.closures.max()) + 1)
    other, own = (
        each.chance(fitted.coefficients[closures][:, None] + fitted.coefficients[-1] * over)
        for each, fitted in ((link, fit), (LOGIT, logit))
    )
    return float(np.abs(other / own - 1).max())


def _deviances(design: Floats, faults: Floats, attempts: Floats, start: Floats) -> Floats:
    """Deviances of the logit's fits to counts of shape (b, n), all at once.

    Where a sample has no maximum its deviance is the limit that it tends to.
    """
    from scipy.special import expit, xlogy

    beta = np.tile(start, (len(faults), 1))
    faint = _FAINT * np.eye(len(start))
    for _ in range(_STEPS):
        chance = expit(beta @ design.T)
        gradient = (faults - attempts * chance) @ design
        weight = attempts * chance * (1 - chance)
        information = np.einsum("bn,ni,nj->bij", weight, design, design) + faint
        step = np.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        longest = np.abs(step @ design.T).max(axis=1, keepdims=True)
        beta += step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, _FAINT))
    eta, good = beta @ design.T, attempts - faults
    like = faults * eta - attempts * np.logaddexp(0, eta)
    best = xlogy(faults, faults / attempts) + xlogy(good, good / attempts)
    found: Floats = 2 * (best - like).sum(axis=1)
    return found
