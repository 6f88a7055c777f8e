"""A sound config, what it becomes, and helpers for the other tests of the config."""

from __future__ import annotations

import copy
import pickle
import subprocess
import sys
from pathlib import Path

import pydantic
import pytest

from feedsim import film
from feedsim.config import Config, ConfigError, Problem, Spread, load_config, parse_config

CELL = """\
title = "oats and granola"
[study]
shift_h = 8
warm_up_h = 1
[crew]
operators = 2
rounds_every_min = 10
calls = "low"
notice = { family = "exponential", mean_min = 0.5 }
walk_s = 20
[[crew.duty]]
name = "weight check"
every_min = 30
takes = { family = "constant", mean_min = 2 }
[[crew.break]]
at_h = 4
takes_min = 30
cover = 1
[[planned_stop]]
name = "cleaning"
at_h = 6
takes_min = 20
kind = "changeover"
[[machine]]
name = "oats"
count = 2
speed_per_min = 50
restart_s = 5
[machine.magazine]
lanes = 2
capacity_bags = 300
start_bags = 250
call_level_bags = 75
bundle_bags = 50
bundle = { family = "lognormal", mean_s = 22, cv = 0.3 }
carry_bundles = 10
fetch = { family = "weibull", mean_s = 45, shape = 2 }
[machine.pick]
retries = 2
clear = { family = "weibull", mean_min = 1, cv = 0.8 }
[machine.bag]
closure = "press_zip"
layers = [
  { material = "PET", um = 12 },
  { modulus_GPa = 0.25, um = 80 },
]
bad_bundles = { share = 0.03, missed = 0.2 }
[[machine.station]]
name = "Case packer"
between_stops = { family = "exponential", mean_h = 1 }
stop = { family = "empirical", values_min = [0.5, 1.5, 4] }
needs_operator = true
place = "outfeed"
[machine.outfeed]
accumulation_packs = 40
restart_packs = 20
[[machine]]
name = "granola"
speed_per_min = 40
[machine.magazine]
geometry = { loading = "stacked", stack_height_mm = 360, bag_thickness_mm = 1.2 }
[machine.bag]
faults = { missed = 0.004, jam = 0.0001 }
[money]
pack_margin = 0.4
"""


def edited(*edits: tuple[str, str]) -> str:
    """The sound config with some texts replaced, each of which must be there."""
    text = CELL
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def problems_of(text: str, overrides: tuple[str, ...] = ()) -> list[Problem]:
    """What is wrong with a text; it must be something."""
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "cell.toml", overrides=overrides)
    return caught.value.problems


def line_with(text: str, needle: str) -> int:
    """Line of the first occurrence of a text that occurs once."""
    assert text.count(needle) == 1, needle
    return text[: text.index(needle)].count("\n") + 1


def test_the_sound_config_as_it_is_read() -> None:
    config = parse_config(CELL)
    assert config.title == "oats and granola"
    assert config.study.shift_h == 8.0
    assert config.study.replications == 40
    assert config.crew.notice == Spread("exponential", 30.0)
    assert config.crew.base_m == (0.0, 0.0)
    assert [duty.name for duty in config.crew.duty] == ["weight check"]
    assert config.crew.duty[0].takes == Spread("constant", 120.0)
    assert [(b.at_h, b.takes_min, b.cover) for b in config.crew.breaks] == [(4.0, 30.0, 1)]
    assert config.planned_stop[0].kind == "changeover"
    assert config.money is not None
    assert config.money.pack_margin == 0.4


def test_machines_as_they_are_read() -> None:
    oats, granola = parse_config(CELL).machine
    assert oats.names == ["oats 1", "oats 2"]
    assert granola.names == ["granola"]
    assert oats.magazine.bundle == Spread("lognormal", 22.0, cv=0.3)
    assert oats.magazine.fetch == Spread("weibull", 45.0, shape=2.0)
    assert oats.pick.clear == Spread("weibull", 60.0, cv=0.8)
    assert oats.magazine.lane_start_bags == 250
    assert granola.magazine.capacity_bags is None
    assert granola.magazine.lane_capacity_bags == 300
    assert granola.magazine.start_bags is None
    assert granola.magazine.lane_start_bags == 300
    assert granola.magazine.carry_bundles is None
    assert oats.autonomy_min == 12.0
    station = oats.station[0]
    assert station.state == "case_packer"
    assert station.between_stops == Spread("exponential", 3600.0)
    assert station.stop == Spread("empirical", 120.0, values_s=(30.0, 90.0, 240.0))
    assert (oats.outfeed.restart_packs, oats.outfeed.restart_at_packs) == (20, 20)
    assert oats.outfeed_speed_per_min == 50.0
    assert granola.pick.single_lane_speed_per_min is None


