"""Film models: their numbers, their file, and a config that names one."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim import film
from feedsim.cell import build_cell
from feedsim.config import ConfigError, dump_toml, explain, load_config, parse_config, warnings_of
from feedsim.config.film import read_film_model
from feedsim.film import BadBundleFit, FaultFit, FilmFileError, FilmModel, Tried, model_of, table_of
from feedsim.film.file import _is_covariance
from feedsim.film.model import chance_of, mean_chance

MODEL = FilmModel(
    closures=("plain", "press_zip"),
    reference_uNm=40.0,
    faults={
        "missed": FaultFit(
            (-6.0, -5.5), -0.9, ((0.1, 0.02, 0.0), (0.02, 0.2, 0.01), (0.0, 0.01, 0.04)), 1.0
        ),
        "jam": FaultFit(
            (-9.0, -8.5), -0.7, ((0.9, 0.1, 0.0), (0.1, 0.8, 0.0), (0.0, 0.0, 0.2)), 1.5
        ),
    },
    bad_bundles=BadBundleFit(-3.0, -1.2, ((0.1, 0.01), (0.01, 0.05))),
    tried=(
        Tried("plain", 30.0, 1000, {"missed": 3, "jam": 0}),
        Tried("plain", 80.0, 2000, {"missed": 2, "jam": 1}),
    ),
    notes={"data": "trials.csv", "attempts": 3000},
)

CELL = """
[study]
shift_h = 1
replications = 2
[[machine]]
name = "granola"
speed_per_min = 50
[machine.magazine]
capacity_bags = 100
bundle_bags = 50
[machine.bag]
closure = "plain"
stiffness_uNm = 40
film = "film.toml"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "film.toml").write_text(dump_toml(table_of(MODEL)))
    (tmp_path / "cell.toml").write_text(CELL)
    return tmp_path


# Numbers.


def test_chances_by_hand() -> None:
    """Without uncertainty: log-odds -5.5 - 0.9 log(80 / 40)."""
    sure = replace(
        MODEL,
        faults={"missed": replace(MODEL.faults["missed"], covariance=((0.0,) * 3,) * 3)},
    )
    eta = -5.5 - 0.9 * math.log(2)
    found = sure.chances("press_zip", 80)
    assert found == (pytest.approx(math.exp(eta) / (1 + math.exp(eta))), 0, 0, 0, 0)


def test_the_mean_of_a_chance_by_a_fine_sum() -> None:
    for log_odds, deviation in ((-6.0, 0.5), (-9.0, 1.7), (-1.0, 0.3), (0.0, 2.0)):
        z = np.linspace(-12, 12, 400_001)
        weight = np.exp(-(z**2) / 2)
        chance = 1 / (1 + np.exp(-(log_odds + deviation * z)))
        assert mean_chance(log_odds, deviation) == pytest.approx(
            float((weight * chance).sum() / weight.sum()), rel=1e-8
        )
    # For small chances the mean is that of a lognormal; it is no median.
    assert mean_chance(-12.0, 1.0) == pytest.approx(math.exp(-12 + 0.5), rel=1e-3)
    assert mean_chance(-12.0, 1.0) > 1.5 * chance_of(-12.0)


def test_the_interval_by_hand() -> None:
    """At 80: variance 0.2 + 2 log 2 * 0.01 + (log 2)^2 * 0.04; 1.959964 deviations."""
    x = math.log(2)
    middle, sd = -5.5 - 0.9 * x, math.sqrt(0.2 + 2 * x * 0.01 + x**2 * 0.04)
    low, high = MODEL.interval("missed", "press_zip", 80)
    assert low == pytest.approx(chance_of(middle - 1.959964 * sd), rel=1e-6)
    assert high == pytest.approx(chance_of(middle + 1.959964 * sd), rel=1e-6)
    assert MODEL.interval("double", "press_zip", 80) == (0.0, 0.0)


def test_a_mouth_opener_changes_nothing() -> None:
    assert MODEL.chances("plain", 50, mouth_opener=True) == MODEL.chances("plain", 50)


def test_draws_have_the_law_of_the_model() -> None:
    rng = np.random.default_rng(1)
    drawn = [MODEL.draw(rng) for _ in range(4000)]
    coefficients = np.array(
        [[*d.faults["missed"].log_odds, d.faults["missed"].slope] for d in drawn]
    )
    assert coefficients.mean(axis=0) == pytest.approx(
        [-6.0, -5.5, -0.9], abs=4 * math.sqrt(0.2 / 4000)
    )
    assert np.cov(coefficients.T) == pytest.approx(
        np.array(MODEL.faults["missed"].covariance), abs=0.02
    )
    chances = np.array([d.chances("plain", 60)[0] for d in drawn])
    assert chances.mean() == pytest.approx(MODEL.chances("plain", 60)[0], rel=0.02)
    low, high = MODEL.interval("missed", "plain", 60)
    assert np.mean((chances > low) & (chances < high)) == pytest.approx(0.95, abs=0.014)
    shares = np.array([d.bad_bundles.share for d in drawn])
    assert shares.mean() == pytest.approx(MODEL.bad_bundles.share, rel=0.02)
    # A draw leaves nothing open, and the same numbers give the same draw.
    assert drawn[0].interval("missed", "plain", 60) == pytest.approx((chances[0],) * 2)
    again = [MODEL.draw(np.random.default_rng(1)) for _ in range(2)]
    assert again[0] == again[1] == drawn[0] != drawn[1]


