"""Acceptance trials of a rate: against printed tables, exact sums, enumeration and simulation."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from math import comb, sqrt
from pathlib import Path

import numpy as np
import pytest
from campaigns import one_in
from test_cli import feedsim  # noqa: F401 (a fixture)

from feedsim.answers import sequential
from feedsim.answers.binomial import (
    chance_at_most,
    count_chances,
    fewest,
    picks_needed,
    picks_until_failed,
    rate_limits,
)
from feedsim.answers.clusters import ALONE, BadBundles, Pattern
from feedsim.answers.sequential import SequentialPlan, sequential_plan, truncated, wald_lines
from feedsim.answers.trial import TrialError, bad_bundles
from feedsim.answers.trial_plan import trial_plan
from feedsim.answers.trial_prior import JEFFREYS, UNIFORM, WEIGHTS, Posterior
from feedsim.answers.trial_result import _TwoLooks, trial_result
from feedsim.stats import rate_at_least, rate_at_most

BUNDLES = BadBundles(share=0.03, missed=0.2, bundle_picks=50, at_rate=0.01)


# Published figures.


@pytest.mark.parametrize(
    ("confidence", "reliability", "picks"),
    [
        *((0.95, 0.95, 59), (0.90, 0.90, 22), (0.95, 0.90, 29), (0.95, 0.99, 299)),
        *((0.90, 0.95, 45), (0.90, 0.99, 230), (0.90, 0.80, 11), (0.80, 0.80, 8)),
        *((0.99, 0.99, 459), (0.99, 0.90, 44), (0.95, 0.999, 2995)),
    ],
)
def test_success_run_table(confidence, reliability, picks):
    """The success-run theorem's table, n = ln(1 - C) / ln R, from memory."""
    assert picks_needed(0, 1 - reliability, confidence) == picks


@pytest.mark.parametrize(
    ("confidence", "rate", "picks"),
    [
        (0.95, 0.05, [59, 93, 124, 153, 181, 208]),
        (0.90, 0.10, [22, 38, 52, 65, 78, 91]),
        (0.95, 0.10, [29, 46, 61, 76, 89, 103]),
        (0.95, 0.01, [299, 473, 628, 773, 913, 1049]),
        (0.90, 0.05, [45, 77, 105, 132, 158, 184]),
    ],
)
def test_trials_with_faults_allowed(confidence, rate, picks):
    """The first line are Wilks' numbers of nuclear safety (after Wilks 1941); from memory."""
    plans = trial_plan(rate, confidence, faults_allowed=range(6)).rows
    assert [plan.picks for plan in plans] == picks


def test_exact_interval_of_nist():
    """NIST/SEMATECH e-Handbook, 7.2.4.1: 4 of 20 at 90 %; limits from memory.

    Its upper limit differs by one in the sixth digit from the exact one (a goal-seek's).
    """
    found = rate_limits(4, 20, 0.9)
    assert found.low == pytest.approx(0.071354, abs=6e-7)
    assert found.high == pytest.approx(0.401029, abs=2e-6)


@pytest.mark.parametrize(
    ("faults", "picks", "low", "high"),
    [
        *((81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617)),
        *((0, 20, 0, 0.1684), (1, 29, 0.0009, 0.1776)),
    ],
)
def test_exact_intervals_of_newcombe(faults, picks, low, high):
    """Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, 95 %; from memory."""
    found = trial_result(faults, picks).exact
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@pytest.mark.parametrize(
    ("faults", "factors"),
    [
        (1, [(0.6, 0.3340, 4.4814), (0.8, 0.2571, 9.4912), (0.95, 0.1795, 39.4978)]),
        (2, [(0.6, 0.4674, 2.4260), (0.8, 0.3758, 3.7607), (0.95, 0.2768, 8.2573)]),
        (3, [(0.6, 0.5440, 1.9543), (0.9, 0.3869, 3.6689), (0.95, 0.3422, 4.8491)]),
        (10, [(0.6, 0.7326, 1.3719), (0.8, 0.6491, 1.6074), (0.95, 0.5438, 2.0853)]),
    ],
)
def test_rare_faults_have_the_limits_of_mean_times_between(faults, factors):
    """NIST 8.4.5.1, factors on T / r of a mean time between failures, from memory.

    The limit of many picks: with n picks the mean distance of faults has limits n p(limit). The
    printed table may differ by one in the fourth decimal.
    """
    picks = 1_000_000_000
    for confidence, low, high in factors:
        found = rate_limits(faults, picks, confidence)
        assert faults / (picks * found.high) == pytest.approx(low, abs=6e-5)
        assert faults / (picks * found.low) == pytest.approx(high, abs=1.1e-4)


