"""A film model from pick trials: the chance of each fault over closure and stiffness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.film import (
    ANY,
    CLOSURES,
    BadBundleFit,
    FaultFit,
    FilmModel,
    PLANNING_STIFFNESS_uNm,
    Tried,
)
from feedsim.fit.beta_binomial import Correlation, correlation_within
from feedsim.fit.bundles import Ints, Mixture, SpreadTest, Units, spread_test, two_kinds
from feedsim.fit.curve_form import CurveForm, curve_form
from feedsim.fit.likelihood import (
    BAD_MEAN,
    BAD_SD,
    COMMON_SD,
    OWN_SD,
    SLOPE_SD,
    Counts,
    gradient_of_two_kinds,
    likelier_bad,
    log_like,
    log_like_of_two_kinds,
    log_prior,
    pooled,
    prior_of,
)
from feedsim.fit.posterior import Posterior, explore
from feedsim.fit.regression import NormalPrior, fit_binomial
from feedsim.fit.trials import Trials
from feedsim.mistakes import Mistake
from feedsim.shown import Shown
from feedsim.stats import Floats, exact_interval

if TYPE_CHECKING:
    import pandas as pd

REFERENCE_uNm = PLANNING_STIFFNESS_uNm
TOO_WIDE = 0.05
LEAST_BUNDLES = 20
BAD_FAULT = "missed"
SEED = 1
CURVE_POINTS = 41


class PicksError(Mistake):
    """Trials that cannot be fitted as asked."""


@dataclass(frozen=True)
class Rate:
    """A rate with its interval; `faults` of `attempts` where it was counted."""

    value: float
    low: float
    high: float
    faults: int | None = None
    attempts: int | None = None


@dataclass(frozen=True)
class CountedPicks:
    """A fault of one closure at one stiffness: its exact rate as counted, and the model's chance.

    With bad bundles the model's chance of a miss is of the good ones; `good` is then counted in
    those that are likelier good than bad.
    """

    closure: str
    stiffness_uNm: float | None
    fault: str
    counted: Rate
    fitted: Rate
    good: Rate | None = None


@dataclass(frozen=True)
class FaultPart:
    """The fit of one fault.

    Attributes
    ----------
    posterior : Posterior
        Of the log-odds by closure, the slope, and with bad bundles their two log-odds.
    spread : SpreadTest
        Between units, as counted.
    dispersion : float
        By which the information was divided.
    closures : int
        How many the posterior has.
    correlation : Correlation or None
        Of attempts within a bundle; None where no bundles were recorded, or nothing tells it.
    form : CurveForm or None
        How well the curve over stiffness carries the counts; None where nothing tells it.
    """

    fault: str
    posterior: Posterior
    spread: SpreadTest
    dispersion: float
    closures: int
    correlation: Correlation | None = None
    form: CurveForm | None = None

    def chance(self, closure: int, log_ratio: float, confidence: float) -> Rate:
        """Chance at a closure and stiffness: its mean and central interval."""
        points = self.posterior.points
        log_odds = points[:, closure] + log_ratio * points[:, self.closures]
        return _rate_of(self.posterior, _expit(log_odds), confidence)

    def slope(self, confidence: float) -> Rate:
        """Slope of the log-odds over log stiffness, with its interval."""
        return _rate_of(self.posterior, self.posterior.points[:, self.closures], confidence)


@dataclass(frozen=True)
class BadBundles:
    """What the trials say of bad bundles: the test, and share and miss rate if they are taken."""

    mixture: Mixture
    is_taken: bool
    share: Rate | None = None
    missed: Rate | None = None


@dataclass(frozen=True)
class PicksResult(Shown):
    """The answer of `fit picks`.

    Attributes
    ----------
    trials : Trials
    model : FilmModel
    parts : mapping from fault to FaultPart
    bundles : BadBundles or None
        None where no bundles were recorded, or too few, or misses were not counted.
    cells : list of CountedPicks
        Each fault of each closure and stiffness tried.
    confidence : float
    """

    trials: Trials
    model: FilmModel
    parts: dict[str, FaultPart]
    bundles: BadBundles | None
    cells: list[CountedPicks]
    confidence: float

    def chance(self, fault: str, closure: str | None, stiffness_uNm: float | None) -> Rate:  # noqa: N803
        """Chance of a fault in a good bundle, with its interval.

        Raises
        ------
        ValueError
            As `FilmModel.chances`.
        """
        place = self.model.place(closure, stiffness_uNm)
        return self.parts[fault].chance(*place, self.confidence)

    def curve(self, fault: str, closure: str) -> list[tuple[float, Rate]]:
        """Chances of a fault over the range of stiffness tried; empty without one."""
        valid = self.model.valid_uNm
        if valid is None or valid[0] == valid[1]:
            return []
        return [
            (float(value), self.chance(fault, closure, float(value)))
            for value in np.geomspace(*valid, CURVE_POINTS)
        ]

    def warnings(self) -> list[str]:
        """What a user of the model must know."""
        from feedsim.fit.pick_words import warnings_of

        return list(warnings_of(self))

    def frame(self) -> pd.DataFrame:
        """What was counted, and the model's chance, a line for each fault of each cell."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "closure": "" if cell.closure == ANY else cell.closure,
                    "stiffness_uNm": cell.stiffness_uNm,
                    "fault": cell.fault,
                    "attempts": cell.counted.attempts,
                    "faults": cell.counted.faults,
                    "rate": cell.counted.value,
                    "rate_low": cell.counted.low,
                    "rate_high": cell.counted.high,
                    "chance": cell.fitted.value,
                    "chance_low": cell.fitted.low,
                    "chance_high": cell.fitted.high,
                }
                for cell in self.cells
            ]
        )

    def __repr__(self) -> str:
        return (
            f"PicksResult({', '.join(self.parts)}: {self.trials.attempts:,} attempts, "
            f"{'with' if self.model.bad_bundles else 'without'} bad bundles)"
        )

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        bundles = self.bundles
        return {
            "attempts": self.trials.attempts,
            "lines": len(self.trials.lines),
            "closures": list(self.model.tried_closures),
            "stiffness_uNm": None if self.model.valid_uNm is None else list(self.model.valid_uNm),
            "cells": [
                {
                    "closure": None if cell.closure == ANY else cell.closure,
                    "stiffness_uNm": cell.stiffness_uNm,
                    "fault": cell.fault,
                    "attempts": cell.counted.attempts,
                    "faults": cell.counted.faults,
                    "rate": _rate_json(cell.counted),
                    "chance": _rate_json(cell.fitted),
                }
                for cell in self.cells
            ],
            "faults": [
                {
                    "fault": part.fault,
                    "slope": _rate_json(part.slope(self.confidence)),
                    "spread_z": part.spread.z,
                    "spread_p": part.spread.p_value,
                    "dispersion": part.dispersion,
                    "effective_points": part.posterior.effective,
                    "correlation": _correlation_json(part.correlation),
                    "curve": _form_json(part.form),
                }
                for part in self.parts.values()
            ],
            "bad_bundles": None
            if bundles is None
            else {
                "taken": bundles.is_taken,
                "ratio": bundles.mixture.ratio,
                "p": bundles.mixture.p_value,
                "share": None if bundles.share is None else _rate_json(bundles.share),
                "missed": None if bundles.missed is None else _rate_json(bundles.missed),
            },
        }


