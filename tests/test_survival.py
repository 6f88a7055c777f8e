"""Censored times: fits, intervals, tests of fit, trend and clusters against outside numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from campaigns import one_in
from scipy import integrate, optimize, stats
from scipy.special import chdtri

from feedsim.fit.families import (
    EXPONENTIAL,
    FAMILIES,
    LOGNORMAL,
    WEIBULL,
    FamilyFit,
    FitError,
    Likelihood,
    fit_family,
    log_mean_over_location,
    log_scale_of,
)
from feedsim.fit.families import _maximum as maximum
from feedsim.fit.goodness import CutAsSeen, as_recorded, distance, judge
from feedsim.fit.log_rank import log_rank
from feedsim.fit.profile import deviance, deviance_limit, exact_mean_interval, interval
from feedsim.fit.renewals import Renewals
from feedsim.fit.rounded import RoundedLikelihood
from feedsim.fit.survival import CensoredTimes, equally_likely, kaplan_meier
from feedsim.fit.trend import clustering, laplace, trend
from feedsim.fit.two_kinds import fit_two_kinds

# NIST/SEMATECH e-Handbook 8.4.1.3.
NIST = CensoredTimes.of([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
# Gehan 1965, weeks of remission, as in Cox and Oakes 1984, table 1.1.
MP6 = CensoredTimes.of(
    [6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
)
CONTROL = CensoredTimes.of([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23])
# Lieblein and Zelen 1956, millions of revolutions, the value 48.40 as in one of two printings.
BEARINGS = CensoredTimes.of(
    [
        *(17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.40, 51.84, 51.96, 54.12, 55.56, 67.80),
        *(68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40),
    ]
)
# Proschan 1963, hours between failures of an air conditioner.
AIRCONDIT = CensoredTimes.of([3, 5, 7, 18, 43, 85, 91, 98, 100, 130, 230, 487])
# And of a second aircraft, from memory; the printed sum of its 24 times is 1539.
AIRCONDIT_7 = CensoredTimes.of(
    [
        *(3, 5, 5, 13, 14, 15, 22, 22, 23, 30, 36, 39, 44, 46, 50, 72, 79, 88, 97, 102, 139, 188),
        *(197, 210),
    ]
)


def shape_and_scale(fit: FamilyFit) -> tuple[float, float]:
    return math.exp(-fit.log_scale), math.exp(fit.location)


# Published fits.


def test_nist_weibull_with_half_of_the_units_still_running():
    fit = fit_family(WEIBULL, NIST)
    shape, scale = shape_and_scale(fit)
    # NIST/SEMATECH e-Handbook 8.4.1.3; the printed scale 606.5280 is 1e-6 off the maximum.
    assert round(shape, 4) == 1.7208
    assert scale == pytest.approx(606.5280, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-75.13462, abs=5e-6)
    assert fit_family(EXPONENTIAL, NIST).mean_s == pytest.approx(7771 / 10)


def test_leemis_remission_times():
    # L. Leemis, Reliability, 1995, from memory: .02507, 39.89, 1.35, .030, -42.17, -41.66.
    exponential, weibull = fit_family(EXPONENTIAL, MP6), fit_family(WEIBULL, MP6)
    assert round(1 / exponential.mean_s, 5) == 0.02507
    assert round(exponential.mean_s, 2) == 39.89
    shape, scale = shape_and_scale(weibull)
    assert (round(shape, 2), round(1 / scale, 3)) == (1.35, 0.030)
    assert round(exponential.log_likelihood, 2) == -42.17
    assert round(weibull.log_likelihood, 2) == -41.66
    assert round(1 / fit_family(EXPONENTIAL, CONTROL).mean_s, 5) == 0.11538


def test_kaplan_meier_of_the_same():
    # Cox and Oakes 1984; Kleinbaum and Klein, from memory: survival and Greenwood's error.
    curve = kaplan_meier(MP6)
    assert curve.times_s.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve.survival.round(4).tolist() == [
        0.8571,
        0.8067,
        0.7529,
        0.6902,
        0.6275,
        0.5378,
        0.4482,
    ]
    assert curve.error.round(4).tolist() == [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert curve.last_s == 35


def test_ball_bearings():
    # Lawless; Meeker and Escobar, from memory: 2.10, 81.9; 4.15, .52; -113.692, -113.129.
    weibull, lognormal = fit_family(WEIBULL, BEARINGS), fit_family(LOGNORMAL, BEARINGS)
    shape, scale = shape_and_scale(weibull)
    assert (round(shape, 2), round(scale, 1)) == (2.10, 81.9)
    assert (round(lognormal.location, 2), round(math.exp(lognormal.log_scale), 2)) == (4.15, 0.52)
    assert round(weibull.log_likelihood, 3) == -113.692
    assert round(lognormal.log_likelihood, 3) == -113.129


def test_air_conditioner():
    # Davison and Hinkley 1997, from memory: mean 108.083; Weibull .79394, 94.9649; the exact
    # interval of the mean of times that end with a failure.
    assert round(fit_family(EXPONENTIAL, AIRCONDIT).mean_s, 3) == 108.083
    shape, scale = shape_and_scale(fit_family(WEIBULL, AIRCONDIT))
    assert round(shape, 5) == 0.79394
    assert round(scale, 4) == 94.9649
    low, high = exact_mean_interval(1297, 12, 0.95, ended_by_time=False)
    assert (round(low, 2), round(high, 2)) == (65.90, 209.17)


def test_air_conditioners_of_two_aircraft():
    """Alone and pooled: 1539 / 24 = 64.125; (1297 + 1539) / 36 of both, which are alike."""
    assert fit_family(EXPONENTIAL, AIRCONDIT_7).mean_s == pytest.approx(64.125)
    assert AIRCONDIT_7.total_s == 1539
    both = CensoredTimes.of([*AIRCONDIT.times_s, *AIRCONDIT_7.times_s])
    assert fit_family(EXPONENTIAL, both).mean_s == pytest.approx((1297 + 1539) / 36)
    assert log_rank([AIRCONDIT, AIRCONDIT_7]).p_value > 0.05


# Groups compared.


def test_log_rank_of_the_remission_times():
    """Cox and Oakes 1984; Kleinbaum and Klein, from memory: 16.79."""
    found = log_rank([MP6, CONTROL])
    assert round(found.statistic, 2) == 16.79
    assert found.degrees == 1
    assert found.seen.tolist() == [9, 21]
    # Kleinbaum and Klein: 19.25 and 10.75 expected.
    assert found.expected.round(2).tolist() == [19.25, 10.75]


def groups_of(rng, factors) -> list[CensoredTimes]:
    """Groups of whole times, so that some are the same, cut off at random."""
    groups = []
    for factor in factors:
        n = int(rng.integers(8, 40))
        times = np.ceil(factor * rng.exponential(10, n))
        cuts = np.ceil(rng.exponential(20, n))
        groups.append(CensoredTimes(np.minimum(times, cuts), times <= cuts))
    return groups


@pytest.mark.parametrize("number", range(10))
def test_log_rank_against_statsmodels(number):
    survfunc = pytest.importorskip("statsmodels.duration.survfunc")
    rng = np.random.default_rng(number)
    groups = groups_of(rng, np.ones(int(rng.integers(2, 5))))
    statistic, p_value = survfunc.survdiff(
        np.concatenate([group.times_s for group in groups]),
        np.concatenate([group.seen for group in groups]).astype(int),
        np.repeat(np.arange(len(groups)), [len(group) for group in groups]),
    )
    found = log_rank(groups)
    assert found.statistic == pytest.approx(statistic, rel=1e-6)
    assert found.p_value == pytest.approx(p_value, rel=1e-6)


def test_log_rank_keeps_its_level_and_finds_a_difference():
    rng = np.random.default_rng(3)
    alike = [log_rank(groups_of(rng, (1, 1, 1))).p_value for _ in range(200)]
    assert sum(p <= 0.05 for p in alike) <= 21  # P(more | 5 %) = 0.05 %
    differ = [log_rank(groups_of(rng, (1, 1, 3))).p_value for _ in range(60)]
    assert np.median(differ) < 0.01


def test_log_rank_of_nothing_to_compare():
    found = log_rank([CensoredTimes.of([], [5.0]), CensoredTimes.of([5.0])])
    # At 5 the first is still under observation: each has half of the event.
    assert found.expected.tolist() == [0.5, 0.5]
    assert log_rank([CensoredTimes.of([5.0]), CensoredTimes.of([], [3.0])]).p_value == 1


@pytest.mark.parametrize(
    ("events", "confidence", "low", "high"),
    [
        # NIST/SEMATECH e-Handbook 8.4.5.1, from memory; the fourth decimal may differ by one.
        (1, 0.60, 0.3340, 4.4814),
        (1, 0.95, 0.1795, 39.4979),
        (2, 0.80, 0.3758, 3.7607),
        (3, 0.90, 0.3869, 3.6689),
        (10, 0.95, 0.5438, 2.0853),
    ],
)
def test_exact_limits_of_a_mean_time(events, confidence, low, high):
    # The factors are of total time over events.
    found = exact_mean_interval(events, events, confidence)
    assert found == pytest.approx((low, high), abs=1.1e-4)


def test_without_an_event_there_is_a_lower_limit_alone():
    low, high = exact_mean_interval(100.0, 0, 0.90)
    # T / -ln(alpha), alpha one-sided: NIST/SEMATECH e-Handbook 8.4.5.1.
    assert low == pytest.approx(100 / -math.log(0.05))
    assert high == math.inf


# Independent libraries.


def random_data(number: int) -> CensoredTimes:
    rng = np.random.default_rng(number)
    n = int(rng.integers(10, 80))
    times = (
        100 * rng.weibull(rng.uniform(0.5, 3), n)
        if number % 2
        else rng.lognormal(4, rng.uniform(0.3, 1.6), n)
    )
    cuts = rng.choice([100, 300, np.inf]) * rng.exponential(1.0, n)
    return CensoredTimes(np.minimum(times, cuts), times <= cuts)


def tight(func, start, args=(), disp=0):
    found = optimize.minimize(
        func,
        start,
        args=args,
        method="Nelder-Mead",
        options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 10_000, "maxfev": 20_000},
    )
    return found.x


@pytest.mark.parametrize(
    "number",
    one_in(10, range(50)),
)
def test_censored_fits_against_scipy(number):
    data = random_data(number)
    censored = stats.CensoredData.right_censored(data.times_s, ~data.seen)
    shape, _, scale = stats.weibull_min.fit(censored, floc=0, optimizer=tight)
    assert shape_and_scale(fit_family(WEIBULL, data)) == pytest.approx((shape, scale), rel=1e-6)
    sigma, _, median = stats.lognorm.fit(censored, floc=0, optimizer=tight)
    fit = fit_family(LOGNORMAL, data)
    assert (math.exp(fit.log_scale), math.exp(fit.location)) == pytest.approx(
        (sigma, median), rel=1e-6
    )


@pytest.mark.parametrize(
    "numbers", [range(10), pytest.param(range(10, 50), marks=pytest.mark.campaign)]
)
def test_censored_fits_against_surpyval(numbers):
    surpyval = pytest.importorskip("surpyval", reason="a second library of reliability")
    for number in numbers:
        data = random_data(number)
        flags = (~data.seen).astype(int)
        for family, theirs in ((WEIBULL, surpyval.Weibull), (LOGNORMAL, surpyval.LogNormal)):
            first, second = theirs.fit(data.times_s, flags).params
            place = (
                (math.log(first), -math.log(second))
                if family == WEIBULL
                else (first, math.log(second))
            )
            # Its search ends where the likelihood is flat to its own tolerance.
            own = fit_family(family, data)
            assert Likelihood(family, data).value(*place) == pytest.approx(
                own.log_likelihood, abs=1e-6
            )
            assert Likelihood(family, data).value(*place) <= own.log_likelihood + 1e-9


# Derivatives, covariance, intervals.


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
def test_slope_and_bend_are_derivatives(family):
    likelihood, at, h = Likelihood(family, NIST), np.array([6.1, -0.3]), 1e-5
    for k in range(2):
        step = h * np.eye(2)[k]
        slope = (likelihood.value(*at + step) - likelihood.value(*at - step)) / (2 * h)
        assert slope == pytest.approx(likelihood.slope(*at)[k], abs=1e-6)
        bend = (likelihood.slope(*at + step) - likelihood.slope(*at - step)) / (2 * h)
        np.testing.assert_allclose(bend, likelihood.bend(*at)[k], atol=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
def test_covariance_is_of_the_logarithms_of_what_a_config_takes(family):
    fit = fit_family(family, NIST)
    size = 1 if family == EXPONENTIAL else 2

    def value(log_parameters):
        log_mean, *forms = log_parameters
        log_scale = log_scale_of(family, math.exp(forms[0])) if forms else 0.0
        place = log_mean - log_mean_over_location(family, log_scale)
        return Likelihood(family, NIST).value(place, log_scale)

    best = np.array([fit.log_mean, *([] if fit.form is None else [math.log(fit.form)])])
    h, unit = 1e-4, np.eye(size)
    bend = np.array(
        [
            [
                sum(
                    s * t * value(best + h * (s * unit[i] + t * unit[j]))
                    for s in (1, -1)
                    for t in (1, -1)
                )
                / (4 * h * h)
                for j in range(size)
            ]
            for i in range(size)
        ]
    )
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(-bend), rtol=1e-4)


def test_intervals_end_where_the_profile_reaches_its_limit():
    for family in FAMILIES:
        fit = fit_family(family, NIST)
        for parameter in ("mean",) if family == EXPONENTIAL else ("mean", "form"):
            low, high = interval(fit, parameter)
            middle = fit.mean_s if parameter == "mean" else fit.form
            assert low < middle < high
            for end in (low, high):
                assert deviance(fit, parameter, end) == pytest.approx(
                    deviance_limit(fit, 0.95), abs=1e-6
                )
            assert deviance(fit, parameter, middle) == pytest.approx(0, abs=1e-9)


def test_profile_against_a_search_by_another_program():
    """The profile of a Weibull's mean, from scipy's own densities."""
    fit = fit_family(WEIBULL, NIST)

    def missing(shape, mean):
        scale = mean / math.gamma(1 + 1 / shape)
        law = stats.weibull_min(shape, scale=scale)
        seen, cut = NIST.seen_s, NIST.times_s[~NIST.seen]
        return -(law.logpdf(seen).sum() + law.logsf(cut).sum())

    for mean in (400.0, 540.0, 1000.0):
        found = optimize.minimize_scalar(
            lambda shape, mean=mean: missing(shape, mean), bounds=(0.2, 6), method="bounded"
        )
        assert deviance(fit, "mean", mean) == pytest.approx(
            2 * (found.fun + fit.log_likelihood), abs=1e-6
        )


def test_an_exponential_interval_by_its_own_equation():
    # 2 r (x - 1 - ln x) = chi-square, x the estimate over the limit.
    low, high = interval(fit_family(EXPONENTIAL, NIST), "mean")
    for end in (low, high):
        x = 777.1 / end
        assert 20 * (x - 1 - math.log(x)) == pytest.approx(chdtri(1, 0.05), abs=1e-6)


def test_data_that_set_no_limit_give_none():
    # Two early stops, the rest cut off much later: the mean of a lognormal has no upper limit.
    data = CensoredTimes.of([1.0, 5.0], [1e4] * 8)
    assert interval(fit_family(LOGNORMAL, data), "mean")[1] == math.inf


# Coverage.

FORMS = {EXPONENTIAL: None, WEIBULL: 0.7, LOGNORMAL: 1.2}
GENERATORS = {
    family: FamilyFit(
        family, 0.0, 0.0 if form is None else log_scale_of(family, form), np.eye(2), 0.0, NIST
    )
    for family, form in FORMS.items()
}


def experiment(family: str, n: int, half: bool, rng: np.random.Generator) -> CensoredTimes:
    times = GENERATORS[family].draw(rng, n)
    # What is cut off as often as not: at times of the same family.
    cuts = GENERATORS[family].draw(rng, n) if half else np.full(n, np.inf)
    return CensoredTimes(np.minimum(times, cuts), times <= cuts)


def coverage(family, n, half, experiments, limit=deviance_limit) -> list[float]:
    rng = np.random.default_rng(100)
    true = GENERATORS[family]
    held = {"mean": 0, "form": 0}
    done = 0
    while done < experiments:
        try:
            fit = fit_family(family, experiment(family, n, half, rng))
        except FitError:
            continue  # fewer than two events: there is no interval that could be wrong
        done += 1
        for parameter, value in (("mean", true.mean_s), ("form", true.form)):
            if value is not None:
                held[parameter] += deviance(fit, parameter, value) <= limit(fit, 0.95)
    return [held[p] / experiments for p in ("mean", "form") if p == "mean" or FORMS[family]]


@pytest.mark.campaign
def test_coverage_of_a_few():
    # 200 experiments: within four standard errors of 0.95.
    for family in FAMILIES:
        for share in coverage(family, 15, True, 200):
            assert share > 0.95 - 4 * math.sqrt(0.05 * 0.95 / 200)


@pytest.mark.campaign
@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("n", [15, 60, 200])
@pytest.mark.parametrize("family", FAMILIES)
def test_coverage(family, n, half):
    for share in coverage(family, n, half, 1000):
        assert 0.926 <= share <= 0.971


def test_coverage_can_fail():
    """Intervals of 80 % do not pass for 95."""
    shares = coverage(WEIBULL, 15, True, 200, limit=lambda fit, _: deviance_limit(fit, 0.8))
    assert max(shares) < 0.926


# Goodness of fit.


def test_distance_without_censoring_is_the_classic_statistic():
    # Anderson and Darling 1954: -n - sum (2i-1)(ln u_i + ln(1 - u_(n+1-i))) / n.
    fit = fit_family(LOGNORMAL, BEARINGS)
    u = stats.norm.cdf((np.sort(np.log(BEARINGS.times_s)) - fit.location) / math.exp(fit.log_scale))
    n, i = len(u), np.arange(1, len(u) + 1)
    classic = -n - np.sum((2 * i - 1) * (np.log(u) + np.log1p(-u[::-1]))) / n
    assert distance(fit, BEARINGS) == pytest.approx(classic, rel=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
def test_distance_with_censoring_is_its_integral(family):
    fit, curve = fit_family(family, MP6), kaplan_meier(MP6)
    edges = [0.0, *(-np.expm1(fit.log_survival(np.append(curve.times_s, curve.last_s))))]
    over = [0.0, *(1 - curve.survival)]
    whole = sum(
        integrate.quad(lambda u, k=k: (k - u) ** 2 / (u * (1 - u)), low, high)[0]
        for k, low, high in zip(over, edges[:-1], edges[1:], strict=True)
    )
    assert distance(fit, MP6) == pytest.approx(len(MP6) * whole, rel=1e-6)


def p_values(family, fitted_family, count, n, half, samples, seed=7):
    found = []
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        data = experiment(family, n, half, rng)
        fit = fit_family(fitted_family, data)
        found.append(judge(fit, CutAsSeen(data), rng, samples).p_value)
    return np.array(found)


def test_a_true_family_is_rejected_as_often_as_stated():
    found = p_values(EXPONENTIAL, EXPONENTIAL, 60, 30, False, 99)
    assert (found < 0.05).mean() < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 60)
    assert stats.kstest(found, "uniform").pvalue > 0.001


@pytest.mark.campaign
@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("family", FAMILIES)
def test_p_values_of_a_true_family(family, half):
    found = p_values(family, family, 400, 40, half, 199)
    assert abs((found < 0.05).mean() - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 400)
    assert abs((found < 0.5).mean() - 0.5) < 4 * math.sqrt(0.25 / 400)


@pytest.mark.campaign
def test_a_wrong_family_is_told():
    assert np.median(p_values(LOGNORMAL, EXPONENTIAL, 9, 150, False, 99)) <= 0.05
    assert np.median(p_values(EXPONENTIAL, LOGNORMAL, 9, 150, True, 99)) <= 0.05


def test_the_table_for_known_parameters_would_not_do():
    """Its 5 % point, 2.492 (Stephens 1974, from memory), is hardly ever reached by a fit."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(300):
        data = experiment(LOGNORMAL, 40, False, rng)
        found.append(distance(fit_family(LOGNORMAL, data), data))
    assert np.mean(np.array(found) > 2.492) < 0.01


