"""Fits of pick trials against published tables, an independent library, and known truths."""

from __future__ import annotations

import json
import math
import random
import tomllib
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from cells import shift_of
from click.testing import CliRunner

from feedsim.cli.fit_picks_command import command
from feedsim.config import ConfigError, load_config
from feedsim.config.film import read_film_model
from feedsim.film import CLOSURES, FAULTS, planning_chances
from feedsim.fit.beta_binomial import correlation_within
from feedsim.fit.bundles import Units, spread_test, tarone, two_kinds
from feedsim.fit.curve_form import _deviances, curve_form
from feedsim.fit.likelihood import (
    Counts,
    gradient_of_two_kinds,
    log_like,
    log_like_of_two_kinds,
    log_prior,
    pooled,
    prior_of,
)
from feedsim.fit.pick_words import laws_of_misses
from feedsim.fit.picks import PicksError, fit_picks, posterior_of
from feedsim.fit.posterior import Posterior, explore
from feedsim.fit.regression import (
    CLOGLOG,
    LINKS,
    LOGIT,
    PROBIT,
    BinomialFit,
    Link,
    NoMaximumError,
    NormalPrior,
    fit_binomial,
)
from feedsim.fit.trials import TrialLayout, TrialLine, Trials, parse_trials
from feedsim.stats import exact_interval

ROOT = Path(__file__).parents[1]
DATA = ROOT / "configs" / "data" / "pick_trials.csv"


# Published tables.


@pytest.mark.parametrize(
    ("faults", "attempts", "confidence", "low", "high", "room"),
    [
        # NIST/SEMATECH e-Handbook 7.2.4.1, 90 %; limits from memory.
        (4, 20, 0.90, 0.071354, 0.401029, 2e-6),
        # Newcombe, Stat. Med. 17 (1998) 857, table I, 95 %, from memory.
        (81, 263, 0.95, 0.2527, 0.3676, 5e-5),
        (15, 148, 0.95, 0.0578, 0.1617, 5e-5),
        (0, 20, 0.95, 0.0, 0.1684, 5e-5),
        (1, 29, 0.95, 0.0009, 0.1776, 5e-5),
    ],
)
def test_exact_intervals(faults, attempts, confidence, low, high, room) -> None:
    found = exact_interval(faults, attempts, confidence)
    assert float(found[0]) == pytest.approx(low, abs=room)
    assert float(found[1]) == pytest.approx(high, abs=room)


def test_the_exact_interval_is_no_normal_one() -> None:
    """Negative control: Wald's interval of 1 in 200 reaches below 0, the exact one does not."""
    low, high = exact_interval(1, 200)
    rate = 1 / 200
    half = 1.96 * math.sqrt(rate * (1 - rate) / 200)
    assert rate - half < 0 < float(low)
    assert float(high) > rate + half


def _of(*columns: list[float]) -> np.ndarray:
    return np.column_stack([np.ones(len(columns[0])), *map(np.array, columns)])


def _standard_errors(fit: BinomialFit | Posterior) -> np.ndarray:
    return np.sqrt(np.diag(fit.covariance))


# Bliss 1935, beetles after five hours of carbon disulphide: log dose, number, killed.
BEETLES = (
    [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839],
    [59, 60, 62, 56, 63, 59, 62, 60],
    [6, 13, 18, 28, 52, 53, 61, 60],
)


@pytest.mark.parametrize(
    ("link", "coefficients", "deviance"),
    [
        (LOGIT, (-60.72, 34.27), 11.23),
        (PROBIT, (-34.94, 19.73), 10.12),
        (CLOGLOG, (-39.57, 22.04), 3.45),
    ],
)
def test_beetles(link, coefficients, deviance) -> None:
    """Bliss: Dobson, Introduction to Generalized Linear Models, table 7.3, from memory."""
    dose, n, y = BEETLES
    fit = fit_binomial(_of(dose), np.array(y, float), np.array(n, float), link=link)
    assert fit.coefficients == pytest.approx(coefficients, abs=5e-3)
    assert fit.deviance == pytest.approx(deviance, abs=5e-3)
    if link is LOGIT:
        assert _standard_errors(fit) == pytest.approx([5.18, 2.91], abs=5e-3)
        null = fit_binomial(np.ones((8, 1)), np.array(y, float), np.array(n, float))
        assert null.deviance == pytest.approx(284.202, abs=5e-4)


def test_beetles_ask_for_another_form() -> None:
    """The same table, as trials of one closure over stiffness: deviances 11.23, 10.12, 3.45."""
    dose, n, y = BEETLES
    counts = Counts(
        *(np.array(v, float) for v in ([0] * 8, dose, n, y, [1] * 8)),
    )
    counts = replace(counts, closures=np.zeros(8, np.int64))
    found = curve_form(counts, np.random.default_rng(1))
    assert found is not None
    assert (found.deviance, found.degrees) == (pytest.approx(11.23, abs=5e-3), 6)
    gains = [2 * each.gain for each in found.others]
    assert gains == pytest.approx([11.23 - 10.12, 11.23 - 3.45], abs=1e-2)
    assert found.better is not None
    assert found.better.name == "complementary log-log"
    # Chi-square(6) beyond 11.23 is 8.2 %: the bootstrap's 199 samples tell it within 4 errors.
    assert found.p_value == pytest.approx(0.082, abs=4 * math.sqrt(0.082 * 0.918 / 199))


ORING_TEMPERATURES = [
    *(53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70),
    *(70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 81),
]
# Damage as in Faraway, Extending the Linear Model with R; the data from memory.
ORING_DAMAGE = [5, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0]
# Failures of 6 as in Dalal, Fowlkes, Hoadley, JASA 84 (1989) 945; the data from memory.
ORING_FAILURES = [2, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0]


def test_orings_of_six() -> None:
    """Faraway, Extending the Linear Model with R, ch. 2: intercept, slope, deviances, AIC."""
    y, n = np.array(ORING_DAMAGE, float), np.full(23, 6.0)
    fit = fit_binomial(_of(ORING_TEMPERATURES), y, n)
    assert fit.coefficients == pytest.approx([11.66299, -0.21623], abs=6e-6)
    assert _standard_errors(fit) == pytest.approx([3.29626, 0.05318], abs=6e-6)
    assert (fit.deviance, fit.degrees) == (pytest.approx(16.912, abs=5e-4), 21)
    assert 2 * 2 - 2 * fit.log_likelihood == pytest.approx(33.675, abs=5e-4)
    null = fit_binomial(np.ones((23, 1)), y, n)
    assert (null.deviance, null.degrees) == (pytest.approx(38.898, abs=5e-4), 22)


def test_orings_failed_or_not() -> None:
    """Agresti, Categorical Data Analysis: any failure or none, from memory."""
    y = (np.array(ORING_FAILURES) > 0).astype(float)
    fit = fit_binomial(_of(ORING_TEMPERATURES), y, np.ones(23))
    assert fit.coefficients == pytest.approx([15.0429, -0.2322], abs=6e-5)
    assert _standard_errors(fit) == pytest.approx([7.3786, 0.1082], abs=6e-5)
    assert fit.deviance == pytest.approx(20.315, abs=5e-4)


def test_orings_of_dalal() -> None:
    """Dalal, Fowlkes, Hoadley, JASA 84 (1989) 945: 5.085, -0.1156, from memory."""
    fit = fit_binomial(_of(ORING_TEMPERATURES), np.array(ORING_FAILURES, float), np.full(23, 6.0))
    assert fit.coefficients == pytest.approx([5.085, -0.1156], abs=5e-4)


# Crowder, Appl. Statist. 27 (1978) 34, table 3: germinated of so many seeds; 10 + 11 plates.
SEEDS = [
    *((10, 39), (23, 62), (23, 81), (26, 51), (17, 39), (5, 6), (53, 74), (55, 72), (32, 51)),
    *((46, 79), (10, 13), (8, 16), (10, 30), (8, 28), (23, 45), (0, 4), (3, 12), (22, 41)),
    *((15, 30), (32, 51), (3, 7)),
]
SEED_TYPE = [0] * 11 + [1] * 10
ROOT_EXTRACT = [0] * 5 + [1] * 6 + [0] * 5 + [1] * 5


def test_seeds() -> None:
    """Breslow and Clayton, JASA 88 (1993) 9: the fixed-effects column, from memory."""
    y, n = np.array(SEEDS, float).T
    x1, x2 = np.array(SEED_TYPE), np.array(ROOT_EXTRACT)
    fit = fit_binomial(_of(x1, x2, x1 * x2), y, n)
    assert fit.coefficients == pytest.approx([-0.558, 0.146, 1.318, -0.778], abs=5e-4)
    assert _standard_errors(fit) == pytest.approx([0.126, 0.223, 0.178, 0.306], abs=6e-4)
    assert fit.deviance == pytest.approx(33.28, abs=5e-3)
    assert fit.degrees == 17


def test_seeds_are_overdispersed_by_plates() -> None:
    """The dispersion by groups is Pearson's of the saturated regression: 31.65 / 17."""
    y, n = np.array(SEEDS, float).T
    groups = 2 * np.array(SEED_TYPE) + np.array(ROOT_EXTRACT)
    found = spread_test(Units(groups, n, y), np.random.default_rng(1))
    assert found.dispersion == pytest.approx(31.65 / 17, abs=5e-4)
    assert found.p_value < 0.05


def _coefficients_told(units: Units) -> float:
    """Sum of the logarithms of the binomial coefficients."""
    from scipy.special import gammaln

    n, y = units.attempts, units.faults
    return float((gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)).sum())


def test_seeds_by_the_beta_binomial_law() -> None:
    """Crowder's plates: maximum of the beta-binomial likelihood as another program found it.

    R 4, package aod, function betabin: coefficients, intra-class correlation and log-likelihood
    beside those of the plain regression.
    """
    y, n = np.array(SEEDS, float).T
    groups = 2 * np.array(SEED_TYPE) + np.array(ROOT_EXTRACT)
    units = Units(groups, n, y)
    found = correlation_within(units)
    odds = np.log(found.rates / (1 - found.rates))
    effects = [odds[0], odds[2] - odds[0], odds[1] - odds[0], odds[3] - odds[2] - odds[1] + odds[0]]
    assert effects == pytest.approx([-0.54195, 0.09739, 1.32007, -0.79792], abs=6e-6)
    assert found.value == pytest.approx(0.012361, abs=6e-7)
    constant = _coefficients_told(units)
    assert found.log_likelihood + constant == pytest.approx(-53.76676, abs=6e-6)
    assert found.log_likelihood_alone + constant == pytest.approx(-54.93702, abs=6e-6)


# Geissler 1889, Saxony: families of twelve children by their number of boys.
SIBSHIPS = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7]


def test_sibships() -> None:
    """Beta-binomial and binomial AIC, alpha and beta: the encyclopedia's article, from memory.

    Its alpha 34.0956 and beta 31.5715 stop short of the maximum, which is flat there: 34.1028 and
    31.5782 by R. The binomial share and variances: an open textbook of statistics.
    """
    boys = np.repeat(np.arange(13.0), SIBSHIPS)
    units = Units(np.zeros(len(boys), np.int64), np.full(len(boys), 12.0), boys)
    found = correlation_within(units)
    [p] = found.rates
    spread = found.value / (1 - found.value)
    assert (p / spread, (1 - p) / spread) == pytest.approx((34.1028, 31.5782), rel=1e-5)
    assert (p / spread, (1 - p) / spread) == pytest.approx((34.0956, 31.5715), rel=1e-3)
    constant = _coefficients_told(units)
    assert found.log_likelihood + constant == pytest.approx(-12492.9, abs=0.05)
    assert 4 - 2 * (found.log_likelihood + constant) == pytest.approx(24989.74, abs=5e-3)
    assert 2 - 2 * (found.log_likelihood_alone + constant) == pytest.approx(25070.34, abs=5e-3)
    test = spread_test(units, np.random.default_rng(1), repeats=19)
    assert boys.mean() / 12 == pytest.approx(0.5192, abs=5e-5)
    assert test.dispersion == pytest.approx(3.490 / 2.996, abs=3e-4)
    # Far from chance: the interval excludes faults that come alone.
    assert found.low > 0.01


def test_beta_posterior() -> None:
    """Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 2.4: 437 of 980, from memory."""

    def density(points: np.ndarray) -> np.ndarray:
        eta = points[:, 0]
        return 438 * eta - 982 * np.logaddexp(0, eta)  # uniform in the rate

    found = explore(density, np.array([0.0]), np.array([[0.01]]))
    rate = 1 / (1 + np.exp(-found.points[:, 0]))
    mean = float(found.weights @ rate)
    assert mean == pytest.approx(0.446, abs=5e-4)
    assert math.sqrt(found.weights @ (rate - mean) ** 2) == pytest.approx(0.016, abs=5e-4)
    ends = found.quantiles(rate, np.array([0.025, 0.5, 0.975]))
    assert ends == pytest.approx([0.415, 0.446, 0.477], abs=5e-4)


# An independent library.


@pytest.mark.parametrize("number", range(20))
def test_regression_against_statsmodels(number: int) -> None:
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(number)
    closures = int(rng.integers(1, 5))
    rows = 6 * closures
    design = np.zeros((rows, closures + 1))
    design[np.arange(rows), np.arange(rows) % closures] = 1
    design[:, -1] = rng.normal(0, 0.6, rows)
    n = rng.integers(200, 3000, rows).astype(float)
    chance = 1 / (1 + np.exp(-(design @ np.append(rng.normal(-4, 0.7, closures), -1))))
    y = rng.binomial(n.astype(int), chance).astype(float)
    fit = fit_binomial(design, y, n)
    other = api.GLM(np.column_stack([y, n - y]), design, family=api.families.Binomial()).fit(
        tol=1e-14, maxiter=200
    )
    assert fit.coefficients == pytest.approx(other.params, rel=1e-6, abs=1e-6)
    assert _standard_errors(fit) == pytest.approx(other.bse, rel=1e-6)
    assert fit.deviance == pytest.approx(other.deviance, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-6)


