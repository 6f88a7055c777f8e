"""Efficiency runs: chances to pass against theory, the length of a trial, the command."""

from __future__ import annotations

import json
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from campaigns import one_in
from test_cli import feedsim  # noqa: F401 (a fixture)

from feedsim.answers.trial import TrialError
from feedsim.answers.trial_efficiency import (
    Bench,
    EfficiencyTrial,
    Length,
    Point,
    ShareOfTrials,
    run_config,
    trial_efficiency,
)
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.stats import Estimate
from feedsim.verify.case import KERNEL

ROOT = Path(__file__).parents[1]

# A machine whose only losses are stops of ten minutes, after an hour of running on average.
LINE = """
[study]
shift_h = 8
replications = 2000
[[machine]]
name = "pouch machine"
speed_per_min = 60
[machine.magazine]
capacity_bags = 100000
bundle_bags = 100000
[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 60 }
stop = { family = "constant", mean_min = 10 }
"""


def asked(target: float, hours: float = 8, **more):
    return EfficiencyTrial(target, hours, **more)


def passes_in_theory(target: float, hours: float, mean_min: float, stop_min: float = 10) -> float:
    """The run is passed if the stop that would be one too many has not come in time.

    Own derivation: of h minutes d = h (1 - target) may be lost. k whole stops and d - 10 k minutes
    of another are lost in d; so the (k + 1)th may begin no sooner than after h - d minutes of
    running, and stops come in running time as a Poisson process.
    """
    from scipy.stats import poisson

    minutes = 60 * hours
    lost = minutes * (1 - target)
    return float(poisson.cdf(lost // stop_min, (minutes - lost) / mean_min))


@pytest.mark.parametrize("target", [0.80, 0.84, 0.88, 0.92])
def test_chance_to_pass_against_theory(target):
    result = trial_efficiency(parse_config(LINE), asked(target), work=KERNEL)
    # A stop waits for its cycle's end: half of a second in an hour.
    checked = 0
    for point in result.points:
        if 0.5 <= point.factor <= 4:
            theory = passes_in_theory(target, 8, 60 / point.factor)
            spread = sqrt(max(theory * (1 - theory), 1e-3) / point.passes.trials)
            assert abs(point.passes.value - theory) < 4 * spread + 0.002, point.factor
            checked += 1
    assert checked >= 4
    own = result.own.passes.value
    wrong = passes_in_theory(target, 8, 50)  # a line that stops more often is found out
    assert abs(own - wrong) > 4 * sqrt(wrong * (1 - wrong) / 2000)


def test_true_efficiency_falls_with_the_frequency_of_stops():
    result = trial_efficiency(parse_config(LINE), asked(0.85), work=KERNEL)
    points = sorted(result.points, key=lambda point: point.factor)
    true = [point.efficiency.value for point in points]
    assert true == sorted(true, reverse=True)
    assert true[0] == pytest.approx(1, abs=1e-4)
    # Mean up time 60, down 10: in the long run 6/7; a run begins running, so a little above.
    assert result.own.efficiency.value == pytest.approx(6 / 7, abs=0.015)


def test_a_line_without_luck_passes_always_or_never():
    still = LINE.partition("[[machine.station]]")[0].replace("2000", "20")
    result = trial_efficiency(parse_config(still), asked(0.99), work=KERNEL)
    assert [point.factor for point in result.points] == [1.0]
    assert result.own.passes.value == 1
    regular = LINE.replace('family = "exponential"', 'family = "constant"')
    # Seven stops in eight hours: of 480 minutes at most 70 are lost, 60 at least.
    for target, chance in ((0.90, 0.0), (0.84, 1.0)):
        result = trial_efficiency(parse_config(regular), asked(target), work=KERNEL)
        assert result.own.passes.value == chance


def test_several_runs_are_judged_together():
    config = parse_config(LINE)
    one = trial_efficiency(config, asked(0.85), work=KERNEL)
    four = trial_efficiency(config, asked(0.85, runs=4), work=KERNEL)
    assert four.own.passes.trials == 500
    assert np.std(four.own.values) == pytest.approx(np.std(one.own.values) / 2, rel=0.1)
    # Above the target, four runs pass surer than one.
    assert four.own.passes.value > one.own.passes.value


def test_the_length_keeps_the_risks():
    config = parse_config(LINE)
    trial = asked(0.85, good=0.89, bad=0.80, producer_risk=0.1, consumer_risk=0.05)
    result = trial_efficiency(config, trial, work=KERNEL)
    length = result.length
    assert result.good.efficiency.value == pytest.approx(0.89, abs=0.001)
    assert result.bad.efficiency.value == pytest.approx(0.80, abs=0.001)
    assert length.good_fails_at_most <= 0.1
    assert length.bad_passes_at_most <= 0.05
    assert length.runs > 1
    # On luck of its own both risks are kept at this length, and one of them not at half of it.
    other = config.with_values({"study.seed": 77})
    for runs, is_kept in ((length.runs, True), (max(1, length.runs // 2), False)):
        again = trial_efficiency(
            other, asked(0.85, good=0.89, bad=0.80, runs=runs), replications=6000, work=KERNEL
        )
        fails, passes = 1 - again.good.passes.value, again.bad.passes.value
        assert (fails <= 0.1 and passes <= 0.05) == is_kept


def test_a_line_below_the_target_has_no_length():
    result = trial_efficiency(parse_config(LINE), asked(0.9, bad=0.7), work=KERNEL)
    assert result.own.efficiency.value < 0.9
    assert result.length is None


class StubBench(Bench):
    """Lines whose efficiency is a function of the frequency of stops, and trials that fail."""

    def __init__(self, efficiency, factors=(0.0, 16.0)):
        config = parse_config(LINE)
        super().__init__(build_cell(config), asked(0.85, bad=0.7), 0.95, 20, ())
        self.efficiency = efficiency
        self.lengths = []
        for factor in factors:
            self.point(factor)

    def _simulated(self, factor):
        value = self.efficiency(factor)
        return Point(
            factor, Estimate(value, value, value, 20, 20), ShareOfTrials(1, 2, 0.95), np.ones(2)
        )

    def _length(self, runs, good, bad):
        self.lengths.append(runs)
        return Length(runs, ShareOfTrials(1, 2, 0.95), 1.0, ShareOfTrials(0, 2, 0.95), 0.0)


def fall(factor):
    """An efficiency that falls suddenly where stops are as frequent as in the config."""
    return (0.9 if factor < 1 else 0.2) - 1e-6 * factor


def test_a_line_of_an_efficiency_is_looked_for_between_those_known():
    bench = StubBench(lambda factor: 1 / (1 + factor / 6))
    assert bench.solve("--good", 0.8).factor == pytest.approx(1.5, abs=0.005)
    # Of a sudden fall the nearest line tried is taken, after twelve more.
    sudden = StubBench(fall)
    nearest = sudden.solve("--good", 0.6)
    assert nearest.efficiency.value == pytest.approx(0.9, abs=1e-5)
    assert 0.9 < nearest.factor < 1
    assert len(sudden.points) == 2 + 12
    # Between two neighbouring factors of six digits there is no other.
    near = StubBench(fall, (0.999999, 1.0))
    assert near.solve("--bad", 0.5).factor == 1.0
    assert len(near.points) == 2


@pytest.mark.parametrize(("budget", "tried"), [(10**6, 31), (1000, 5), (0, 0)])
def test_no_length_is_claimed_where_the_risks_are_never_kept(budget, tried):
    """Up to 31 runs, of at least 200 trials each; no more shifts than may be spent."""
    bench = StubBench(lambda factor: 1 / (1 + factor / 6))
    good, bad = bench.point(0.5), bench.point(8.0)
    assert bench.shortest(good, bad, budget) is None
    assert bench.lengths == list(range(1, tried + 1))


def test_same_answer_from_both_engines_and_by_seed():
    from feedsim.study import Work

    config = parse_config(LINE)
    found = [
        trial_efficiency(config, asked(0.85, 2), replications=6, work=Work(engine=engine)).frame()
        for engine in ("simpy", "compiled")
    ]
    assert found[0].equals(found[1])


def test_leaving_a_station_out_is_a_line_without_it():
    second = (
        LINE
        + """
[[machine.station]]
name = "case packer"
between_stops = { family = "exponential", mean_min = 40 }
stop = { family = "constant", mean_min = 5 }
"""
    )
    alone = trial_efficiency(parse_config(LINE), asked(0.85), work=KERNEL)
    left = trial_efficiency(
        parse_config(second), asked(0.85, leave_out=("case packer",)), work=KERNEL
    )
    with_it = trial_efficiency(parse_config(second), asked(0.85), work=KERNEL)
    assert np.array_equal(alone.own.values, left.own.values)
    assert with_it.own.passes.value < alone.own.passes.value - 0.2


def test_a_run_without_planned_time_is_refused():
    lunch = '[[planned_stop]]\nname = "lunch"\nat_h = 0\ntakes_min = 120\nkind = "break"\n'
    with pytest.raises(TrialError, match="--hours: some runs have no planned busy time"):
        trial_efficiency(parse_config(LINE + lunch), asked(0.85, 2), replications=20, work=KERNEL)


def test_a_run_and_its_warm_up_are_at_most_a_week():
    config = parse_config(LINE).with_values({"study.warm_up_h": 1})
    with pytest.raises(TrialError, match="--hours: is 168 after a warm-up of 1 h, allowed: 168 h"):
        run_config(config, 168)


def test_one_machine_of_a_line_with_an_outfeed():
    behind = 'place = "outfeed"\n[machine.outfeed]\naccumulation_packs = 100000\n'
    second = LINE[LINE.index("[[machine]]") :].replace("pouch machine", "second")
    config = parse_config(LINE + second + behind)
    found = [
        trial_efficiency(config, asked(0.85, 2, machine=name), replications=400, work=KERNEL)
        for name in ("pouch machine", "second")
    ]
    # The stops behind the second machine's accumulation, which never fills, cost it nothing.
    assert found[0].own.efficiency.high < 0.9
    assert found[1].own.efficiency.value > 0.999
    assert found[0].points[-1].efficiency.value > 0.999
    assert repr(found[0]).startswith("EfficiencyResult(true 0.8")


def test_availability_leaves_short_stops_out():
    text = LINE.replace("mean_min = 10", "mean_min = 4")
    found = {
        measure: trial_efficiency(
            parse_config(text), asked(0.9, measure=measure), work=KERNEL
        ).own.efficiency.value
        for measure in ("oee", "availability")
    }
    assert found["availability"] == 1
    assert found["oee"] < 0.96


def test_the_calendar_after_the_run_is_left_out():
    text = LINE + (
        '[[planned_stop]]\nname = "cleaning"\nat_h = 5\ntakes_min = 20\n'
        "[[crew.break]]\nat_h = 1\ntakes_min = 15\n"
    )
    config, later = run_config(parse_config(text), 3)
    assert later == ("cleaning at 5 h",)
    assert (len(config.planned_stop), len(config.crew.breaks)) == (0, 1)
    config, later = run_config(parse_config(text), 8)
    assert later == ()
    assert config.study.shift_h == 8


def test_a_warm_up_comes_before_the_run():
    config, _ = run_config(
        parse_config(LINE.replace("shift_h = 8", "shift_h = 8\nwarm_up_h = 1")), 4
    )
    assert config.study.shift_h == 5


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"target": 1.2}, "--target"),
        ({"hours": 0}, "--hours"),
        ({"hours": 200}, "--hours"),
        ({"runs": 0}, "--runs"),
        ({"measure": "speed"}, "--measure"),
        ({"good": 0.8}, "--good"),
        ({"bad": 0.9}, "--bad"),
        ({"consumer_risk": 0}, "--consumer-risk"),
        ({"machine": "x"}, "--machine"),
        ({"leave_out": ("x",)}, "--leave-out"),
        ({"runs": 30}, "--replications"),
        ({"good": 0.99999}, None),
        ({"bad": 0.01}, "--bad"),
    ],
)
def test_what_makes_no_sense_is_refused(values, told):
    def ask():
        given = {"target": 0.85, "hours": 2, **values}
        return trial_efficiency(
            parse_config(LINE), EfficiencyTrial(**given), replications=20, work=KERNEL
        )

    if told is None:
        assert ask().good is not None
        return
    with pytest.raises(TrialError, match=f"{told}: .*allowed"):
        ask()


def test_command(feedsim):  # noqa: F811
    Path("line.toml").write_text(LINE.replace("2000", "40"))
    code, out, _ = feedsim(
        *("trial", "efficiency", "line.toml", "--hours", "4", "--target", "0.85"),
        *("--json", "--out", "study", "--jobs", "1", "--replications", "60"),
    )
    document = json.loads(out)
    assert code == 0
    assert document["trial"]["own"]["passes"]["trials"] == 60
    assert {path.name for path in Path("study").iterdir()} == {
        *("config.toml", "resolved.toml", "manifest.json", "runs.sqlite", "answer.json"),
        *("replications.csv", "summary.csv", "curve.csv", "trials.csv"),
        *("trial_efficiency.png", "trial_efficiency.svg"),
    }
    code, out, _ = feedsim("trial", "efficiency", "line.toml", "--hours", "4", "--target", "0.9")
    assert out.startswith("The line's true OEE is ")
    assert "400 trials" in out  # a config's few shifts are too few for a chance


@pytest.mark.parametrize(
    ("words", "code"),
    one_in(
        2,
        [
            (["--target", "0.85", "--producer-risk", "0.1"], 1),
            (["--target", "0.9", "--bad", "0.7"], 1),
            (["--target", "0.7", "--bad", "0.5"], 0),
            (["--target", "0.5", "--producer-risk", "0.1"], 0),
            (["--target", "1.7"], 2),
            (["--target", "0.7", "--precision", "oee=0.01"], 2),
        ],
    ),
)
def test_exit_codes(feedsim, words, code):  # noqa: F811
    Path("line.toml").write_text(LINE)
    words = ["trial", "efficiency", "line.toml", "--hours", "8", "--jobs", "1", *words]
    assert feedsim(*words)[0] == code