def test_a_coarse_clock_is_no_misfit():
    """Lengths in whole steps of 10 s, most of 20 s to 2 min: true to a family, in long logs too."""
    rng = np.random.default_rng(8)
    true = FamilyFit(LOGNORMAL, math.log(50), math.log(0.8), np.eye(2), 0.0, NIST)
    read = as_recorded(true.draw(rng, 1500), 10.0, rng)
    assert np.all(read % 10 == 0)
    data = CensoredTimes.of(read[read > 0])
    fit = fit_family(LOGNORMAL, data)
    assert judge(fit, CutAsSeen(data), rng, 99, step_s=10.0).p_value > 0.05
    # Negative controls: without the step, and with a family that is wrong.
    assert judge(fit, CutAsSeen(data), rng, 99).p_value <= 0.02
    wrong = fit_family(EXPONENTIAL, data)
    assert judge(wrong, CutAsSeen(data), rng, 99, step_s=10.0).p_value <= 0.02


# Times that a coarse clock told.


def read_off(rng, family, form, middle_s, n, step_s=60.0) -> tuple[FamilyFit, CensoredTimes]:
    """A true family, and what a clock with steps told of its times."""
    log_scale = 0.0 if form is None else log_scale_of(family, form)
    true = FamilyFit(family, math.log(middle_s), log_scale, np.eye(2), 0.0, NIST)
    read = as_recorded(true.draw(rng, n), step_s, rng)
    kept = read[read > 0]
    return true, CensoredTimes(kept, kept > 0, step_s, n - len(kept))


