"""What is said of a capacity curve: where it levels off, what a step brings, what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from feedsim.answers.capacity import (
    CAPACITY,
    ROUNDS,
    CapacityError,
    CapacityResult,
    capacity,
    default_bags,
    levels_off_at,
)
from feedsim.answers.rows import Row
from feedsim.answers.run import run
from feedsim.config import load_config, parse_config
from feedsim.engines import SIMPY
from feedsim.measures import OEE, Figure
from feedsim.study import TooLarge, Work, cost_text

CELL = """
[study]
shift_h = 1
replications = 4

[[machine]]
name = "oats"
speed_per_min = 30

[machine.magazine]
capacity_bags = {own}
bundle_bags = {bundle}
call_level_bags = {call}
"""
THREE_MACHINES = Path(__file__).parents[1] / "configs" / "granola_three_machines.toml"
NOISE = np.array([0.01, -0.01, 0.005, -0.005] * 5)


def cell(own=100, bundle=25, call=25):
    return parse_config(CELL.format(own=own, bundle=bundle, call=call))


def curve(values, noise=NOISE, own=0.0005):
    """Rows whose OEE shares its noise but for a little of its own."""
    rows = []
    for number, value in enumerate(values):
        deviations = noise + own * np.roll(NOISE, number) / 0.01
        figures = {"oee": Figure(OEE, value, deviations, np.ones(len(noise), dtype=bool))}
        rows.append(Row(number, {CAPACITY: 25 * (number + 1)}, None, figures, 0.95, len(noise), 1))
    return rows


@pytest.mark.parametrize(
    ("values", "level"),
    [
        ([0.50, 0.60, 0.63, 0.632], 2),
        ([0.50, 0.55, 0.60], 2),
        ([0.60, 0.60, 0.60], 0),
        ([0.63, 0.60, 0.58], 0),
        ([0.60, 0.58, 0.63], 2),
        ([0.60], 0),
    ],
)
def test_a_curve_levels_off_where_nothing_larger_adds_half_a_point(values, level):
    rows = curve(values)
    assert levels_off_at(rows) is rows[level]


def test_a_level_is_not_claimed_where_the_difference_is_not_known():
    # The same values with noise of their own: half a point could still be hidden.
    rows = curve([0.50, 0.63, 0.632], own=0.05)
    assert levels_off_at(rows) is rows[-1]


def test_default_capacities_lie_around_the_own_one():
    assert default_bags(cell()) == [50, 75, 100, 125, 150, 175, 200, 225, 250, 275]
    # Smaller ones stop above the call level; larger ones make up the ten.
    assert default_bags(cell(own=60, bundle=10, call=0)) == list(range(20, 120, 10))


@pytest.mark.parametrize(
    ("own", "bundle", "call"), [(60, 10, 0), (100, 25, 50), (7, 1, 3), (1, 1, 0)]
)
def test_default_capacities_are_ten_and_sound(own, bundle, call):
    bags = default_bags(cell(own, bundle, call))
    assert len(bags) == 10
    assert own in bags
    assert bags == sorted(set(bags))
    assert min(bags) > call
    assert all((value - own) % bundle == 0 for value in bags)


def test_each_machine_has_its_capacity_in_its_own_bundles():
    text = CELL.format(own=100, bundle=25, call=25)
    text += '\n[[machine]]\nname = "granola"\nspeed_per_min = 30\n'
    text += "magazine = { capacity_bags = 100, bundle_bags = 40 }\n"
    result = capacity(parse_config(text), [60, 70, 100])
    found = [[p.capacity_bags for p in s.cell.machines] for s in result.results.settings]
    assert found == [[75, 80], [100, 120]]
    assert [result.asked_bags(row) for row in result.curve()] == [60, 100]
    assert [result.capacity_bags(row) for row in result.curve("granola")] == [80, 120]


def test_only_the_named_machine_is_varied():
    text = CELL.format(own=100, bundle=25, call=25)
    text += '\n[[machine]]\nname = "granola"\nspeed_per_min = 30\n'
    text += "magazine = { capacity_bags = 100 }\n"
    result = capacity(parse_config(text), [50, 75], machine="granola")
    assert [[p.capacity_bags for p in s.cell.machines] for s in result.results.settings] == [
        [100, 50],
        [100, 75],
    ]


def test_steps_are_paired_differences_to_the_next_smaller():
    result = capacity(cell(), [50, 75, 100])
    first, second, _ = result.curve("oats")
    assert result.steps(first) == {}
    step = result.steps(second)["oee"]
    assert step.value == pytest.approx(second["oee"].value - first["oee"].value)


def test_what_cannot_be_studied_is_refused():
    with pytest.raises(CapacityError, match="muesli"):
        capacity(cell(), [50], machine="muesli")
    with pytest.raises(CapacityError, match=r"--bags: 25: machine\.magazine.call_level_bags"):
        capacity(cell(), [25])
    with pytest.raises(CapacityError, match=r"--rounds: 0: crew\.rounds_every_min"):
        capacity(cell(), [50], rounds=[0])
    with pytest.raises(TooLarge, match="--allow-large"):
        capacity(cell().with_values({"study.replications": 1_000_000, "study.shift_h": 24.0}))


def test_cost_in_words():
    assert cost_text(1_000, SIMPY) == "about 1 s"
    assert cost_text(500_000 * 180, SIMPY) == "about 3 minutes"
    assert cost_text(500_000 * 3600 * 5, SIMPY) == "about 5 hours"


def test_the_setting_names_the_machine_that_was_varied():
    text = CELL.format(own=100, bundle=25, call=25)
    text += '\n[[machine]]\nname = "granola"\nspeed_per_min = 30\n'
    text += "magazine = { capacity_bags = 100 }\n"
    result = capacity(parse_config(text), [50, 75], machine="granola")
    assert {key for row in result.rows for key in row.setting} == {
        "machine[1].magazine.capacity_bags"
    }
    assert result.is_varied("granola")
    assert not result.is_varied("oats")


@pytest.mark.parametrize("rounds", [(), (5,), (5, 10)])
@pytest.mark.parametrize("bags", [[50], [50, 75], [50, 100, 150, 200]])
def test_title_and_sentence_say_the_same(rounds, bags):
    from feedsim.cli.capacity_command import answer

    result = capacity(cell(), bags, rounds=rounds)
    told = [answer(result, interval) for interval in result.rounds]
    rising = [result.finding(None, interval).may_rise for interval in result.rounds]
    assert [("may still rise" in sentence) for sentence in told] == rising
    assert ("may still rise" in result.headline()) == any(rising)


def result_of(*curves):
    """A capacity study of the given OEE over 25, 50, ... bags, a list for each round interval."""
    rows = [
        replace(row, setting=row.setting | ({ROUNDS: 5 * number} if len(curves) > 1 else {}))
        for number, values in enumerate(curves, start=1)
        for row in curve(values)
    ]
    return CapacityResult(cell(), None, rows)


@pytest.mark.parametrize("machine", [None, "oats"])
def test_the_machine_that_was_varied_is_told(machine):
    result = capacity(cell(), [50], machine=machine, work=Work(engine=SIMPY))
    [told] = result.sentences()
    assert ("at 50 bags per lane of oats" in told) == (machine is not None)


def test_a_title_tells_of_a_fall_beyond_the_level():
    result = result_of([0.63, 0.60, 0.58])
    told = "OEE reaches 63.0 % at 25 bags per lane and falls to 58.0 % at 75"
    assert result.headline() == told
    assert result_of([0.63, 0.63, 0.63]).headline() == "OEE reaches 63.0 % at 25 bags per lane"
    assert repr(result) == "CapacityResult(25 to 75 bags per lane, 3 values)"


@pytest.mark.parametrize(
    ("second", "title"),
    [
        ([0.50, 0.56, 0.62], "OEE may still rise at 75 bags per lane, at every round interval"),
        (
            [0.60, 0.60, 0.60],
            "OEE reaches its level at 25 to 75 bags per lane, by round interval (at 1 it may still "
            "rise)",
        ),
    ],
)
def test_a_title_over_round_intervals(second, title):
    assert result_of([0.50, 0.55, 0.60], second).headline() == title


def test_a_run_says_itself_in_a_line_and_in_a_table():
    missing = cell().with_values({"machine.bag.faults": {"missed": 0.2}, "crew.operators": 0})
    result = run(missing, work=Work(engine=SIMPY))
    oee = result.cell["oee"]
    assert oee.low < oee.value < oee.high
    told = f"RunResult(oee={oee.value:.4f} [{oee.low:.4f}, {oee.high:.4f}])"
    assert repr(result) == told
    frame = result.frame()
    assert frame["machine"].tolist() == ["oats", ""]
    for name, end in (("oee", "value"), ("oee_low", "low"), ("oee_high", "high")):
        assert frame[name].tolist() == [getattr(row["oee"], end) for row in result.rows]


def test_a_step_between_two_zeros_is_not_trusted():
    result = capacity(cell(), [50, 100])
    step = result.steps(result.curve("oats")[1])["blocked_share"]
    assert step.value == 0
    assert np.isnan(step.high)
    assert step.chance_high == pytest.approx(1 - 0.05 ** (1 / 4))


@pytest.mark.parametrize("rounds", [(), (5, 10)])
def test_one_shift_judges_nothing(rounds):
    from feedsim.cli.capacity_command import answer

    one = cell().with_values({"study.replications": 1})
    result = capacity(one, [50, 100], rounds=rounds)
    told = answer(result, result.rounds[0])
    assert "one shift: no interval" in told
    for words in (told, result.headline()):
        assert "rise" not in words
        assert "reaches" not in words


def test_the_table_of_replications_is_the_same_in_parts(monkeypatch):
    """Machines with other stations have other columns; each part has them all."""
    import feedsim.answers.rows as rows

    results = run(load_config(THREE_MACHINES, ["study.replications=5"]))
    whole = rows.replications_frame(results.results)
    monkeypatch.setattr(rows, "PART", 2)
    parts = list(rows.replications_frames(results.results))
    assert [len(part) for part in parts] == [2, 2, 1] * 3
    assert all(list(part.columns) == list(whole.columns) for part in parts)
    pd.testing.assert_frame_equal(rows.replications_frame(results.results), whole)
    assert whole["replication"].tolist() == [1, 2, 3, 4, 5] * 3
