"""Lines of keys, and everything that can be wrong with a file before its keys are read."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_config_base import CELL

from feedsim.config import ConfigError, load_config, parse_config, starter_text
from feedsim.config.lines import line_of, lines_of_keys


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    own = [path] if path else []
    return own + [found for name, item in inner for found in _paths(item, (*path, name))]


def _by_prefixes(text: str) -> dict[tuple[str | int, ...], int]:
    """The definition: the first line whose prefix of the file parses and contains the key."""
    lines: dict[tuple[str | int, ...], int] = {}
    content = text.split("\n")
    for number in range(1, len(content) + 1):
        try:
            data = tomllib.loads("\n".join(content[:number]))
        except tomllib.TOMLDecodeError:
            continue
        for path in _paths(data):
            lines.setdefault(path, number)
    return lines


ONE_LINE_EACH = CELL.replace("[\n  {", "[{").replace("},\n  {", "}, {").replace("},\n]", "}]")
TRICKY = """\
"quoted key" = "# no comment" # a comment
a.b.c = 1
a.b.d = [1, 2]

[table] # head
x = "[not a head]"
[[list]]
[list.below]
y = 1
[[list.items]]
[[list.items]]
z = 2
[[list]]
[[list.items]]
w = 3
[table."with.dot"]
v = { p = [ { q = 1 } ], r = 2 }
"""


@pytest.mark.parametrize("text", [ONE_LINE_EACH, TRICKY, starter_text()])
def test_lines_are_those_of_the_definition(text: str) -> None:
    assert lines_of_keys(text) == _by_prefixes(text)
    assert lines_of_keys(text.replace("\n", "\r\n")) == _by_prefixes(text)


def test_values_over_several_lines_are_told_where_they_begin() -> None:
    text = (
        "a = 1\nlist = [\n  # first\n  { x = 1 },\n  { y = 2,  z = [\n 3,\n 4 ] },\n]\n"
        'b = """\n[c]\n"""\n[d]\n'
    )
    lines = lines_of_keys(text)
    assert set(lines) == set(_paths(tomllib.loads(text)))
    assert lines["list",] == 2
    assert lines["list", 0, "x"] == 4
    assert lines["list", 1, "y"] == 5
    assert lines["list", 1, "z", 0] == 6
    assert lines["list", 1, "z", 1] == 7
    assert lines["b",] == 9
    assert lines["d",] == 12
    assert lines["a",] == 1


def test_long_values_do_not_take_long() -> None:
    """Twenty thousand lines of numbers are one statement, parsed once."""
    text = "x = [\n" + "1,\n" * 20_000 + "]\ny = 1\n"
    lines = lines_of_keys(text)
    assert lines["y",] == 20_003


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            ["", "# note", "k{n} = 1", "k{n} = {{ a = [1, 2] }}", "[t{n}]", "[[m]]", "[m.s{n}]"]
        ),
        max_size=12,
    )
)
def test_lines_of_any_mixture(parts: list[str]) -> None:
    lines = [part.format(n=number) for number, part in enumerate(parts)]
    # A sub-table of a list needs the list before it.
    text = "\n".join(["[[m]]", *lines])
    assert lines_of_keys(text) == _by_prefixes(text)


def test_line_of_what_is_not_there_is_that_of_its_table() -> None:
    lines = lines_of_keys(CELL)
    assert line_of(("study", "seed"), lines) == lines["study",]
    assert line_of(("nowhere",), lines) is None


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("[study]\nseed = 1 2\n", 2, ["Expected newline", "column 10"]),
        ("[study\n", 1, ["Expected"]),
        ("a = 1\na = 2\n", 2, ["overwrite"]),
        ('a = """\nnever\nends\n', 3, ["end of the file"]),
        ("a = 1\nb = 2021-13-45\n", 2, []),
        ("a = 1\nb = " + "9" * 5000 + "\n", 2, ["too many digits"]),
        ("a = 1\nb = " + "[" * 5000 + "]" * 5000, 2, ["nested too deeply"]),
        ("b = " + "[" * 60 + "]" * 60, 1, ["nested too deeply"]),
        (".".join("a" * 200) + " = 1", 1, ["nested too deeply"]),
        ("a = 'x\x01'\n", 1, ["\\x01"]),
    ],
)
def test_what_is_no_toml(text: str, line: int, words: list[str]) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "cell.toml")
    (problem,) = caught.value.problems
    assert problem.line == line
    assert str(problem).startswith(f"cell.toml:{line}: not valid TOML: ")
    assert "\n" not in str(problem)
    for word in words:
        assert word in problem.message


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b"a = 1\nb = '\xff'\n", 2, "not UTF-8"),
        (CELL.encode("utf-16"), 1, "not UTF-8"),
        (b"a = 1\n\nb\x00 = 2\n", 3, "NUL"),
        (b"#" * 5_000_001, None, "larger than 5 MB"),
    ],
)
def test_files_that_are_no_text(
    tmp_path: Path, content: bytes, line: int | None, words: str
) -> None:
    path = tmp_path / "cell.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == (str(path), line)
    assert words in problem.message


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "none.toml", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(ConfigError, match=words) as caught:
            load_config(path)
        assert str(caught.value) == f"{path}: {caught.value.problems[0].message}"
    with pytest.raises(ConfigError, match="cannot be read"):
        load_config("a\0b")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads all")
def test_files_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "cell.toml"
    path.write_text(CELL, encoding="utf-8")
    path.chmod(0)
    with pytest.raises(ConfigError, match="permission denied"):
        load_config(path)


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "cell.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CELL.replace("\n", "\r\n").encode())
    assert load_config(path) == parse_config(CELL)
    path.write_bytes(path.read_bytes().replace(b"lanes = 2", b"lanes = 9"))
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    assert caught.value.problems[0].line == CELL[: CELL.index("lanes")].count("\n") + 1


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("speed_per_min = 2,5", "; decimals are written with a point: 2.5"),
        (
            "stop = { mean_s = -0,25, cv = 1 }  # short",
            "; decimals are written with a point: -0.25",
        ),
        (
            "bags = 2,000",
            "; numbers have no comma: 2000 if thousands are meant, 2.000 if decimals are",
        ),
        ("speed_per_min =", "; after = there is no value"),
        ("speed_per_min =  # bags", "; after = there is no value"),
        ('name = "oats', ""),
        ("speed per_min = 30", ""),
        ("bags = [2,5", ""),
    ],
)
def test_what_is_often_meant_by_a_line_that_is_no_toml(line: str, hint: str) -> None:
    with pytest.raises(ConfigError) as told:
        parse_config(f"[[machine]]\n{line}\n[machine.pick]\n")
    [said] = str(told.value).splitlines()
    assert ": not valid TOML: " in said
    assert said.endswith(hint or ")")
    assert ("; " in said) == bool(hint)