@pytest.mark.parametrize("number", range(10))
def test_other_links_against_statsmodels(number: int) -> None:
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(number)
    design = _of(rng.normal(0, 0.8, 12), rng.normal(0, 0.8, 12))
    n = rng.integers(20, 400, 12).astype(float)
    chance = 1 / (1 + np.exp(-(design @ rng.normal([-1.0, 0, 0], 0.7))))
    y = rng.binomial(n.astype(int), chance).astype(float)
    for link, theirs in ((PROBIT, "Probit"), (CLOGLOG, "CLogLog")):
        fit = fit_binomial(design, y, n, link=link)
        family = api.families.Binomial(link=getattr(api.families.links, theirs)())
        other = api.GLM(np.column_stack([y, n - y]), design, family=family).fit(
            tol=1e-14, maxiter=200
        )
        assert fit.coefficients == pytest.approx(other.params, rel=1e-6, abs=1e-6)
        assert _standard_errors(fit) == pytest.approx(other.bse, rel=1e-6)
        assert fit.deviance == pytest.approx(other.deviance, rel=1e-6)
        assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-6)


@pytest.mark.parametrize("link", LINKS, ids=lambda link: link.name)
def test_a_runaway_is_told_with_every_link(link) -> None:
    with pytest.raises(NoMaximumError, match="no maximum"):
        fit_binomial(np.eye(2), np.array([0.0, 4.0]), np.array([800.0, 800.0]), link=link)