COARSE = [(EXPONENTIAL, None), (WEIBULL, 0.7), (LOGNORMAL, 1.0)]


@pytest.mark.parametrize(("family", "form"), COARSE)
def test_a_coarse_clock_does_not_bias(family, form):
    """Lengths about 100 s in whole minutes: the truth within five standard errors.

    Negative control: the times taken as they are told are off by far more.
    """
    true, data = read_off(np.random.default_rng(1), family, form, 100, 4000)
    for told in (data, CensoredTimes(data.times_s, data.seen, 60.0)):
        fit = fit_family(family, told)
        assert fit.log_mean == pytest.approx(true.log_mean, abs=5 * math.sqrt(fit.covariance[0, 0]))
    plain = fit_family(family, CensoredTimes(data.times_s, data.seen))
    error = abs(plain.log_mean - true.log_mean)
    # A lognormal of cv 1 has few times near none, and the least error.
    assert error > (4 if family == LOGNORMAL else 10) * math.sqrt(plain.covariance[0, 0])
    if form is not None:
        assert fit.form == pytest.approx(form, abs=5 * form * math.sqrt(fit.covariance[1, 1]))
        assert abs(math.log(plain.form / form)) > 10 * math.sqrt(plain.covariance[1, 1])


@pytest.mark.campaign
@pytest.mark.parametrize(("family", "form"), COARSE)
def test_coverage_with_a_coarse_clock(family, form):
    rng = np.random.default_rng(2)
    held = []
    for _ in range(1000):
        true, data = read_off(rng, family, form, 100, 100)
        fit = fit_family(family, data)
        held.append(deviance(fit, "mean", true.mean_s) <= deviance_limit(fit, 0.95))
    assert 0.926 <= np.mean(held) <= 0.971


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
def test_slope_with_a_coarse_clock_is_a_derivative(family):
    h = 1e-5
    for none in (0, 4):
        data = CensoredTimes(
            np.array([60.0, 120, 180, 60, 300, 240, 600]),
            np.array([True] * 5 + [False] * 2),
            60.0,
            none,
        )
        likelihood, at = RoundedLikelihood(family == LOGNORMAL, data), np.array([4.9, -0.2])
        for k in range(2):
            step = h * np.eye(2)[k]
            slope = (likelihood.value(*at + step) - likelihood.value(*at - step)) / (2 * h)
            assert slope == pytest.approx(likelihood.slope(*at)[k], abs=1e-6)


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
def test_likelihood_with_a_coarse_clock_is_its_integral(family):
    """A time t is told as k steps with the chance max(0, 1 - |t / step - k|)."""
    data = CensoredTimes(np.array([60.0, 180.0]), np.array([True, True]), 60.0, 1)
    location, log_scale = 4.9, -0.2
    scale = math.exp(log_scale)
    law = (
        stats.lognorm(scale, scale=math.exp(location))
        if family == LOGNORMAL
        else stats.weibull_min(1 / scale, scale=math.exp(location))
    )

    def told(k: int) -> float:
        return sum(
            integrate.quad(lambda t: law.pdf(t) * (1 - abs(t / 60 - k)), low, low + 60)[0]
            for low in (60 * (k - 1), 60 * k)
            if low >= 0
        )

    expected = math.log(told(0)) + math.log(told(1) / 60) + math.log(told(3) / 60)
    found = RoundedLikelihood(family == LOGNORMAL, data).value(location, log_scale)
    assert found == pytest.approx(expected, abs=1e-4)


