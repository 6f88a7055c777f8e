"""Intervals, ratios and limits against worked examples, other libraries and their own promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as reference
from statsmodels.stats.proportion import proportion_confint

from feedsim.stats import (
    chance_limit,
    difference,
    estimate,
    exact_interval,
    half_width,
    margin,
    rate_at_least,
    rate_at_most,
    seldom_limit,
    sum_of_ratios,
    t_quantile,
)

# A. M. Law, Simulation Modeling and Analysis (data of example 4.27; results from memory).
LAW_427 = np.array([1.20, 1.50, 1.68, 1.89, 0.95, 1.49, 1.58, 1.55, 0.50, 1.09])
# The same, ten replications of a bank's mean delay (from memory).
BANK = np.array([1.53, 1.66, 1.24, 2.34, 2.00, 1.69, 2.69, 2.86, 1.70, 2.60])
# The same, sec. 10.2: two inventory policies, five pairs (from memory).
POLICY_1 = np.array([126.97, 124.31, 126.68, 122.66, 127.23])
POLICY_2 = np.array([118.21, 120.22, 122.45, 122.68, 119.40])


def test_interval_of_law_example_4_27() -> None:
    assert round(LAW_427.mean(), 2) == 1.34
    assert round(LAW_427.var(ddof=1), 2) == 0.17
    assert round(half_width(LAW_427, 0.90), 2) == 0.24
    assert half_width(LAW_427, 0.90) == pytest.approx(0.237253, abs=5e-7)


def test_interval_of_the_bank() -> None:
    assert round(BANK.mean(), 2) == 2.03
    assert half_width(BANK, 0.90) == pytest.approx(0.32228, abs=5e-6)
    assert round(half_width(BANK, 0.90), 2) == 0.32


def deviations(values: np.ndarray) -> np.ndarray:
    return values - values.mean()


def test_paired_difference_of_the_inventory_policies() -> None:
    found = difference(
        POLICY_1.mean(), deviations(POLICY_1), POLICY_2.mean(), deviations(POLICY_2), 0.90
    )
    assert round(found.value, 2) == 4.98
    assert (round(found.low, 2), round(found.high, 2)) == (1.65, 8.31)
    variance = (found.half_width / t_quantile(0.95, 4)) ** 2
    assert variance == pytest.approx(2.43827, abs=5e-6)
    theirs = reference.ttest_rel(POLICY_1, POLICY_2).confidence_interval(0.90)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


def test_pairing_widens_where_the_pairs_go_against_each_other() -> None:
    """Their correlation is -0.57: the paired interval [1.65, 8.31], Welch's [2.66, 7.30]."""
    assert np.corrcoef(POLICY_1, POLICY_2)[0, 1] == pytest.approx(-0.57, abs=0.005)
    paired = difference(0.0, deviations(POLICY_1), 0.0, deviations(POLICY_2), 0.90).half_width
    welch = reference.ttest_ind(POLICY_1, POLICY_2, equal_var=False).confidence_interval(0.90)
    assert (round(welch.low, 2), round(welch.high, 2)) == (2.66, 7.30)
    assert paired > (welch.high - welch.low) / 2


def test_pairing_narrows_where_the_pairs_go_together() -> None:
    luck = np.random.default_rng(1).normal(size=30)
    first, second = luck + 1, luck + np.random.default_rng(2).normal(scale=0.1, size=30)
    paired = difference(1.0, deviations(first), 0.0, deviations(second), 0.95).half_width
    assert paired < 0.2 * half_width(first, 0.95)


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95, 0.99, 0.9999])
@pytest.mark.parametrize("n", [2, 3, 10, 40])
def test_half_width_against_scipy(n: int, confidence: float) -> None:
    values = np.random.default_rng(n).gamma(2.0, size=n)
    low, high = reference.t.interval(
        confidence, n - 1, loc=values.mean(), scale=reference.sem(values)
    )
    assert half_width(values, confidence) == pytest.approx((high - low) / 2, rel=1e-9)


def test_one_replication_has_no_interval() -> None:
    assert math.isnan(half_width(np.array([1.0]), 0.95))
    found = estimate(0.4, np.array([0.0]), 1, 0.95, (0.0, 1.0))
    assert found.value == 0.4
    assert math.isnan(found.low)
    assert math.isnan(found.high)


def column(values: list[float]) -> np.ndarray:
    return np.array(values, dtype=float)[:, np.newaxis]


