"""Help, starter text and the table of where values come from: all from the declarations."""

from __future__ import annotations

import re

import pytest
from test_config_base import CELL, edited, line_with

from feedsim import film
from feedsim.config import (
    ConfigError,
    Row,
    all_keys,
    describe_key,
    explain,
    parse_config,
    starter_text,
    warnings_of,
)
from feedsim.config.catalog import declarations
from feedsim.config.overrides import apply_overrides

# The contract's keys, table by table.
CONTRACT = {
    "": "title",
    "study": "shift_h warm_up_h replications seed confidence minor_stop_min",
    "crew": "operators rounds_every_min calls notice walk_s base_m walk_m_per_s",
    "crew.duty": "name every_min takes",
    "crew.break": "at_h takes_min cover",
    "planned_stop": "name at_h takes_min kind",
    "machine": "name count speed_per_min at_m restart_s scrap_packs scrap_after_s",
    "machine.magazine": "lanes capacity_bags start_bags call_level_bags live_loading bundle_bags "
    "bundle visit carry_bundles fetch",
    "machine.magazine.geometry": "loading lane_length_mm bag_length_mm gap_mm stack_height_mm "
    "bag_thickness_mm shingle_pitch_mm",
    "machine.pick": "retries retry_s misses_to_stop on_lane_fault clear discard_on_clear_bags "
    "single_lane_speed_per_min mouth_opener",
    "machine.bag": "closure stiffness_uNm film",
    "machine.bag.layers": "material modulus_GPa um",
    "machine.bag.faults": "missed double unopened skewed jam",
    "machine.bag.bad_bundles": "share missed",
    "machine.station": "name between_stops stop needs_operator place",
    "machine.outfeed": "accumulation_packs speed_per_min restart_packs",
    "money": "currency pack_margin bag_cost operator_cost_h shifts_per_year",
}


def test_the_keys_are_those_of_the_contract() -> None:
    wanted = [f"{t}.{k}".lstrip(".") for t, keys in CONTRACT.items() for k in keys.split()]
    assert sorted(all_keys()) == sorted(wanted)


@pytest.mark.parametrize("path", all_keys())
def test_each_key_is_explained(path: str) -> None:
    declared = declarations()[tuple(path.split("."))]
    text = describe_key(path)
    assert text.startswith(f"{path}\n  {declared.meaning}\n")
    assert len(declared.meaning) > 3
    for word in ("unit", "default", "allowed", "source"):
        assert f"\n  {word} " in text
    # A number's unit stands at the end of its name too.
    for ending, unit in (("_s", "s"), ("_min", "min"), ("_h", "h"), ("_mm", "mm"), ("_m", "m")):
        if path.endswith(ending) and "_per_" not in path and "cost" not in path:
            assert declared.unit == unit


def test_help_of_tables_times_and_numbered_paths() -> None:
    assert "lanes, capacity_bags" in describe_key("machine[0].magazine")
    assert describe_key("machine[1].magazine.lanes") == describe_key("machine.magazine.lanes")
    assert "a time's own keys" in describe_key("crew.notice")
    assert "above 0" not in describe_key("crew.notice.mean_min")
    assert "planning value" in describe_key("machine.pick.misses_to_stop")


@pytest.mark.parametrize(
    ("path", "meant"),
    [
        ("machine.magazine.lane", "machine.magazine.lanes"),
        ("lanes", "machine.magazine.lanes"),
        ("capacity", "machine.magazine.capacity_bags"),
        ("machine.bundle_bags", "machine.magazine.bundle_bags"),
        ("crew.notice.mean_mins", "crew.notice"),
    ],
)
def test_help_of_a_misspelt_key_names_the_nearest(path: str, meant: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(f"did you mean `{meant}`?")):
        describe_key(path)


def test_help_of_nothing() -> None:
    with pytest.raises(ConfigError, match="a key is needed"):
        describe_key(" ")
    with pytest.raises(ConfigError, match=r"unknown key$"):
        describe_key("qqqqqqqq")


def test_the_starter_loads_and_names_every_key() -> None:
    text = starter_text()
    config = parse_config(text)
    assert config.machine[0].names == ["oats"]
    assert config.study.warm_up_h > 0
    assert max(len(line) for line in text.split("\n")) <= 100
    for path in all_keys():
        name = path.split(".")[-1]
        assert re.search(rf"^(# )?{name} = |[{{,] ?{name} = |^#  +{name}: ", text, re.M), path


def test_the_starter_says_defaults_units_and_ranges() -> None:
    text = " ".join(line.lstrip("# ") for line in starter_text().split("\n"))
    for declared in declarations().values():
        if declared.kind in ("key", "time"):
            assert declared.meaning in text
            assert f"default: {declared.default_text}" in text


