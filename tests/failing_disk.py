"""A disk whose n-th write fails: commands called on it, each in a process of its own.

A server has the C library's writes replaced (failing_disk.c) and what a command imports in memory;
for each call it forks. So a call costs what the command does, and no start of Python.
"""

from __future__ import annotations

import ctypes
import io
import json
import os
import shutil
import subprocess
import sys
import traceback
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

SOURCE = Path(__file__).with_suffix(".c")


class Ended(NamedTuple):
    """How a call ended: `writes` were tried in its folder, `failed` is the call that failed."""

    code: int
    out: str
    err: str
    writes: int
    failed: str


class FailingDisk:
    """Calls things on a disk that fails.

    Parameters
    ----------
    folder : Path
        For the compiled library.
    """

    def __init__(self, folder: Path) -> None:
        import pytest

        compiler = shutil.which("cc")
        if compiler is None or not sys.platform.startswith("linux"):
            pytest.skip("needs a C compiler, and the system calls of Linux")
        library = folder / "failing_disk.so"
        words = [compiler, "-shared", "-fPIC", "-o", str(library), str(SOURCE), "-ldl"]
        subprocess.run(words, check=True, timeout=60)
        path = os.pathsep.join([str(SOURCE.parent), os.environ.get("PYTHONPATH", "")])
        self._server = subprocess.Popen(
            [sys.executable, __file__, str(library)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={
                **os.environ,
                "LD_PRELOAD": str(library),
                "OPENBLAS_NUM_THREADS": "1",
                "PYTHONPATH": path,
            },
        )

    def __enter__(self) -> FailingDisk:
        return self

    def __exit__(self, *error: object) -> None:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.close()
        self._server.stdout.close()
        self._server.wait(30)

    def call(
        self,
        folder: Path,
        words: Sequence[str],
        *,
        at: int = 0,
        error: int = 0,
        lasting: bool = False,
        here: bool = False,
        spoil: str = "",
    ) -> Ended:
        """Call `feedsim WORDS`, or a function of this directory's modules (`module:name`).

        Parameters
        ----------
        folder : Path
            Where it is called; writes there are counted.
        words : sequence of str
        at : int
            The number of the write that fails, from 1; 0 for none.
        error : int
            With which errno.
        lasting : bool
            Whether all later writes fail too, the first of them after half of its bytes.
        here : bool
            Whether to call it in the server itself: what it imports stays for later calls.
        spoil : str
            Statements that are executed before it.
        """
        asked = [str(folder), list(words), at, error, lasting, spoil, here]
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps(asked) + "\n")
        self._server.stdin.flush()
        return Ended(*json.loads(self._server.stdout.readline()))


def keep_shifts() -> int:
    """Keep some shifts in a store here, and tell of those that are kept."""
    import numpy as np

    from feedsim.mistakes import Mistake
    from feedsim.store import Store

    try:
        with Store(Path()) as store:
            for first in (1, 4, 7):
                numbers = range(first, first + 3)
                sums = np.sqrt(np.array(numbers, float))[:, None] * np.arange(1, 6)
                store.keep("a" * 32, numbers, sums)
                print(numbers[-1])
    except Mistake as error:
        print(error, file=sys.stderr)
        return 2
    except OSError as error:
        print(error, file=sys.stderr)
        return 3
    return 0


def _called(words: Sequence[str]) -> int:
    if ":" in words[0]:
        module, name = words[0].split(":")
        return int(getattr(__import__(module), name)(*words[1:]) or 0)
    from feedsim.cli import main

    sys.argv = ["feedsim", *words]
    try:
        main()
    except SystemExit as ended:
        return int(ended.code or 0)


def _answer(disk: Any, asked: list[Any]) -> Ended:
    folder, words, at, error, lasting, spoil, _ = asked
    exec(spoil, {})
    os.chdir(folder)
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        disk.disk_arm(os.fsencode(folder), at, error, lasting)
        try:
            code = _called(words)
        except BaseException:
            code = -1
            traceback.print_exc()
        finally:
            disk.disk_disarm()
    failed = os.fsdecode(disk.disk_what())
    return Ended(code, out.getvalue(), err.getvalue(), disk.disk_count(), failed)


def _serve(library: str) -> None:
    disk: Any = ctypes.CDLL(library)
    disk.disk_arm.argtypes = [ctypes.c_char_p, ctypes.c_long, ctypes.c_int, ctypes.c_int]
    disk.disk_count.restype = ctypes.c_long
    disk.disk_what.restype = ctypes.c_char_p
    for line in sys.stdin:
        asked = json.loads(line)
        if asked[-1]:
            print(json.dumps(_answer(disk, asked)), flush=True)
            continue
        child = os.fork()
        if child == 0:
            try:
                print(json.dumps(_answer(disk, asked)), flush=True)
            finally:
                os._exit(0)
        os.waitpid(child, 0)


if __name__ == "__main__":
    _serve(*sys.argv[1:])