def test_warnings_outside_the_trials() -> None:
    assert MODEL.warnings("plain", 50) == [
        "the trials counted no double, unopened, skewed, so these do not happen"
    ]
    said = " ".join(MODEL.warnings("press_zip", 90))
    assert "press_zip was not tried (plain were)" in said
    assert "90 uN.m is outside the trials (30 to 80 uN.m)" in said


@pytest.mark.parametrize(
    ("closure", "stiffness", "words"),
    [
        ("velvet", 40, "closure must be one of plain, press_zip, is 'velvet'"),
        (None, 40, "closure must be one of"),
        ("plain", 0, "stiffness must be a number above 0"),
        ("plain", math.nan, "stiffness must be a number above 0"),
        ("plain", None, "stiffness must be a number above 0"),
    ],
)
def test_impossible_places_are_refused(closure, stiffness, words) -> None:
    with pytest.raises(ValueError, match=words):
        MODEL.chances(closure, stiffness)


# The file.


def test_plain_values_give_the_model_again() -> None:
    again = model_of(table_of(MODEL))
    assert again == MODEL
    assert hash(again) == hash(MODEL)
    assert pickle.loads(pickle.dumps(again)) == MODEL
    assert replace(MODEL, reference_uNm=50.0) != MODEL


@settings(max_examples=40, deadline=None)
@given(numbers=st.lists(st.floats(-20, 20), min_size=3, max_size=3), scale=st.floats(1e-6, 4))
def test_the_file_keeps_every_digit(numbers: list[float], scale: float) -> None:
    a, b, slope = numbers
    fit = FaultFit((a, b), slope, ((scale, 0.0, 0.0), (0.0, scale, 0.0), (0.0, 0.0, scale)))
    model = replace(MODEL, faults={"unopened": fit})
    import tomllib

    assert model_of(tomllib.loads(dump_toml(table_of(model)))) == model


def test_models_are_equal_by_their_numbers_whatever_their_file() -> None:
    other = replace(MODEL, name="other.toml")
    assert (other, hash(other)) == (MODEL, hash(MODEL))
    fault, fit = next(iter(MODEL.faults.items()))
    assert replace(MODEL, faults={**MODEL.faults, fault: replace(fit, dispersion=9.0)}) != MODEL
    assert replace(MODEL, tried=MODEL.tried[1:]) != MODEL
    assert replace(MODEL, notes={"data": "others.csv"}) != MODEL


@pytest.mark.parametrize(
    ("edit", "key"),
    [
        (("schema = 1", "schema = 2"), "schema"),
        (("schema = 1", "schema = true"), "schema"),
        (('kind = "film model"', 'kind = "stops"'), "kind"),
        (('closures = ["plain", "press_zip"]', 'closures = ["plain", "plain"]'), "closures"),
        (("reference_uNm = 40", "reference_uNm = 0"), "reference_uNm"),
        (("log_odds = [-6, -5.5]", "log_odds = [-6]"), "missed.log_odds"),
        (("log_odds = [-6, -5.5]", "log_odds = [-6, nan]"), "missed.log_odds"),
        (("slope = -0.9", 'slope = "steep"'), "missed.slope"),
        (("slope = -0.9", "slop = -0.9"), "missed.slop"),
        (("[0.1, 0.02, 0]", "[-0.1, 0.02, 0]"), "missed.covariance"),
        (("[0.1, 0.02, 0]", "[0.1, 0.03, 0]"), "missed.covariance"),
        (("[0.1, 0.02, 0]", "[0.1, 0.02]"), "missed.covariance"),
        (("dispersion = 1.5", "dispersion = 0.5"), "jam.dispersion"),
        (("attempts = 1000", "attempts = -1"), "tried[0].attempts"),
        (("stiffness_uNm = 80", "stiffness_uNm = -80"), "tried[1].stiffness_uNm"),
        (("[jam]", "[jamm]"), "jamm"),
        (("log_odds_share = -3", "log_odds_share = inf"), "bad_bundles.log_odds_share"),
    ],
)
def test_what_is_wrong_with_a_file_is_told_with_its_line(folder, edit, key) -> None:
    path = folder / "film.toml"
    text = path.read_text()
    assert edit[0] in text
    path.write_text(text.replace(*edit, 1))
    line = path.read_text()[: path.read_text().index(edit[1])].count("\n") + 1
    for read in (lambda: read_film_model(path), lambda: load_config(folder / "cell.toml")):
        with pytest.raises(ConfigError) as told:
            read()
        found = [p for p in told.value.problems if key in str(p)]
        assert found, str(told.value)
        assert any(p.line == line for p in found), (line, str(told.value))
        assert all(str(path) in str(p) for p in found)