def test_rounded_lengths_against_surpyval():
    """Lengths rounded to the nearest step are intervals of one step: a single phase."""
    surpyval = pytest.importorskip("surpyval", reason="a second library of reliability")
    for number in range(4):
        rng = np.random.default_rng(number)
        times = 100 * rng.weibull(1.3, 60) if number % 2 else rng.lognormal(4.5, 0.8, 60)
        steps = np.maximum(np.round(times / 60), 1)
        data = CensoredTimes(60 * steps, steps > 0, 60.0)
        ends = np.column_stack([60 * (steps - 0.5), 60 * (steps + 0.5)])
        for family, theirs in ((WEIBULL, surpyval.Weibull), (LOGNORMAL, surpyval.LogNormal)):
            likelihood = RoundedLikelihood(family == LOGNORMAL, data, np.array([0.5]), np.ones(1))
            own = likelihood.value(*maximum(likelihood))
            model = theirs.fit(xl=ends[:, 0], xr=ends[:, 1])
            first, second = model.params
            place = (
                (math.log(first), -math.log(second))
                if family == WEIBULL
                else (first, math.log(second))
            )
            assert likelihood.value(*place) == pytest.approx(own, abs=1e-6)
            # Its own log-likelihood is of intervals, not of seconds.
            assert -model.neg_ll() - len(data) * math.log(60) == pytest.approx(own, abs=1e-6)