def fit_picks(
    trials: Trials,
    *,
    confidence: float = 0.95,
    bad_bundles: bool | None = None,
    seed: int = SEED,
) -> PicksResult:
    """Fit a film model to pick trials.

    Each fault has a binomial regression on the log-odds scale: an intercept for each closure, one
    slope over log stiffness, and weakly informative priors about the planning values
    (`likelihood.prior_of`). Where bundles are recorded and two kinds of them explain the misses
    better than one (bootstrap of the likelihood ratio, at 5 %), the misses are fitted with bad
    bundles. Where the spread between units is otherwise wider than chance makes it (Tarone's
    test, at 5 %), the information is divided by the dispersion. Beside it stand, for a check of
    what is assumed, the correlation within a bundle by the beta-binomial law, and curves of other
    forms.

    Parameters
    ----------
    trials : Trials
        As `read_trials` gives them.
    confidence : float
        Of the intervals.
    bad_bundles : bool, optional
        Fit them or do not; by default as the test says.
    seed : int
        Of the bootstraps.

    Returns
    -------
    PicksResult

    Raises
    ------
    PicksError
        Bad bundles are asked for, and cannot be fitted.
    """
    frame = _Arrays(trials)
    rng = np.random.default_rng(seed)
    spreads = {fault: spread_test(frame.units(fault), rng) for fault in trials.faults}
    mixture = _mixture(frame, trials, rng, bad_bundles)
    is_taken = mixture is not None and (
        mixture.p_value <= TOO_WIDE if bad_bundles is None else bad_bundles
    )
    parts = {
        fault: _part(
            frame, fault, spreads[fault], rng, confidence, bad=is_taken and fault == BAD_FAULT
        )
        for fault in trials.faults
    }
    bundles = None
    if mixture is not None:
        bundles = BadBundles(mixture, is_taken)
        if is_taken:
            posterior = parts[BAD_FAULT].posterior
            chances = _expit(posterior.points[:, -2:]).T
            share, missed = (_rate_of(posterior, values, confidence) for values in chances)
            bundles = BadBundles(mixture, is_taken, share, missed)
    model = _model(frame, trials, parts, bad=is_taken)
    cells = list(_counted_picks(frame, model, parts, confidence, bad=is_taken))
    return PicksResult(trials, model, parts, bundles, cells, confidence)


