"""Whatever a file holds, the answer is a config or clear lines, never another error."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from test_config_base import CELL

from feedsim.config import ConfigError, all_keys, dump_toml, explain, parse_config, warnings_of
from feedsim.config.write import toml_value

ODD_VALUES: list[Any] = [
    0, 1, -1, 2, 3.5, 1e300, 10**400, "", "a/b", "\x00", "oats", True, [], {}, [[]], [1, 2],
    [[1, 2], [3]], [{}], {"family": "constant"}, {"family": 3}, {"": {}}, [3, {}],
]  # fmt: skip
DATA = tomllib.loads(CELL)


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Every (holder, key) in nested values."""
    pairs: list[tuple[Any, Any]] = []
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for name, inner in list(items):
        pairs.append((value, name))
        if isinstance(inner, dict | list):
            pairs += _places(inner)
    return pairs


def _checks(text: str, overrides: tuple[str, ...] = ()) -> None:
    try:
        config = parse_config(text, "cell.toml", overrides=overrides)
    except ConfigError as error:
        assert error.problems
        for problem in error.problems:
            assert "\n" not in str(problem)
            assert str(problem).isprintable()
            assert problem.message
        return
    assert explain(config)
    warnings_of(config)
    assert parse_config(dump_toml(config)) == config


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_odd_values_anywhere(data: st.DataObject) -> None:
    values = copy.deepcopy(DATA)
    for _ in range(data.draw(st.integers(1, 3))):
        holder, name = data.draw(st.sampled_from(_places(values)))
        if isinstance(holder, dict) and data.draw(st.booleans()):
            holder[data.draw(st.sampled_from(["new", "lanes", "name", 'q"\n']))] = holder.pop(name)
        else:
            holder[name] = copy.deepcopy(data.draw(st.sampled_from(ODD_VALUES)))
    _checks("".join(f"{_bare(name)} = {toml_value(v)}\n" for name, v in values.items()))


def _bare(name: str) -> str:
    return name if name.replace("_", "").isalpha() else toml_value(name)


@settings(max_examples=150, deadline=None)
@given(
    key=st.sampled_from([*all_keys(), "machine", "crew.break", "machine[0].station", "money"]),
    value=st.sampled_from(ODD_VALUES),
)
def test_odd_values_set_over_a_file(key: str, value: Any) -> None:
    _checks(CELL, (f"{key}={toml_value(value)}",))


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80))
def test_any_text(text: str) -> None:
    _checks(text)
    _checks(CELL, (text,))


@settings(max_examples=100, deadline=None)
@given(at=st.integers(0, len(CELL)), junk=st.text(max_size=4), drop=st.integers(0, 30))
def test_a_damaged_file(at: int, junk: str, drop: int) -> None:
    _checks(CELL[:at] + junk + CELL[at + drop :])
