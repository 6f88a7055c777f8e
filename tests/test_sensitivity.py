"""Which input to measure first: ranges, both designs, what is told, and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from studies import call

from feedsim.answers.input_ranges import Input, RangeError, inputs_of, with_chances
from feedsim.answers.morris import steps_of, trajectories
from feedsim.answers.sensitivity import NAMED, effect_text, sensitivity
from feedsim.answers.sensitivity_plan import SensitivityError, plan_of
from feedsim.cell import build_cell
from feedsim.config import ConfigError, load_config, parse_config
from feedsim.labels import label_of
from feedsim.stats import Estimate

CONFIGS = Path(__file__).parents[1] / "configs"

# `fetch` is never needed: without a limit to what is carried nobody fetches.
CELL = """
[study]
shift_h = 0.5
replications = 6

[crew]
walk_s = 10

[[machine]]
name = "oats"
speed_per_min = 20

[machine.magazine]
capacity_bags = 60
bundle_bags = 20
call_level_bags = 20
bundle = { family = "constant", mean_s = 20 }
fetch = { family = "constant", mean_s = 30 }

[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 5 }
stop = { family = "exponential", mean_min = 1 }
"""
FETCH, SEALER = "time to fetch bundles", "sealer: time between stops"


@pytest.fixture(scope="module")
def found():
    return sensitivity(parse_config(CELL), design=2)


def named(config, own=None):
    return {item.name: item for item in inputs_of(with_chances(config), own)}


# --- the ranges ---


@pytest.mark.parametrize(
    "name", ["oats_slider.toml", "granola_mono_film.toml", "granola_three_machines.toml"]
)
def test_chances_written_out_are_the_same_cell(name):
    config = load_config(CONFIGS / name)
    written = with_chances(config)
    assert written != config
    assert build_cell(written) == build_cell(config)
    other = written.with_values({"machine[0].bag.faults.missed": 0.3})
    assert build_cell(other) != build_cell(config)


def test_a_planning_range_is_carried_over_to_the_configs_value():
    item = named(parse_config(CELL))["loading time of a bundle"]
    low, high = (item.values(end)["machine[0].magazine.bundle"] for end in (0.0, 1.0))
    # 16 to 33 s about 22 s, carried over to 20 s.
    assert low.mean_s == pytest.approx(20 * 16 / 22)
    assert high.mean_s == pytest.approx(20 * 33 / 22)
    middle = item.values(0.5)["machine[0].magazine.bundle"].mean_s
    assert middle == pytest.approx((low.mean_s * high.mean_s) ** 0.5)
    assert "16 to 33 s about 22" in item.source
    assert item.origin == "planning"


def test_where_no_range_is_known_a_factor_is_taken_and_told():
    item = named(parse_config(CELL))[FETCH]
    assert (item.low, item.high) == (0.5, 2.0)
    assert item.source == "half and double: no range is known"


def test_a_time_keeps_its_family_and_its_form():
    config = load_config(CONFIGS / "oats_slider.toml")
    high = named(config)["time to clear a lane or jam"].values(1.0)["machine[0].pick.clear"]
    assert (high.family, high.cv, high.mean_s) == ("lognormal", 0.8, pytest.approx(75))


def test_measured_times_are_stretched():
    config = parse_config(CELL).with_values(
        {"machine.magazine.bundle": {"family": "empirical", "values_s": [10, 30]}}
    )
    high = named(config)["loading time of a bundle"].values(1.0)["machine[0].magazine.bundle"]
    assert high.values_s == pytest.approx((15, 45))


def test_no_chance_goes_beyond_one():
    config = parse_config(CELL).with_values(
        {"machine[0].bag.bad_bundles": {"share": 0.03, "missed": 0.6}}
    )
    item = named(config)["misses in a bad bundle"]
    assert item.values(1.0)["machine[0].bag.bad_bundles.missed"] == pytest.approx(1)


def test_inputs_that_are_not_there_are_not_varied():
    names = named(parse_config(CELL))
    assert "misses per pick" not in names
    assert "walking speed" not in names
    assert "walking time" in names


def test_stations_of_one_name_are_one_input():
    item = named(load_config(CONFIGS / "granola_three_machines.toml"))[SEALER]
    assert [path for path, _ in item.places] == [
        f"machine[{n}].station[1].between_stops" for n in range(3)
    ]


def test_an_own_range_takes_the_place_of_the_planned_one():
    item = named(parse_config(CELL), {"machine.magazine.bundle": (18, 25)})
    one = item["loading time of a bundle"]
    assert (one.origin, one.shown(0), one.shown(), one.shown(1)) == ("own", "18 s", "20 s", "25 s")
    assert one.values(1.0)["machine[0].magazine.bundle"].mean_s == pytest.approx(25)
    assert len(item) == len(named(parse_config(CELL)))


def test_an_own_range_of_one_machine_leaves_the_others_to_the_planned_one():
    config = load_config(CONFIGS / "granola_three_machines.toml")
    key = "machine[1].station[1].between_stops"
    items = named(config, {key: (600, 900)})
    assert [path for path, _ in items[key].places] == [key]
    assert len(items[SEALER].places) == 2


def test_an_own_range_of_a_whole_number_gives_whole_numbers():
    config = parse_config(CELL)
    item = named(config, {"machine.magazine.call_level_bags": (5, 30)})
    values = item["machine.magazine.call_level_bags"].values(1 / 3)
    assert values == {"machine[0].magazine.call_level_bags": 9}


@pytest.mark.parametrize(
    ("key", "ends", "told"),
    [
        ("machine.magazin", (1, 2), "is no key with a number"),
        ("machine", (1, 2), "is no key with a number"),
        ("crew.walk_s[0]", (1, 2), "is no key with a number"),
        ("crew.walk_s", (5, 5), "the lower number first"),
        ("crew.walk_s", (1, float("inf")), "the lower number first"),
        ("study.shift_h", (1, 2), "the same for the whole study"),
        ("machine[7].restart_s", (1, 2), "is not in this config"),
    ],
)
def test_ranges_that_cannot_be_taken(key, ends, told):
    with pytest.raises(RangeError, match=told):
        inputs_of(parse_config(CELL), {key: ends})


def test_an_own_range_beyond_what_a_key_may_be_is_told():
    with pytest.raises(ConfigError, match=r"^--range: crew\.walk_s: "):
        plan_of(parse_config(CELL), {"crew.walk_s": (-5, 5)}, 0)


def test_a_planned_range_that_makes_no_config_is_left_out_and_told():
    config = parse_config(CELL).with_values(
        {
            "machine[0].magazine.geometry": {
                "loading": "stacked",
                "stack_height_mm": 26.4,
                "bag_thickness_mm": 1.2,
            }
        }
    )
    plan = plan_of(config, None, 0)
    assert [text.partition(":")[0] for text in plan.left_out] == ["thickness of a bag in the lane"]


def test_a_config_without_inputs_is_refused():
    bare = '[crew]\noperators = 0\n[[machine]]\nname = "oats"\nspeed_per_min = 20\n'
    bare += "[machine.magazine]\ncapacity_bags = 50\n"
    with pytest.raises(SensitivityError, match="no uncertain input"):
        plan_of(parse_config(bare), None, 0)


# --- the second design ---


def test_neighbouring_points_differ_in_one_input_and_each_input_steps_once():
    design = trajectories(5, 20, np.random.default_rng(1))
    moves = np.diff(design, axis=1)
    assert design.shape == (20, 6, 5)
    assert np.all((moves != 0).sum(axis=2) == 1)
    assert np.all((moves != 0).sum(axis=1) == 1)
    assert np.abs(moves[moves != 0]) == pytest.approx(2 / 3)
    assert np.allclose(design * 3, np.round(design * 3))
    assert design.min() >= 0
    assert design.max() <= 1
    assert {1, -1} == set(np.sign(moves[moves != 0]))


def steps_on(function, inputs=3, number=30, noise=None):
    design = trajectories(inputs, number, np.random.default_rng(2))
    values = function(design)
    if noise is None:
        noise = np.zeros((*values.shape, 4))
    return steps_of(design, values + noise.mean(axis=2), noise, 0.95)


def test_a_sum_has_its_coefficients_and_no_spread():
    found = steps_on(lambda u: 3 * u[..., 0] - 2 * u[..., 1])
    assert [one.mean.value for one in found] == pytest.approx([3, -2, 0], abs=1e-9)
    assert [one.mean_size for one in found] == pytest.approx([3, 2, 0], abs=1e-9)
    assert [one.spread for one in found] == pytest.approx([0, 0, 0], abs=1e-6)


def test_one_trajectory_has_no_spread_and_one_shift_takes_nothing_off():
    design = trajectories(2, 8, np.random.default_rng(2))
    values = 6 * design[..., 0] * design[..., 1]
    alone = steps_of(design[:1], values[:1], np.zeros((1, 3, 5)), 0.95)
    assert all(np.isnan(one.spread) for one in alone)
    # Luck that would take off all of it, had it been seen in more than one shift.
    loud = 100 * np.random.default_rng(3).normal(size=(8, 3, 1))
    still = steps_of(design, values, np.zeros((8, 3, 5)), 0.95)
    seen_once = steps_of(design, values, loud, 0.95)
    assert still[0].spread > 1
    assert [one.spread for one in seen_once] == [one.spread for one in still]


def test_a_product_has_a_spread():
    first, second, third = steps_on(lambda u: 6 * u[..., 0] * u[..., 1] + u[..., 2])
    assert first.spread > 1
    assert second.spread > 1
    assert third.spread == pytest.approx(0, abs=1e-6)


def test_what_the_shifts_leave_is_no_spread():
    """Of figures that luck alone moves, the mean square of the spread is not above what it is."""
    luck = np.random.default_rng(3)
    squares, raw = [], []
    for _ in range(60):
        # Half of the luck is common to all points, as with shifts of the same numbers.
        noise = luck.normal(size=(30, 4, 10)) + luck.normal(size=10)
        design = trajectories(3, 30, luck)
        values = noise.mean(axis=2)
        deviations = noise - values[..., np.newaxis]
        found = steps_of(design, values, deviations, 0.95)
        squares += [one.spread**2 for one in found]
        none = steps_of(design, values, np.zeros_like(deviations), 0.95)
        raw += [one.spread**2 for one in none]
    # Two means of 10 shifts, 2/3 of the range apart: 2 / 10 / (2/3)^2. Cut off at 0 leaves a part.
    assert np.mean(raw) == pytest.approx(0.45, rel=0.1)
    assert np.mean(squares) < 0.15 * np.mean(raw)


def test_luck_that_all_trajectories_share_takes_nothing_off_the_spread():
    """A slope that differs from shift to shift moves all steps of an input alike."""
    luck = np.random.default_rng(4)
    design = trajectories(3, 30, luck)
    values = 6 * design[..., 0] * design[..., 1]
    still = np.zeros((*values.shape, 10))
    slopes = 6 * luck.normal(size=10)
    moved = design[..., 0, np.newaxis] * slopes
    quiet = steps_of(design, values, still, 0.95)[0]
    lively = steps_of(design, values, moved, 0.95)[0]
    assert quiet.spread > 1
    assert lively.spread == pytest.approx(quiet.spread)
    assert lively.mean.half_width > quiet.mean.half_width


# --- what is found ---


def test_an_input_without_effect_moves_nothing(found):
    fetch = next(effect for effect in found.effects if effect.input.name == FETCH)
    for one in found.moved:
        span = fetch.span(one.measure)
        assert span.value == 0
        assert not fetch.surely_moves(one.measure)
        assert fetch.steps[one.measure].mean_size == pytest.approx(0, abs=1e-12)


def test_a_design_is_in_all_that_an_answer_shows(found, monkeypatch):
    assert repr(found) == (
        f"SensitivityResult({len(found.effects)} inputs, first={found.first.input.name!r})"
    )
    line = found.frame().set_index("input").loc[SEALER]
    document = next(e for e in found.answer_json()["inputs"] if e["name"] == SEALER)
    effect = next(effect for effect in found.effects if effect.input.name == SEALER)
    steps = effect.steps["oee"]
    assert line["oee_mean_step_size"] == steps.mean_size
    assert line["oee_step_spread"] == steps.spread
    assert document["effects"]["oee"]["steps"]["mean_size"] == steps.mean_size
    monkeypatch.setattr(type(effect), "depends", lambda effect, measure: True)
    assert found.words[-1].startswith(f"{len(found.effects)} effects on OEE depend much")
    monkeypatch.setattr(type(effect), "depends", lambda effect, measure: False)
    assert found.words[-1] == "No effect on OEE depends much on the other inputs."


def test_an_input_at_a_level_between_its_ends():
    """By equal ratios; by equal steps where an end is 0."""
    places = (("crew.walk_s", 10.0),)
    scaled = Input("way", "crew.walk_s", places, 0.25, 4.0, "own", "own")
    assert scaled.values(0.5) == {"crew.walk_s": pytest.approx(10)}
    given = Input("way", "crew.walk_s", places, 0.0, 10.0, "own", "own", is_absolute=True)
    assert given.values(0.5) == {"crew.walk_s": pytest.approx(5)}
    faults = Input("misses", "machine.bag.faults.missed", (("x", 0.02),), 0.5, 2, "own", "own")
    assert faults.shown() == "2 %"
    unknown = Input("way", "crew.walk_s", (("crew.walk_s", float("inf")),), 0.5, 2, "own", "own")
    assert unknown.shown() == "not given"


def test_an_input_with_an_effect_moves_what_it_should(found):
    sealer = next(effect for effect in found.effects if effect.input.name == SEALER)
    assert sealer.surely_moves("oee")
    assert sealer.at_low("oee").high < 0 < sealer.at_high("oee").low
    assert sealer.span("oee").value == pytest.approx(
        sealer.at_high("oee").value - sealer.at_low("oee").value
    )


def test_the_first_is_the_one_that_moves_oee_most(found):
    sizes = [effect.size("oee") for effect in found.effects]
    assert sizes == sorted(sizes, reverse=True)
    assert found.first is found.effects[0]
    assert found.first.input.name.startswith("sealer")
    assert found.title.startswith(f"Which to measure first: {found.first.input.name}, over")
    assert FETCH not in [effect.input.name for effect in found.not_told_apart]


def test_a_title_names_some_of_those_not_told_apart_from_the_first(found):
    assert len(found.effects) > NAMED + 1
    shown = replace(found)
    others = found.effects[1 : NAMED + 2]
    shown.__dict__["not_told_apart"] = others
    names = ", ".join(other.input.name for other in others[:NAMED])
    assert shown.title == f"{found.title.partition('; ')[0]}; not told apart: {names} and 1 more"
    shown.__dict__["not_told_apart"] = others[:1]
    assert shown.title.endswith(f"; not told apart: {others[0].input.name}")
    shown.__dict__["not_told_apart"] = []
    assert shown.title == found.title.partition("; ")[0]


def test_an_effect_in_words():
    oee = label_of("oee")
    nothing = float("nan")
    assert effect_text(Estimate(0.0123, 0.01, 0.0146, 9, 9), oee) == "+1.23 ±0.23"
    assert effect_text(Estimate(-0.0123, nothing, nothing, 1, 1), oee) == "-1.23"
    assert effect_text(Estimate(nothing, nothing, nothing, 9, 9), oee) == "-"


def test_without_a_crew_its_time_is_no_answer():
    values = {"crew.operators": 0, "study.replications": 2}
    result = sensitivity(parse_config(CELL).with_values(values), design=1)
    measures = {one.measure for one in result.moved}
    assert "oee" in measures
    assert "crew_busy" not in measures
    assert all(set(effect.steps) == measures for effect in result.effects)


def test_where_nothing_moves_oee_no_input_is_named():
    config = parse_config(CELL).with_values({"machine[0].station": [], "study.replications": 4})
    result = sensitivity(config, ranges={"machine.magazine.fetch": (1, 2)}, design=0)
    assert result.first is None
    assert result.title == "No input surely moves OEE over its range"
    assert result.not_told_apart == []


def test_the_answer_does_not_hang_on_the_design(found):
    alone = sensitivity(parse_config(CELL), design=0)
    names = [effect.input.name for effect in found.effects]
    assert [effect.input.name for effect in alone.effects] == names
    assert [effect.span("oee") for effect in alone.effects] == [
        effect.span("oee") for effect in found.effects
    ]
    assert not any(effect.steps for effect in alone.effects)


def test_one_shift_gives_no_sure_effect():
    result = sensitivity(parse_config(CELL).with_values({"study.replications": 1}), design=0)
    assert result.first is None
    assert all(len(row) == len(result.columns) for row in result.rows)


def test_table_and_picture(found):
    assert all(len(row) == len(found.columns) for row in found.rows)
    assert [row[0] for row in found.rows] == [effect.input.name for effect in found.effects]
    figure = found.figure()
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    for effect in found.effects:
        assert effect.input.name in texts
    # One panel an answer; two ends of each input in it.
    assert [len(axes.lines) for axes in figure.axes] == [1 + 2 * len(found.effects)] * 4


# --- the command ---


def test_the_command(tmp_path, capsys):
    (tmp_path / "cell.toml").write_text(CELL)
    words = ["sensitivity", "cell.toml", "--trajectories", "0", "--jobs", "1", "--out", "s"]
    words += ["--replications", "3", "--range", "crew.walk_s=5:20"]
    assert call(tmp_path, *words, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    told = document["sensitivity"]
    walk = next(item for item in told["inputs"] if item["key"] == "crew.walk_s")
    assert (walk["low"], walk["high"], walk["range_from"]) == ("5 s", "20 s", "own")
    assert {"at_low", "at_high", "span"} <= set(walk["effects"]["oee"])
    for name in ("effects.csv", "summary.csv", "replications.csv", "sensitivity.svg"):
        assert (tmp_path / "s" / name).exists()
    lines = (tmp_path / "s" / "effects.csv").read_text().splitlines()
    assert len(lines) == 1 + len(told["inputs"])
    assert call(tmp_path, "report", "s") == 0
    assert "walking time" in (tmp_path / "s" / "report.html").read_text()


@pytest.mark.parametrize(
    "words",
    [
        ["--range", "crew.walk_s"],
        ["--range", "crew.walk_s=5"],
        ["--range", "crew.walk_s=a:b"],
        ["--range", "crew.walk_s=1:2", "--range", "crew.walk_s=1:3"],
        ["--range", "crew.walks=1:2"],
        ["--range", "crew.walk_s=20:10"],
        ["--trajectories", "-1"],
    ],
)
def test_bad_options_are_told_in_one_line(tmp_path, capsys, words):
    (tmp_path / "cell.toml").write_text(CELL)
    assert call(tmp_path, "sensitivity", "cell.toml", *words) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


# --- beside another implementation ---


@pytest.mark.campaign
def test_steps_are_those_of_salib():
    """Means, sizes and spreads beside SALib's, on a simulated cell of which no luck is taken off.

    SALib: Herman and Usher, SALib: an open-source Python library for sensitivity analysis,
    Journal of Open Source Software 2 (2017).
    """
    from SALib.analyze import morris

    plan = plan_of(parse_config(CELL), None, 12)
    values = cell_oee(plan.points).reshape(plan.levels.shape[:2])
    count = len(plan.inputs)
    own = steps_of(plan.levels, values, np.zeros((*values.shape, 2)), 0.95)
    problem = {
        "num_vars": count,
        "names": [item.name for item in plan.inputs],
        "bounds": [[0, 1]] * count,
    }
    told = morris.analyze(
        problem, plan.levels.reshape(-1, count), values.ravel(), num_levels=4, seed=1
    )
    assert [one.mean.value for one in own] == pytest.approx(list(told["mu"]))
    assert [one.mean_size for one in own] == pytest.approx(list(told["mu_star"]))
    assert [one.spread for one in own] == pytest.approx(list(told["sigma"]))


@pytest.mark.campaign
def test_the_order_is_that_of_sobols_total_effects():
    """The inputs that weigh most by SALib's Sobol indices are those named here."""
    from SALib.analyze import sobol
    from SALib.sample import sobol as sampled

    from feedsim.answers.sensitivity_plan import cell_at

    config = parse_config(CELL)
    plan = plan_of(config, None, 0)
    problem = {
        "num_vars": len(plan.inputs),
        "names": [item.name for item in plan.inputs],
        "bounds": [[0, 1]] * len(plan.inputs),
    }
    points = sampled.sample(problem, 64, calc_second_order=False, seed=1)
    cells = [cell_at(plan.config, plan.inputs, point) for point in points]
    told = sobol.analyze(problem, cell_oee(cells), calc_second_order=False, seed=1)
    order = [problem["names"][place] for place in np.argsort(-told["ST"])]
    result = sensitivity(config, design=0)
    assert {effect.input.name for effect in result.effects[:2]} == set(order[:2])
    assert told["ST"][problem["names"].index(FETCH)] == pytest.approx(0, abs=1e-9)


def cell_oee(cells):
    """OEE of cells over 8 shifts each."""
    from feedsim.answers.rows import rows_of
    from feedsim.study import Setting, run_study

    settings = [Setting({}, cell) for cell in cells]
    rows = rows_of(run_study(settings, replications=8, seed=1, confidence=0.95))
    return np.array([row.figures["oee"].value for row in rows if row.machine is None])