def test_correlation_against_scipy() -> None:
    """Maxima of scipy's beta-binomial law, and ends of its profile."""
    from scipy.optimize import minimize
    from scipy.special import chdtri
    from scipy.stats import betabinom

    for number in range(6):
        rng = np.random.default_rng(number)
        groups = np.arange(90) % 2
        n = rng.integers(20, 80, 90)
        mean, correlation = rng.uniform(0.05, 0.4, 2), rng.uniform(0.02, 0.3)
        size = (1 - correlation) / correlation
        p = rng.beta(mean[groups] * size, (1 - mean[groups]) * size)
        units = Units(groups, n.astype(float), rng.binomial(n, p).astype(float))

        def missing(at: np.ndarray, rho: float | None = None, units: Units = units) -> float:
            mean = (1 / (1 + np.exp(-at[:2])))[units.groups]
            rho = 1 / (1 + np.exp(-at[2])) if rho is None else rho
            size = (1 - rho) / rho
            law = betabinom(units.attempts.astype(int), mean * size, (1 - mean) * size)
            return -float(law.logpmf(units.faults.astype(int)).sum())

        tight = {"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000}
        other = minimize(missing, [-1.0, -1.0, -2.0], method="Nelder-Mead", options=tight)
        found = correlation_within(units)
        highest = found.log_likelihood + _coefficients_told(units)
        assert highest == pytest.approx(-other.fun, abs=1e-6)
        # Its search ends where the likelihood is flat to its own tolerance.
        assert found.value == pytest.approx(1 / (1 + math.exp(-other.x[2])), rel=1e-5)
        for end in (found.low, found.high):
            if number == 0:
                held = minimize(
                    missing, other.x[:2], args=(end,), method="Nelder-Mead", options=tight
                )
                assert 2 * (held.fun + highest) == pytest.approx(chdtri(1, 0.05), abs=1e-6)


def test_a_group_without_any_fault_has_no_maximum() -> None:
    """Plain maximum likelihood would give about -25 +- 15,000 and no warning."""
    design = np.array([[1.0, 0.0], [0.0, 1.0]])
    with pytest.raises(NoMaximumError, match="no maximum"):
        fit_binomial(design, np.array([0.0, 4.0]), np.array([800.0, 800.0]))
    prior = NormalPrior(np.array([-6.0, -6.0]), np.eye(2) * 2)
    fit = fit_binomial(design, np.array([0.0, 4.0]), np.array([800.0, 800.0]), prior)
    assert -9 < fit.coefficients[0] < -6
    assert _standard_errors(fit)[0] < 1.5


# What the data leave open.


def test_posterior_of_one_rate_by_quadrature() -> None:
    """No fault in 500 attempts: mean and limits by a fine sum over the log-odds."""
    prior = prior_of("missed", ("any",))
    counts = Counts(*(np.array([v]) for v in (0, 0.0, 500.0, 0.0, 1.0)))
    found = posterior_of(counts, prior)
    eta = np.linspace(-20, 2, 200_001)
    log = -500 * np.logaddexp(0, eta) - (eta - prior.mean[0]) ** 2 / (2 * prior.covariance[0, 0])
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    chance = 1 / (1 + np.exp(-eta))
    values = 1 / (1 + np.exp(-found.points[:, 0]))
    assert float(found.weights @ values) == pytest.approx(float(weight @ chance), rel=2e-3)
    exact = np.interp([0.025, 0.5, 0.975], np.cumsum(weight), chance)
    # Upper end well inside the exact limit of 0.74 %: the prior speaks too.
    assert found.quantiles(values, np.array([0.025, 0.5, 0.975])) == pytest.approx(exact, rel=0.02)
    assert found.effective > 0.4 * len(found.points)


def test_a_flat_prior_and_many_faults_give_the_regression() -> None:
    """Negative control of the prior: a wide one leaves maximum likelihood as it is."""
    counts = Counts(
        np.array([0, 0, 1]),
        np.array([-0.5, 0.5, 0.0]),
        np.array([4e4, 4e4, 4e4]),
        np.array([400.0, 160.0, 300.0]),
        np.ones(3),
    )
    plain = fit_binomial(counts.design(2), counts.faults, counts.attempts)
    wide = posterior_of(counts, NormalPrior(np.zeros(3), np.eye(3) * 1e4))
    near = posterior_of(counts, NormalPrior(np.zeros(3), np.eye(3) * 1e-2))
    assert wide.mean == pytest.approx(plain.coefficients, abs=0.02)
    assert _standard_errors(wide) == pytest.approx(_standard_errors(plain), rel=0.03)
    assert np.abs(near.mean - plain.coefficients).max() > 0.5


def test_an_untried_closure_has_its_prior_given_the_others() -> None:
    """Normal theory: with one closure nailed down the others shift by the common part."""
    prior = prior_of("missed", CLOSURES)
    counts = Counts(*(np.array([v]) for v in (0, 0.0, 4e7, 8e5, 1.0)))  # plain at 2 %
    found = posterior_of(counts, prior)
    part = 1.5**2 / (1.5**2 + 0.7**2)
    moved = math.log(0.02 / 0.98) - prior.mean[0]
    for number in range(1, len(CLOSURES)):
        assert found.mean[number] == pytest.approx(prior.mean[number] + part * moved, abs=0.03)
        expected = 1.5**2 + 0.7**2 - 1.5**4 / (1.5**2 + 0.7**2)
        assert found.covariance[number, number] == pytest.approx(expected, rel=0.05)


def test_gradient_with_bad_bundles() -> None:
    rng = np.random.default_rng(5)
    counts = pooled(
        rng.integers(0, 2, 80),
        rng.choice([-0.4, 0.0, 0.7], 80),
        np.full(80, 50.0),
        np.where(rng.random(80) < 0.1, rng.binomial(50, 0.3, 80), rng.binomial(50, 0.01, 80)) * 1.0,
        whole=False,
    )
    point = np.array([-5.0, -4.0, -0.8, -2.5, -1.0])
    found = gradient_of_two_kinds(counts, point)
    step = 1e-5
    expected = [
        (
            log_like_of_two_kinds(counts, (point + step * e)[None, :])
            - log_like_of_two_kinds(counts, (point - step * e)[None, :])
        )[0]
        / (2 * step)
        for e in np.eye(5)
    ]
    assert found == pytest.approx(expected, rel=1e-5, abs=1e-5)
    # Without any bad bundle the likelihood is that of one kind.
    none = np.array([[*point[:3], -400.0, 0.0]])
    assert log_like_of_two_kinds(counts, none) == pytest.approx(log_like(counts, none[:, :3]))


# Bad bundles.


def _bundles(seed: int, share: float, number: int = 200) -> Units:
    rng = np.random.default_rng(seed)
    groups = np.arange(number) % 2
    good = np.array([0.003, 0.008])[groups]
    chance = np.where(rng.random(number) < share, 0.25, good)
    n = np.full(number, 50)
    return Units(groups, n.astype(float), rng.binomial(n, chance).astype(float))


def test_two_kinds_of_bundles_are_found() -> None:
    found = two_kinds(_bundles(1, 0.06, 2000), np.random.default_rng(1), repeats=19)
    assert found.share == pytest.approx(0.06, abs=4 * math.sqrt(0.06 * 0.94 / 2000))
    assert found.missed == pytest.approx(0.25, abs=4 * math.sqrt(0.19 / (50 * 120)))
    assert found.good == pytest.approx([0.003, 0.008], abs=0.0017)
    assert found.p_value == 0.05


@pytest.mark.campaign
def test_without_bad_bundles_none_are_claimed() -> None:
    """Negative control: bundles of one kind give p-values spread over 0 to 1."""
    rng = np.random.default_rng(2)
    p_values = [two_kinds(_bundles(seed, 0.0), rng, repeats=39).p_value for seed in range(20)]
    assert sum(p <= 0.05 for p in p_values) <= 4  # P(more | 5 %) = 0.3 %
    assert max(p_values) > 0.5


def test_tarone_by_hand() -> None:
    """Two units of one group, 0 and 2 in 10: p = 0.1, z = (2 / 0.09 - 20) / sqrt(2 * 180)."""
    units = Units(np.array([0, 0]), np.array([10.0, 10.0]), np.array([0.0, 2.0]))
    assert float(tarone(units, units.faults)) == pytest.approx((2 / 0.09 - 20) / math.sqrt(360))


def test_the_spread_test_keeps_its_level_where_faults_are_rare() -> None:
    rng = np.random.default_rng(3)
    n = np.full(150, 50)
    found = [
        spread_test(
            Units(np.zeros(150, int), n * 1.0, rng.binomial(n, 0.002) * 1.0), rng, repeats=99
        )
        for _ in range(200)
    ]
    assert sum(test.p_value <= 0.05 for test in found) <= 21  # P(more | 5 %) = 0.05 %
    wide = spread_test(_bundles(1, 0.06), rng)
    assert wide.p_value == 0.001
    assert wide.dispersion > 3


def test_many_groups_take_memory_in_proportion() -> None:
    """3,000 groups of two units: a table of groups by units alone would take 144 MB."""
    groups = np.arange(6000, dtype=np.int64) % 3000
    rng = np.random.default_rng(1)
    faults = rng.binomial(50, 0.02, 6000).astype(float)
    units = Units(groups, np.full(6000, 50.0), faults)
    by_hand = [faults[groups == group].sum() for group in range(3000)]
    assert units.sums(np.vstack([faults, 2 * faults])).tolist() == [
        by_hand,
        [2 * each for each in by_hand],
    ]
    tracemalloc.start()
    try:
        units = replace(units)
        spread_test(units, rng, repeats=9)
        two_kinds(units, rng, repeats=0)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 30e6


def _correlated(rng: np.random.Generator, number: int, mean: float, correlation: float) -> Units:
    """Bundles of 50 whose chances differ by a beta law."""
    if correlation:
        size = (1 - correlation) / correlation
        chance = rng.beta(mean * size, (1 - mean) * size, number)
    else:
        chance = np.full(number, mean)
    n = np.full(number, 50)
    return Units(np.zeros(number, np.int64), n * 1.0, rng.binomial(n, chance) * 1.0)


def _correlation_held(experiments: int, correlation: float, confidence: float = 0.95) -> float:
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(experiments):
        found = correlation_within(_correlated(rng, 100, 0.05, correlation), confidence)
        held += found is not None and found.low <= correlation <= found.high
    return held / experiments


@pytest.mark.campaign
def test_coverage_of_the_correlation_in_short() -> None:
    """40 experiments: P(fewer than 33 | 0.95) is 0.2 %; intervals of 50 % would hold 20."""
    assert _correlation_held(40, 0.05) >= 33 / 40
    assert _correlation_held(40, 0.05, 0.5) < 33 / 40


@pytest.mark.campaign
@pytest.mark.parametrize("correlation", [0.02, 0.05, 0.2])
def test_coverage_of_the_correlation(correlation: float) -> None:
    assert 0.926 <= _correlation_held(1000, correlation) <= 0.971


def test_faults_that_come_alone_have_no_correlation() -> None:
    """The interval then begins at 0 about as often as stated, and the gain is no gain."""
    rng = np.random.default_rng(8)
    found = [correlation_within(_correlated(rng, 100, 0.05, 0.0)) for _ in range(40)]
    assert sum(each.low > 0 for each in found) <= 5  # P(more | 2.5 %) = 0.03 %
    assert np.mean([each.value for each in found]) < 0.01
    assert all(-1e-9 <= each.gain < 8 for each in found)


def test_what_tells_no_correlation() -> None:
    ones = np.zeros(3, np.int64)
    assert correlation_within(Units(ones, np.full(3, 50.0), np.zeros(3))) is None
    assert correlation_within(Units(ones, np.ones(3), np.array([0.0, 1.0, 0.0]))) is None
    assert correlation_within(Units(ones, np.full(3, 1e6), np.full(3, 5.0))) is None
    # All of a bundle or nothing.
    found = correlation_within(Units(ones, np.full(3, 5.0), np.array([0.0, 5.0, 5.0])))
    assert found.value > 0.99
    assert found.high == 1


@pytest.mark.campaign
def test_which_law_describes_the_misses_is_told() -> None:
    """Two kinds of bundles, a beta law and one chance are each told as what they are."""
    rng = np.random.default_rng(3)
    kinds = {
        "Bad bundles describe": _bundles(1, 0.06, 400),
        "A correlation describes": _correlated(rng, 400, 0.2, 0.1),
        "One chance for every bundle": _correlated(rng, 400, 0.01, 0.0),
    }
    for words, units in kinds.items():
        rows = [
            (f"press_zip,{40 + 20 * group}", number, int(n), int(y))
            for number, (group, n, y) in enumerate(
                zip(units.groups, units.attempts, units.faults, strict=True)
            )
        ]
        text = "\n".join(f"{c},{number},{n},{y}" for c, number, n, y in rows)
        head = "closure,stiffness_uNm,bundle,attempts,missed\n"
        result = fit_picks(parse_trials(head + text))
        assert laws_of_misses(result).startswith(words)


# The form of the curve.


def _curve_counts(
    rng: np.random.Generator, link: Link, slope: float, middle: float, attempts: int
) -> Counts:
    ratios = np.tile(np.log([0.5, 0.7, 1.0, 1.4, 2.0]), 2)
    closures = np.repeat([0, 1], 5)
    chance = link.chance(middle + 0.3 * closures + slope * ratios)
    n = np.full(10, attempts)
    return Counts(closures, ratios, n * 1.0, rng.binomial(n, chance) * 1.0, np.ones(10))


def test_a_true_curve_is_seldom_contradicted() -> None:
    rng = np.random.default_rng(1)
    found = [
        curve_form(_curve_counts(rng, LOGIT, -1, -5, 2000), rng, repeats=39) for _ in range(60)
    ]
    p_values = [each.p_value for each in found]
    assert sum(p <= 0.05 for p in p_values) <= 9  # P(more | 5 %) = 0.1 %
    assert max(p_values) > 0.5
    # At such chances the complementary log-log is as good as the same curve.
    assert max(abs(each.others[1].gain) for each in found) < 0.1
    assert not any(each.better for each in found)


def test_a_curve_of_another_form_is_found() -> None:
    """Negative control: chances from a complementary log-log of up to 0.99."""
    rng = np.random.default_rng(2)
    found = curve_form(_curve_counts(rng, CLOGLOG, 2, 0, 2000), rng)
    assert found.p_value == 1 / 200  # none of the 199 samples lies as far
    assert found.better.name == "complementary log-log"
    assert found.better.farthest > 0.05
    # A hump is no power of stiffness in any form.
    counts = _curve_counts(rng, LOGIT, 0, -4, 5000)
    humped = replace(counts, faults=np.round(counts.faults * np.tile([1, 2, 4, 2, 1], 2)))
    assert curve_form(humped, rng).p_value <= 0.01


def test_deviances_at_once_are_those_one_by_one() -> None:
    rng = np.random.default_rng(4)
    counts = _curve_counts(rng, LOGIT, -1, -5, 2000)
    design = counts.design(2)
    fit = fit_binomial(design, counts.faults, counts.attempts)
    drawn = rng.binomial(2000, LOGIT.chance(design @ fit.coefficients), (20, 10)).astype(float)
    found = _deviances(design, drawn, counts.attempts, fit.coefficients)
    alone = [fit_binomial(design, each, counts.attempts).deviance for each in drawn]
    assert found == pytest.approx(alone, rel=1e-8)


def test_where_trials_cannot_tell_the_form_nothing_is_said() -> None:
    ones = np.ones(2)
    rng = np.random.default_rng(1)
    # Two rates and two coefficients; no fault; one stiffness.
    for ratios, faults in (([0.0, 0.5], [3, 4]), ([0.0, 0.5], [0, 0]), ([0.0, 0.0], [3, 4])):
        counts = Counts(
            np.zeros(2, np.int64), np.array(ratios), 900 * ones, np.array(faults, float), ones
        )
        assert curve_form(counts, rng) is None


# Trials in, film model out.


def _csv(rows: Iterator[tuple[object, ...]] | list[tuple[object, ...]]) -> str:
    head = "closure,stiffness_uNm,lane,bundle,attempts,missed,double,unopened,skewed,jam"
    return "\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n"


def _simulated(closure: str, stiffness: float, seed: int, bundles: int) -> list[tuple[object, ...]]:
    """Pick trials taken from the model: a shift's pockets, told bundle by bundle."""
    shift = shift_of(
        f"""
[study]
shift_h = {bundles * 1.2 / 60 + 1}
[[machine]]
speed_per_min = 50
[machine.magazine]
lanes = 1
capacity_bags = {bundles * 50}
bundle_bags = 50
[machine.pick]
misses_to_stop = 0
[machine.bag]
closure = "{closure}"
stiffness_uNm = {stiffness}
bad_bundles = {{ share = 0.05, missed = 0.25 }}
""",
        seed=seed,
    )
    rows, counts, attempts, bags, number = [], dict.fromkeys(FAULTS, 0), 0, 0, 1
    for _, _, outcome, used, tries in shift.of("pockets"):
        attempts += tries
        if outcome in counts:
            counts[outcome] += 1
        bags += used
        if bags >= 50:
            rows.append((closure, stiffness, 1, f"{closure}{number}", attempts, *counts.values()))
            counts, attempts, bags, number = dict.fromkeys(FAULTS, 0), 0, bags - 50, number + 1
    return rows


@pytest.mark.campaign
def test_round_trip_through_the_simulation() -> None:
    """Trials counted in simulated shifts give back the chances that the shifts were made with."""
    rows = [
        row
        for seed, (closure, stiffness) in enumerate(
            [("press_zip", 25), ("press_zip", 70), ("slider", 40)], start=1
        )
        for row in _simulated(closure, stiffness, seed, 300)
    ]
    assert len(rows) > 850
    result = fit_picks(parse_trials(_csv(rows)), confidence=0.9999)
    assert result.bundles is not None
    assert result.bundles.is_taken
    assert result.bundles.share.low < 0.05 < result.bundles.share.high
    assert result.bundles.missed.low < 0.25 < result.bundles.missed.high
    assert result.bundles.share.high - result.bundles.share.low < 0.08
    for closure, stiffness in (("press_zip", 25), ("press_zip", 70), ("slider", 40)):
        truth = planning_chances(closure, stiffness)
        for fault, chance in zip(FAULTS, truth, strict=True):
            found = result.chance(fault, closure, stiffness)
            assert found.low < chance < found.high, (fault, closure)
    assert result.chance("missed", "press_zip", 25).high < 4 * planning_chances("press_zip", 25)[0]


def test_ignoring_bad_bundles_misleads() -> None:
    """Negative control: without them the chance of a miss in good bundles is far too high."""
    result = fit_picks(parse_trials(DATA.read_text()), bad_bundles=False)
    right = fit_picks(parse_trials(DATA.read_text()))
    assert result.parts["missed"].dispersion > 3
    wrong = result.chance("missed", "press_zip", 42).value
    assert wrong > 2 * right.chance("missed", "press_zip", 42).value
    assert any("differ by more than chance" in said for said in result.warnings())


def test_the_shipped_trials_hold_their_truth() -> None:
    """configs/data/make_pick_trials.py tells the true values; 99.9 % intervals hold them."""
    result = fit_picks(parse_trials(DATA.read_text()), confidence=0.999)
    assert result.bundles.share.low < 0.04 < result.bundles.share.high
    assert result.bundles.missed.low < 0.25 < result.bundles.missed.high
    for closure, times in (("press_zip", 1.2), ("slider", 0.8), ("plain", 1.0)):
        for fault, chance in zip(FAULTS, planning_chances(closure, 40), strict=True):
            found = result.chance(fault, closure, 40)
            assert found.low < times * chance < found.high, (closure, fault)


def test_the_example_data_are_made_by_their_script(tmp_path, monkeypatch) -> None:
    namespace: dict[str, object] = {"__file__": str(tmp_path / "make.py"), "__name__": "made"}
    exec((DATA.parent / "make_pick_trials.py").read_text(), namespace)
    namespace["main"]()  # type: ignore[operator]
    assert (tmp_path / "pick_trials.csv").read_bytes() == DATA.read_bytes()


def test_no_fault_in_500_is_a_range() -> None:
    result = fit_picks(parse_trials("attempts,missed\n500,0\n"))
    [cell] = result.cells
    assert (cell.counted.value, cell.counted.high) == (0, pytest.approx(0.00735, abs=5e-6))
    assert 0 < cell.fitted.low < cell.fitted.value < cell.fitted.high < 0.00735
    said = " ".join(result.warnings())
    assert "no missed in 500 attempts (exact upper limit 0.74 %)" in said
    assert "planning values" in said
    assert "No column closure" in said
    assert "No stiffness" in said
    assert "bad bundles cannot be told" in said
    drawn = [
        result.model.draw(np.random.default_rng(seed)).chances(None, None)[0] for seed in range(400)
    ]
    assert np.mean(drawn) == pytest.approx(result.model.chances(None, None)[0], rel=0.2)
    assert np.quantile(drawn, 0.95) > 5 * np.quantile(drawn, 0.05)


def test_more_trials_say_more() -> None:
    few = fit_picks(parse_trials("attempts,missed\n500,2\n")).cells[0].fitted
    many = fit_picks(parse_trials("attempts,missed\n50000,200\n")).cells[0].fitted
    assert many.high - many.low < (few.high - few.low) / 5
    assert many.value == pytest.approx(0.004, rel=0.02)


def test_the_film_file_gives_the_fit_again(undrawn, tmp_path) -> None:
    ran = CliRunner().invoke(
        command, [str(DATA), "--out", str(tmp_path / "fit")], standalone_mode=False
    )
    assert ran.exit_code == 0, ran
    assert ran.return_value == 0
    model = read_film_model(tmp_path / "fit" / "film.toml")
    result = fit_picks(parse_trials(DATA.read_text(), str(DATA)))
    assert model == result.model
    assert model.chances("slider", 50) == result.model.chances("slider", 50)
    for closure, stiffness in (("press_zip", 42), ("slider", 31)):
        for number, fault in enumerate(FAULTS):
            found = result.chance(fault, closure, stiffness)
            mean = model.chances(closure, stiffness)[number]
            # The file's normal law against the posterior itself.
            assert mean == pytest.approx(found.value, rel=0.1)
            assert model.interval(fault, closure, stiffness)[1] == pytest.approx(
                found.high, rel=0.25
            )
    assert {path.name for path in (tmp_path / "fit").iterdir()} == {
        *("film.toml", "chances.csv", "chances.png", "chances.svg"),
        *("answer.json", "manifest.json"),
    }
    text = (tmp_path / "fit" / "film.toml").read_text()
    assert tomllib.loads(text)["notes"]["attempts"] == result.trials.attempts
    config = (
        "[[machine]]\nspeed_per_min = 50\n[machine.magazine]\ncapacity_bags = 100\n[machine.bag]\n"
        'closure = "slider"\nstiffness_uNm = 50\nfilm = "fit/film.toml"\n'
    )
    (tmp_path / "cell.toml").write_text(config)
    loaded = load_config(tmp_path / "cell.toml").machine[0]
    assert loaded.chances == model.chances("slider", 50)
    assert loaded.bad_chances[0] == pytest.approx(model.bad_bundles.missed)


@pytest.mark.campaign
def test_json_has_the_answer(tmp_path) -> None:
    ran = CliRunner().invoke(
        command, [str(DATA), "--json", "--out", str(tmp_path / "fit")], standalone_mode=False
    )
    document = json.loads(ran.stdout)
    assert (document["schema"], document["command"]) == (1, "fit picks")
    own = document["fit_picks"]
    assert own["attempts"] == 7993
    assert own["bad_bundles"]["taken"] is True
    missed = own["faults"][0]
    assert 0 < missed["correlation"]["low"] < missed["correlation"]["value"] < 1
    assert [other["form"] for other in missed["curve"]["others"]] == [
        "probit",
        "complementary log-log",
    ]
    for cell in own["cells"]:
        assert 0 <= cell["rate"]["low"] <= cell["rate"]["value"] <= cell["rate"]["high"] <= 1
        assert 0 < cell["chance"]["low"] < cell["chance"]["value"] < cell["chance"]["high"] < 1


def test_bad_bundles_cannot_be_asked_for_without_bundles() -> None:
    with pytest.raises(PicksError, match="columns bundle and missed"):
        fit_picks(parse_trials("attempts,missed\n50,1\n"), bad_bundles=True)


# Reading.

GOOD = """closure,stiffness_uNm,lane,bundle,attempts,missed,jam
press_zip,42,1,1,51,1,0
press_zip,42.5,2,2,50,0,0
slider,75,1,3,60,10,1
"""


def _rows(trials: Trials) -> list[tuple[object, ...]]:
    return [
        (line.closure, line.stiffness_uNm, line.lane, line.bundle, line.attempts, dict(line.counts))
        for line in trials.lines
    ]


def test_reading_any_subset_of_columns() -> None:
    for column in ("closure", "stiffness_uNm", "lane", "bundle", "jam", "missed"):
        rows = [line.split(",") for line in GOOD.split()]
        at = rows[0].index(column)
        text = "\n".join(",".join(row[:at] + row[at + 1 :]) for row in rows)
        assert parse_trials(text).attempts == 161, column


def test_films_by_layers_and_by_name() -> None:
    text = "film,attempts,missed\nPET12/LLDPE80,50,0\nmono,50,1\n"
    lines = parse_trials(text, layout=TrialLayout(films={"mono": 31.0})).lines
    # PET 12 um on LLDPE 80 um at 0.25 GPa by hand: 42.197 uN.m.
    assert [line.stiffness_uNm for line in lines] == [pytest.approx(42.197, abs=5e-4), 31.0]


@pytest.mark.parametrize(
    ("edit", "line", "words"),
    [
        (("42,1,1,51", "42,1,1,5l"), 2, "attempts: must be a whole number"),
        (("slider", "slidr"), 4, "did you mean slider?"),
        (("42.5", "42,5"), 3, "has 8 fields"),
        (("42.5", '"42,5"'), 3, "--decimal ,"),
        (("42.5", "-42.5"), 3, "above 0"),
        (("60,10,1", "10,10,1"), 4, "fewer than the faults of the line, 11"),
        (("60,10,1", "60,10"), 4, "has 6 fields, the first line has 7"),
        (("60,10,1", "60,10,1.0"), 4, "jam: must be a whole number"),
        (("60,10,1", "60,,1"), 4, "missed: must be a whole number from 0"),
        (("60,10,1", "0,0,0"), 4, "attempts: must be a whole number from 1"),
        (("missed", "mised"), 1, "did you mean `missed`?"),
        (("jam", "missed"), 1, "stands 2 times"),
        (("attempts", "picked"), 1, "attempts: is missing"),
        (("press_zip,42.5,2,2", "press_zip,42,1,1"), 3, '"1" stands on line 2 too'),
        (("slider", '"slider'), 4, "is not CSV"),
        (("slider,75,1,3", "slider,75,1,"), 4, "bundle: is empty"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(edit, line, words) -> None:
    with pytest.raises(ConfigError) as told:
        parse_trials(GOOD.replace(*edit), "t.csv")
    [problem] = told.value.problems
    assert str(problem).startswith(f"t.csv:{line}: ")
    assert words in str(problem)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("closure,attempts\nplain,5\n", "names no fault"),
        ("attempts,missed\n", "holds no trial"),
    ],
)
def test_files_without_trials(text, words) -> None:
    with pytest.raises(ConfigError, match=words):
        parse_trials(text)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["absent.csv"], "absent.csv: no such file"),
        ([str(DATA), "--closure", "plain"], "closure: is a column"),
        ([str(DATA), "--closure", "velvet"], "--closure: must be one of plain"),
        ([str(DATA), "--stiffness", "0"], "--stiffness: must be a number above 0"),
        ([str(DATA), "--film", "mono"], "--film: must be NAME=UNM"),
        ([str(DATA), "--confidence", "95"], "--confidence: must be a number above 0"),
    ],
)
def test_bad_input_is_one_clear_line(words, told, tmp_path) -> None:
    ran = CliRunner().invoke(command, [*words, "--out", str(tmp_path)], standalone_mode=False)
    message = str(getattr(ran.exception, "message", ran.exception))
    assert told in message
    assert "\n" not in message
    assert not list(tmp_path.iterdir())