@pytest.mark.parametrize(
    ("faults", "lengths"),
    [
        (0, [0.693, 0.916, 1.39, 1.61, 2.30, 3.00]),
        (1, [1.68, 2.02, 2.69, 2.99, 3.89, 4.74]),
        (2, [2.67, 3.11, 3.92, 4.28, 5.32, 6.30]),
        (3, [3.67, 4.18, 5.11, 5.52, 6.68, 7.75]),
    ],
)
def test_long_trials_of_rare_faults(faults, lengths):
    """NIST 8.3.1.1, test length over mean time between failures at six confidences; from memory."""
    rate = 1e-7
    for confidence, length in zip((0.5, 0.6, 0.75, 0.8, 0.9, 0.95), lengths, strict=True):
        found = rate * picks_needed(faults, rate, confidence)
        assert found == pytest.approx(length, abs=0.0051)


def test_sequential_lines_of_nist():
    """NIST/SEMATECH e-Handbook, 6.2.6: p1 .01, p2 .10, alpha .05, beta .10; from memory."""
    lines = wald_lines(0.01, 0.10, producer=0.05, consumer=0.10)
    assert lines.below == pytest.approx(0.939, abs=5e-4)
    assert lines.above == pytest.approx(1.205, abs=5e-4)
    assert lines.slope == pytest.approx(0.0397, abs=5e-5)
    plan = truncated(lines, 200)
    assert plan.passed_from[0] == 24
    for picks, accept, reject in ((24, 0, 3), (26, 0, 3), (49, 1, 4)):
        assert sum(at <= picks for at in plan.passed_from) - 1 == accept
        assert sum(until < picks for until in plan.failed_until) + 1 == reject


# Exact sums.


def exact_chance(faults: int, picks: int, rate: Fraction) -> Fraction:
    return sum(
        (
            comb(picks, k) * rate**k * (1 - rate) ** (picks - k)
            for k in range(min(faults, picks) + 1)
        ),
        Fraction(0),
    )