def test_a_file_of_nothing_names_what_is_missing() -> None:
    with pytest.raises(FilmFileError, match="at least one of missed, double"):
        model_of({})


def test_no_toml_no_model(folder) -> None:
    (folder / "film.toml").write_text("schema = = 1")
    with pytest.raises(ConfigError, match=r"film.toml:1: .*not valid TOML"):
        load_config(folder / "cell.toml")


# A config that names one.


def test_a_config_takes_its_chances_from_the_film_model(folder) -> None:
    config = load_config(folder / "cell.toml")
    bag = config.machine[0].bag
    assert bag.chance_source == "film model"
    assert config.machine[0].chances == MODEL.chances("plain", 40)
    [plan] = build_cell(config).machines
    assert plan.chances == MODEL.chances("plain", 40)
    assert plan.bad_share == MODEL.bad_bundles.share
    assert plan.bad_chances == (MODEL.bad_bundles.missed, *plan.chances[1:])
    assert plan.chances != film.planning_chances("plain", 40)


def test_bad_bundles_of_the_config_go_first(folder) -> None:
    config = load_config(
        folder / "cell.toml",
        ["machine.bag.bad_bundles.share=0.1", "machine.bag.bad_bundles.missed=0.5"],
    )
    [plan] = build_cell(config).machines
    assert (plan.bad_share, plan.bad_chances[0]) == (0.1, 0.5)
    assert any("go before those of the film model" in said for said in warnings_of(config))


def test_another_stiffness_gives_other_chances(folder) -> None:
    config = load_config(folder / "cell.toml")
    stiffer = config.with_values({"machine.bag.stiffness_uNm": 70})
    assert stiffer.machine[0].chances == MODEL.chances("plain", 70)
    layers = config.with_values({"machine.bag.layers": [{"modulus_GPa": 1.0, "um": 80}]})
    assert layers.machine[0].chances == MODEL.chances("plain", 1e-3 * 80**3 / 12)


def test_faults_set_over_a_film_model_replace_it(folder) -> None:
    config = load_config(folder / "cell.toml", ["machine.bag.faults.missed=0.1"])
    assert config.machine[0].bag.film is None
    assert config.machine[0].chances == (0.1, 0, 0, 0, 0)


def test_a_drawn_model_can_be_set(folder) -> None:
    config = load_config(folder / "cell.toml")
    drawn = MODEL.draw(np.random.default_rng(3))
    other = config.with_values({"machine.bag.film": drawn})
    assert other.machine[0].chances == drawn.chances("plain", 40)
    again = config.with_values({"machine.bag.film": table_of(drawn)})
    assert again == other


def test_the_resolved_config_stands_without_the_file(folder) -> None:
    config = load_config(folder / "cell.toml")
    text = dump_toml(config)
    (folder / "film.toml").unlink()
    again = parse_config(text, folder="elsewhere")
    assert again == config
    assert build_cell(again) == build_cell(config)


def test_the_study_knows_its_film_model_by_its_content(folder) -> None:
    from feedsim.folder import inputs_of, study_hash

    config = load_config(folder / "cell.toml")
    before = study_hash("run", config, {})
    assert list(inputs_of(config)) == ["film.toml"]
    path = folder / "film.toml"
    path.write_text(path.read_text().replace("slope = -0.9", "slope = -0.8"))
    assert study_hash("run", load_config(folder / "cell.toml"), {}) != before


def test_check_tells_where_the_chances_come_from(folder) -> None:
    config = load_config(folder / "cell.toml", ["machine.bag.stiffness_uNm=200"])
    rows = {row.key: row for row in explain(config)}
    assert rows["machine: chance of missed"].source == "film model"
    assert rows["machine: chance of a bad bundle"].value == f"{MODEL.bad_bundles.share:.4g}"
    assert rows["machine.bag.film"].value == "film.toml (3,000 attempts, plain)"
    said = " ".join(warnings_of(config))
    assert "200 uN.m is outside the trials" in said
    assert "planning values from memory" not in said