def test_ratio_worked_by_hand() -> None:
    """Tops 1, 2, 6 over bottoms 10, 10, 20: 9 / 40 = 0.225.

    Residuals top - 0.225 bottom: -1.25, -0.25, 1.5; over the mean bottom 40 / 3: -0.09375,
    -0.01875, 0.1125. The sum of their squares is 0.021797.
    """
    value, devs = sum_of_ratios(column([1, 2, 6]), column([10, 10, 20]))
    assert value == pytest.approx(0.225, rel=1e-15)
    assert devs == pytest.approx([-0.09375, -0.01875, 0.1125], rel=1e-12)
    squares = 0.09375**2 + 0.01875**2 + 0.1125**2
    expected = 4.302652729 * math.sqrt(squares / 2 / 3)
    assert half_width(devs, 0.95) == pytest.approx(expected, rel=1e-9)


def test_ratio_variance_is_that_of_survey_sampling() -> None:
    """Cochran ch. 6: v = (s_y^2 + R^2 s_x^2 - 2 R s_yx) / (n mean(x)^2)."""
    rng = np.random.default_rng(3)
    bottoms = rng.uniform(5, 15, 25)
    tops = 0.3 * bottoms + rng.normal(size=25)
    value, devs = sum_of_ratios(tops[:, np.newaxis], bottoms[:, np.newaxis])
    cov = np.cov(tops, bottoms)
    textbook = (cov[0, 0] + value**2 * cov[1, 1] - 2 * value * cov[0, 1]) / bottoms.mean() ** 2
    assert np.var(devs, ddof=1) == pytest.approx(textbook, rel=1e-12)
    assert devs.sum() == pytest.approx(0.0, abs=1e-12)


def test_ratio_with_one_bottom_for_all_is_the_mean() -> None:
    value, devs = sum_of_ratios(LAW_427[:, np.newaxis], np.full((10, 1), 2.0))
    assert value == pytest.approx(LAW_427.mean() / 2)
    assert half_width(devs, 0.90) == pytest.approx(half_width(LAW_427, 0.90) / 2)


def test_ratio_against_the_jackknife() -> None:
    rng = np.random.default_rng(4)
    bottoms = rng.gamma(20, size=200)
    tops = rng.binomial(30, 0.2, size=200) * bottoms / 20
    _, devs = sum_of_ratios(tops[:, np.newaxis], bottoms[:, np.newaxis])
    without = (tops.sum() - tops) / (bottoms.sum() - bottoms)
    jackknife = math.sqrt(199 / 200 * ((without - without.mean()) ** 2).sum())
    assert devs.std(ddof=1) / math.sqrt(200) == pytest.approx(jackknife, rel=0.02)


def test_sum_of_ratios_adds_its_columns() -> None:
    rng = np.random.default_rng(5)
    tops, bottoms = rng.uniform(1, 2, (20, 3)), rng.uniform(3, 4, (20, 3))
    value, devs = sum_of_ratios(tops, bottoms)
    parts = [sum_of_ratios(tops[:, [k]], bottoms[:, [k]]) for k in range(3)]
    assert value == pytest.approx(sum(part[0] for part in parts))
    assert devs == pytest.approx(sum(part[1] for part in parts))


def test_nothing_under_a_ratio_is_not_a_number() -> None:
    value, devs = sum_of_ratios(column([0, 0]), column([0, 0]))
    assert math.isnan(value)
    assert np.isnan(devs).all()


def test_chance_limit_is_clopper_and_pearson_at_none_of_n() -> None:
    """Newcombe 1998, table I (from memory): 0 of 20, two-sided 95 %: 0 to 0.1684.

    The upper end of a two-sided 95 % interval is a one-sided limit at 97.5 %.
    """
    assert round(chance_limit(20, 0.975), 4) == 0.1684
    for n in (1, 5, 20, 40, 1000):
        theirs = proportion_confint(0, n, alpha=0.10, method="beta")[1]
        assert chance_limit(n, 0.95) == pytest.approx(theirs, rel=1e-9)
    assert chance_limit(20, 0.95) == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-12)
    # Success-run theorem (from memory): 59 without a fault prove 95 % with 95 % confidence.
    assert chance_limit(59, 0.95) <= 0.05 < chance_limit(58, 0.95)


