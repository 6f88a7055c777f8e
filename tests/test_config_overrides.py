"""Keys set over a file, and configs changed in Python."""

from __future__ import annotations

from typing import Any

import pytest
from test_config_base import CELL, edited, problems_of

from feedsim.config import ConfigError, Spread, parse_config


def with_set(*overrides: str, text: str = CELL) -> Any:
    """The sound config with keys set."""
    return parse_config(text, "cell.toml", overrides=overrides)


def test_a_key_without_a_number_means_every_machine() -> None:
    config = with_set("machine.magazine.lanes=3", "machine[1].magazine.lanes = 4")
    assert [machine.magazine.lanes for machine in config.machine] == [3, 4]
    config = with_set("machine.bag.faults={missed = 0.1}", "machine[0].bag.faults.missed=0.2")
    assert [machine.bag.faults.missed for machine in config.machine] == [0.2, 0.1]


def test_values_are_toml_or_else_texts() -> None:
    config = with_set(
        "title=granola only",
        "machine[0].name='oats = flakes'",
        "crew.calls=dry",
        "machine.pick.mouth_opener=true",
        'crew.notice={ family = "constant", mean_s = 5 }',
        "crew.break=[{ at_h = 2, takes_min = 10, cover = 1 }, { at_h = 5, takes_min = 15 }]",
    )
    assert config.title == "granola only"
    assert config.machine[0].name == "oats = flakes"
    assert config.crew.calls == "dry"
    assert config.machine[1].pick.mouth_opener is True
    assert config.crew.notice == Spread("constant", 5.0)
    assert [one.at_h for one in config.crew.breaks] == [2.0, 5.0]


def test_a_value_cannot_carry_other_keys_in() -> None:
    config = with_set("title=1\nmachine = 2")
    assert config.title == "1\nmachine = 2"


def test_tables_that_the_file_does_not_have() -> None:
    assert with_set("money.bag_cost=0.05", text=edited(("[money]\npack_margin = 0.4\n", ""))).money
    assert (
        with_set("machine.outfeed.accumulation_packs=30").machine[1].outfeed.restart_at_packs == 29
    )


def test_stations_and_breaks_by_number() -> None:
    config = with_set("machine[0].station[0].stop=0", "crew.break[0].takes_min=45")
    assert config.machine[0].station[0].stop == Spread()
    assert config.crew.breaks[0].takes_min == 45.0


def test_inside_a_time() -> None:
    """One way to say a mean takes the place of another."""
    config = with_set("machine[0].station.between_stops.mean_min=30", "crew.notice.mean_s=5")
    assert config.machine[0].station[0].between_stops == Spread("exponential", 1800.0)
    assert config.crew.notice == Spread("exponential", 5.0)
    shape = with_set("machine[0].pick.clear.shape=2").machine[0].pick.clear
    assert (shape.cv, shape.shape) == (None, 2.0)
    zero = with_set("crew.notice=0", "crew.notice.family=constant", "crew.notice.mean_s=3")
    assert zero.crew.notice == Spread("constant", 3.0)


PLACED = edited(
    ("walk_s = 20\n", ""),
    ("restart_s = 5", "at_m = [[1, 1], [2, 2]]"),
    ("speed_per_min = 40", "speed_per_min = 40\nat_m = [5, 5]"),
)


def test_setting_one_of_a_pair_takes_the_other_out() -> None:
    granola = with_set("machine[1].magazine.capacity_bags=120").machine[1]
    assert granola.magazine.geometry is None
    assert granola.magazine.lane_capacity_bags == 120
    geometry = '{ loading = "shingled", lane_length_mm = 3600, shingle_pitch_mm = 12 }'
    oats = with_set(f"machine[0].magazine.geometry={geometry}").machine[0]
    assert oats.magazine.capacity_bags is None
    assert oats.magazine.lane_capacity_bags == 301
    assert with_set("machine[0].bag.stiffness_uNm=60").machine[0].bag.layers is None
    walking = with_set("crew.walk_s=15", text=PLACED)
    assert [machine.at_m for machine in walking.machine] == [None, None]
    places = ("machine[0].at_m=[[0, 0], [1, 1]]", "machine[1].at_m=[3, 3]")
    assert with_set(*places).crew.walk_s == 0.0


def test_a_part_of_geometry_takes_the_capacity_out() -> None:
    config = with_set(
        "machine[0].magazine.geometry.loading=stacked",
        "machine[0].magazine.geometry.stack_height_mm=400",
        "machine[0].magazine.geometry.bag_thickness_mm=0.2",
    )
    assert config.machine[0].magazine.lane_capacity_bags == 2000