@pytest.mark.parametrize("picks", [1, 2, 7, 60, 400])
@pytest.mark.parametrize("rate", ["1/1000", "1/20", "1/2", "97/100"])
def test_binomial_chances_are_exact(picks, rate):
    p = Fraction(rate)
    chances = count_chances(picks + 2, picks, float(p))
    assert chances[picks + 1 :] == pytest.approx(0)
    for faults in {0, 1, 2, picks // 2, picks}:
        if faults <= picks:
            exact = float(exact_chance(faults, picks, p))
            assert float(chance_at_most(faults, picks, float(p))) == pytest.approx(exact, rel=1e-11)
            one = float(comb(picks, faults) * p**faults * (1 - p) ** (picks - faults))
            assert chances[faults] == pytest.approx(one, rel=1e-11, abs=1e-300)


def test_plans_are_the_fewest_picks_by_enumeration():
    """From one pick on, with whole fractions: also where the chance equals what is allowed."""
    for rate, confidence in (("1/2", "3/4"), ("1/2", "1/2"), ("1/5", "9/10"), ("1/20", "19/20")):
        p, allowed = Fraction(rate), 1 - Fraction(confidence)
        for faults in range(4):
            picks = faults + 1
            while exact_chance(faults, picks, p) > allowed:
                picks += 1
            assert picks_needed(faults, float(p), float(Fraction(confidence))) == picks


def test_a_curtailed_trial_is_as_long_as_by_enumeration():
    faults, picks, rate = 2, 40, 0.1
    going = np.zeros(faults + 1)
    going[0], mean = 1.0, 0.0
    for _ in range(picks):
        mean += going.sum()
        going = going * (1 - rate) + np.concatenate([[0], going[:-1]]) * rate
    assert picks_until_failed(faults, picks, rate) == pytest.approx(mean, rel=1e-12)


def exact_coverage(lows: np.ndarray, highs: np.ndarray, picks: int) -> float:
    """The least coverage over all rates: just inside or outside an end of some interval."""
    ends = np.concatenate([lows, highs])
    rates = np.concatenate([ends * (1 - 1e-9), ends * (1 + 1e-9)])
    rates = rates[(rates > 0) & (rates < 1)]
    first = np.searchsorted(highs, rates, side="left")
    last = np.searchsorted(lows, rates, side="right") - 1
    covered = chance_at_most(last, picks, rates) - chance_at_most(first - 1, picks, rates)
    return float(covered.min())


def limits_of(picks: int, confidence: float, how=rate_limits) -> tuple[np.ndarray, np.ndarray]:
    found = [how(faults, picks, confidence) for faults in range(picks + 1)]
    return np.array([f.low for f in found]), np.array([f.high for f in found])


@pytest.mark.parametrize("picks", [1, 2, 5, 10, 37, 200, 600, 2000])
def test_exact_intervals_cover(picks):
    for confidence in (0.8, 0.95):
        assert exact_coverage(*limits_of(picks, confidence), picks) >= confidence - 1e-9


@pytest.mark.campaign
def test_exact_intervals_cover_for_every_number_of_picks():
    for picks in range(1, 2001):
        assert exact_coverage(*limits_of(picks, 0.95), picks) >= 0.95 - 1e-9, picks


@pytest.mark.parametrize("picks", [5, 60, 500])
def test_one_sided_limits_cover(picks):
    counts = range(picks + 1)
    highs = np.array([rate_at_most(faults, picks, 0.05) for faults in counts])
    lows = np.array([rate_at_least(faults, picks, 0.05) for faults in counts])
    nothing, all_ = np.zeros(picks + 1), np.ones(picks + 1)
    assert exact_coverage(nothing, highs, picks) >= 0.95 - 1e-9
    assert exact_coverage(lows, all_, picks) >= 0.95 - 1e-9


def test_a_wald_interval_would_be_found_out():
    """The usual plus or minus covers 63 % instead of 95 of a rate of 0.5 % at n = 200."""
    picks, rate = 200, 0.005
    seen = np.arange(picks + 1) / picks
    half = 1.959964 * np.sqrt(seen * (1 - seen) / picks)
    covers = (seen - half <= rate) & (rate <= seen + half)
    assert count_chances(picks, picks, rate)[covers].sum() == pytest.approx(0.63, abs=0.005)
    assert exact_coverage(np.maximum(seen - half, 0), np.minimum(seen + half, 1), picks) < 0.2


def test_a_posterior_under_a_uniform_prior():
    """Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 2.4: 437 of 980, from memory."""
    _, uniform = trial_result(437, 980).posteriors
    assert (uniform.prior, uniform.alpha, uniform.beta) == (UNIFORM, 438, 544)
    assert (round(uniform.mean, 3), round(uniform.sd, 3)) == (0.446, 0.016)
    assert round(uniform.median, 3) == 0.446
    limits = uniform.limits(0.95)
    assert (round(limits.low, 3), round(limits.high, 3)) == (0.415, 0.477)
    told = trial_result(437, 980, 0.5).answer_json()
    assert told["uniform"]["median"] == uniform.median
    # The prior matters where faults are few: without one the uniform mean is twice Jeffreys'.
    few = trial_result(0, 100).posteriors
    assert few[1].mean == pytest.approx(2 * few[0].mean, rel=0.02)


@pytest.mark.parametrize("prior", [JEFFREYS, UNIFORM])
@pytest.mark.parametrize("picks", [1, 8, 50])
def test_bayesian_intervals_cover_rates_of_their_prior(picks, prior):
    """Over rates drawn from the prior an interval covers with its own posterior mass.

    That is 95 %, and 97.5 % where no fault, or nothing else, was seen (one tail is closed).
    """
    from scipy.stats import beta, betabinom

    def limits(faults, picks, confidence):
        return Posterior(faults, picks, prior).limits(confidence)

    weight = WEIGHTS[prior]
    lows, highs = limits_of(picks, 0.95, limits)
    rates = beta.ppf((np.arange(200_000) + 0.5) / 200_000, weight, weight)
    first = np.searchsorted(highs, rates, side="left")
    last = np.searchsorted(lows, rates, side="right") - 1
    covered = chance_at_most(last, picks, rates) - chance_at_most(first - 1, picks, rates)
    marginal = betabinom.pmf([0, picks], picks, weight, weight).sum()
    assert covered.mean() == pytest.approx(0.95 + 0.025 * marginal, abs=1e-4)


# Bad bundles.


def bundled_by_enumeration(bundles: BadBundles, picks: int, rate: float) -> np.ndarray:
    """Chances of all counts, pick by pick: the count, and the kind of the bundle in hand."""
    share, good, bad = bundles.mix(rate)
    kinds = np.zeros((2, picks + 1))
    for pick in range(picks):
        if pick % bundles.bundle_picks == 0:
            going = kinds.sum(axis=0) if pick else np.eye(1, picks + 1)[0]
            kinds = np.stack([(1 - share) * going, share * going])
        for kind, chance in enumerate((good, bad)):
            moved = np.concatenate([[0], kinds[kind][:-1]])
            kinds[kind] = kinds[kind] * (1 - chance) + moved * chance
    return kinds.sum(axis=0)


@pytest.mark.parametrize("picks", [30, 50, 51, 333])
@pytest.mark.parametrize("rate", [0.0005, 0.01, 0.1, 0.3])
def test_chances_in_bad_bundles_by_enumeration(picks, rate):
    chances = bundled_by_enumeration(BUNDLES, picks, rate)
    for faults in (0, 1, 5, 20):
        found = Pattern(BUNDLES).chance_at_most(faults, picks, rate)
        assert found == pytest.approx(chances[: faults + 1].sum(), rel=1e-10)


@pytest.mark.parametrize("rate", [0.001, 0.01, 0.05])
def test_mean_and_spread_in_bad_bundles(rate):
    """The mean stays n p; the variance is n p (1 - p) (1 + (m - 1) rho), after Kish 1965."""
    picks = 8 * BUNDLES.bundle_picks
    chances = bundled_by_enumeration(BUNDLES, picks, rate)
    counts = np.arange(picks + 1)
    mean = chances @ counts
    variance = chances @ (counts - mean) ** 2
    assert mean == pytest.approx(picks * rate, rel=1e-10)
    binomial = picks * rate * (1 - rate)
    assert variance == pytest.approx(binomial * BUNDLES.design_effect(rate), rel=1e-10)
    assert variance > 1.5 * binomial  # so that the binomial one would be found out


@pytest.mark.campaign
def test_bad_bundles_make_a_trial_longer_and_a_short_one_wrong():
    bundles = bad_bundles(0.01, 0.2, 50, 0.004)
    result = trial_plan(0.01, true_rate=0.004, bundles=bundles, faults_allowed=[0, 1])
    assert result.chosen.picks > 3 * result.alone.picks
    faults, picks = result.if_alone
    assert result.passes(faults, picks, 0.01) > 0.2
    for plan in result.rows:
        assert result.passes(plan.faults, plan.picks, 0.01) <= 0.05
        assert result.passes(plan.faults, plan.picks - 1, 0.01) > 0.05
        assert result.passes(plan.faults, plan.picks, plan.rate_passing) == pytest.approx(0.9)
    assert result.chosen.passes >= 0.9


def test_bad_bundles_of_no_weight_change_nothing():
    bundles = bad_bundles(1e-9, 0.2, 50, 0.004)
    plans = trial_plan(0.01, bundles=bundles).rows
    assert [p.picks for p in plans] == [p.picks for p in trial_plan(0.01).rows]
    with_bundles, alone = trial_result(3, 900, 0.01, bundles=bundles), trial_result(3, 900, 0.01)
    assert with_bundles.exact.high == pytest.approx(alone.exact.high, rel=1e-5)
    assert with_bundles.verdict == alone.verdict


def test_a_result_in_bad_bundles_shows_less():
    bundles = bad_bundles(0.02, 0.2, 50, 0.005)
    alone, clustered = trial_result(0, 700, 0.005), trial_result(0, 700, 0.005, bundles=bundles)
    assert (alone.verdict, clustered.verdict) == ("met", "open")
    assert clustered.exact.high > alone.exact.high
    # The limit is where its own chance comes down to the risk.
    found = Pattern(bundles).chance_at_most(0, 700, clustered.at_most)
    assert found == pytest.approx(0.05, rel=1e-9)


# Sequential trials.


def course_by_enumeration(plan: SequentialPlan, rate: float, bundles: BadBundles | None):
    """Pick by pick: chance to pass, and mean length."""
    share, good, bad = bundles.mix(rate) if bundles else (0.0, rate, rate)
    size = plan.most_faults + 2
    kinds = np.zeros((2, size))
    passed = mean = 0.0
    going = np.eye(1, size)[0]
    for pick in range(1, plan.most_picks + 1):
        if pick == 1 or (bundles and (pick - 1) % bundles.bundle_picks == 0):
            going = kinds.sum(axis=0) if pick > 1 else going
            kinds = np.stack([(1 - share) * going, share * going])
        mean += kinds.sum()
        for kind, chance in enumerate((good, bad)):
            moved = np.concatenate([[0], kinds[kind][:-1] * chance])
            stayed = kinds[kind] * (1 - chance)
            for count in range(1, size):
                if pick <= plan.failed_until[count - 1]:
                    moved[count] = 0.0
            kinds[kind] = stayed + moved
        for count in range(plan.most_faults + 1):
            if pick >= plan.passed_from[count]:
                passed += kinds[:, count].sum()
                kinds[:, count] = 0.0
    return passed, mean


@pytest.mark.parametrize("bundles", [None, BUNDLES])
@pytest.mark.parametrize("rate", [0.002, 0.01, 0.03, 0.1])
def test_sequential_course_by_enumeration(rate, bundles):
    for lines, last in (((0.01, 0.10, 0.05, 0.10), 200), ((0.005, 0.02, 0.2, 0.05), 431)):
        plan = truncated(wald_lines(*lines), last)
        found = plan.course(rate, Pattern(bundles))
        passes, mean = course_by_enumeration(plan, rate, bundles)
        assert found.passes == pytest.approx(passes, rel=1e-10)
        assert found.mean_picks == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize("bundles", [None, BUNDLES])
def test_sequential_course_by_simulation(bundles):
    plan = truncated(wald_lines(0.005, 0.02, 0.1, 0.05), 700)
    rate, trials = 0.009, 4000
    rng = np.random.default_rng(5)
    ends = []
    for _ in range(trials):
        chances = np.full(plan.most_picks, rate)
        if bundles:
            share, good, bad = bundles.mix(rate)
            number = -(-plan.most_picks // bundles.bundle_picks)
            kinds = np.where(rng.random(number) < share, bad, good)
            chances = np.repeat(kinds, bundles.bundle_picks)[: plan.most_picks]
        faults_at = np.flatnonzero(rng.random(plan.most_picks) < chances) + 1
        ends.append(plan.decide(faults_at.tolist()))
    passed, picks = np.array(ends, float).T
    found = plan.course(rate, Pattern(bundles))
    for seen, exact in ((passed, found.passes), (picks, found.mean_picks)):
        assert abs(seen.mean() - exact) < 4 * seen.std() / sqrt(trials)
    # A course that knows nothing of the bundles, or of another rate, is found out.
    other = plan.course(rate * 1.15, Pattern(bundles)) if bundles is None else plan.course(rate)
    assert abs(passed.mean() - other.passes) > 4 * passed.std() / sqrt(trials)
    assert np.quantile(picks, 0.9) <= found.nine_tenths_picks


@pytest.mark.parametrize("bundles", [None, bad_bundles(0.01, 0.2, 50, 0.004)])
@pytest.mark.parametrize(
    ("rate", "chance", "sure"), one_in(2, [(0.01, 0.9, 0.95), (0.008, 0.8, 0.9)])
)
def test_sequential_plans_keep_their_risks_and_save_picks(rate, chance, sure, bundles):
    result = trial_plan(rate, sure, true_rate=0.004, pass_chance=chance, bundles=bundles)
    good, bad = (result.sequential_courses[r] for r in (0.004, rate))
    assert good.passes >= chance - 1e-9
    assert bad.passes <= 1 - sure + 1e-9
    assert good.mean_picks < 0.8 * result.chosen.picks
    assert bad.mean_picks < 0.8 * result.chosen.picks
    if bundles is None:
        # The fixed plan may end at the first fault too many, too.
        plan = result.chosen
        assert bad.mean_picks < picks_until_failed(plan.faults, plan.picks, rate)


def test_the_curve_of_somebody_who_takes_no_account_of_bad_bundles():
    result = trial_plan(0.01, bundles=BUNDLES)
    faults, picks = result.if_alone
    assert (faults, picks) == (0, picks_needed(0, 0.01, 0.95))
    curve = result.curve
    alone, planned = curve[f"passes_0_in_{picks}"], curve[f"passes_0_in_{result.main.picks}"]
    assert (alone[1:] > planned[1:]).all()
    assert alone.iloc[-1] == result.passes(0, picks, curve["rate"].iloc[-1])
    planned_as_if_alone = replace(result, alone=replace(result.main, faults=3, picks=700))
    assert planned_as_if_alone.if_alone == (3, 700)
    assert result.sequential_courses == {}
    with pytest.raises(ValueError, match="no number of picks"):
        result.affordable_passes(0.01)
    afforded = trial_plan(0.01, picks=500)
    assert afforded.affordable == 1
    assert afforded.affordable_passes(0.01) == chance_at_most(1, 500, 0.01)


def test_a_sequential_plan_that_saves_nothing_is_not_offered():
    bundles = bad_bundles(0.01, 0.2, 50, 0.004)
    result = trial_plan(0.02, 0.9, true_rate=0.004, pass_chance=0.8, bundles=bundles)
    assert result.chosen.picks < 400
    assert result.sequential is None


def test_a_sequential_plan_too_long_to_work_out_is_not_offered(monkeypatch):
    tiny = Pattern(bad_bundles(0.01, 0.2, 2, 0.004))
    assert sequential_plan(0.004, 0.01, 0.1, 0.05, 60_000, tiny) is None
    monkeypatch.setattr(sequential, "ATTEMPTS", 0)
    assert sequential_plan(0.004, 0.01, 0.1, 0.05, 1700) is None


@pytest.mark.parametrize(("producer", "consumer"), [(0.01, 0.4), (0.1, 0.1)])
def test_a_sequential_plan_is_cut_off_while_both_risks_allow_it(producer, consumer, monkeypatch):
    """In the first case the good bags' risk ends it, in the second one the bad bags'."""
    plan = sequential_plan(0.05, 0.2, producer, consumer, 80)
    monkeypatch.setattr(sequential, "ATTEMPTS", 3)
    longer = sequential_plan(0.05, 0.2, producer, consumer, 80)
    assert longer.most_picks > plan.most_picks
    for each in (plan, longer):
        assert each.course(0.05).passes >= 1 - producer - 1e-9
        assert each.course(0.2).passes <= consumer + 1e-9


def test_a_sequential_plan_made_for_faults_alone_fails_in_bad_bundles():
    plan = sequential_plan(0.004, 0.01, 0.1, 0.05, 1700)
    bundles = bad_bundles(0.01, 0.2, 50, 0.004)
    assert plan.course(0.01).passes <= 0.05 + 1e-9
    assert plan.course(0.01, Pattern(bundles)).passes > 0.15


# Results.


@pytest.mark.parametrize(
    ("faults", "picks", "verdict"),
    [(0, 598, "met"), (0, 597, "open"), (1, 947, "met"), (10, 900, "missed"), (5, 1000, "open")],
)
def test_verdicts_go_with_the_limits(faults, picks, verdict):
    result = trial_result(faults, picks, 0.005)
    assert result.verdict == verdict
    assert (result.at_most <= 0.005) == (verdict == "met")
    assert (result.at_least > 0.005) == (verdict == "missed")


@pytest.mark.campaign
def test_a_wrong_verdict_is_as_seldom_as_stated():
    """Over all results at rates beside the contract's: exactly, no simulation."""
    picks, rate = 900, 0.005
    verdicts = [trial_result(faults, picks, rate).verdict for faults in range(40)]
    at_rate = count_chances(39, picks, rate)
    assert at_rate[[v == "met" for v in verdicts]].sum() <= 0.05
    assert at_rate[[v == "missed" for v in verdicts]].sum() <= 0.05
    assert at_rate.sum() == pytest.approx(1)


LONGER_TRIALS = ((1, 600), (2, 650), (3, 1000))


def two_looks_by_enumeration(first: int, picks: int, faults: int, more: int, rate: float) -> float:
    early, late = count_chances(300, picks, rate), count_chances(300, more, rate)
    return sum(
        early[x] * (1.0 if x <= first else late[: max(faults - x + 1, 0)].sum()) for x in range(301)
    )


@pytest.mark.parametrize(
    ("faults", "picks"),
    [(1, 500), *(pytest.param(*told, marks=pytest.mark.campaign) for told in LONGER_TRIALS)],
)
def test_a_second_look_keeps_the_risk(faults, picks):
    result = trial_result(faults, picks, 0.005)
    first = max((x for x in range(5) if exact_met(x, picks)), default=-1)
    for further in (result.clean, result.likely):
        risk = two_looks_by_enumeration(first, picks, further.faults, further.more, 0.005)
        assert further.risk == pytest.approx(risk, rel=1e-9)
        assert risk <= 0.05 + 1e-9
    fewer = result.clean.more - 1
    assert two_looks_by_enumeration(first, picks, faults, fewer, 0.005) > 0.05
    assert result.likely.passes >= 0.9


def exact_met(faults: int, picks: int) -> bool:
    return trial_result(faults, picks, 0.005).verdict == "met"


def test_a_second_look_as_long_as_a_first_would_pass_too_often():
    """1 in 600 is open; going on to 947, as a single look would, passes bad bags too often."""
    looks = _TwoLooks(1, 600, 0.005, 0.95)
    assert looks.risk(1, 947 - 600) > 0.06
    assert ALONE.chance_at_most(1, 947, 0.005) <= 0.05


def test_what_a_result_says_of_bags_no_better_than_the_contract():
    result = trial_result(6, 1000, 0.005)
    assert result.verdict == "open"
    assert result.likely is None


# The command line.


def test_plan_command(feedsim):  # noqa: F811
    code, out, err = feedsim("trial", "plan", "--rate", "0.005", "--true-rate", "0.002")
    assert code == 0
    assert out.startswith("3,389 picks with at most 10 faults show a rate of at most 0.5 %")
    [folder] = Path("outputs").iterdir()
    assert folder.name.startswith("trial-plan-0.005-")
    assert str(folder) in err
    assert {path.name for path in folder.iterdir()} == {
        *("manifest.json", "answer.json", "plans.csv", "curve.csv"),
        *("trial_plan.png", "trial_plan.svg", "trial_sequential.png", "trial_sequential.svg"),
    }
    assert json.loads((folder / "manifest.json").read_text())["finished"]


def test_plan_in_json(feedsim):  # noqa: F811
    code, out, _ = feedsim("trial", "plan", "--rate", "0.01", "--faults-allowed", "2..", "--json")
    document = json.loads(out)
    assert code == 0
    assert (document["schema"], document["command"]) == (1, "trial plan")
    assert [plan["faults"] for plan in document["trial"]["plans"]] == [2, 3, 4, 5, 6, 7]
    assert document["trial"]["plans"][0]["picks"] == 628


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["plan", "--rate", "0.001", "--picks", "2994"], 1),
        (["plan", "--rate", "0.001", "--picks", "2995"], 0),
        (["plan", "--rate", "0.01", "--true-rate", "0.0099"], 1),
        (["plan", "--rate", "0.01", "--true-rate", "0.02"], 0),
        (["result", "--faults", "0", "--picks", "598", "--rate", "0.005"], 0),
        (["result", "--faults", "0", "--picks", "597", "--rate", "0.005"], 1),
        (["result", "--faults", "30", "--picks", "597", "--rate", "0.005"], 1),
        (["result", "--faults", "30", "--picks", "597"], 0),
        (["result", "--faults", "3", "--picks", "3"], 0),
        (["result", "--faults", "1", "--picks", "1", "--rate", "0.5"], 1),
    ],
)
def test_exit_codes(feedsim, words, code):  # noqa: F811
    assert feedsim("trial", *words, "--out", "answer")[0] == code
    assert json.loads(Path("answer/manifest.json").read_text())["finished"]


