"""A CSV file as rows with their lines; what is not a row is a finding."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from feedsim.config.problems import escaped
from feedsim.logs.findings import LogError, Notebook, shown
from feedsim.logs.layout import Layout, encoding_problem

LARGEST_BYTES = 200_000_000
MOST_LINES_JOINED = 20
_DELIMITERS = ",;\t|"
# Control and format characters (among them those that turn text round), surrogates, line ends.
_OBEYED = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_SURROGATE = re.compile("[\ud800-\udfff]")
_LINE_END = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its first line in the file, from 1, and its fields, without space around them."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file's heading and rows.

    `lines` is the number of lines between the heading and the file's end that hold a row or
    should: the rows, those set aside included.
    """

    file: str
    heading: tuple[str, ...]
    heading_line: int
    rows: tuple[Row, ...]
    lines: int


def read_sheet(path: Path, layout: Layout, notes: Notebook) -> Sheet:
    """Read a CSV file into rows.

    A row has as many fields as the heading; one that has not is set aside, for nobody can tell
    which is missing. Lines before the heading that begin with # are passed over.

    Parameters
    ----------
    path : Path
    layout : Layout
        Its encoding and, where the heading does not tell it, what parts the fields.
    notes : Notebook
        Takes the findings.

    Raises
    ------
    LogError
        If the file cannot be read, or has no heading of several columns.
    """
    lines = _LINE_END.split(_text(path, layout.encoding))
    if lines[-1]:
        notes.note(len(lines), "unended", shown(lines[-1]))
    else:
        lines.pop()
    top = next((n for n, text in enumerate(lines) if _says_something(text)), None)
    if top is None:
        raise LogError(f"{path}: holds no heading and no row")
    mark = layout.delimiter or _delimiter_of(lines[top])
    heading = _fields(lines[top], mark)
    if heading is None or len(heading) < 2:
        raise LogError(
            f"{path}:{top + 1}: the heading must have several columns, is {shown(lines[top])}; "
            "allowed: fields parted by , ; tab or |, or --delimiter"
        )
    kept: list[Row] = []
    number = 0
    for row in _rows(lines, top + 1, mark, notes):
        number += 1
        cells = _fitted(row, heading, notes)
        if cells is not None:
            kept.append(Row(row.line, cells))
    aside = sum(finding.kind == "quote" for finding in notes.findings)
    return Sheet(notes.file, heading, top + 1, tuple(kept), number + aside)


def _text(path: Path, encoding: str) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise LogError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise LogError(f"{path}: is a folder, not a file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise LogError(f"{path}: cannot be read: {reason}") from None
    if len(raw) > LARGEST_BYTES:
        raise LogError(f"{path}: is larger than {LARGEST_BYTES // 1_000_000} MB")
    if wrong := encoding_problem(encoding):
        raise LogError(f"--encoding: {wrong}")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    try:
        text = raw.decode("utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise LogError(
            f"{path}:{line}: is not {encoding} text (byte 0x{raw[error.start]:02x}), allowed: "
            "another --encoding, such as cp1252"
        ) from None
    except UnicodeError as error:
        raise LogError(f"{path}: is not {encoding} text: {error}") from None
    if surrogate := _SURROGATE.search(text):
        line = text.count("\n", 0, surrogate.start()) + 1
        raise LogError(f"{path}:{line}: is not {encoding} text: half a character stands alone")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise LogError(f"{path}:{line}: holds a NUL character: is it a text file?")
    return text


def _says_something(text: str) -> bool:
    return bool(text.strip()) and not text.lstrip().startswith("#")


def _delimiter_of(heading: str) -> str:
    """What parts the heading's fields: the mark that it holds most of, quoted text aside."""
    plain = re.sub(r'"[^"]*"', "", heading)
    return max(_DELIMITERS, key=plain.count)


def _fields(text: str, mark: str) -> tuple[str, ...] | None:
    """A line's fields, or None where a quote does not close or stands where it cannot."""
    if '"' not in text:
        return tuple(_harmless(cell.strip()) for cell in text.split(mark))
    try:
        cells = next(csv.reader([text], delimiter=mark, strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    return tuple(_harmless(" ".join(cell.split())) for cell in cells)


def _harmless(cell: str) -> str:
    """A field with escapes in place of what a terminal would obey: it will be shown as a name."""
    if cell.isprintable():
        return cell
    return "".join(
        escaped(letter) if unicodedata.category(letter) in _OBEYED else letter for letter in cell
    )


def _rows(lines: Sequence[str], first: int, mark: str, notes: Notebook) -> Iterator[Row]:
    """Rows with a field or more; a field in quotes may go on over some lines."""
    at = first
    while at < len(lines):
        cells, used = _fields(lines[at], mark), 1
        if cells is None:
            cells, used = _joined(lines, at, mark)
            if cells is None:
                notes.note(at + 1, "quote", shown(lines[at]))
            else:
                notes.note(at + 1, "several_lines", f"lines {at + 1} to {at + used}")
        if cells is not None:
            yield Row(at + 1, cells)
        at += used


def _joined(lines: Sequence[str], at: int, mark: str) -> tuple[tuple[str, ...] | None, int]:
    """The fields of a row whose quote closes in a later line, and how many lines it takes."""
    for used in range(2, MOST_LINES_JOINED + 1):
        if at + used > len(lines):
            break
        cells = _fields("\n".join(lines[at : at + used]), mark)
        if cells is not None:
            return cells, used
    return None, 1


def _fitted(row: Row, heading: tuple[str, ...], notes: Notebook) -> tuple[str, ...] | None:
    cells = row.cells
    if not any(cells):
        notes.note(row.line, "blank")
        return None
    if cells == heading:
        notes.note(row.line, "heading")
        return None
    if len(cells) > len(heading) and not any(cells[len(heading) :]):
        notes.note(row.line, "trailing")
        return cells[: len(heading)]
    if len(cells) != len(heading):
        notes.note(row.line, "ragged", f"{len(cells)} in place of {len(heading)}")
        return None
    return cells