def _mutate(luck: random.Random) -> tuple[str, int | None]:
    """A text made from good trials, and the line that must be named; None: the same rows."""
    lines = GOOD.splitlines()
    at = luck.randrange(1, len(lines))
    fields = lines[at].split(",")
    cell = luck.randrange(len(fields))
    kind = luck.randrange(14)
    if kind == 0:  # another delimiter
        return "\n".join(lines).replace(",", luck.choice(";\t")) + "\n", None
    if kind == 1:  # other line ends, a byte order mark
        return "\ufeff"[: luck.randrange(2)] + luck.choice(["\r\n", "\r"]).join(lines), None
    if kind == 2:  # blank lines and comments
        lines.insert(
            luck.randrange(len(lines) + 1), luck.choice(["", "   ", "# a, remark", " #,,"])
        )
        return "\n".join(lines), None
    if kind == 3:  # spaces and quotes around a field
        fields[cell] = luck.choice([f" {fields[cell]} ", f'"{fields[cell]}"', f' "{fields[cell]}"'])
        lines[at] = ",".join(fields)
        return "\n".join(lines), None
    if kind == 4:  # columns in another order
        rows = [line.split(",") for line in lines]
        order = list(range(len(fields)))
        luck.shuffle(order)
        return "\n".join(",".join(row[i] for i in order) for row in rows), None
    if kind == 5:  # other letters
        lines[0] = luck.choice([lines[0].upper(), lines[0].title()])
        fields[0] = luck.choice([fields[0].upper(), fields[0].replace("_", " "), fields[0].title()])
        lines[at] = ",".join(fields)
        return "\n".join(lines), None
    if kind == 6:  # a column that is not ours
        names = luck.choice(["comment", "date", "shift"])
        return "\n".join([f"{lines[0]},{names}", *(f"{line},x" for line in lines[1:])]), None
    if kind == 7:  # a field lost
        del fields[cell]
    elif kind == 8:  # a field too many
        fields.insert(cell, luck.choice(["", "7", "x"]))
    elif kind == 9:  # a line twice
        lines.insert(at, lines[at])
        return "\n".join(lines), at + 2
    elif kind == 10:  # a count that is none
        cell = luck.randrange(4, 7)
        bad = [
            "",
            "-1",
            "1.5",
            "1e2",
            "0x1",
            "1 0",
            "1'000",
            "nan",
            "inf",
            "many",
            "٣",
            "1_0",
            "--",
        ]
        fields[cell] = luck.choice([*bad, str(10 ** luck.randrange(10, 40))])
    elif kind == 11:  # a stiffness that is none
        fields[1] = luck.choice(
            ["", "0", "-4", "nan", "inf", "1e400", "4 2", "stiff", "1e9", "4.2.1"]
        )
    elif kind == 12:  # more faults than attempts
        fields[5] = str(int(fields[4]) + luck.randrange(1, 1000))
    else:  # a closure that is none
        fields[0] = luck.choice(
            ["", "zip", "pouch", "plain ziplock", "=1+1", "slider;", "\x1b[31m"]
        )
    lines[at] = ",".join(fields)
    return "\n".join(lines), at + 1