class _Arrays:
    """Trials as arrays, a place for each line."""

    def __init__(self, trials: Trials) -> None:
        lines = trials.lines
        self.trials = trials
        self.closures = CLOSURES if trials.has_closures else (ANY,)
        numbers = [self.closures.index(line.closure or ANY) for line in lines]
        self.closure: Ints = np.array(numbers, dtype=np.int64)
        self.stiffness = np.array([line.stiffness_uNm or REFERENCE_uNm for line in lines])
        self.log_ratio = np.log(self.stiffness / REFERENCE_uNm)
        self.attempts = np.array([line.attempts for line in lines], dtype=float)
        _, groups = np.unique(
            np.column_stack([self.closure, self.stiffness]), axis=0, return_inverse=True
        )
        self.groups: Ints = groups.ravel()

    def sums(self, values: Floats) -> list[int]:
        """Sums of whole numbers over each group's lines."""
        found: list[int] = np.bincount(self.groups, values).astype(int).tolist()
        return found

    def faults(self, fault: str) -> Floats:
        return np.array([line.counts[fault] for line in self.trials.lines], dtype=float)

    def units(self, fault: str) -> Units:
        return Units(self.groups, self.attempts, self.faults(fault))

    def counts(self, fault: str, *, whole: bool, among: NDArray[np.bool_] | None = None) -> Counts:
        """Counts of a fault, of all lines or only of some."""
        kept = slice(None) if among is None else among
        return pooled(
            self.closure[kept],
            self.log_ratio[kept],
            self.attempts[kept],
            self.faults(fault)[kept],
            whole=whole,
        )


def _mixture(
    frame: _Arrays, trials: Trials, rng: np.random.Generator, wanted: bool | None
) -> Mixture | None:
    can = trials.has_bundles and BAD_FAULT in trials.faults
    if wanted and not can:
        raise PicksError("--bad-bundles: the trials need columns bundle and missed for it")
    if not can or (wanted is None and len(trials.lines) < LEAST_BUNDLES):
        return None
    units = frame.units(BAD_FAULT)
    return two_kinds(units, rng) if units.faults.sum() > 0 or wanted else None


