"""Whatever write fails: the old file or the new one is there, nothing computed is lost."""

from __future__ import annotations

import errno
import json
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from conftest import SMALLEST
from failing_disk import Ended, FailingDisk
from studies import GRANOLA, KINDS, OATS, is_simulated

from feedsim.files import is_left_over, write_whole
from feedsim.folder import MANIFEST
from feedsim.store import STORE

# Full from then on; one write that fails; one that is refused.
FAULTS = {
    "full": (errno.ENOSPC, True),
    "fails": (errno.EIO, False),
    "refused": (errno.EACCES, False),
}
# What a study writes before it simulates.
AT_FIRST = (MANIFEST, "config.toml", "resolved.toml", "config-b.toml", "resolved-b.toml")

Files = dict[str, bytes]


class Command(NamedTuple):
    """A command, what is there before it, and the folder that it writes."""

    words: list[str]
    prepare: Callable[[Path], None]
    out: str = "out"


def nothing(folder: Path) -> None:
    pass


def configs(folder: Path) -> None:
    oats = OATS.format(title="slider", name="oats")
    for name, text in (("cell.toml", oats), ("two.toml", GRANOLA)):
        (folder / name).write_text(text.replace("shift_h = 1", "shift_h = 0.2"))


def an_older_starter(folder: Path) -> None:
    (folder / "cell.toml").write_text("# older\n" * 2000)


