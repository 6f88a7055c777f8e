"""Targets and their judge: limits, verdicts, looks, and what a zero is worth."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from feedsim.answers.rows import Row
from feedsim.answers.targets import (
    LOOKS_GROW,
    MET,
    MISSED,
    OPEN,
    Judge,
    Target,
    TargetError,
    check,
    last_met,
    looks,
    refuse_unjudgeable,
)
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.measures import GENERAL, Figure
from feedsim.study import Setting, Shifts
from feedsim.verify.case import KERNEL

NAMED = {measure.name: measure for measure in GENERAL}


def figure_of(name: str, values, seen=None) -> Figure:
    values = np.asarray(values, float)
    seen = values > 0 if seen is None else np.asarray(seen)
    return Figure(NAMED[name], float(values.mean()), values - values.mean(), seen)


def row_of(*figures: Figure) -> Row:
    named = {figure.measure.name: figure for figure in figures}
    return Row(0, {}, "oats", named, 0.95, len(figures[0].deviations), 100)


@pytest.mark.parametrize("alpha", [0.05, 0.0125, 0.001])
def test_limits_are_students(alpha):
    """scipy.stats.t, as an outside source of the one-sided limits of a mean."""
    values = np.random.default_rng(3).normal(0.8, 0.05, 37)
    error = stats.sem(values)
    low = stats.t.ppf(alpha, 36, loc=values.mean(), scale=error)
    high = stats.t.ppf(1 - alpha, 36, loc=values.mean(), scale=error)
    found = figure_of("oee", values)
    assert found.at_least(alpha) == pytest.approx(low)
    assert found.at_most(alpha) == pytest.approx(high)


@pytest.mark.parametrize("replications", [10, 40, 2560])
def test_a_zero_is_trusted_no_further_than_the_exact_limit(replications):
    """scipy's Clopper-Pearson limit at 0 of n, of the chance that a shift is dry at all."""
    alpha = 0.02
    exact = stats.binomtest(0, replications).proportion_ci(1 - 2 * alpha, "exact").high
    found = figure_of("dry_share", np.zeros(replications))
    assert found.at_most(alpha) == pytest.approx(exact)
    target = Target("dry_share", exact * 1.001)
    assert check(target, row_of(found), alpha, 0.95).verdict == MET
    target = Target("dry_share", exact * 0.999)
    assert check(target, row_of(found), alpha, 0.95).verdict == OPEN


def test_few_events_have_the_limit_of_chance_times_size():
    """Own derivation: Clopper-Pearson (scipy) times Student's limit of the size, half a risk each.

    Three of 40 shifts were dry for 1, 2 and 3 % of the time.
    """
    alpha, sizes = 0.04, np.array([0.01, 0.02, 0.03])
    values = np.concatenate([np.zeros(37), sizes])
    chance = stats.beta.ppf(1 - alpha / 2, 4, 37)
    size = sizes.mean() + stats.t.ppf(1 - alpha / 2, 2) * stats.sem(sizes)
    found = figure_of("dry_share", values)
    assert found.is_seldom
    assert found.at_most(alpha) == pytest.approx(chance * size)
    # The mean's own limit would trust the rare event too far.
    assert found.at_most(alpha) > stats.t.ppf(
        1 - alpha, 39, loc=values.mean(), scale=stats.sem(values)
    )


def test_a_seldom_event_is_never_surely_missed():
    values = np.concatenate([np.zeros(30), np.full(10, 0.5)])
    found = check(Target("dry_share", 0.01), row_of(figure_of("dry_share", values)), 0.05, 0.95)
    assert found.verdict == OPEN


@pytest.mark.parametrize(
    ("measure", "value", "verdict"),
    [("oee", 0.7, MET), ("oee", 0.8, OPEN), ("oee", 0.9, MISSED)],
)
def test_verdicts_of_what_must_be_reached(measure, value, verdict):
    values = 0.8 + 0.1 * np.sin(np.arange(100))
    assert check(Target(measure, value), row_of(figure_of("oee", values)), 0.05, 0.95).verdict == (
        verdict
    )


@pytest.mark.parametrize(("value", "verdict"), [(0.9, MET), (0.8, OPEN), (0.7, MISSED)])
def test_verdicts_of_what_may_be_at_most(value, verdict):
    values = 0.8 + 0.1 * np.sin(np.arange(100))
    found = check(Target("dry_share", value), row_of(figure_of("dry_share", values)), 0.05, 0.95)
    assert found.verdict == verdict
    assert found.distance > 0 if verdict == MET else found.distance <= 0.01


@pytest.mark.parametrize(("first", "budget"), [(40, 40), (40, 2560), (30, 100), (100, 40), (1, 7)])
def test_the_looks_share_the_whole_risk(first, budget):
    taken = looks(first, budget)
    numbers = [number for number, _ in taken]
    assert sum(part for _, part in taken) == pytest.approx(1)
    assert numbers == sorted(set(numbers))
    assert numbers[-1] == budget
    assert all(b <= LOOKS_GROW * a for a, b in pairwise(numbers))


