"""The kernel's machine code: compiled once on a machine, kept in the user's cache folder."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

COMPILER = ("numba", "llvmlite", "numpy")
FOLDER_VARIABLE = "FEEDSIM_CACHE_DIR"

RunShifts = Callable[[Any, Any, int, int, Any, int, int], int]


def cache_folder() -> Path:
    """Where this version's machine code belongs: its name tells sources and compiler."""
    return _caches() / f"kernel-{_fingerprint()}"


def _caches() -> Path:
    given = os.environ.get(FOLDER_VARIABLE)
    if given:
        return Path(given)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
    elif sys.platform == "darwin":
        base = os.path.expanduser("~/Library/Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    return Path(base or ".") / "feedsim"


@cache
def _fingerprint() -> str:
    told = hashlib.sha256(repr([sys.version, *map(version, COMPILER)]).encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        told.update(source.read_bytes())
    return told.hexdigest()[:16]


def is_kept() -> bool:
    """Whether machine code of this version lies in the cache folder."""
    try:
        return any(cache_folder().rglob("*.nbc"))
    except OSError:
        return False


def load() -> RunShifts:
    """Load the machine code, or compile it and keep it where that can be done.

    Returns
    -------
    callable
        `feedsim.kernel.shift.run_shifts`, compiled.
    """
    from feedsim.kernel.compiling import AS_PYTHON
    from feedsim.kernel.shift import run_shifts

    if AS_PYTHON:
        return run_shifts
    folder = _folder_to_write()
    if folder is not None and is_kept():
        try:
            return _compiled(run_shifts, folder)
        except Exception:
            # Whatever is wrong with what lies there, the sources are sound: start afresh.
            shutil.rmtree(folder, ignore_errors=True)
            folder = _folder_to_write()
    with _alone_in(folder):
        return _compiled(run_shifts, folder)


@contextmanager
def _alone_in(folder: Path | None) -> Iterator[None]:
    """Have other processes wait, and then load what this one compiles.

    Where files cannot be locked, each compiles for itself.
    """
    with ExitStack() as held:
        with suppress(ImportError, OSError):
            import fcntl

            if folder is not None:
                lock = held.enter_context((folder / "compiling.lock").open("w"))
                fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _folder_to_write() -> Path | None:
    """The cache folder, if it is there or can be made."""
    folder = cache_folder()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        if is_kept() or os.access(folder, os.W_OK):
            return folder
    return None


def _compiled(function: RunShifts, folder: Path | None) -> RunShifts:
    import numba
    from numba import types

    whole, block = types.int64, types.Array(types.int64, 1, "C")
    sums = types.Array(types.float64, 2, "C")
    with _kept_in(folder):
        ready = numba.njit(nogil=True, error_model="numpy", cache=folder is not None)(function)
    try:
        ready.compile((block, block, whole, whole, sums, whole, whole))
    except OSError:
        # It is compiled, but could not be kept.
        if not ready.signatures:
            raise
    compiled: RunShifts = ready
    return compiled


@contextmanager
def _kept_in(folder: Path | None) -> Iterator[None]:
    """Have numba keep machine code in a folder, as far as this one function goes."""
    from numba import config

    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder or "")
    try:
        yield
    finally:
        config.CACHE_DIR = before