def test_the_starter_surprises_only_by_what_it_must() -> None:
    said = warnings_of(parse_config(starter_text()))
    assert [
        line for line in said if "planning values" not in line and "only operator" not in line
    ] == []


def _commented_keys() -> list[tuple[int, str]]:
    lines = starter_text().split("\n")
    return [(n, line) for n, line in enumerate(lines) if re.match(r"# [a-z_A-Z]+ = ", line)]


@pytest.mark.parametrize(("number", "line"), _commented_keys())
def test_each_commented_key_of_the_starter_can_be_used(number: int, line: str) -> None:
    """Set alone over the starter, its value is accepted where its table is there."""
    lines = starter_text().split("\n")
    heads = [re.fullmatch(r"(# )?(\[+)([a-z_.]+)\]+", head) for head in lines[:number]]
    head = [found for found in heads if found][-1]
    assert head is not None
    key, value = line.removeprefix("# ").split(" = ", 1)
    if key == "film":
        pytest.skip("a file is needed: see the tests of film models")
    table = head[3]
    if table == "machine.outfeed":
        overrides = [f"{table}.accumulation_packs=40"]
    elif head[1] and table == "crew.duty":
        overrides = ["crew.duty=[{ name = 'a', every_min = 9, takes = 0 }]"]
    else:
        overrides = []
    overrides.append(f"{table}.{key}={value}")
    if key == "start_bags":
        overrides.append("machine.magazine.capacity_bags=300")
    parse_config(starter_text(), overrides=overrides)


def _row(rows: list[Row], key: str) -> Row:
    found = [row for row in rows if row.key == key]
    assert len(found) == 1, key
    return found[0]


def test_explain_tells_where_each_value_comes_from() -> None:
    config = parse_config(CELL, "cell.toml", overrides=["machine[1].magazine.lanes=4"])
    rows = explain(config.with_values({"crew.operators": 3}))
    line = line_with(CELL, "notice = ")
    assert _row(rows, "crew.notice") == Row(
        "crew.notice", "exponential, mean 30", "s", f"cell.toml:{line}"
    )
    assert _row(rows, "study.seed") == Row("study.seed", "1", "", "default")
    assert _row(rows, "machine[1].magazine.lanes").source == "--set"
    assert _row(rows, "machine[0].magazine.lanes").source.startswith("cell.toml:")
    assert _row(rows, "crew.operators") == Row("crew.operators", "3", "operators", "with_values")
    assert _row(rows, "machine[0].pick.misses_to_stop").source == "default (planning value)"
    assert _row(rows, "machine[1].magazine.start_bags").value == "full"
    assert _row(rows, "money.pack_margin").value == "0.4"
    assert _row(rows, "crew.break.cover").value == "1"


def test_explain_has_a_row_for_every_key() -> None:
    rows = explain(parse_config(CELL))
    keys = {re.sub(r"\[\d+\]", "", row.key) for row in rows}
    whole_tables = {"machine.bag.faults", "machine.magazine.geometry"}
    for path in all_keys():
        assert path in keys or path.rpartition(".")[0] in whole_tables, path


def test_explain_tells_what_follows() -> None:
    rows = explain(parse_config(CELL))
    granola = _row(rows, "machine[1]: lane capacity")
    assert (granola.value, granola.source) == ("300", "from geometry")
    assert _row(rows, "machine[0]: magazine").value == "600"
    assert _row(rows, "machine[0]: autonomy").value == "12"
    # PET 12 um on PE 80 um at 0.25 GPa by hand: 42.197 uN.m about z_n = 18.432 um.
    assert _row(rows, "machine[0]: stiffness").value == "42.2"
    chance = film.planning_chances("press_zip", 42.197)[0]
    missed = _row(rows, "machine[0]: chance of missed")
    assert missed.source == "planning value, from memory"
    assert float(missed.value) == pytest.approx(chance, rel=1e-3)
    assert _row(rows, "machine[1]: chance of missed").source == "faults"
    loading = [row.value for row in rows if row.key == "machine[0]: loading"]
    # (22 s + 45 s / 10 bundles) / 50 bags, and that at 50 bags a minute over 60 s.
    assert loading == ["0.53", "0.442"]
    assert _row(rows, "crew: persons busy loading").value == "0.883"


def test_handling_arithmetic_of_the_trade() -> None:
    """50 bags in 22 s at 50 a minute: 0.37 of one person."""
    text = edited(
        ('fetch = { family = "weibull", mean_s = 45, shape = 2 }\n', ""), ("count = 2", "count = 1")
    )
    rows = explain(parse_config(text))
    assert _row(rows, "crew: persons busy loading").value == "0.367"


def test_settings_do_not_alter_what_they_are_given() -> None:
    data = {"study": {"seed": 1}}
    assert apply_overrides(data, ["study.seed=2"]).data is data
    assert data == {"study": {"seed": 2}}