def _part(
    frame: _Arrays,
    fault: str,
    spread: SpreadTest,
    rng: np.random.Generator,
    confidence: float,
    *,
    bad: bool,
) -> FaultPart:
    """The fit of one fault, with bad bundles or without; what is said of the curve is of good."""
    trials, k = frame.trials, len(frame.closures)
    prior = prior_of(fault, frame.closures)
    is_wide = not bad and spread.p_value <= TOO_WIDE
    dispersion = max(1.0, spread.dispersion) if is_wide else 1.0
    counts = frame.counts(fault, whole=not bad)
    if bad:
        posterior = _posterior_of_two_kinds(counts, prior, k)
    else:
        posterior = posterior_of(counts, prior, dispersion)
    correlation = form = None
    if trials.has_bundles:
        correlation = correlation_within(frame.units(fault), confidence)
    if trials.has_stiffness:
        among = _good_lines(frame, posterior) if bad else None
        form = curve_form(frame.counts(fault, whole=True, among=among), rng, dispersion)
    return FaultPart(fault, posterior, spread, dispersion, k, correlation, form)


def posterior_of(counts: Counts, prior: NormalPrior, dispersion: float = 1.0) -> Posterior:
    """Posterior of the log-odds by closure and the slope, from its maximum outwards."""
    k = len(prior.mean) - 1
    faults, attempts = counts.faults * counts.times, counts.attempts * counts.times
    fit = fit_binomial(counts.design(k), faults / dispersion, attempts / dispersion, prior)
    return explore(
        lambda points: log_like(counts, points, dispersion) + log_prior(prior, points),
        fit.coefficients,
        fit.covariance,
    )


def _posterior_of_two_kinds(counts: Counts, prior: NormalPrior, k: int) -> Posterior:
    from scipy.optimize import minimize

    mean = np.concatenate([prior.mean, BAD_MEAN])
    covariance = np.zeros((k + 3, k + 3))
    covariance[: k + 1, : k + 1] = prior.covariance
    covariance[k + 1, k + 1], covariance[k + 2, k + 2] = np.square(BAD_SD)
    wide = NormalPrior(mean, covariance)
    precision: Floats = np.linalg.inv(covariance).astype(float)

    def cost(point: Floats) -> float:
        at = point[None, :]
        return -float(log_like_of_two_kinds(counts, at)[0] + log_prior(wide, at)[0])

    def slope(point: Floats) -> Floats:
        found: Floats = precision @ (point - mean) - gradient_of_two_kinds(counts, point)
        return found

    mode = minimize(cost, mean, jac=slope, method="BFGS", options={"gtol": 1e-6}).x
    step = 1e-4
    information = np.array(
        [(slope(mode + step * e) - slope(mode - step * e)) / (2 * step) for e in np.eye(k + 3)]
    )
    return explore(
        lambda points: log_like_of_two_kinds(counts, points) + log_prior(wide, points),
        mode,
        _inverse(information, covariance),
    )


def _inverse(information: Floats, otherwise: Floats) -> Floats:
    """Inverse of an information matrix, or the prior's covariance where it is none."""
    even = (information + information.T) / 2
    if np.linalg.eigvalsh(even).min() <= 0:
        return otherwise
    found: Floats = np.linalg.inv(even).astype(float)
    return found


def _model(frame: _Arrays, trials: Trials, parts: dict[str, FaultPart], *, bad: bool) -> FilmModel:
    k = len(frame.closures)
    faults = {
        fault: FaultFit(
            tuple(part.posterior.mean[:k].tolist()),
            float(part.posterior.mean[k]),
            _matrix(part.posterior.covariance[: k + 1, : k + 1]),
            part.dispersion,
        )
        for fault, part in parts.items()
    }
    fitted = None
    if bad:
        posterior = parts[BAD_FAULT].posterior
        share, missed = posterior.mean[-2:].tolist()
        fitted = BadBundleFit(share, missed, _matrix(posterior.covariance[-2:, -2:]))
    return FilmModel(
        frame.closures,
        REFERENCE_uNm if trials.has_stiffness else None,
        faults,
        fitted,
        tuple(_tried(frame, trials)),
        {
            "data": trials.name.replace("\\", "/").rpartition("/")[2],
            "lines": len(trials.lines),
            "attempts": trials.attempts,
            "units": "bundles" if trials.has_bundles else "lines",
            "method": METHOD,
            "prior": PRIOR,
        },
        "fitted film model",
    )