# Empirical times.


def test_times_themselves_where_nothing_is_cut_off():
    assert equally_likely(AIRCONDIT).tolist() == sorted(AIRCONDIT.times_s)


def test_times_that_are_cut_off_count():
    rng = np.random.default_rng(5)
    times, cuts = rng.exponential(10, 4000), rng.exponential(10, 4000)
    data = CensoredTimes(np.minimum(times, cuts), times <= cuts)
    values = equally_likely(data)
    assert values.mean() == pytest.approx(10, rel=0.06)
    # Without them the mean would be half.
    assert data.seen_s.mean() == pytest.approx(5, rel=0.06)


# Windows.


def test_times_between_stops_of_windows():
    found = Renewals.of([[10.0, 25.0], [], [0.0, 30.0]], [40.0, 50.0, 30.0])
    # A stop at a window's start has no time before it, one at its end leaves none after it.
    assert found.times_s.tolist() == [10, 15, 15, 50, 30]
    assert found.seen.tolist() == [True, True, False, False, True]
    assert found.window.tolist() == [0, 0, 0, 1, 2]
    assert found.counts.tolist() == [2, 0, 1]
    assert found.instants_s.tolist() == [10, 25, 120]


def test_samples_of_windows_fill_them():
    windows = np.array([3600.0, 0.0, 7200.0])
    empty = Renewals.of([[], [], []], windows)
    fit = fit_family(EXPONENTIAL, CensoredTimes.of([600.0]))
    rng = np.random.default_rng(1)
    counts = []
    for _ in range(400):
        sample = empty.like(rng, fit.draw)
        spent = np.bincount(sample.window, weights=sample.times_s, minlength=3)
        np.testing.assert_allclose(spent, windows)
        counts.append(sample.counts)
    # A Poisson process: 6 and 12 on average, 400 samples.
    assert np.mean(counts, axis=0) == pytest.approx([6, 0, 12], abs=4 * math.sqrt(12 / 400))