def test_chances_and_where_they_come_from() -> None:
    oats, granola = parse_config(CELL).machine
    stiffness = film.bending_stiffness_uNm([(4.5, 12.0), (0.25, 80.0)])
    assert oats.bag.stiffness == stiffness
    assert oats.bag.chance_source == "planning"
    planning = film.planning_chances("press_zip", stiffness)
    assert oats.bag.chances(False) == planning
    assert oats.bag.chances(True) == film.planning_chances("press_zip", stiffness, True)
    assert oats.bag.bad_chances() == (0.2, *planning[1:])
    assert granola.bag.chance_source == "faults"
    assert granola.bag.chances(True) == (0.004, 0.0, 0.0, 0.0, 0.0001)
    assert granola.bag.bad_chances() == granola.bag.chances()


def test_a_mouth_opener_of_the_pick_reaches_the_chances() -> None:
    config = parse_config(CELL, overrides=["machine.pick.mouth_opener=true"])
    oats, granola = config.machine
    assert oats.chances == oats.bag.chances(True) != oats.bag.chances(False)
    assert granola.chances == granola.bag.chances(False)


def test_the_plainest_config() -> None:
    """One machine, a speed and a capacity run, and what is not written does not happen."""
    config = parse_config("[[machine]]\nspeed_per_min = 50\nmagazine.capacity_bags = 100\n")
    machine = config.machine[0]
    assert machine.names == ["machine"]
    assert machine.bag.chance_source == "none"
    assert machine.chances == (0.0,) * 5
    assert machine.outfeed.restart_at_packs == 0
    assert config.crew.operators == 1
    assert config.crew.rounds_every_min is None
    assert config.crew.notice == Spread()
    assert config.money is None


def test_restart_level_follows_the_accumulation() -> None:
    text = edited(("restart_packs = 20\n", ""))
    assert parse_config(text).machine[0].outfeed.restart_packs is None
    assert parse_config(text).machine[0].outfeed.restart_at_packs == 39


def test_configs_travel_and_cannot_be_changed() -> None:
    config = parse_config(CELL)
    assert pickle.loads(pickle.dumps(config)) == config
    assert copy.deepcopy(config) == config
    assert hash(copy.deepcopy(config)) == hash(config)
    with pytest.raises(pydantic.ValidationError):
        config.study.shift_h = 4.0


def test_errors_travel() -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config("x = 1")
    again = pickle.loads(pickle.dumps(caught.value))
    assert again.problems == caught.value.problems
    assert str(again) == str(caught.value)


def test_places_of_machines() -> None:
    one = "[[machine]]\nspeed_per_min = 50\nat_m = [4, 0.5]\nmagazine.capacity_bags = 100\n"
    assert parse_config(one).machine[0].at_m == ((4.0, 0.5),)
    two = one.replace("[4, 0.5]", "[[0, 0], [3, 1]]\ncount = 2")
    assert parse_config(two).machine[0].at_m == ((0.0, 0.0), (3.0, 1.0))


def test_load_reads_files_beside_the_config(tmp_path: Path) -> None:
    (tmp_path / "stops.txt").write_text("# minutes\n0.5\n\n1.5  # long\n", encoding="utf-8")
    path = tmp_path / "cell.toml"
    stop = 'stop = { family = "empirical", file_min = "stops.txt" }'
    text = edited(('stop = { family = "empirical", values_min = [0.5, 1.5, 4] }', stop))
    path.write_text(text, encoding="utf-8")
    config = load_config(path, ["study.seed=7"])
    assert config.machine[0].station[0].stop == Spread("empirical", 60.0, values_s=(30.0, 90.0))
    assert config.study.seed == 7
    assert config.origin.overrides == ("study.seed=7",)


def test_config_is_light_to_import() -> None:
    code = (
        "import sys, feedsim.config; "
        "print([m for m in ('numpy', 'pandas', 'scipy', 'matplotlib') if m in sys.modules])"
    )
    root = Path(__file__).parent.parent
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root
    )
    assert done.stdout.strip() == "[]"


def test_config_type() -> None:
    assert isinstance(parse_config(CELL), Config)