def _check_mutations(number: int, seed: int) -> None:
    wanted = _rows(parse_trials(GOOD))
    luck = random.Random(seed)
    for _ in range(number):
        text, line = _mutate(luck)
        if line is None:
            # A mark at the file's start goes with the bytes: see `datafile.decoded`.
            assert _rows(parse_trials(text.removeprefix("\ufeff"))) == wanted, text
            continue
        with pytest.raises(ConfigError) as told:
            parse_trials(text, "t.csv")
        assert any(p.line == line for p in told.value.problems), (text, str(told.value))


def _check_noise(number: int, seed: int) -> None:
    """Letters changed anywhere: rows or a clear message, never another error."""
    luck = random.Random(seed)
    alphabet = ",;\t\"'\n\r\0 .-0159aeZ_#=\u00e9\ufeff\u2028"
    for _ in range(number):
        letters = list(GOOD)
        for _ in range(luck.randrange(1, 6)):
            at = luck.randrange(len(letters))
            letters[at : at + luck.randrange(2)] = luck.choice(alphabet)
        try:
            trials = parse_trials("".join(letters))
        except ConfigError as error:
            assert all(str(problem).count("\n") == 0 for problem in error.problems)
        else:
            assert all(0 < line.attempts >= sum(line.counts.values()) for line in trials.lines)