@pytest.mark.parametrize(
    ("edits", "words"),
    [
        ([('closure = "plain"\n', "")], "machine.bag.closure: is missing: the film model's"),
        ([('"plain"', '"slider"')], 'must be one of "plain", "press_zip"'),
        ([("stiffness_uNm = 40\n", "")], "machine.bag.stiffness_uNm: is missing: the film"),
        ([('"film.toml"', '"absent.toml"')], "machine.bag.film: no such file"),
        ([('"film.toml"', "7")], "machine.bag.film: must be the path of a film model"),
        ([('"film.toml"', '"."')], "machine.bag.film: is a folder"),
        (
            [('"film.toml"', '"film.toml"\nfaults = { missed = 0.1 }')],
            "machine.bag.film: must not stand together with faults",
        ),
    ],
)
def test_bad_input_is_one_clear_line(folder, edits, words) -> None:
    text = CELL
    for edit in edits:
        assert edit[0] in text
        text = text.replace(*edit)
    (folder / "cell.toml").write_text(text)
    with pytest.raises(ConfigError) as told:
        load_config(folder / "cell.toml")
    assert len(told.value.problems) == 1, str(told.value)
    assert words in str(told.value)


def test_a_model_of_any_bag_needs_neither_closure_nor_stiffness() -> None:
    fit = FaultFit((-5.0,), -1.0, ((0.1, 0.0), (0.0, 0.25)))
    model = FilmModel(
        ("any",), None, {"missed": fit}, None, (Tried("any", None, 900, {"missed": 5}),), {}
    )
    config = parse_config(
        "[[machine]]\nspeed_per_min = 50\n[machine.magazine]\ncapacity_bags = 10\n"
    ).with_values({"machine.bag.film": model})
    assert config.machine[0].chances[0] == pytest.approx(mean_chance(-5.0, math.sqrt(0.1)))
    assert model.chances("slider", 1e4) == model.chances(None, None)
    said = " ".join(model.warnings("slider", 40))
    assert "told no stiffness" in said
    assert "told no closure" in said


# Film studies.


def test_a_film_study_over_stiffness_uses_the_model(folder) -> None:
    from feedsim.answers.film import STIFFNESS, chance_source, film_curves

    config = load_config(folder / "cell.toml")
    [table], [curve] = film_curves(config, stiffness=[30, 60])
    assert (table, curve.kind) == (0, STIFFNESS)
    for stiffness in (30, 60):
        [plan] = curve.settings[stiffness].cell.machines
        assert plan.chances == MODEL.chances("plain", stiffness)
        assert plan.bad_share == MODEL.bad_bundles.share
    assert chance_source(config, curve, "granola") == "film model"


def test_a_film_study_over_misses_keeps_the_models_bad_bundles(folder) -> None:
    from feedsim.answers.film import film_curves

    config = load_config(folder / "cell.toml")
    bad = MODEL.bad_bundles
    _, (single, bundles) = film_curves(config, factors=[1, 2])
    [plan] = single.settings[2].cell.machines
    assert plan.chances[0] == pytest.approx(2 * MODEL.chances("plain", 40)[0], rel=1e-5)
    assert (plan.bad_share, plan.bad_chances[0]) == pytest.approx((bad.share, bad.missed))
    [plan] = bundles.settings[2].cell.machines
    assert plan.chances == MODEL.chances("plain", 40)
    assert plan.bad_share == pytest.approx(2 * bad.share, rel=1e-5)
    [plan] = single.without.cell.machines
    assert (plan.chances[0], plan.bad_share) == (0, pytest.approx(bad.share))


def test_no_film_study_over_a_stiffness_that_was_not_told(folder) -> None:
    from feedsim.answers.film import FilmError, film_curves

    path = folder / "film.toml"
    text = path.read_text().replace("reference_uNm = 40\n", "").replace("stiffness_uNm = 30\n", "")
    path.write_text(text.replace("stiffness_uNm = 80\n", ""))
    with pytest.raises(FilmError, match="trials that told no stiffness"):
        film_curves(load_config(folder / "cell.toml"), stiffness=[30, 60])


@pytest.mark.parametrize("engine", ["simpy", "compiled"])
def test_a_study_says_that_it_goes_beyond_the_trials(folder, engine, monkeypatch, capsys) -> None:
    import sys

    from feedsim.cli import main

    monkeypatch.chdir(folder)
    words = ["run", "cell.toml", "--jobs", "1", "--engine", engine, "--out", engine]
    words += ["--set", "machine.bag.stiffness_uNm=200"]
    monkeypatch.setattr(sys, "argv", ["feedsim", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    out, _ = capsys.readouterr()
    assert "Film model of granola: a stiffness of 200 uN.m is outside the trials" in out
    again = load_config(folder / engine / "resolved.toml")
    assert again.machine[0].chances == MODEL.chances("plain", 200)


def test_no_variance_is_below_zero_be_it_by_ever_so_little():
    assert _is_covariance([[1e-12, 0.0], [0.0, 1.0]], 2)
    assert not _is_covariance([[-1e-12, 0.0], [0.0, 1.0]], 2)