@pytest.mark.draws
def test_same_question_same_files(feedsim):  # noqa: F811
    for folder in ("a", "b"):
        feedsim(
            "trial", "result", "--faults", "1", "--picks", "500", "--rate", "0.005", "--out", folder
        )
    for name in ("answer.json", "intervals.csv", "trial_result.png", "trial_result.svg"):
        assert (Path("a") / name).read_bytes() == (Path("b") / name).read_bytes()


def test_another_answer_is_not_overwritten(feedsim):  # noqa: F811
    words = ("trial", "result", "--picks", "500", "--out", "answer")
    assert feedsim(*words, "--faults", "1")[0] == 0
    assert feedsim(*words, "--faults", "1")[0] == 0
    code, _, err = feedsim(*words, "--faults", "2")
    assert code == 2
    assert "holds another answer" in err
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("keep")
    assert feedsim("trial", "plan", "--rate", "0.1", "--out", "mine")[0] == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["plan"], "--rate"),
        (["plan", "--rate", "2"], "--rate: is 2, allowed"),
        (["plan", "--rate", "nan"], "--rate: is nan"),
        (["plan", "--rate", "0.01", "--confidence", "1"], "--confidence: must be a number above 0"),
        (["plan", "--rate", "0.01", "--pass-chance", "0"], "--pass-chance: is 0"),
        (["plan", "--rate", "0.01", "--true-rate", "-1"], "--true-rate: is -1"),
        (["plan", "--rate", "0.01", "--faults-allowed", "5..2"], "--faults-allowed"),
        (["plan", "--rate", "0.01", "--faults-allowed", "x"], "--faults-allowed"),
        (["plan", "--rate", "0.01", "--faults-allowed", "900"], "--faults-allowed"),
        (["plan", "--rate", "0.01", "--picks", "0"], "--picks: is 0"),
        (["plan", "--rate", "1e-9"], "--rate: 1e-09"),
        (["plan", "--rate", "0.01", "--bad-share", "0.1"], "--bad-missed: is missing"),
        (
            ["plan", "--rate=0.01", "--bad-share=0.1", "--bad-missed=0.2", "--bundle=50"],
            "--bad-share: 0.1",
        ),
        (["result", "--faults", "5", "--picks", "3"], "--faults: is 5, allowed: 0 to 3"),
        (["result", "--faults", "-1", "--picks", "3"], "--faults: is -1"),
        (["result", "--faults", "0", "--picks", "9", "--bad-share", "0.1"], "--bad-missed"),
        (["result", "--faults", "0.5", "--picks", "9"], "--faults"),
    ],
)
def test_bad_input_gets_one_line(feedsim, words, told):  # noqa: F811
    code, out, err = feedsim("trial", *words)
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.strip().splitlines()) == 1
    assert not Path("outputs").exists()


