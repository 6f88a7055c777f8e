"""The line of every key of a TOML text, which tomllib does not tell."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from feedsim.config.problems import Path

# Endings that complete a value cut off after a line, to see what it holds so far.
_CLOSERS = ("]", "]]", "]}", "]}]", "}]", "}", '"""', "'''")
_LONGEST_STATEMENT_SEARCHED = 300
# A text of several thousand lines in one value is nobody's config: its lines stay unknown.
_LONGEST_STATEMENT_TRIED = 2000


def lines_of_keys(text: str) -> dict[Path, int]:
    """Line of every table, key and list element.

    A statement of TOML (a table's head, or a key and its value) parses alone, so a text is cut
    into statements at the lines where what is gathered so far parses. A key's line is the first
    at which it is there; of a value over several lines that is the line it begins in.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict of path to line number
        Paths are tuples of names and list numbers from 0; lines count from 1.
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    for start, statement in _statements(text):
        if statement[0].lstrip().startswith("["):
            table = _enter(statement[0], counts, lines, start)
        else:
            _note_values(statement, table, lines, start)
    return lines


def _statements(text: str) -> list[tuple[int, list[str]]]:
    found: list[tuple[int, list[str]]] = []
    gathered: list[str] = []
    start = open_brackets = 0
    plain = True
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        if not gathered:
            stripped = line.strip()
            if not stripped or stripped.startswith("#"):
                continue
            start, open_brackets, plain = number, 0, True
        gathered.append(line)
        open_brackets += line.count("[") - line.count("]")
        plain = plain and not any(mark in line for mark in "\"'#")
        # Without quotes and comments the brackets tell the end; else it must be tried.
        if (open_brackets == 0 or not plain) and _parsed("\n".join(gathered)) is not None:
            found.append((start, gathered))
            gathered = []
        elif not plain and len(gathered) > _LONGEST_STATEMENT_TRIED:
            break
    return found


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None


def _enter(head: str, counts: dict[Path, int], lines: dict[Path, int], line: int) -> Path:
    """The path of a table's head, lists of tables by their last element so far."""
    names: list[str] = []
    here: Any = _parsed(head)
    is_list = head.lstrip().startswith("[[")
    while isinstance(here, dict) and here:
        name = next(iter(here))
        names.append(name)
        here = here[name]
    path: Path = ()
    for depth, name in enumerate(names):
        path = (*path, name)
        lines.setdefault(path, line)
        if is_list and depth == len(names) - 1:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
            lines.setdefault(path, line)
    return path


def _note_values(statement: list[str], table: Path, lines: dict[Path, int], start: int) -> None:
    if 1 < len(statement) <= _LONGEST_STATEMENT_SEARCHED:
        for count in range(1, len(statement)):
            _note(_parsed_so_far(statement[:count]), table, lines, start + count - 1)
    _note(_parsed("\n".join(statement)), table, lines, start + _lines_before_end(statement))


def _lines_before_end(statement: list[str]) -> int:
    return len(statement) - 1 if len(statement) <= _LONGEST_STATEMENT_SEARCHED else 0


def _parsed_so_far(statement: list[str]) -> dict[str, Any] | None:
    text = re.sub(r",\s*$", "", "\n".join(statement))
    for closer in _CLOSERS:
        found = _parsed(text + "\n" + closer)
        if found is not None:
            return found
    return None


def _note(value: Any, path: Path, lines: dict[Path, int], line: int) -> None:
    if path:
        lines.setdefault(path, line)
    if isinstance(value, dict):
        for name, inner in value.items():
            _note(inner, (*path, name), lines, line)
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            _note(inner, (*path, number), lines, line)


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Line of a key, or of the nearest thing around it that is there."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None