def files_of(folder: Path) -> Files:
    """What is in a folder, by name; of a store see `rows_of`."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(STORE)
    }


def rows_of(folder: Path) -> dict[tuple[str, int], bytes]:
    """The shifts that a store holds; it is read in a copy, which is healed by that."""
    stores = list(folder.rglob(STORE))
    if not stores:
        return {}
    copy = folder.parent / "copy"
    shutil.copytree(stores[0].parent, copy)
    connection = sqlite3.connect(copy / STORE)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        if not connection.execute("SELECT name FROM sqlite_master").fetchall():
            return {}
        rows = connection.execute("SELECT cell, replication, sums FROM runs").fetchall()
    finally:
        connection.close()
        shutil.rmtree(copy)
    return {(cell, number): sums for cell, number, sums in rows}


def unfinished(manifest: bytes) -> bytes:
    """The manifest as it is before its study is finished."""
    told = {**json.loads(manifest), "finished": False}
    told.pop("engine", None)
    return (json.dumps(told, indent=1) + "\n").encode()


class Sweep:
    """A command on a disk that fails at its first write, at its second, and so on.

    Parameters
    ----------
    disk : FailingDisk
    place : Path
        A folder for its folders.
    command : Command
    spoil : str
        Statements that spoil the program.
    """

    def __init__(self, disk: FailingDisk, place: Path, command: Command, spoil: str = "") -> None:
        self.disk, self.place, self.command, self.spoil = disk, place, command, spoil
        first = self._fresh()
        self.before = files_of(first)
        disk.call(first, command.words, here=True)
        first = self._fresh()
        self.undisturbed = disk.call(first, command.words, spoil=spoil)
        assert self.undisturbed.code in (0, 1), self.undisturbed.err
        self.wanted, self.rows = files_of(first), rows_of(first)
        assert self.wanted != self.before

    def _fresh(self) -> Path:
        folder = self.place / "work"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        self.command.prepare(folder)
        return folder

    def problems(self, fault: str) -> Iterator[str]:
        """What is wrong after each of the faults, and after calling the command again."""
        error, lasting = FAULTS[fault]
        for at in range(1, self.undisturbed.writes + 1):
            folder = self._fresh()
            ended = self.disk.call(
                folder,
                self.command.words,
                at=at,
                error=error,
                lasting=lasting,
                spoil=self.spoil,
            )
            name = f"{fault} at {at} ({ended.failed}), exit code {ended.code}: "
            for problem in self._problems_after(folder, ended):
                yield name + problem
            kept = rows_of(folder)
            again = self.disk.call(folder, self.command.words, spoil=self.spoil)
            if again.code != self.undisturbed.code:
                yield f"{name}called again: {again}"
            elif files_of(folder) != self.wanted and not ended.failed.startswith("unlink"):
                yield f"{name}called again, files differ: {sorted(files_of(folder))}"
            elif rows_of(folder) != self.rows or not kept.items() <= self.rows.items():
                yield f"{name}called again, other shifts are kept"

    def _problems_after(self, folder: Path, ended: Ended) -> Iterator[str]:
        there, rows = files_of(folder), rows_of(folder)
        if not ended.failed:
            yield "nothing failed"
        for name, data in there.items():
            allowed = [files[name] for files in (self.before, self.wanted) if name in files]
            if Path(name).name == MANIFEST:
                allowed += [unfinished(manifest) for manifest in allowed]
            if is_left_over(Path(name)) and ended.failed.startswith("unlink"):
                continue
            if not allowed:
                yield f"{name} is left behind"
            elif data not in allowed:
                yield f"{name} is neither old nor new"
        if lost := self.before.keys() - there.keys():
            yield f"gone: {lost}"
        if not rows.items() <= self.rows.items():
            yield "shifts are kept that are none"
        if ended.code == self.undisturbed.code:
            if there != self.wanted and not ended.failed.startswith("unlink"):
                yield "said to be done, but files are missing"
            return
        if ended.code not in (2, 3):
            yield f"no exit code for this: {ended.err}"
        told = [line for line in ended.err.splitlines() if not line.startswith("Stopped with ")]
        if ended.out or len(told) != 1 or re.search(r"Traceback|\.[0-9a-f]{8}\b", ended.err):
            yield f"not told in one clear line: {ended.out[:200]!r}, {ended.err!r}"
        written = Path(ended.failed.partition(" ")[2]).name
        is_later = written in self.names_of_results()
        if is_later and rows != self.rows:
            yield "shifts that had been simulated are lost"

    def names_of_results(self) -> set[str]:
        """What a study writes once all is simulated."""
        return {Path(name).name for name in self.wanted} - set(AT_FIRST) - {*self.before}


@pytest.fixture(scope="module")
def disk(tmp_path_factory):
    with FailingDisk(tmp_path_factory.mktemp("disk")) as disk:
        yield disk


STARTER = Command(["new", "cell.toml"], nothing)
RENEWED = Command(["new", "cell.toml", "--force"], an_older_starter)


@pytest.mark.parametrize(
    ("command", "fault"),
    [
        *(pytest.param(STARTER, fault, marks=pytest.mark.campaign) for fault in FAULTS),
        *((RENEWED, fault) for fault in FAULTS),
    ],
    ids=[f"{kind} {fault}" for kind in ("new", "renewed") for fault in FAULTS],
)
def test_a_file_is_old_or_new_whatever_fails(disk, tmp_path, command, fault):
    sweep = Sweep(disk, tmp_path, command)
    assert sweep.undisturbed.writes >= 4  # open, write, fsync, rename
    assert list(sweep.problems(fault)) == []


WRITES_IN_PLACE = """
import feedsim.files
feedsim.files.write_whole = lambda path, parts: path.write_bytes(b"".join(parts))
"""
LEAVES_ITS_OWN = """
import pathlib
pathlib.Path.unlink = lambda *arguments, **options: None
"""
ENDS_BADLY = """
import feedsim.files
def write_whole(path, parts):
    try:
        path.write_bytes(b"".join(parts))
    except OSError as error:
        raise RuntimeError from error
