"""Finished shifts in a file, so that a study goes on where it stopped.

One process writes, the driver of the study, and it has the file to itself until it closes it or
ends in whatever way. What has been kept survives the death of the driver at any moment; a loss of
power may take the last minutes, but leaves no shift in part.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from feedsim.mistakes import Mistake
from feedsim.stats import Floats

STORE = "runs.sqlite"
# How the names of the files end that SQLite writes beside it.
_BESIDE = ("-journal", "-wal", "-shm")

# What tells a store from other databases, and from stores laid out otherwise.
APPLICATION = 0x62616773
LAYOUT = 1

# Some shifts to a page: with the usual 4096 bytes most shifts would each take a page and more.
PAGE_BYTES = 16_384
_AS_KEPT = np.dtype("<f8")

_TABLE = """
CREATE TABLE runs (
    cell TEXT NOT NULL,
    replication INTEGER NOT NULL CHECK (replication > 0),
    sums BLOB NOT NULL,
    PRIMARY KEY (cell, replication)
) WITHOUT ROWID
"""


class StoreError(Mistake):
    """A store that cannot be used: somebody else works with it, or it is no store."""


class Store:
    """Finished shifts, by cell and replication, in the folder of a study.

    Parameters
    ----------
    folder : Path
        Where the file is, or will be.

    Raises
    ------
    StoreError
        If another driver has it, it may not be written to, or it is a link or no store of this
        layout. The file is left as it is.
    OSError
        If the disk is full or fails.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / STORE
        self._refuse_links(folder)
        with self._in_words():
            # In autocommit mode: a transaction is what stands between BEGIN and COMMIT here.
            self._connection = sqlite3.connect(self.path, timeout=0, isolation_level=None)
        try:
            with self._in_words():
                self._take()
        except BaseException:
            self._connection.close()
            raise

    def _refuse_links(self, folder: Path) -> None:
        """SQLite would follow one, and write to wherever it leads."""
        for name in (STORE, *(STORE + ending for ending in _BESIDE)):
            if (folder / name).is_symlink():
                raise StoreError(
                    f"{folder / name}: is a link, allowed: a file in the folder itself"
                )

    def _take(self) -> None:
        """Lock the file for as long as this process has it open, and see that it is a store."""
        execute = self._connection.execute
        execute(f"PRAGMA page_size = {PAGE_BYTES}")
        execute("PRAGMA locking_mode = EXCLUSIVE")
        with self._transaction():
            names = [name for (name,) in execute("SELECT name FROM sqlite_master")]
            [application], [layout] = (
                execute(f"PRAGMA {pragma}").fetchone()
                for pragma in ("application_id", "user_version")
            )
            if not names and not application:
                execute(_TABLE)
                execute(f"PRAGMA application_id = {APPLICATION}")
                execute(f"PRAGMA user_version = {LAYOUT}")
            elif application != APPLICATION or "runs" not in names:
                raise self._unusable("is a database of something else")
            elif layout != LAYOUT:
                raise self._unusable(f"has layout {layout}, not {LAYOUT}, of another version")
        execute("PRAGMA journal_mode = WAL")
        # Each commit is safe from a kill; the disk is waited for when the log is folded in.
        execute("PRAGMA synchronous = NORMAL")

    def load(self, key: str, columns: int) -> tuple[NDArray[np.int64], Floats]:
        """All that is kept of a cell.

        Parameters
        ----------
        key : str
            The cell's.
        columns : int
            How many sums a shift of it has.

        Returns
        -------
        numbers : array of int, shape (n,)
            The replications', ascending.
        sums : array of shape (n, columns)

        Raises
        ------
        StoreError
            If a row is of another length, or the file is damaged.
        """
        query = "SELECT replication, sums FROM runs WHERE cell = ? ORDER BY replication"
        with self._in_words():
            found = self._connection.execute(query, (key,)).fetchall()
        width = columns * _AS_KEPT.itemsize
        for number, sums in found:
            if not isinstance(sums, bytes) or len(sums) != width:
                raise self._unusable(f"is broken at replication {number}: not {columns} sums")
        numbers = np.array([number for number, _ in found], np.int64)
        rows = np.frombuffer(b"".join(sums for _, sums in found), _AS_KEPT)
        return numbers, rows.astype(np.float64).reshape(len(found), columns)

    def keep(self, key: str, replications: range, sums: Floats) -> None:
        """Keep the sums of some replications: all of them, and for good, or none.

        Parameters
        ----------
        key : str
            The cell's.
        replications : range
        sums : array of shape (len(replications), columns)

        Raises
        ------
        OSError
            If the disk is full or fails; what was kept before stays.
        """
        kept = np.ascontiguousarray(sums, _AS_KEPT)
        rows = [
            (key, number, row.tobytes()) for number, row in zip(replications, kept, strict=True)
        ]
        with self._in_words(), self._transaction():
            self._connection.executemany("INSERT OR REPLACE INTO runs VALUES (?, ?, ?)", rows)

    def __len__(self) -> int:
        """How many shifts are kept."""
        with self._in_words():
            [count] = self._connection.execute("SELECT count(*) FROM runs").fetchone()
        return int(count)

    def __enter__(self) -> Self:
        """Use it for a block."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Close the file, and leave it to others; it may be closed before."""
        self._connection.close()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            # A full disk has SQLite roll back by itself.
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        """Say what is wrong with the file in the words of who meets it."""
        try:
            yield
        except sqlite3.Error as error:
            raise self._told(error) from error

    def _told(self, error: sqlite3.Error) -> Exception:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
        kind = code & 0xFF
        if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return StoreError(
                f"{self.path.parent}: another feedsim is at work in this folder, allowed: one at a "
                "time, or another folder"
            )
        if code == sqlite3.SQLITE_IOERR_LOCK:
            # So says a file that may only be read, and a file system without locks.
            return StoreError(f"{self.path}: cannot be locked and written to")
        if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return StoreError(f"{self.path}: cannot be opened and written to: {error}")
        if kind == sqlite3.SQLITE_FULL:
            return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(self.path))
        if kind == sqlite3.SQLITE_IOERR:
            return OSError(errno.EIO, str(error), str(self.path))
        return self._unusable(f"is damaged, or no store of shifts ({error})")

    def _unusable(self, why: str) -> StoreError:
        return StoreError(
            f"{self.path}: {why}, allowed: another folder, or take the file away and have its "
            "shifts simulated anew"
        )
