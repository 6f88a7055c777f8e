"""Where the command line speaks to: streams that outlive whoever reads them."""

from __future__ import annotations

import io
import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


class Outlet(io.RawIOBase):
    """What stands between a text stream and the system: a write that fails ends no command.

    Once one has failed, what is written goes nowhere.

    Parameters
    ----------
    descriptor : int
        Of a file, pipe or terminal that is open for writing; it stays open.

    Attributes
    ----------
    failure : OSError or None
        Why nothing can be written; None if all was, or if its reader has merely gone.
    """

    def __init__(self, descriptor: int) -> None:
        self.failure: OSError | None = None
        self._descriptor = descriptor
        self._is_open = True

    def write(self, data: ReadableBuffer, /) -> int:
        """Write some of the bytes; all of them once nothing can be written."""
        while self._is_open:
            try:
                return os.write(self._descriptor, data)
            except BlockingIOError:
                # Another program has made the pipe or terminal so.
                select.select([], [self._descriptor], [])
            except BrokenPipeError:
                self._is_open = False
            except OSError as error:
                self._is_open = False
                self.failure = error
        return memoryview(data).nbytes

    def writable(self) -> bool:
        """Bytes can be written."""
        return True

    def fileno(self) -> int:
        """The descriptor."""
        return self._descriptor

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return os.isatty(self._descriptor)


@contextmanager
def settled_streams() -> Iterator[Outlet | None]:
    """Speak to closed streams, to any encoding, and to readers who go away.

    Yields
    ------
    Outlet or None
        The one of stdout; None where stdout is no file of the system's.
    """
    _fill_closed_descriptors()
    before = sys.stdout, sys.stderr
    out, sys.stdout = _settled(sys.stdout)
    _, sys.stderr = _settled(sys.stderr)
    try:
        yield out
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        for ours, given in zip((sys.stdout, sys.stderr), before, strict=True):
            if given is None:
                ours.close()
        sys.stdout, sys.stderr = before


def _fill_closed_descriptors() -> None:
    """Have no file of the work opened where others take a standard stream to be."""
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            # The lowest that is free is this one.
            os.open(os.devnull, os.O_RDWR)


def _settled(stream: TextIO | None) -> tuple[Outlet | None, TextIO]:
    if stream is None:
        return None, open(os.devnull, "w", encoding="utf-8")
    buffer = getattr(stream, "buffer", None)
    raw = getattr(buffer, "raw", buffer)  # an unbuffered stream has it at once
    if not (isinstance(stream, io.TextIOWrapper) and isinstance(raw, io.FileIO)):
        return None, stream
    outlet = Outlet(raw.fileno())
    return outlet, io.TextIOWrapper(
        io.BufferedWriter(outlet),
        encoding=stream.encoding,
        errors="replace",
        line_buffering=stream.line_buffering,
    )