# Trend and clusters.


def test_laplace_by_hand():
    # Ten repairs until 1,500 h (data of NIST/SEMATECH e-Handbook 8.2.3.4, from memory):
    # (568.3 - 750) / (1500 / sqrt(120)).
    hours = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478.0])
    assert laplace(hours, 1500.0) == pytest.approx(-181.7 / (1500 / math.sqrt(120)))


def windows_of(draw, count=30, hours=8.0, seed=1) -> list[Renewals]:
    empty = Renewals.of([[]] * count, [3600 * hours] * count)
    return [empty.like(np.random.default_rng((seed, k)), draw) for k in range(40)]


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("family", "form"),
    [(EXPONENTIAL, None), (WEIBULL, 0.6)],
)
def test_no_trend_and_no_clusters_where_there_are_none(family, form):
    """Also where short times are many: Weibull of shape 0.6."""
    log_scale = 0.0 if form is None else log_scale_of(family, form)
    true = FamilyFit(family, math.log(3000), log_scale, np.eye(2), 0.0, NIST)
    renewal, plain, clusters = [], [], []
    for k, sample in enumerate(windows_of(true.draw)):
        found = trend(sample)
        renewal.append(found.p_renewal)
        plain.append(found.p_laplace)
        clusters.append(clustering(sample, np.random.default_rng(k), 99).p_value)
    # 5 % of 40: at most 8 with a chance of 0.9998 (binomial).
    assert np.sum(np.array(renewal) < 0.05) <= 8
    assert np.sum(np.array(clusters) < 0.05) <= 8
    if form is not None:
        # Laplace's own null is a Poisson process: it takes skewed times for a trend.
        assert np.sum(np.array(plain) < 0.05) > np.sum(np.array(renewal) < 0.05)


def test_a_trend_is_seen():
    rng = np.random.default_rng(2)
    total = 30 * 28_800.0
    # A rate that doubles over the log: a Poisson process, by thinning.
    instants = np.sort(rng.random(500) * total)
    kept = instants[rng.random(500) < (1 + instants / total) / 2]
    stops = [
        (kept[(kept >= k * 28_800) & (kept < (k + 1) * 28_800)] - k * 28_800).tolist()
        for k in range(30)
    ]
    found = trend(Renewals.of(stops, [28_800.0] * 30))
    assert found.laplace > 2
    assert found.p_laplace < 0.05


def test_bursts_and_bad_days_are_seen():
    rng = np.random.default_rng(4)
    # Hours of bad material in which stops come often: a hidden state.
    bursts = []
    for _ in range(30):
        at, stops, bad = 0.0, [], False
        while at < 28_800:
            until = at + rng.exponential(3600 if bad else 7200)
            while (at := at + rng.exponential(200 if bad else 3000)) < until:
                stops.append(at)
            at, bad = until, not bad
        bursts.append([s for s in stops if s < 28_800])
    found = clustering(Renewals.of(bursts, [28_800.0] * 30), rng, 199)
    assert found.neighbours > 0
    assert found.p_neighbours < 0.05
    assert found.p_value < 0.05
    # Bursts of a geometric number of stops are independent times, some short and some long.
    mixed = Renewals.of([[]] * 30, [28_800.0] * 30).like(
        rng,
        lambda luck, shape: (
            np.where(luck.random(shape) < 0.75, 1, 50) * luck.exponential(120, shape)
        ),
    )
    assert clustering(mixed, rng, 199).p_value >= 0.05
    days = [np.sort(rng.random(rng.poisson(2 if k % 2 else 14)) * 28_800) for k in range(30)]
    found = clustering(Renewals.of(days, [28_800.0] * 30), rng, 199)
    assert found.dispersion > 2
    assert found.p_dispersion < 0.01


# Two kinds.


def test_two_kinds_are_parted():
    rng = np.random.default_rng(6)
    data = CensoredTimes.of(
        np.concatenate([rng.lognormal(4, 0.7, 400), rng.lognormal(7.3, 0.5, 40)])
    )
    found = fit_two_kinds(data)
    assert found.share == pytest.approx(40 / 440, abs=0.03)
    assert found.locations == pytest.approx((4, 7.3), abs=0.25)
    # Where either kind is as likely, by the true parameters: 6.06 in the log, 428 s.
    assert found.parting_s == pytest.approx(428, rel=0.35)
    assert found.bic < fit_family(LOGNORMAL, data).bic - 10


def test_one_kind_is_not_made_two():
    data = CensoredTimes.of(np.random.default_rng(6).lognormal(4, 1.0, 440))
    assert fit_two_kinds(data).bic > fit_family(LOGNORMAL, data).bic - 10


# What cannot be fitted.


def test_times_must_be_above_zero():
    with pytest.raises(ValueError, match="above 0"):
        CensoredTimes.of([0.0, 1.0])
    with pytest.raises(ValueError, match="same length"):
        CensoredTimes(np.array([1.0]), np.array([True, False]))


@pytest.mark.parametrize("family", FAMILIES)
def test_no_event_no_fit(family):
    with pytest.raises(FitError, match="no event"):
        fit_family(family, CensoredTimes.of([], [5.0]))


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
def test_one_time_twice_gives_no_form(family):
    with pytest.raises(FitError, match="two different"):
        fit_family(family, CensoredTimes.of([5.0, 5.0], [9.0]))