def test_mutated_trials() -> None:
    _check_mutations(500, 1)
    _check_noise(200, 2)


@pytest.mark.campaign
def test_many_mutated_trials() -> None:
    _check_mutations(50_000, 3)
    _check_noise(20_000, 4)


# Campaigns: how often intervals hold the truth, and ranks of truths under the prior.

TRIED = (("press_zip", 25), ("press_zip", 42), ("press_zip", 75), ("slider", 42), ("plain", 42))


def _experiment(
    rng: np.random.Generator, chance_of, attempts: int, fault: str = "missed"
) -> Counts:
    closures = np.array([CLOSURES.index(closure) for closure, _ in TRIED])
    ratios = np.log(np.array([stiffness for _, stiffness in TRIED]) / 40)
    n = np.full(len(TRIED), attempts)
    chances = np.array([chance_of(c, r) for c, r in zip(closures, ratios, strict=True)])
    return pooled(closures, ratios, n * 1.0, rng.binomial(n, chances) * 1.0, whole=True)


def _coverage(experiments: int, attempts: int, seed: int, fault: str = "missed") -> float:
    """How often 95 % intervals of the chance of a press zip at 42 hold the planning value."""
    rng = np.random.default_rng(seed)
    number = FAULTS.index(fault)

    def truth(closure: int, log_ratio: float) -> float:
        # Off the prior's middle: half as many again, and a steeper slope.
        return 1.5 * planning_chances(CLOSURES[closure], 40 * math.exp(1.2 * log_ratio))[number]

    prior = prior_of(fault, CLOSURES)
    at, ratio = CLOSURES.index("press_zip"), math.log(42 / 40)
    held = 0
    for _ in range(experiments):
        found = posterior_of(_experiment(rng, truth, attempts), prior)
        eta = found.points[:, at] + ratio * found.points[:, -1]
        low, high = found.quantiles(1 / (1 + np.exp(-eta)), np.array([0.025, 0.975]))
        held += low <= truth(at, ratio) <= high
    return held / experiments


