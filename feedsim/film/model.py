"""A film model fitted to pick trials: chances of the faults, and how sure they are."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any

from feedsim.film.planning import FAULTS, Chances

if TYPE_CHECKING:
    import numpy as np

Matrix = tuple[tuple[float, ...], ...]

ANY = "any"
# Of the Gauss-Hermite rule for the mean of a chance: its relative error is 2e-10 at a deviation
# of 1.5, 2e-5 at 3.
_NODES = 40


@dataclass(frozen=True)
class FaultFit:
    """The log-odds of one fault: an intercept for each closure, and a slope.

    At stiffness S the log-odds of closure c are log_odds[c] + slope * log(S / reference). Their
    uncertainty is normal.

    Attributes
    ----------
    log_odds : tuple of k floats
        At the reference stiffness, in the order of the model's closures.
    slope : float
        Per unit of log stiffness.
    covariance : (k + 1) x (k + 1) floats
        Of the log-odds and, last, the slope; all 0 in a model that was drawn.
    dispersion : float
        By which the spread between units exceeds the binomial one; the covariance has it.
    """

    log_odds: tuple[float, ...]
    slope: float
    covariance: Matrix
    dispersion: float = 1.0

    def at(self, closure: int, log_ratio: float) -> tuple[float, float]:
        """Log-odds of a closure at a stiffness, and their standard deviation."""
        own, last = self.covariance[closure], self.covariance[-1]
        variance = own[closure] + 2 * log_ratio * own[-1] + log_ratio**2 * last[-1]
        return self.log_odds[closure] + log_ratio * self.slope, math.sqrt(max(variance, 0.0))


@dataclass(frozen=True)
class BadBundleFit:
    """Bad bundles: log-odds of the share and of a miss within one, and their covariance."""

    log_odds_share: float
    log_odds_missed: float
    covariance: Matrix

    @property
    def share(self) -> float:
        """Chance that a bundle is bad."""
        return mean_chance(self.log_odds_share, math.sqrt(self.covariance[0][0]))

    @property
    def missed(self) -> float:
        """Chance of a miss per attempt within a bad bundle."""
        return mean_chance(self.log_odds_missed, math.sqrt(self.covariance[1][1]))


@dataclass(frozen=True)
class Tried:
    """What was tried of a closure at a stiffness: attempts, and faults in the model's order."""

    closure: str
    stiffness_uNm: float | None
    attempts: int
    counts: Mapping[str, int]


