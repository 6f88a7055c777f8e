"""Finished shifts in a file: all that was kept is there again, whatever ended the driver."""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from feedsim.store import APPLICATION, STORE, Store, StoreError

KEY, OTHER = "a" * 32, "b" * 32


def sums_of(numbers, columns: int = 5):
    """Sums that tell their replication, with all the bits of a double in use."""
    return np.sqrt(np.array(numbers, float))[:, None] * np.arange(1, columns + 1)


def is_sound(folder: Path) -> bool:
    connection = sqlite3.connect(folder / STORE)
    try:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    finally:
        connection.close()


def test_what_was_kept_is_there_again_to_the_last_bit(tmp_path):
    odd = np.array([[0.1, -0.0, 5e-324, 1.7976931348623157e308, 2.0**53 + 2]])
    with Store(tmp_path) as store:
        store.keep(KEY, range(7, 10), sums_of(range(7, 10)))
        store.keep(KEY, range(1, 3), sums_of(range(1, 3)))
        store.keep(OTHER, range(4, 5), odd)
        assert len(store) == 6
    with Store(tmp_path) as store:
        numbers, sums = store.load(KEY, 5)
        assert numbers.tolist() == [1, 2, 7, 8, 9]
        assert sums.tobytes() == sums_of([1, 2, 7, 8, 9]).tobytes()
        assert store.load(OTHER, 5)[1].tobytes() == odd.tobytes()
        sums[:] = 0.0  # the caller's own


def test_nothing_kept_is_no_row(tmp_path):
    with Store(tmp_path) as store:
        numbers, sums = store.load(KEY, 5)
    assert (numbers.shape, sums.shape) == ((0,), (0, 5))


def test_the_same_shift_is_kept_once(tmp_path):
    with Store(tmp_path) as store:
        for _ in range(2):
            store.keep(KEY, range(1, 4), sums_of(range(1, 4)))
        assert len(store) == 3


def test_rows_that_do_not_fit_their_numbers_are_not_kept(tmp_path):
    with Store(tmp_path) as store:
        with pytest.raises(ValueError, match="zip"):
            store.keep(KEY, range(1, 4), sums_of(range(1, 3)))
        with pytest.raises(StoreError):
            store.keep(KEY, range(3), sums_of(range(3)))  # replications are numbered from 1
        assert len(store) == 0


def test_a_large_store_is_no_wait(tmp_path):
    sums = np.random.default_rng(1).random((100_000, 60))
    started = time.perf_counter()
    with Store(tmp_path) as store:
        for first in range(0, 100_000, 100):
            store.keep(KEY, range(first + 1, first + 101), sums[first : first + 100])
    with Store(tmp_path) as store:
        assert len(store) == 100_000
        assert np.array_equal(store.load(KEY, 60)[1], sums)
    # About 0.6 s by itself; room for a machine with other work to do.
    assert time.perf_counter() - started < 6


HOLDER = """
import sys, time
from pathlib import Path
from feedsim.store import Store
store = Store(Path(sys.argv[1]))
print("open", flush=True)
time.sleep(60)
"""