def _ranks(experiments: int, attempts: int, seed: int, *, normal: bool = False) -> np.ndarray:
    """Where the truth, drawn from the prior, lies in the posterior: a press zip at 42 uN.m.

    Normal: in the normal law with the posterior's mean and covariance, which the film file keeps.
    """
    rng = np.random.default_rng(seed)
    prior = prior_of("missed", CLOSURES)
    at, ratio = CLOSURES.index("press_zip"), math.log(42 / 40)
    root = np.linalg.cholesky(prior.covariance)
    ranks = []
    for _ in range(experiments):
        theta = prior.mean + root @ rng.standard_normal(len(prior.mean))

        def truth(closure: int, log_ratio: float, theta: np.ndarray = theta) -> float:
            return float(1 / (1 + np.exp(-(theta[closure] + log_ratio * theta[-1]))))

        found = posterior_of(_experiment(rng, truth, attempts), prior)
        eta = found.points[:, at] + ratio * found.points[:, -1]
        true = theta[at] + ratio * theta[-1]
        if not normal:
            ranks.append(found.weights[eta < true].sum())
            continue
        column = np.zeros(len(theta))
        column[[at, -1]] = 1, ratio
        sd = math.sqrt(column @ found.covariance @ column)
        ranks.append(NormalDist(column @ found.mean, sd).cdf(true))
    return np.array(ranks)


@pytest.mark.campaign
@pytest.mark.parametrize("attempts", [100, 1000, 5000])
def test_coverage_of_the_normal_law_that_the_file_keeps(attempts: int) -> None:
    """95 % intervals from mean and covariance alone, over truths drawn from the prior."""
    ranks = _ranks(1000, attempts, attempts, normal=True)
    assert 0.926 <= np.mean((ranks > 0.025) & (ranks < 0.975)) <= 0.971


def test_ranks_of_truths_are_uniform() -> None:
    """Simulation-based calibration, Talts et al. 2018 (arXiv 1804.06788): few, in the suite."""
    from scipy.stats import kstest

    ranks = _ranks(100, 400, 1)
    assert kstest(ranks, "uniform").pvalue > 1e-3
    # Negative control: ranks in posteriors that are twice too narrow would not be.
    from scipy.special import ndtr, ndtri

    narrow = ndtr(2 * ndtri(np.clip(ranks, 1e-9, 1 - 1e-9)))
    assert kstest(narrow, "uniform").pvalue < 1e-3


@pytest.mark.campaign
@pytest.mark.parametrize("attempts", [100, 1000, 20_000])
def test_many_ranks_of_truths_are_uniform(attempts: int) -> None:
    from scipy.stats import chisquare, kstest

    ranks = _ranks(1000, attempts, attempts)
    assert kstest(ranks, "uniform").pvalue > 1e-3
    assert chisquare(np.histogram(ranks, 20, (0, 1))[0]).pvalue > 1e-3


@pytest.mark.campaign
@pytest.mark.parametrize(("fault", "attempts"), [("missed", 500), ("missed", 5000), ("jam", 5000)])
def test_coverage_of_the_intervals(fault: str, attempts: int) -> None:
    """0.95 within 0.926 to 0.971: about 3.3 standard errors of 1,000 experiments."""
    found = _coverage(1000, attempts, attempts, fault)
    assert 0.926 <= found <= 0.971


def test_coverage_of_the_intervals_in_short() -> None:
    """60 experiments: P(fewer than 52 | 0.95) is 0.5 %."""
    assert _coverage(60, 3000, 9) >= 52 / 60


@pytest.mark.campaign
def test_coverage_with_bad_bundles() -> None:
    """Whole fits on 1,000 sets of simulated trials: share, miss rate in bad and in good bundles.

    0.95 within 0.926 to 0.971, as above. About ten minutes.
    """
    rng = np.random.default_rng(11)
    held = np.zeros(3)
    fitted = 0
    for _ in range(1000):
        lines = []
        for number, (closure, stiffness) in enumerate(TRIED):
            good = planning_chances(closure, stiffness)[0]
            for bundle in range(40):
                chance = 0.25 if rng.random() < 0.06 else good
                missed = int(rng.binomial(50, chance))
                lines.append(
                    TrialLine(
                        0, closure, stiffness, "1", f"{number}/{bundle}", 50, {"missed": missed}
                    )
                )
        trials = Trials("t", tuple(lines), ("missed",), has_bundles=True)
        result = fit_picks(trials)
        if result.bundles is None or not result.bundles.is_taken:
            continue
        fitted += 1
        chance = result.chance("missed", "press_zip", 42)
        truths = (0.06, 0.25, planning_chances("press_zip", 42)[0])
        rates = (result.bundles.share, result.bundles.missed, chance)
        held += [r.low <= t <= r.high for r, t in zip(rates, truths, strict=True)]
    assert fitted >= 990
    assert ((held / fitted >= 0.926) & (held / fitted <= 0.971)).all(), held / fitted


def test_log_prior_is_normal() -> None:
    from scipy.stats import multivariate_normal

    prior = prior_of("jam", CLOSURES)
    points = prior.mean + np.random.default_rng(1).normal(size=(5, 7))
    expected = multivariate_normal(prior.mean, prior.covariance).logpdf(points)
    found = log_prior(prior, points)
    assert found - found[0] == pytest.approx(expected - expected[0])