@dataclass(frozen=True)
class FilmModel:
    """Chances of pick faults over closure and stiffness, fitted to pick trials.

    Equal models have equal numbers, wherever they were read from.

    Attributes
    ----------
    closures : tuple of str
        Those that the log-odds are of; ("any",) where trials told no closure.
    reference_uNm : float or None
        Stiffness at which the log-odds stand; None where trials told no stiffness, and the
        chances are those of the film tried, whatever the config's stiffness.
    faults : mapping from fault to FaultFit
        Those that were counted; the others do not happen.
    bad_bundles : BadBundleFit or None
        With it `missed` is the chance in a good bundle.
    tried : tuple of Tried
        What it rests on.
    notes : mapping
        Where it came from, as its file tells: data, method.
    name : str
        Of its file, for messages.
    """

    closures: tuple[str, ...]
    reference_uNm: float | None
    faults: Mapping[str, FaultFit]
    bad_bundles: BadBundleFit | None
    tried: tuple[Tried, ...]
    notes: Mapping[str, Any]
    name: str = field(default="film model", compare=False)

    @property
    def needs_closure(self) -> bool:
        """Whether the chances hang on the closure."""
        return self.closures != (ANY,)

    @property
    def needs_stiffness(self) -> bool:
        """Whether the chances hang on the stiffness."""
        return self.reference_uNm is not None

    @property
    def tried_closures(self) -> tuple[str, ...]:
        """Closures with attempts, in the model's order."""
        found = {row.closure for row in self.tried if row.attempts > 0}
        return tuple(closure for closure in self.closures if closure in found)

    @property
    def valid_uNm(self) -> tuple[float, float] | None:  # noqa: N802 (the unit)
        """Range of the stiffness tried."""
        found = [row.stiffness_uNm for row in self.tried if row.stiffness_uNm is not None]
        return (min(found), max(found)) if found and self.needs_stiffness else None

    def chances(
        self,
        closure: str | None,
        stiffness_uNm: float | None,  # noqa: N803 (the unit)
        mouth_opener: bool = False,
    ) -> Chances:
        """Chances per pick attempt in a good bundle, in the order of `FAULTS`.

        Each is the mean of the chance over what the trials leave open. A mouth opener changes
        nothing: the trials were made with it or without.

        Parameters
        ----------
        closure : str or None
            One of `closures`; anything where the trials told none.
        stiffness_uNm : float or None
            Above 0; anything where the trials told none.

        Returns
        -------
        tuple of 5 floats

        Raises
        ------
        ValueError
            An unknown closure, or a stiffness that is not a positive finite number.
        """
        place = self.place(closure, stiffness_uNm)
        found = [
            mean_chance(*self.faults[fault].at(*place)) if fault in self.faults else 0.0
            for fault in FAULTS
        ]
        missed, double, unopened, skewed, jam = found
        return (missed, double, unopened, skewed, jam)

    def interval(
        self,
        fault: str,
        closure: str | None,
        stiffness_uNm: float | None,  # noqa: N803
        confidence: float = 0.95,
    ) -> tuple[float, float]:
        """Ends between which the chance of a fault lies, by the normal law of its log-odds.

        Parameters
        ----------
        fault : str
            One of `FAULTS`; (0, 0) if it was not counted.
        closure, stiffness_uNm
            As for `chances`.
        confidence : float
            Between 0 and 1.

        Raises
        ------
        ValueError
            As `chances`.
        """
        from statistics import NormalDist

        place = self.place(closure, stiffness_uNm)
        if fault not in self.faults:
            return 0.0, 0.0
        middle, spread = self.faults[fault].at(*place)
        z = NormalDist().inv_cdf((1 + confidence) / 2)
        return chance_of(middle - z * spread), chance_of(middle + z * spread)

    def warnings(self, closure: str | None, stiffness_uNm: float | None) -> list[str]:  # noqa: N803
        """What of a closure and a stiffness the trials do not cover; empty where they do."""
        said = []
        if self.needs_closure and closure not in self.tried_closures:
            others = f" ({', '.join(self.tried_closures)} were)" if self.tried_closures else ""
            said.append(
                f"closure {closure} was not tried{others}: its "
                "chances rest on planning values and on what the others show"
            )
        valid = self.valid_uNm
        if valid and stiffness_uNm is not None and not valid[0] <= stiffness_uNm <= valid[1]:
            tried = " to ".join(f"{end:.4g}" for end in sorted(set(valid)))
            said.append(
                f"a stiffness of {stiffness_uNm:.4g} uN.m is outside the trials ({tried} uN.m): "
                "the chances are extrapolated"
            )
        if not self.needs_stiffness and stiffness_uNm is not None:
            said.append("the trials told no stiffness: the chances are those of the film tried")
        if not self.needs_closure and closure is not None:
            said.append("the trials told no closure: the chances are those of the bags tried")
        uncounted = [fault for fault in FAULTS if fault not in self.faults]
        if uncounted:
            said.append(f"the trials counted no {', '.join(uncounted)}, so these do not happen")
        return said

    def draw(self, rng: np.random.Generator) -> FilmModel:
        """One film that the trials leave possible: drawn coefficients, nothing left open.

        Parameters
        ----------
        rng : numpy Generator
            Draws k + 1 standard normals for each fault in the order of `FAULTS`, then two for
            bad bundles.

        Returns
        -------
        FilmModel
            With covariances of 0.
        """
        faults = {}
        for fault in FAULTS:
            if fault in self.faults:
                fit = self.faults[fault]
                *log_odds, slope = _drawn((*fit.log_odds, fit.slope), fit.covariance, rng)
                faults[fault] = replace(
                    fit, log_odds=tuple(log_odds), slope=slope, covariance=_none(len(log_odds) + 1)
                )
        bad = self.bad_bundles
        if bad is not None:
            share, missed = _drawn((bad.log_odds_share, bad.log_odds_missed), bad.covariance, rng)
            bad = BadBundleFit(share, missed, _none(2))
        return replace(self, faults=faults, bad_bundles=bad)

    def place(self, closure: str | None, stiffness_uNm: float | None) -> tuple[int, float]:  # noqa: N803
        """Number of the closure, and the log of stiffness over reference.

        Raises
        ------
        ValueError
            As `chances`.
        """
        number = 0
        if self.needs_closure:
            if closure not in self.closures:
                known = ", ".join(self.closures)
                raise ValueError(f"closure must be one of {known}, is {closure!r}")
            number = self.closures.index(closure)
        if self.reference_uNm is None:
            return number, 0.0
        if stiffness_uNm is None or not (math.isfinite(stiffness_uNm) and stiffness_uNm > 0):
            raise ValueError(f"stiffness must be a number above 0 uN.m, is {stiffness_uNm}")
        # A ratio too small for a float has a logarithm nonetheless.
        ratio = max(stiffness_uNm / self.reference_uNm, sys.float_info.min)
        return number, math.log(ratio)

    def __hash__(self) -> int:
        return hash((self.closures, *((f, fit.log_odds) for f, fit in self.faults.items())))

    def __str__(self) -> str:
        closures = ", ".join(self.tried_closures) if self.needs_closure else "any closure"
        attempts = sum(row.attempts for row in self.tried)
        return f"{self.name} ({attempts:,} attempts, {closures})"


def chance_of(log_odds: float) -> float:
    """Chance of given log-odds."""
    if log_odds < 0:
        odds = math.exp(log_odds)
        return odds / (1 + odds)
    return 1 / (1 + math.exp(-log_odds))


def mean_chance(log_odds: float, deviation: float) -> float:
    """Mean of a chance whose log-odds are normal."""
    if deviation == 0:
        return chance_of(log_odds)
    nodes, weights = _normal_nodes()
    return math.fsum(
        weight * chance_of(log_odds + deviation * node)
        for node, weight in zip(nodes, weights, strict=True)
    ) / math.fsum(weights)


@cache
def _normal_nodes() -> tuple[list[float], list[float]]:
    """Nodes and weights of means over the standard normal law (Gauss and Hermite)."""
    from numpy.polynomial.hermite_e import hermegauss

    nodes, weights = hermegauss(_NODES)
    return nodes.tolist(), weights.tolist()


def _drawn(mean: Sequence[float], covariance: Matrix, rng: np.random.Generator) -> list[float]:
    """A draw from a normal law; its covariance may be singular."""
    import numpy as np

    values, vectors = np.linalg.eigh(np.array(covariance))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn: list[float] = (np.array(mean) + root @ rng.standard_normal(len(mean))).tolist()
    return drawn


def _none(size: int) -> Matrix:
    return tuple((0.0,) * size for _ in range(size))
