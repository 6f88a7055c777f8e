"""Reading text: a config file, and files of measured times."""

from __future__ import annotations

import re
from pathlib import Path

LARGEST_BYTES = 5_000_000
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_MOST_LINES_SHOWN = 5


def read_text(path: Path, *, named: bool = False) -> tuple[str, int | None, str]:
    """Text of a small UTF-8 file, or what is wrong.

    Parameters
    ----------
    path : Path
        Of the file.
    named : bool
        Whether another file names it: then pipes and devices, which may never end, are not read.

    Returns
    -------
    (text, line, problem)
        The problem is empty if the text could be read; the line is known where the bytes of one
        are not UTF-8.
    """
    try:
        if named and path.exists() and not (path.is_file() or path.is_dir()):
            return "", None, "is a pipe or a device, not a file"
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        return "", None, "no such file"
    except IsADirectoryError:
        return "", None, "is a folder, not a file"
    except PermissionError:
        return "", None, "may not be read (permission denied)"
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return "", None, f"cannot be read: {reason}"
    return decoded(raw)


def decoded(raw: bytes) -> tuple[str, int | None, str]:
    """Text of UTF-8 bytes, as `read_text` returns it."""
    if len(raw) > LARGEST_BYTES:
        return "", None, f"is larger than {LARGEST_BYTES // 1_000_000} MB"
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return "", line, f"is not UTF-8 text (byte 0x{raw[error.start]:02x})"
    if "\0" in text:
        return "", text.count("\n", 0, text.index("\0")) + 1, "holds a NUL byte: is it a text file?"
    return text, None, ""


def read_numbers(path: Path, most: int) -> tuple[tuple[float, ...], list[tuple[int | None, str]]]:
    """Numbers of a file, one a line; blank lines and lines beginning with # are passed over.

    Parameters
    ----------
    path : Path
        Of the file, which a config names.
    most : int
        The largest number of values to take.

    Returns
    -------
    (numbers, problems)
        The numbers in the file's unit; each problem is (line or None, what is wrong).
    """
    text, line, problem = read_text(path, named=True)
    if problem:
        return (), [(line, problem)]
    numbers: list[float] = []
    problems: list[tuple[int | None, str]] = []
    for at, content in enumerate(text.split("\n"), start=1):
        word = content.partition("#")[0].strip()
        if not word:
            continue
        if _NUMBER.fullmatch(word) and float(word) >= 0 and float(word) != float("inf"):
            numbers.append(float(word))
        else:
            problems.append((at, f"must be one number of at least 0, is {word[:60]!r}"))
    if not problems and not numbers:
        problems.append((None, "holds no number"))
    if len(numbers) > most:
        problems.append((None, f"must hold at most {most} numbers, holds {len(numbers)}"))
    surplus = len(problems) - _MOST_LINES_SHOWN
    if surplus > 0:
        problems = [*problems[:_MOST_LINES_SHOWN], (None, f"and {surplus} more lines are wrong")]
    return tuple(numbers), problems