def test_both_of_a_pair_set_are_still_wrong() -> None:
    found = problems_of(
        CELL, ("machine[0].bag.stiffness_uNm=60", 'machine[0].bag.layers=[{material="PA",um=20}]')
    )
    assert "must not stand together" in found[0].message
    assert found[0].file == "--set"


@pytest.mark.parametrize(
    ("override", "line"),
    [
        ("foo", '--set: must be key=value, is "foo"'),
        ("=3", '--set: must be key=value, is "=3"'),
        (
            "machine..x=1",
            "--set: machine..x: must be a path like machine[0].magazine.capacity_bags",
        ),
        ("machine[x].count=1", "--set: machine[x].count: must be a path like"),
        ("machine.magazin.lanes=3", "unknown key, did you mean `magazine`?"),
        ("machine.lanes=3", "it belongs in [machine.magazine]"),
        ("crew.notice.mean=3", "--set: crew.notice.mean: unknown key, did you mean `mean_s`?"),
        ("study[0].seed=1", "--set: study[0].seed: study is not a list of tables"),
        ("machine[2].count=1", "--set: machine[2].count: no [2] in machine: the numbers go from 0"),
        ("machine[1].station[0].stop=0", "no [0] in machine.station: there is none"),
        (
            "study.seed=ten",
            '--set: study.seed: must be a whole number from 0 to 2^63 - 1, is "ten"',
        ),
        ("machine.magazine.lanes=9", "--set: machine[1].magazine.lanes: must be a whole number"),
        ("crew.break.cover=3", "--set: crew.break.cover: must be at most the 2 operators"),
        ("crew=3", "--set: crew: must be a table with keys of operators"),
        ("machine.pick.mouth_opener=True", '"True"'),
        ("title=" + "[" * 5000, "--set: title: must be a text of at most 500 characters"),
    ],
)
def test_a_wrong_setting_is_told_as_such(override: str, line: str) -> None:
    found = [str(problem) for problem in problems_of(CELL, (override,))]
    assert any(line in problem for problem in found), found
    assert all(problem.startswith("--set: ") for problem in found)


def test_nothing_to_set_it_in() -> None:
    text = edited(("[[crew.break]]\nat_h = 4\ntakes_min = 30\ncover = 1\n", ""))
    (problem,) = problems_of(text, ("crew.break.cover=1",))
    assert "no [[crew.break]]" in problem.message


def test_what_is_no_table_in_the_file() -> None:
    found = problems_of(
        edited(("[study]\nshift_h = 8\nwarm_up_h = 1", "study = 3")), ("study.seed=1",)
    )
    assert any("study is not a table in the file, it is 3" in p.message for p in found)


def test_wrong_settings_and_a_wrong_file_together() -> None:
    found = problems_of(edited(("lanes = 2", "lanes = 9")), ("nonsense=1", "study.seed=-1"))
    assert {problem.file for problem in found} == {"cell.toml", "--set"}
    assert len(found) == 3


def test_changed_in_python() -> None:
    config = parse_config(CELL)
    other = config.with_values(
        {
            "machine[0].magazine.capacity_bags": 260,
            "crew.rounds_every_min": 5.0,
            "crew.notice": Spread("lognormal", 20.0, cv=1.0),
            "machine[1].magazine.capacity_bags": 90,
        }
    )
    assert [m.magazine.lane_capacity_bags for m in other.machine] == [260, 90]
    assert other.machine[1].magazine.lane_start_bags == 90
    assert other.crew.rounds_every_min == 5.0
    assert other.crew.notice == Spread("lognormal", 20.0, cv=1.0)
    assert config == parse_config(CELL)
    assert other != config


def test_none_takes_a_key_away() -> None:
    other = parse_config(CELL).with_values(
        {"crew.rounds_every_min": None, "machine[0].magazine.start_bags": None, "money": None}
    )
    assert other.crew.rounds_every_min is None
    assert other.machine[0].magazine.lane_start_bags == 300
    assert other.money is None


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({"machine[0].magazine.capacity_bags": 200}, "start_bags: must be at most the 200 bags"),
        ({"machine[0].magazine.lanes": 9}, "with_values: machine[0].magazine.lanes: must be"),
        ({"machine[0].magazine.lane": 2}, "with_values: machine[0].magazine.lane: unknown key"),
        ({"study.shift_h": float("nan")}, "with_values: study.shift_h: must be a number"),
        ({"study.seed": True}, "is true"),
    ],
)
def test_a_change_is_checked_anew(values: dict[str, Any], line: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(CELL, "cell.toml").with_values(values)
    assert line in str(caught.value)