def test_a_second_driver_is_refused_and_changes_nothing(tmp_path):
    with Store(tmp_path) as store:
        store.keep(KEY, range(1, 4), sums_of(range(1, 4)))
        before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
        with pytest.raises(StoreError, match="another feedsim is at work in this folder"):
            Store(tmp_path)
        found = subprocess.run(
            [sys.executable, "-c", HOLDER, str(tmp_path)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert "another feedsim is at work in this folder" in found.stderr
        assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
        # Refusing others has not opened the file to them.
        with pytest.raises(StoreError):
            Store(tmp_path)
        store.keep(KEY, range(4, 5), sums_of(range(4, 5)))
    with Store(tmp_path) as store:
        assert len(store) == 4


def test_the_lock_ends_with_a_killed_driver(tmp_path):
    command = [sys.executable, "-c", HOLDER, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout.readline() == "open\n"
        with pytest.raises(StoreError):
            Store(tmp_path)
        holder.kill()
    Store(tmp_path).close()


def _database(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def _no_database(path: Path) -> None:
    path.write_bytes(b"replication,oee\n1,0.8\n" * 100)


def _something_else(path: Path) -> None:
    _database(path, "CREATE TABLE runs (name TEXT)")


def _another_layout(path: Path) -> None:
    Store(path.parent).close()
    _database(path, "PRAGMA user_version = 2")


def _a_folder(path: Path) -> None:
    path.mkdir()


def _cut_off(path: Path) -> None:
    with Store(path.parent) as store:
        store.keep(KEY, range(1, 2001), sums_of(range(1, 2001), 50))
    path.write_bytes(path.read_bytes()[:40_000])


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (_no_database, "no store of shifts"),
        (_something_else, "something else"),
        (_another_layout, "layout 2, not 1"),
        (_a_folder, "written to"),
        (_cut_off, "is damaged"),
    ],
)
def test_what_is_no_store_is_told_in_a_line_and_left_alone(tmp_path, make, told):
    path = tmp_path / STORE
    make(path)
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(StoreError) as refused, Store(tmp_path) as store:
        store.load(KEY, 50)
    assert told in str(refused.value)
    assert str(path) in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    assert not path.is_file() or path.read_bytes() == before


@pytest.mark.parametrize("sums", [b"", b"\0" * 39, b"\0" * 48, "text", None])
def test_a_row_of_another_length_is_a_broken_store(tmp_path, sums):
    with Store(tmp_path) as store:
        store.keep(KEY, range(1, 2), sums_of(range(1, 2)))
    _database(tmp_path / STORE, "CREATE TABLE notes (word TEXT)")  # others' tables do no harm
    connection = sqlite3.connect(tmp_path / STORE)
    try:
        connection.execute("INSERT INTO runs VALUES (?, 2, ?)", (KEY, sums or b""))
        connection.commit()
    finally:
        connection.close()
    with Store(tmp_path) as store, pytest.raises(StoreError, match="replication 2: not 5 sums"):
        store.load(KEY, 5)


@pytest.mark.skipif(os.name != "posix", reason="needs users")
def test_a_store_that_may_not_be_written_to():
    # Beside the tests' own folder, which only its owner may look into.
    folder = Path(tempfile.mkdtemp())
    try:
        Store(folder).close()
        (folder / STORE).chmod(0o444)
        folder.chmod(0o555)
        anybody = 65534
        as_owner = os.geteuid()
        if as_owner == 0:
            os.seteuid(anybody)
        try:
            with pytest.raises(StoreError, match="written to"):
                Store(folder)
        finally:
            os.seteuid(as_owner)
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_a_full_file_loses_only_what_did_not_fit(tmp_path):
    with Store(tmp_path) as store:
        store._connection.execute("PRAGMA max_page_count = 20")
        with pytest.raises(OSError, match="No space left on device") as full:
            for first in range(1, 10_000, 10):
                store.keep(KEY, range(first, first + 10), sums_of(range(first, first + 10)))
        assert full.value.filename == str(tmp_path / STORE)
        kept = len(store)
    assert kept > 0
    assert kept % 10 == 0
    assert is_sound(tmp_path)
    with Store(tmp_path) as store:
        numbers, sums = store.load(KEY, 5)
        assert numbers.tolist() == list(range(1, kept + 1))
        assert np.array_equal(sums, sums_of(numbers))
        store.keep(OTHER, range(1, 11), sums_of(range(1, 11)))  # there is room again


LIMITED = """
import resource, sys
from pathlib import Path
import numpy as np
from feedsim.store import Store
with Store(Path(sys.argv[1])) as store:
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
    for first in range(1, 10_000, 10):
        try:
            store.keep("a" * 32, range(first, first + 10), np.full((10, 50), float(first)))
        except OSError as error:
            print(len(store), first - 1, error.strerror)
            break
"""


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="needs limits")
def test_a_disk_that_refuses_to_write_leaves_a_sound_store(tmp_path):
    command = [sys.executable, "-c", LIMITED, str(tmp_path)]
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    kept, asked, reason = found.stdout.split(maxsplit=2)
    assert "I/O" in reason
    assert 0 < int(kept) == int(asked)
    assert is_sound(tmp_path)
    with Store(tmp_path) as store:
        numbers, _ = store.load(KEY, 50)
    assert numbers.tolist() == list(range(1, int(kept) + 1))


WRITER = """
import sys
from pathlib import Path
import numpy as np
from feedsim.store import Store
with Store(Path(sys.argv[1])) as store:
    while True:
        first = len(store) + 1
        numbers = range(first, first + 7)
        sums = np.sqrt(np.array(numbers, float))[:, None] * np.arange(1, 6)
        store.keep("a" * 32, numbers, sums)
        print(numbers[-1], flush=True)
"""


def _kill_a_writer(folder: Path, after_s: float) -> int:
    """The last replication that a writer told of before it was killed."""
    command = [sys.executable, "-c", WRITER, str(folder)]
    told = folder.parent / "told"
    with told.open("wb") as out, subprocess.Popen(command, stdout=out) as writer:
        until = time.monotonic() + 20
        while not told.stat().st_size and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
    lines = told.read_text().split("\n")[:-1]
    return int(lines[-1])


@pytest.mark.parametrize("kills", [4, pytest.param(40, marks=pytest.mark.campaign)])
def test_a_kill_loses_nothing_and_halves_nothing(tmp_path, kills):
    folder = tmp_path / "study"
    folder.mkdir()
    luck = random.Random(kills)
    for _ in range(kills):
        told = _kill_a_writer(folder, luck.uniform(0, 0.3))
        assert told > 0
        with Store(folder) as store:
            numbers, sums = store.load(KEY, 5)
        # What it told of, and at most the rows that it was about to tell of.
        assert len(numbers) in (told, told + 7)
        assert numbers.tolist() == list(range(1, len(numbers) + 1))
        assert np.array_equal(sums, sums_of(numbers))
        assert is_sound(folder)


def test_the_file_says_what_it_is(tmp_path):
    Store(tmp_path).close()
    connection = sqlite3.connect(tmp_path / STORE)
    try:
        [application] = connection.execute("PRAGMA application_id").fetchone()
        [mode] = connection.execute("PRAGMA journal_mode").fetchone()
    finally:
        connection.close()
    assert (application, mode) == (APPLICATION, "wal")
