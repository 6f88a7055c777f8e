"""Uncertain inputs: the two parts of the answer's error, and what more data would bring."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from test_cli import feedsim  # noqa: F401 (a fixture)

from feedsim.answers.uncertain import InputsError, Unknown, with_uncertain_inputs
from feedsim.answers.unknowns import drawn_time, unknowns_of
from feedsim.cell import build_cell
from feedsim.config import Config, ConfigError, dump_toml, parse_config
from feedsim.engines import COMPILED
from feedsim.fit.picks import fit_picks
from feedsim.fit.trials import read_trials
from feedsim.store import Store
from feedsim.study import Setting, Shifts, Work

KERNEL = Work(engine=COMPILED)

# A machine that runs for 300 s and stops for 60 s by turns has an OEE of 5/6.
RUNS_S, STOPS_S = 300.0, 60.0
TURNS = """
[study]
shift_h = 60
replications = 5
[[machine]]
speed_per_min = 60
[machine.magazine]
capacity_bags = 200000
bundle_bags = 100000
[[machine.station]]
name = "sealer"
between_stops = { family = "constant", mean_s = 300 }
stop = { family = "constant", mean_s = 60 }
"""

LUCKY = TURNS.replace('"constant", mean_s = 300', '"exponential", mean_s = 300')


def settings_of(config: Config) -> list[Setting]:
    return [Setting({}, build_cell(config))]


def drawn(key: str, mean: float, sd: float) -> Unknown:
    def draw(luck):
        return {key: float(luck.normal(mean, sd))}

    return Unknown(key, draw)


STOP = "machine[0].station[0].stop.mean_s"
RUN = "machine[0].station[0].between_stops.mean_s"


def test_without_chance_all_error_is_the_data(sd=4.0):
    """Delta method, own derivation: d OEE / d stop = -run / (run + stop)^2."""
    result = with_uncertain_inputs(
        parse_config(TURNS), [drawn(STOP, STOPS_S, sd)], settings_of, sets=200, work=KERNEL
    )
    found = result.ranges[-1]["oee"]
    expected_sd = RUNS_S / (RUNS_S + STOPS_S) ** 2 * sd
    assert found.expected == pytest.approx(5 / 6, abs=0.002)
    # A standard deviation from 200 draws is known to 5 %: four of its standard errors.
    assert found.data_sd == pytest.approx(expected_sd, rel=0.2)
    assert found.simulation_sd == 0
    assert found.data_part == 1
    reach = (found.high - found.low) / 2
    assert reach == pytest.approx(1.96 * expected_sd, rel=0.2)
    # The check can fail: half the error gives half the deviation.
    assert found.data_sd != pytest.approx(expected_sd / 2, rel=0.2)


def test_without_uncertainty_all_error_is_the_simulation():
    result = with_uncertain_inputs(
        parse_config(LUCKY), [drawn(STOP, STOPS_S, 1e-9)], settings_of, sets=100, work=KERNEL
    )
    found = result.ranges[-1]["oee"]
    # Of a variance from 100 draws four standard errors are 57 %: so much may be left of it.
    assert found.data_sd < 0.76 * found.simulation_sd
    assert found.low < 5 / 6 < found.high
    assert found.high - found.low < 4 * found.simulation_sd


def test_what_to_measure_more():
    """Own derivation: the variances of the parts by the delta method, nine tenths of each."""
    sds = {STOP: 4.0, RUN: 10.0}
    slope = {STOP: RUNS_S, RUN: STOPS_S}
    parts = {key: (slope[key] * sds[key]) ** 2 for key in sds}
    unknowns = [drawn(STOP, STOPS_S, sds[STOP]), drawn(RUN, RUNS_S, sds[RUN])]
    result = with_uncertain_inputs(parse_config(TURNS), unknowns, settings_of, sets=10, work=KERNEL)
    for key, part in parts.items():
        assert result.gain(key, "oee") == pytest.approx(0.9 * part / sum(parts.values()), abs=0.2)
    assert result.gain(STOP, "oee") > result.gain(RUN, "oee")
    # Ten times every trial leaves a tenth of the variance.
    assert result.gain(STOP, "oee") + result.gain(RUN, "oee") == pytest.approx(0.9, abs=1e-12)


def test_more_shifts_make_only_the_simulation_s_part_smaller():
    found = []
    for replications in (3, 48):
        config = parse_config(LUCKY).with_values({"study.replications": replications})
        result = with_uncertain_inputs(
            config, [drawn(STOP, STOPS_S, 8)], settings_of, sets=200, work=KERNEL
        )
        found.append(result.ranges[-1]["oee"])
    assert found[0].simulation_sd / found[1].simulation_sd == pytest.approx(4, rel=0.3)
    assert found[0].data_sd == pytest.approx(found[1].data_sd, rel=0.3)


def test_draws_that_make_no_config_are_drawn_again():
    config = parse_config(TURNS)
    result = with_uncertain_inputs(
        config, [drawn(STOP, 1.0, 5.0)], settings_of, sets=20, work=KERNEL
    )
    assert np.isfinite(result.ranges[-1]["oee"].expected)
    with pytest.raises(InputsError, match="made no config"):
        with_uncertain_inputs(config, [drawn(STOP, -100, 1)], settings_of, sets=3, work=KERNEL)


def test_nothing_uncertain_is_told():
    with pytest.raises(InputsError, match="--inputs"):
        with_uncertain_inputs(parse_config(TURNS), [], settings_of, work=KERNEL)


def test_the_same_again():
    config = parse_config(TURNS).with_values({"study.shift_h": 1, "study.replications": 2})
    unknowns = [drawn(STOP, STOPS_S, 4.0)]
    found = [
        with_uncertain_inputs(config, unknowns, settings_of, sets=3, work=work).json()
        for work in (KERNEL, Work(engine="simpy"))
    ]
    assert found[0] == found[1]


FITTED = TURNS.replace(
    'stop = { family = "constant", mean_s = 60 }',
    'stop = { family = "lognormal", mean_s = 60, cv = 0.5, '
    "covariance = [[0.04, 0.01], [0.01, 0.09]] }",
)


def test_fitted_times_are_drawn_by_their_covariance():
    time = parse_config(FITTED).machine[0].station[0].stop
    luck = np.random.default_rng(1)
    drawn_times = [drawn_time(time, luck) for _ in range(4000)]
    logs = np.log([(found.mean_s, found.cv) for found in drawn_times])
    # The standard error of a variance from n draws is the variance times sqrt(2 / n).
    assert np.cov(logs.T) == pytest.approx(np.array(time.covariance), abs=4 * 0.09 * 0.0224)
    assert logs.mean(axis=0) == pytest.approx(np.log([60, 0.5]), abs=4 * 0.3 / 63)
    assert all(found.covariance is None for found in drawn_times)


def test_what_a_config_names_is_unknown():
    [stops] = unknowns_of(parse_config(FITTED))
    assert stops.name == "stops of sealer at machine"
    assert list(stops.draw(np.random.default_rng(1))) == ["machine[0].station[0].stop"]
    assert unknowns_of(parse_config(TURNS)) == []


def test_a_covariance_survives_the_resolved_config():
    config = parse_config(FITTED)
    assert parse_config(dump_toml(config)) == config


@pytest.mark.parametrize(
    ("covariance", "told"),
    [
        ("[[0.04]]", "2 x 2"),
        ("[[0.04, 0.01], [0.01, -0.09]]", "no negative variance"),
        ("[[0.04, 0.02], [0.01, 0.09]]", "symmetric"),
        ("[[0.04, 0.9], [0.9, 0.09]]", "correlation"),
        ("[]", "2 x 2"),
        ('"x"', "list"),
        ('[["a", 0], [0, 1]]', "number"),
    ],
)
def test_what_is_no_covariance_is_told(covariance, told):
    text = FITTED.replace("[[0.04, 0.01], [0.01, 0.09]]", covariance)
    with pytest.raises(ConfigError, match="covariance") as error:
        parse_config(text)
    assert told in str(error.value)


def test_a_constant_time_has_none():
    text = TURNS.replace("mean_s = 60 }", "mean_s = 60, covariance = [[0.1]] }")
    with pytest.raises(ConfigError, match="has none"):
        parse_config(text)


def test_no_miss_in_five_hundred_picks_is_a_range_of_the_oee(tmp_path):
    """The chance that such a trial leaves open: up to 0.6 % by the rule of three (CV-31's kind)."""
    (tmp_path / "trial.csv").write_text("closure,stiffness_uNm,attempts,missed\nslider,40,500,0\n")
    model = fit_picks(read_trials(tmp_path / "trial.csv")).model
    config = parse_config(TURNS).with_values(
        {
            "machine.bag.closure": "slider",
            "machine.bag.stiffness_uNm": 40,
            "machine.bag.film": model,
            "machine.magazine.bundle_bags": 100000,
        }
    )
    [picks] = unknowns_of(config)
    assert picks.name == "picks at machine"
    found = with_uncertain_inputs(config, [picks], settings_of, sets=60, work=KERNEL).ranges[-1]
    width = found["oee"].high - found["oee"].low
    # Every missed pick is a pocket lost: a rate that may be 0.1 % or 0.5 % moves OEE as much.
    assert 0.001 < width < 0.02
    assert found["oee"].data_part > 0.9
    assert found["oee"].expected < 5 / 6


def test_a_store_keeps_each_seed_s_shifts_apart(tmp_path):
    cell = build_cell(parse_config(LUCKY))
    with Store(tmp_path) as store:
        kept = []
        for seed in (1, 2, 1):
            with Shifts(seed, Work(engine=COMPILED, store=store)) as shifts:
                kept.append(shifts.sums([cell], 3)[0].machines[0]["good_packs"])
                assert shifts.simulated == (3 if len(kept) < 3 else 0)
    assert np.array_equal(kept[0], kept[2])
    assert not np.array_equal(kept[0], kept[1])


# The commands.

ROOT = Path(__file__).parents[1]
FROM_DATA = str(ROOT / "configs" / "data" / "granola_from_data.toml")


@pytest.mark.parametrize(
    "words",
    [
        ["run"],
        ["capacity", "--bags", "100,200"],
        ["size", "--oee", "0.5"],
        ["sweep", "--vary", "crew.operators=1,2"],
    ],
    ids=lambda words: words[0],
)
def test_commands_tell_the_range(feedsim, words):  # noqa: F811
    command, *rest = words
    few = ["--input-sets", "3", "--replications", "4", "--jobs", "1", "--json"]
    code, out, _ = feedsim(command, FROM_DATA, *rest, "--inputs", "uncertain", *few)
    assert code == 0
    inputs = json.loads(out)["inputs"]
    found = inputs["ranges"][-1]["measures"]["oee"]
    assert found["low"] < found["expected"] < found["high"]
    assert len(inputs["variance_cut_by_ten_times_the_trial"]) == 4


def test_certain_inputs_are_told_before_anything_runs(feedsim):  # noqa: F811
    code, out, err = feedsim("run", "cell.toml", "--inputs", "uncertain")
    assert (code, out) == (2, "")
    assert err.startswith("--inputs: nothing in this config is uncertain")
    assert len(err.splitlines()) == 1
    assert not Path("outputs").exists()