feedsim.files.write_whole = write_whole
"""


@pytest.mark.parametrize(
    ("spoil", "fault", "told"),
    [
        (WRITES_IN_PLACE, "full", "neither old nor new"),
        (LEAVES_ITS_OWN, "fails", "left behind"),
        (ENDS_BADLY, "refused", "no exit code for this"),
    ],
)
def test_writers_that_do_it_wrong_are_found(disk, tmp_path, spoil, fault, told):
    found = list(Sweep(disk, tmp_path, RENEWED, spoil).problems(fault))
    assert any(told in problem for problem in found), found


@pytest.mark.parametrize(
    ("fault", "step"),
    [("full", 5), *(pytest.param(fault, 1, marks=pytest.mark.campaign) for fault in FAULTS)],
)
def test_a_store_keeps_what_it_has_told_of_whatever_fails(disk, tmp_path, fault, step):
    words = ["failing_disk:keep_shifts"]
    whole = tmp_path / "whole"
    whole.mkdir()
    disk.call(whole, words, here=True)
    shutil.rmtree(whole)
    whole.mkdir()
    undisturbed = disk.call(whole, words)
    assert undisturbed.writes > 10
    wanted = rows_of(whole)
    assert len(wanted) == 9
    error, lasting = FAULTS[fault]
    codes = set()
    for at in range(step, undisturbed.writes + 1, step):
        folder = tmp_path / "work"
        folder.mkdir()
        ended = disk.call(folder, words, at=at, error=error, lasting=lasting)
        codes.add(ended.code)
        rows = rows_of(folder)
        assert ended.code in (0, 2, 3), ended
        assert len(ended.err.splitlines()) == (ended.code != 0), ended
        assert max(map(int, ended.out.split()), default=0) <= len(rows), ended
        assert rows.items() <= wanted.items()
        assert disk.call(folder, words).code == 0
        assert rows_of(folder) == wanted
        shutil.rmtree(folder)
    assert 3 in codes


def test_the_older_file_is_told_of_not_the_one_it_is_written_to_first(tmp_path):
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(IsADirectoryError) as refused:
        write_whole(tmp_path / "a.csv", [b"new"])
    assert refused.value.filename == str(tmp_path / "a.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


# -- all commands, all writes ------------------------------------------------------------------


def study(kind: str) -> Command:
    engine = ["--engine", "simpy", "--jobs", "1"] if is_simulated(kind) else []
    return Command([*KINDS[kind], *engine, "--out", "out"], configs)


# Most of the time of a command is its figures'.
UNDRAWN = f"""
import inspect, sys
drawn = {SMALLEST}
for name, module in [*sys.modules.items()]:
    if name.startswith("feedsim.plots."):
        for own, function in inspect.getmembers(module, inspect.isfunction):
            if function.__annotations__.get("return") == "Figure":
                setattr(module, own, lambda *arguments, **options: None)
import feedsim.plots.style
feedsim.plots.style.drawn = lambda figure, kind, dpi=0: drawn[kind] + b"drawn " * 2000
"""


@pytest.fixture(scope="module")
def finished(disk, tmp_path_factory) -> Path:
    """A finished study and its report."""
    folder = tmp_path_factory.mktemp("finished")
    configs(folder)
    assert disk.call(folder, study("run").words, spoil=UNDRAWN).code == 0
    (folder / "out" / "report.html").write_text("older " * 1000)
    return folder


@pytest.mark.campaign
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_command_loses_nothing_whatever_fails(disk, tmp_path, kind, fault):
    sweep = Sweep(disk, tmp_path, study(kind), UNDRAWN)
    assert sweep.undisturbed.writes > 20
    assert list(sweep.problems(fault)) == []


@pytest.mark.campaign
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("words", [["replay", "cell.toml", "--out", "out"]], ids=["replay"])
def test_a_shift_shown_loses_nothing_whatever_fails(disk, tmp_path, words, fault):
    assert list(Sweep(disk, tmp_path, Command(words, configs), UNDRAWN).problems(fault)) == []


@pytest.mark.campaign
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("words", [["report", "out"], study("run").words], ids=["report", "again"])
def test_a_finished_study_stays_whatever_fails(disk, finished, tmp_path, words, fault):
    def copied(folder: Path) -> None:
        shutil.copytree(finished, folder, dirs_exist_ok=True)
        if words[0] == "run":
            (folder / "out" / "losses.svg").unlink()

    sweep = Sweep(disk, tmp_path, Command(words, copied), UNDRAWN)
    assert list(sweep.problems(fault)) == []