def test_what_makes_no_sense_is_refused():
    for values, told in (((0.03, 0.2, 0, 0.01), "--bundle"), ((0.03, 0.005, 50, 0.01), "missed")):
        with pytest.raises(TrialError, match=told):
            bad_bundles(*values)
    with pytest.raises(TrialError, match="--faults-allowed: is empty"):
        trial_plan(0.01, faults_allowed=[])
    with pytest.raises(TrialError, match="--faults-allowed: is -1"):
        trial_plan(0.01, faults_allowed=[-1, 2])


def test_what_is_too_much_to_count_is_told():
    with pytest.raises(OverflowError, match="512 faults"):
        Pattern(BUNDLES).chance_at_most(513, 60_000, 0.01)
    with pytest.raises(OverflowError, match="more picks"):
        fewest(lambda picks: 1.0, 1, 0.5)
    # The second look that would pass has more picks than any trial.
    assert trial_result(0, 100, 1e-7).clean is not None
    assert trial_result(0, 100, 1e-9).clean is None
    # All picks failed: no rate is too high.
    assert Pattern(BUNDLES).rate_where(5, 5, 0.05) == 1


def test_results_say_themselves_in_a_line():
    assert repr(trial_plan(0.01)) == "PlanResult(rate 0.01: 0 in 299 picks)"
    assert repr(trial_result(1, 600)) == "TrialResult(1 in 600: 4.22e-05 to 0.00925)"
    assert repr(trial_result(1, 600, 0.01)).endswith(", met)")
    assert trial_result(1, 600).chance_within is None


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, float("nan"), float("inf")])
def test_what_is_no_share_is_refused(share):
    with pytest.raises(TrialError, match="allowed"):
        trial_plan(share)
    with pytest.raises(TrialError, match="allowed"):
        trial_result(1, 10, confidence=share)
