"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path


def write_whole(path: Path, parts: Iterable[bytes]) -> None:
    """Write a file, part by part, under another name in its folder, then give it its own.

    Raises
    ------
    OSError
        If it cannot be written; a file that was there stays as it was.
    """
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(parts)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise
