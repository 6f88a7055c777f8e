"""Resolved values, TOML text, and the round trip through both."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_config_base import CELL, edited

from feedsim.config import dump_toml, parse_config, starter_text
from feedsim.config.write import toml_value

PLAINEST = "[[machine]]\nspeed_per_min = 50\nmagazine.capacity_bags = 100\n"
PLACED = edited(
    ("walk_s = 20\n", "base_m = [-1, 2.5]\n"),
    ("restart_s = 5", "at_m = [[1, 1], [2, 2]]"),
    ("speed_per_min = 40", "speed_per_min = 40\nat_m = [5, 5]"),
)


@pytest.mark.parametrize("text", [CELL, PLAINEST, PLACED, starter_text()])
def test_what_is_written_loads_to_an_equal_cell(text: str) -> None:
    config = parse_config(text)
    again = parse_config(dump_toml(config))
    assert again == config
    assert dump_toml(again) == dump_toml(config)
    assert tomllib.loads(dump_toml(config)) == config.resolved()
    assert parse_config(dump_toml(json.loads(json.dumps(config.resolved())))) == config


def test_resolved_values_are_plain_and_complete() -> None:
    values = parse_config(CELL).resolved()
    assert values["study"]["replications"] == 40
    assert values["crew"]["break"] == [{"at_h": 4.0, "takes_min": 30.0, "cover": 1}]
    assert values["crew"]["notice"] == {"family": "exponential", "mean_s": 30.0}
    oats, granola = values["machine"]
    assert oats["station"][0]["stop"] == {"family": "empirical", "values_s": [30.0, 90.0, 240.0]}
    assert "start_bags" not in granola["magazine"]
    assert granola["magazine"]["geometry"]["loading"] == "stacked"


def test_negative_control_another_cell_is_not_equal() -> None:
    assert parse_config(CELL) != parse_config(CELL.replace("lanes = 2", "lanes = 3"))
    assert parse_config(CELL) != "a text"


def test_equal_wherever_they_come_from() -> None:
    assert parse_config(CELL, "a.toml") == parse_config("# note\n" + CELL, "b.toml")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (3, "3"),
        (3.0, "3"),
        (0.1, "0.1"),
        (1e300, "1e+300"),
        ('a "b" \\ \n\x7f', '"a \\"b\\" \\\\ \\u000A\\u007F"'),
        ([1, "x"], '[1, "x"]'),
        ({"a": 1}, "{ a = 1 }"),
        ({}, "{}"),
    ],
)
def test_values_as_toml(value: Any, text: str) -> None:
    assert toml_value(value) == text
    assert tomllib.loads(f"v = {text}")["v"] == value


@settings(max_examples=80, deadline=None)
@given(
    st.text(
        st.characters(exclude_categories=["Cs"]),
        max_size=20,
    ),
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(2**63), 2**63),
)
def test_any_value_comes_back(text: str, number: float, whole: int) -> None:
    for value in (text, number, whole):
        assert tomllib.loads(f"v = {toml_value(value)}")["v"] == value


@settings(max_examples=40, deadline=None)
@given(
    mean_min=st.floats(1e-3, 1e6),
    cv=st.floats(0.001, 100),
    capacity=st.integers(1, 1_000_000),
    speed=st.floats(0.01, 3000),
    values=st.lists(st.floats(0, 1e6), min_size=1, max_size=5),
)
def test_any_cell_comes_back(
    mean_min: float, cv: float, capacity: int, speed: float, values: list[float]
) -> None:
    config = parse_config(PLAINEST).with_values(
        {
            "machine.magazine.capacity_bags": capacity,
            "machine.speed_per_min": speed,
            "machine.pick.clear": {"family": "lognormal", "mean_min": mean_min, "cv": cv},
            "crew.notice": {"family": "empirical", "values_min": values},
        }
    )
    assert parse_config(dump_toml(config)) == config