METHOD = (
    "binomial regression of each fault's log-odds, an intercept a closure and one slope over "
    "log(stiffness / 40 uN.m); mean and covariance of the posterior by adaptive importance "
    "sampling"
)
PRIOR = (
    f"intercepts normal about planning values from memory: common sd {COMMON_SD:g}, own sd "
    f"{OWN_SD:g}; slope normal about minus the planning exponent, sd {SLOPE_SD:g}; bad bundles: "
    f"log-odds of the share about 0.03, sd {BAD_SD[0]:g}, of a miss about 0.2, sd {BAD_SD[1]:g}"
)


def _matrix(values: Floats) -> tuple[tuple[float, ...], ...]:
    even = (values + values.T) / 2
    return tuple(tuple(row) for row in even.tolist())


def _tried(frame: _Arrays, trials: Trials) -> Iterator[Tried]:
    first = np.unique(frame.groups, return_index=True)[1]
    attempts = frame.sums(frame.attempts)
    counts = {fault: frame.sums(frame.faults(fault)) for fault in trials.faults}
    for group, line in enumerate(first):
        yield Tried(
            frame.closures[int(frame.closure[line])],
            float(frame.stiffness[line]) if trials.has_stiffness else None,
            attempts[group],
            {fault: counts[fault][group] for fault in trials.faults},
        )


def _counted_picks(
    frame: _Arrays, model: FilmModel, parts: dict[str, FaultPart], confidence: float, *, bad: bool
) -> Iterator[CountedPicks]:
    """Each fault of each closure and stiffness; misses of good bundles too, where some are bad."""
    of_good: list[Rate] = []
    if bad:
        is_good = _good_lines(frame, parts[BAD_FAULT].posterior)
        sums = frame.sums(frame.faults(BAD_FAULT) * is_good), frame.sums(frame.attempts * is_good)
        of_good = [_counted(*counts, confidence) for counts in zip(*sums, strict=True)]
    for group, tried in enumerate(model.tried):
        place = model.place(tried.closure, tried.stiffness_uNm)
        for fault, part in parts.items():
            yield CountedPicks(
                tried.closure,
                tried.stiffness_uNm,
                fault,
                counted=_counted(tried.counts[fault], tried.attempts, confidence),
                fitted=part.chance(*place, confidence),
                good=of_good[group] if bad and fault == BAD_FAULT else None,
            )


def _counted(faults: int, attempts: int, confidence: float) -> Rate:
    low, high = exact_interval(faults, attempts, confidence)
    value = faults / attempts if attempts else float("nan")
    return Rate(value, float(low), float(high), faults, attempts)


def _good_lines(frame: _Arrays, posterior: Posterior) -> NDArray[np.bool_]:
    """Which bundles are likelier good than bad, by the fit's mean."""
    lines = Counts(
        frame.closure,
        frame.log_ratio,
        frame.attempts,
        frame.faults(BAD_FAULT),
        np.ones_like(frame.attempts),
    )
    return ~likelier_bad(lines, posterior.mean)


def _rate_of(posterior: Posterior, values: Floats, confidence: float) -> Rate:
    """Mean and central interval of what has a value at each point."""
    ends = np.array([(1 - confidence) / 2, (1 + confidence) / 2])
    low, high = posterior.quantiles(values, ends)
    return Rate(float(posterior.weights @ values), float(low), float(high))


def _rate_json(rate: Rate) -> dict[str, float]:
    return {"value": rate.value, "low": rate.low, "high": rate.high}


def _correlation_json(found: Correlation | None) -> dict[str, float] | None:
    if found is None:
        return None
    return {"value": found.value, "low": found.low, "high": found.high, "gain": found.gain}


def _form_json(found: CurveForm | None) -> dict[str, Any] | None:
    if found is None:
        return None
    others = [
        {"form": each.name, "gain": each.gain, "farthest": each.farthest} for each in found.others
    ]
    return {
        "deviance": found.deviance,
        "degrees": found.degrees,
        "p": found.p_value,
        "others": others,
    }


def _expit(values: Floats) -> Floats:
    from scipy.special import expit

    found: Floats = expit(values)
    return found
