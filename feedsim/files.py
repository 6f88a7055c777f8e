"""Files that are there whole or not at all."""

from __future__ import annotations

import json
import os
import re
import secrets
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

_LEFT_OVER = re.compile(r"\..+\.(toml|json|csv|txt|png|svg|html)\.\w{8}")


def write_whole(path: Path, parts: Iterable[bytes]) -> None:
    """Write a file, part by part, under another name in its folder, then give it its own.

    A link of that name is replaced, not followed. Who may read the file is as for any new one.

    Raises
    ------
    OSError
        If it cannot be written, with the file's name; one that was there stays as it was.
    """
    # The name's end, so that what a kill leaves is known by its ending.
    temporary = path.parent / f".{path.name[-40:]}.{secrets.token_hex(4)}"
    try:
        # Refused if something is there, a link too.
        stream = temporary.open("xb")
        try:
            with stream:
                stream.writelines(parts)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, path)
        except BaseException:
            # What went wrong first is what is told.
            with suppress(OSError):
                temporary.unlink()
            raise
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error


def json_bytes(document: Any) -> bytes:
    """A JSON document as it is written to a file.

    Raises
    ------
    ValueError
        If it holds what JSON has no number for.
    """
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode()


def is_left_over(path: Path) -> bool:
    """Whether a file is what `write_whole` leaves where it was killed, by its name."""
    return _LEFT_OVER.fullmatch(path.name) is not None


def clear_left_overs(folder: Path, *, older_than_s: float = 0) -> None:
    """Take away what killed writers have left in a folder, as far as that can be done.

    Parameters
    ----------
    folder : Path
    older_than_s : float
        Younger ones stay: for a folder in which others may be writing.
    """
    latest = time.time() - older_than_s
    for path in folder.iterdir():
        if is_left_over(path):
            with suppress(OSError):
                if path.lstat().st_mtime <= latest:
                    path.unlink()