def test_early_looks_at_what_lies_on_the_target_are_wrong_within_the_risk():
    """Simulated: a mean on the very target is called above it in at most 5 % of cases.

    With the whole risk at every look it would be more: the control must be found out.
    """
    rng = np.random.default_rng(11)
    shared = spent = 0
    for _ in range(2000):
        values = rng.normal(0, 1, 640)
        called = [
            figure_of("oee", values[:number] + 1, np.ones(number)).at_least(0.05 * part) > 1
            for number, part in looks(40, 640)
        ]
        again = [
            figure_of("oee", values[:number] + 1, np.ones(number)).at_least(0.05) > 1
            for number, _ in looks(40, 640)
        ]
        shared += any(called)
        spent += any(again)
    assert shared / 2000 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert spent / 2000 > 0.08


CELL = """
[study]
shift_h = 1
replications = 20
[[machine]]
name = "a"
speed_per_min = 30
[machine.magazine]
capacity_bags = 2000
[machine.bag]
faults = {{ missed = {missed} }}
[[machine]]
name = "b"
speed_per_min = 30
[machine.magazine]
capacity_bags = 2000
"""


def judged(text: str, *targets: Target, **more):
    config = parse_config(text)
    with Shifts(1, KERNEL) as shifts:
        judge = Judge(shifts, targets, confidence=0.95, first=20, budget=1280, **more)
        found = judge.decide([Setting({}, build_cell(config))])[0]
        return found, shifts.simulated


def test_a_clear_case_takes_the_first_look_only():
    found, simulated = judged(CELL.format(missed=0.05), Target("oee", 0.5))
    assert found.verdict == MET
    assert found.replications == simulated == 20


def test_a_close_case_takes_the_budget():
    """In 1,800 cycles at misses of 5 %, three in a row never mattering, OEE is 95 %."""
    text = CELL.format(missed=0.05).replace(
        "[machine.bag]", "[machine.pick]\nmisses_to_stop = 0\n[machine.bag]"
    )
    found, simulated = judged(text, Target("oee", 0.95))
    assert found.replications == simulated == 1280
    assert found.cell["oee"].value == pytest.approx(0.975, abs=0.002)


def test_every_machine_must_meet_a_target():
    text = CELL.format(missed=0.3)
    found, _ = judged(text, Target("oee", 0.9))
    assert found.verdict == MISSED
    assert {check.machine: check.verdict for check in found.checks} == {"a": MISSED, "b": MET}
    assert found.worst.machine == "a"
    alone, _ = judged(text, Target("oee", 0.9), tables=["b"])
    assert alone.verdict == MET


def test_the_crew_is_judged_once_for_the_cell():
    found, _ = judged(CELL.format(missed=0), Target("crew_busy", 0.9), Target("oee", 0.5))
    assert [check.machine for check in found.checks] == [None, "a", "b"]


def test_no_target_and_no_crew_are_refused():
    cell = build_cell(parse_config(CELL.format(missed=0)))
    with pytest.raises(TargetError, match="--oee"):
        refuse_unjudgeable([], cell)
    alone = parse_config(CELL.format(missed=0) + "[crew]\noperators = 0\n")
    with pytest.raises(TargetError, match="--crew-busy"):
        refuse_unjudgeable([Target("crew_busy", 0.5)], build_cell(alone))


class _Found:
    def __init__(self, met: bool) -> None:
        self.is_met = met


@pytest.mark.parametrize(
    ("verdicts", "last"),
    [([], None), ([0], None), ([1], 0), ([1, 1, 0, 1], 1), ([0, 1], None), ([1, 1], 1)],
)
def test_the_last_that_is_met_with_all_before_it(verdicts, last):
    assert last_met({place: _Found(bool(met)) for place, met in enumerate(verdicts)}) == last


def test_the_risk_is_shared_out_over_targets_and_machines():
    """Bonferroni, by hand: two machines and two targets leave a quarter of the risk to each."""
    text = CELL.format(missed=0.05)
    with Shifts(1, KERNEL) as shifts:
        targets = [Target("oee", 0.5), Target("packs_per_h", 10)]
        judge = Judge(shifts, targets, confidence=0.9, first=30, budget=30)
        [evidence] = judge.decide([Setting({}, build_cell(parse_config(text)))])
    assert len(evidence.checks) == 4
    for made in evidence.checks:
        figure = evidence.row(made.machine).figures[made.target.measure]
        spread = np.std(figure.deviations, ddof=1) / np.sqrt(30)
        assert made.limit == pytest.approx(
            figure.value - stats.t.ppf(1 - 0.1 / 4, 29) * spread, rel=1e-9
        )
