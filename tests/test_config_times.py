"""Times that vary: every family, unit and way to be wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_config_base import CELL, line_with, problems_of

from feedsim.config import ConfigError, Problem, Spread, parse_config

PLACE = 'takes = { family = "constant", mean_min = 2 }'
KEY = "crew.duty.takes"


def with_time(value: str) -> str:
    """The sound config with another time for the duty."""
    assert CELL.count(PLACE) == 1
    return CELL.replace(PLACE, f"takes = {value}")


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("0", Spread()),
        ("0.0", Spread()),
        ('{ family = "constant", mean_s = 0 }', Spread()),
        ('{ family = "constant", mean_s = 22 }', Spread("constant", 22.0)),
        ('{ family = "constant", mean_min = 0.1 }', Spread("constant", 0.1 * 60)),
        ('{ family = "exponential", mean_h = 1.5 }', Spread("exponential", 5400.0)),
        ('{ family = "lognormal", mean_s = 22, cv = 0.3 }', Spread("lognormal", 22.0, cv=0.3)),
        ('{ family = "weibull", mean_s = 9, cv = 2 }', Spread("weibull", 9.0, cv=2.0)),
        ('{ family = "weibull", mean_s = 9, shape = 0.7 }', Spread("weibull", 9.0, shape=0.7)),
        (
            '{ family = "empirical", values_s = [1, 2, 6] }',
            Spread("empirical", 3.0, values_s=(1.0, 2.0, 6.0)),
        ),
        (
            '{ family = "empirical", values_min = [0, 0.5] }',
            Spread("empirical", 15.0, values_s=(0.0, 30.0)),
        ),
    ],
)
def test_times_in_seconds(value: str, expected: Spread) -> None:
    spread = parse_config(with_time(value)).crew.duty[0].takes
    assert spread == expected
    assert type(spread.mean_s) is float


@pytest.mark.parametrize(
    ("value", "key", "words"),
    [
        ("22", "", ["needs its family and unit", "only 0 may stand alone", "is 22"]),
        ("true", "", ["a table like", "is true"]),
        ('"22 s"', "", ["a table like", 'is "22 s"']),
        ("[22]", "", ["a table like", "is [22]"]),
        ("{ mean_s = 22 }", ".family", ["is missing", '"lognormal"']),
        ('{ family = "normal", mean_s = 22 }', ".family", ['"weibull"', 'is "normal"']),
        ('{ family = "constant" }', "", ["exactly one of mean_s, mean_min, mean_h", "none"]),
        (
            '{ family = "constant", mean_s = 60, mean_min = 1 }',
            ".mean_min",
            ["exactly one of", "given are mean_s and mean_min"],
        ),
        ('{ family = "constant", mean_s = -1 }', ".mean_s", ["from 0 to 1000000000", "is -1"]),
        ('{ family = "constant", mean_s = true }', ".mean_s", ["a number", "is true"]),
        ('{ family = "constant", mean_h = 1e6 }', ".mean_h", ["from 0 to 200000", "is 1000000"]),
        ('{ family = "constant", mean_sec = 1 }', ".mean_sec", ["did you mean `mean_s`?"]),
        ('{ family = "constant", mean_s = 1, cv = 0.1 }', ".cv", ["a constant time has no cv"]),
        ('{ family = "exponential", mean_s = 0 }', ".mean_s", ["must be above 0, is 0"]),
        (
            '{ family = "exponential", mean_s = 5, shape = 1 }',
            ".shape",
            ["an exponential time has no shape, here 1"],
        ),
        ('{ family = "lognormal", mean_s = 5 }', ".cv", ["missing: a lognormal time needs cv"]),
        ('{ family = "lognormal", mean_s = 5, cv = 0 }', ".cv", ["from 0.001 to 100", "is 0"]),
        ('{ family = "weibull", mean_s = 5 }', "", ["exactly one of cv, shape"]),
        (
            '{ family = "weibull", mean_s = 5, cv = 1, shape = 1 }',
            ".shape",
            ["exactly one of cv, shape", "given are cv and shape"],
        ),
        ('{ family = "constant", mean_s = 1, values_s = [1] }', ".values_s", ['only family "emp']),
        ('{ family = "empirical" }', "", ["exactly one of values_s, values_min, file_s, file_min"]),
        ('{ family = "empirical", values_s = [] }', ".values_s", ["at least one number"]),
        ('{ family = "empirical", values_s = [1, -2] }', ".values_s", ["one is -2 s"]),
        ('{ family = "empirical", values_min = [2e7] }', ".values_min", ["at most 1e+09 s"]),
        ('{ family = "empirical", values_s = 3 }', ".values_s", ["a list of numbers", "is 3"]),
        ('{ family = "empirical", values_s = [1, "x"] }', ".values_s[1]", ['is "x"']),
        (
            '{ family = "empirical", values_s = [1], mean_s = 1 }',
            ".mean_s",
            ["takes its mean from its values"],
        ),
        ('{ family = "empirical", values_s = [1], values_min = [1] }', ".values_min", ["exactly"]),
    ],
)
def test_a_wrong_time_is_one_clear_line(value: str, key: str, words: list[str]) -> None:
    text = with_time(value)
    (problem,) = problems_of(text)
    assert problem.key == KEY + key
    assert problem.line == line_with(text, "takes = ")
    for word in words:
        assert word in problem.message


def test_all_that_is_wrong_with_a_time_at_once() -> None:
    found = problems_of(with_time('{ family = "exponential", mean_s = 1, mean_h = 1, cv = 1 }'))
    assert [problem.key for problem in found] == [f"{KEY}.mean_h", f"{KEY}.cv"]


def _problems_of_file(folder: Path, content: bytes | None) -> list[Problem]:
    if content is not None:
        (folder / "load.txt").write_bytes(content)
    text = with_time('{ family = "empirical", file_s = "load.txt" }')
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "cell.toml", folder)
    return caught.value.problems


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (None, None, ["no such file"]),
        (b"", None, ["holds no number"]),
        (b"# nothing\n\n", None, ["holds no number"]),
        (b"1\n0,5\n", 2, ["must be one number of at least 0", "'0,5'"]),
        (b"1\n2 3\n", 2, ["'2 3'"]),
        (b"nan\n", 1, ["'nan'"]),
        (b"1\n\n-3\n", 3, ["'-3'"]),
        (b"1_000\n", 1, ["'1_000'"]),
        (b"1\n1e999\n", 2, ["'1e999'"]),
        (b"1\n\xff\n", 2, ["not UTF-8", "0xff"]),
        (b"1\n\x00\n", 2, ["NUL"]),
        (b"2e9\n", None, ["at most 1e+09 s"]),
    ],
)
def test_a_wrong_file_of_times(
    tmp_path: Path, content: bytes | None, line: int | None, words: list[str]
) -> None:
    (problem,) = _problems_of_file(tmp_path, content)
    assert problem.key == f"{KEY}.file_s"
    if words != ["at most 1e+09 s"]:
        assert problem.file == str(tmp_path / "load.txt")
        assert problem.line == line
    for word in words:
        assert word in problem.message


def test_too_many_times(tmp_path: Path) -> None:
    (problem,) = _problems_of_file(tmp_path, b"1\n" * 100_001)
    assert "at most 100000 numbers, holds 100001" in problem.message
    values = "[" + "1," * 100_001 + "]"
    (problem,) = problems_of(with_time(f'{{ family = "empirical", values_s = {values} }}'))
    assert "at most 100000 numbers, holds 100001" in problem.message


def test_a_folder_is_no_file_of_times(tmp_path: Path) -> None:
    (tmp_path / "load.txt").mkdir()
    (problem,) = _problems_of_file(tmp_path, None)
    assert "is a folder" in problem.message


def test_of_many_wrong_lines_the_first_are_shown(tmp_path: Path) -> None:
    found = _problems_of_file(tmp_path, b"x\n" * 9)
    assert [problem.line for problem in found] == [1, 2, 3, 4, 5, None]
    assert "4 more lines" in found[-1].message


def test_files_of_times_in_either_style(tmp_path: Path) -> None:
    (tmp_path / "load.txt").write_bytes(b"\xef\xbb\xbf# s\r\n1.5\r\n  .5\r\n+2e0 # third\r\n")
    text = with_time('{ family = "empirical", file_min = "load.txt" }')
    spread = parse_config(text, folder=tmp_path).crew.duty[0].takes
    assert spread.values_s == (90.0, 30.0, 120.0)
    assert spread.mean_s == 80.0