def test_an_event_not_seen_has_a_limit_in_place_of_an_interval() -> None:
    found = estimate(0.0, np.zeros(20), 0, 0.95)
    assert found.unseen
    assert math.isnan(found.low)
    assert found.chance_high == pytest.approx(chance_limit(20, 0.95))
    seen = estimate(0.1, np.linspace(-0.1, 0.1, 20), 5, 0.95, (0.0, 1.0))
    assert seen.chance_high is None
    assert seen.few_events
    assert not estimate(0.1, np.linspace(-0.1, 0.1, 20), 20, 0.95).few_events


def test_intervals_are_cut_at_what_the_figure_can_be() -> None:
    devs = np.array([-0.3, 0.3, -0.3, 0.3])
    found = estimate(0.05, devs, 4, 0.95, (0.0, 1.0))
    assert found.low == 0.0
    assert found.high == pytest.approx(0.05 + half_width(devs, 0.95))


def shifts(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Faults over picks of n shifts of very different size: faults / picks = 0.02 in the long run.

    Small shifts are the worse ones, so that their size goes with their rate.
    """
    small = rng.random(n) < 0.5
    picks = np.where(small, 100, 900).astype(float)
    faults = rng.poisson(picks * np.where(small, 0.05, 0.015 + 0.005 / 3))
    return faults.astype(float), picks


TRUE_RATE = (0.05 * 100 + (0.015 + 0.005 / 3) * 900) / 1000


def test_coverage_of_the_interval_of_a_ratio() -> None:
    """Of 400 intervals about 95 % hold the true ratio, within what chance allows."""
    rng = np.random.default_rng(6)
    covered, experiments = 0, 400
    for _ in range(experiments):
        faults, picks = shifts(rng, 60)
        value, devs = sum_of_ratios(faults[:, np.newaxis], picks[:, np.newaxis])
        found = estimate(value, devs, int(np.count_nonzero(faults)), 0.95)
        covered += found.low <= TRUE_RATE <= found.high
    low, high = reference.binom.ppf([0.0005, 0.9995], experiments, 0.95)
    assert low <= covered <= high


def test_means_of_ratios_are_biased() -> None:
    """What the ratio of sums is for: the mean of the shifts' own rates misses the true one."""
    rng = np.random.default_rng(7)
    covered, experiments = 0, 400
    for _ in range(experiments):
        faults, picks = shifts(rng, 60)
        rates = faults / picks
        half = half_width(rates, 0.95)
        covered += abs(rates.mean() - TRUE_RATE) <= half
    assert covered < 0.2 * experiments


@pytest.mark.parametrize("n", [5, 40])
def test_coverage_of_the_interval_of_a_mean(n: int) -> None:
    rng = np.random.default_rng(n)
    values = rng.normal(size=(1000, n))
    covered = sum(abs(row.mean()) <= half_width(row, 0.9) for row in values)
    low, high = reference.binom.ppf([0.0005, 0.9995], 1000, 0.9)
    assert low <= covered <= high
    # Half the width covers far less: the check can fail.
    assert sum(abs(row.mean()) <= half_width(row, 0.9) / 2 for row in values) < low


# Limits of rates.

COUNTS = [(0, 1), (1, 1), (0, 10), (1, 10), (5, 10), (9, 10), (10, 10), (3, 200)]


@pytest.mark.parametrize(("faults", "attempts"), COUNTS)
@pytest.mark.parametrize("alpha", [0.025, 0.2])
def test_limits_of_a_rate_are_those_of_clopper_and_pearson(
    faults: int, attempts: int, alpha: float
) -> None:
    tested = reference.binomtest(faults, attempts)
    theirs = tested.proportion_ci(1 - 2 * alpha, method="exact")
    low, high = exact_interval(faults, attempts, 1 - 2 * alpha)
    assert (float(low), float(high)) == pytest.approx((theirs.low, theirs.high), rel=1e-9)
    assert float(rate_at_least(faults, attempts, alpha)) == pytest.approx(theirs.low, rel=1e-9)
    assert float(rate_at_most(faults, attempts, alpha)) == pytest.approx(theirs.high, rel=1e-9)


def test_limits_of_many_rates_at_once() -> None:
    faults, attempts = np.array(COUNTS).T
    lows, highs = exact_interval(faults, attempts)
    assert lows == pytest.approx([float(exact_interval(k, n)[0]) for k, n in COUNTS])
    assert highs == pytest.approx([float(exact_interval(k, n)[1]) for k, n in COUNTS])
    assert rate_at_most([0, 1], 10, 0.05) == pytest.approx([0.258866, 0.394163], abs=5e-7)


def test_without_an_attempt_a_rate_may_be_anything() -> None:
    assert tuple(map(float, exact_interval(0, 0))) == (0.0, 1.0)


def test_the_margin_of_a_one_sided_limit() -> None:
    expected = reference.t.ppf(0.95, 9) * reference.sem(LAW_427)
    assert margin(LAW_427, 0.05) == pytest.approx(expected, rel=1e-9)
    assert math.isnan(margin(np.array([1.0]), 0.05))


def test_what_no_shift_had_is_limited_by_the_chance_of_a_shift_with_it() -> None:
    none = np.array([])
    assert seldom_limit(none, 40, 0.05, 0.5) == pytest.approx(0.5 * (1 - 0.05 ** (1 / 40)))


def test_of_what_one_shift_had_the_size_may_be_the_largest() -> None:
    chance = reference.binomtest(1, 40).proportion_ci(0.95, method="exact").high
    assert seldom_limit(np.array([0.1]), 40, 0.05, 0.5) == pytest.approx(0.5 * chance, rel=1e-9)


def test_what_few_shifts_had_is_a_chance_times_a_size() -> None:
    """Each has half of the risk: of 0.05, a one-sided limit at 97.5 %."""
    sizes = np.array([0.10, 0.12, 0.14])
    chance = reference.binomtest(3, 40).proportion_ci(0.95, method="exact").high
    size = 0.12 + reference.t.ppf(0.975, 2) * 0.02 / math.sqrt(3)
    assert seldom_limit(sizes, 40, 0.05, 0.5) == pytest.approx(chance * size, rel=1e-9)
    assert seldom_limit(sizes, 40, 0.05, 0.13) == pytest.approx(chance * 0.13, rel=1e-9)
    two = np.array([0.10, 0.12])
    chance = reference.binomtest(2, 40).proportion_ci(0.95, method="exact").high
    size = 0.11 + reference.t.ppf(0.975, 1) * 0.01
    assert seldom_limit(two, 40, 0.05, 0.5) == pytest.approx(chance * size, rel=1e-9)


# What an estimate says of itself.


@pytest.mark.parametrize(
    ("seen_in", "shifts", "few"),
    [(0, 40, False), (1, 40, True), (19, 40, True), (20, 40, False), (4, 5, True), (5, 5, False)],
)
def test_few_events_are_fewer_than_twenty_and_not_all(seen_in: int, shifts: int, few: bool) -> None:
    found = estimate(0.5, np.linspace(-0.1, 0.1, shifts), seen_in, 0.95)
    assert found.few_events is few
    assert found.unseen is (seen_in == 0)
    assert (found.replications, found.seen_in) == (shifts, seen_in)


def test_of_an_interval_cut_on_one_side_the_other_is_its_half_width() -> None:
    devs = np.array([-0.3, 0.3, -0.3, 0.3])
    half = half_width(devs, 0.95)
    for value in (0.05, 0.95):
        found = estimate(value, devs, 4, 0.95, (0.0, 1.0))
        assert found.half_width == pytest.approx(half)
    assert (found.low, found.high) == (pytest.approx(0.95 - half), 1.0)


def test_one_of_two_ratios_over_nothing_is_not_a_number() -> None:
    tops, bottoms = np.ones((3, 2)), np.array([[1.0, 0.0]] * 3)
    value, devs = sum_of_ratios(tops, bottoms)
    assert math.isnan(value)
    assert np.isnan(devs).all()
    assert devs.shape == (3,)


def test_a_difference_of_what_nobody_saw_has_a_limit() -> None:
    nothing = np.zeros(20)
    found = difference(0.0, nothing, 0.0, nothing, 0.95, seen_in=0)
    assert found.chance_high == pytest.approx(chance_limit(20, 0.95))
    seen = difference(0.5, deviations(BANK), 0.25, nothing[:10], 0.95)
    assert (seen.value, seen.seen_in, seen.replications) == (0.25, 10, 10)
    assert seen.half_width == pytest.approx(half_width(BANK, 0.95))


def test_two_replications_are_the_fewest_with_an_interval() -> None:
    """Of 0 and 2: mean 1, standard error 1, t at one degree of freedom 12.7062."""
    assert half_width(np.array([0.0, 2.0]), 0.95) == pytest.approx(12.7062, abs=5e-5)
