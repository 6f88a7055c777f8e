"""A study that is stopped, in whatever way, goes on where it was, to the same last digit."""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from campaigns import one_in

from feedsim import study
from feedsim.cli import main
from feedsim.store import STORE, Store

CONFIG = """
[study]
shift_h = {shift_h}
replications = {replications}

[crew]
walk_s = 10

[[machine]]
name = "oats"
speed_per_min = 30
restart_s = 5

[machine.magazine]
capacity_bags = 60
bundle_bags = 20
call_level_bags = 20
bundle = {{ family = "empirical", file_s = "loading.txt" }}

[machine.pick]
clear = {{ family = "exponential", mean_s = 30 }}

[machine.bag]
faults = {{ missed = 0.01, jam = 0.002 }}
"""
LOADING = "18\n22\n31\n"
CAPACITY = ("capacity", "cell.toml", "--bags", "40,60", "--engine", "simpy", "--out", "study")
TABLES = ("replications.csv", "summary.csv")


def write_config(folder: Path, shift_h: float = 0.5, replications: int = 20) -> None:
    text = CONFIG.format(shift_h=shift_h, replications=replications)
    (folder / "cell.toml").write_text(text)
    (folder / "loading.txt").write_text(LOADING)


@pytest.fixture
def feedsim(undrawn, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(study, "TASK_S", 0.01)
    write_config(tmp_path)

    def call(*words: str):
        monkeypatch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return call


@pytest.fixture
def interrupted(feedsim, monkeypatch):
    """The study, interrupted by Ctrl-C after some shifts."""

    def interrupt_after(tasks: int) -> str:
        with monkeypatch.context() as patch:
            keep = Store.keep

            def keep_some(store, key, replications, sums):
                keep(store, key, replications, sums)
                keep_some.left -= 1
                if not keep_some.left:
                    raise KeyboardInterrupt

            keep_some.left = tasks
            patch.setattr(Store, "keep", keep_some)
            code, _, err = feedsim(*CAPACITY, "--jobs", "1")
        assert code == 130
        return err

    return interrupt_after


def tables(folder: str = "study") -> list[bytes]:
    return [Path(folder, name).read_bytes() for name in TABLES]


def rows_of(folder: Path) -> dict[tuple[str, int], bytes]:
    connection = sqlite3.connect(folder / STORE)
    try:
        # On a full disk there is no room for the memory that readers share.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = connection.execute("SELECT cell, replication, sums FROM runs").fetchall()
    finally:
        connection.close()
    return {(cell, number): sums for cell, number, sums in rows}


def test_a_finished_study_is_answered_without_simulating(feedsim, monkeypatch):
    code, first, _ = feedsim(*CAPACITY, "--jobs", "1")
    assert code == 0
    before = tables()

    def refuse(*arguments):
        raise AssertionError("simulated again")

    monkeypatch.setattr("feedsim.engines.SimpyModel.sums", refuse)
    code, again, _ = feedsim(*CAPACITY, "--jobs", "1")
    assert (code, again) == (0, first)
    assert tables() == before


def test_the_refusal_of_that_test_can_fail(feedsim, monkeypatch):
    def refuse(*arguments):
        raise AssertionError("simulated")

    monkeypatch.setattr("feedsim.engines.SimpyModel.sums", refuse)
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 4


@pytest.mark.parametrize("tasks", [1, 7])
def test_an_interrupted_study_goes_on(feedsim, interrupted, tasks, monkeypatch):
    feedsim(*CAPACITY[:-1], "whole", "--jobs", "1")
    err = interrupted(tasks)
    kept = len(rows_of(Path("study")))
    assert 0 < kept < 40
    assert f"Stopped with {kept} shifts kept in study: the same command goes on" in err
    assert not Path("study/summary.csv").exists()
    simulated = []
    sums = study.engine_named("simpy").sums
    monkeypatch.setattr(
        "feedsim.engines.SimpyModel.sums",
        lambda engine, cell, seed, numbers: simulated.extend(numbers) or sums(cell, seed, numbers),
    )
    code, _, _ = feedsim(*CAPACITY, "--jobs", "1")
    assert code == 0
    assert len(simulated) == 40 - kept
    assert tables() == tables("whole")
    assert rows_of(Path("study")) == rows_of(Path("whole"))
    assert json.loads(Path("study/manifest.json").read_text())["finished"]


def test_more_replications_are_another_study(feedsim, interrupted):
    interrupted(3)
    code, _, err = feedsim(*CAPACITY, "--replications", "30")
    assert code == 2
    assert "replications = 30 (here)" in err


@pytest.mark.parametrize(
    ("change", "told", "unfinished"),
    [
        ("key", "speed_per_min = 31 (here)", True),
        ("key", "speed_per_min = 31 (here)", False),
        ("command", "command capacity (there); run (here)", True),
        ("options", "options bags [40, 60]", True),
        ("file", "the file loading.txt has changed", True),
        ("version", "program feedsim", True),
        ("version", "program feedsim", False),
    ],
)
def test_what_has_changed_is_refused_and_told(
    feedsim, interrupted, monkeypatch, unfinished, change, told
):
    interrupted(3)
    if not unfinished:
        assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0
    before = {path: path.read_bytes() for path in Path("study").iterdir()}
    words = [*CAPACITY]
    if change == "key":
        words += ["--set", "machine.speed_per_min=31"]
    elif change == "command":
        words = ["run", "cell.toml", "--out", "study"]
    elif change == "options":
        words[3] = "40,80"
    elif change == "file":
        Path("loading.txt").write_text(LOADING + "40\n")
    else:
        monkeypatch.setattr("feedsim.folder.program", lambda: "feedsim 0.0.1 (f00), numpy 1.0")
    code, out, err = feedsim(*words, "--jobs", "1")
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.strip().splitlines()) == 1
    assert len(err) < 1000
    assert {path: path.read_bytes() for path in Path("study").iterdir()} == before


def test_a_file_of_many_values_is_told_in_short(feedsim):
    feedsim(*CAPACITY, "--jobs", "1")
    Path("loading.txt").write_text("\n".join(str(20 + n / 1000) for n in range(5000)))
    code, _, err = feedsim(*CAPACITY)
    assert code == 2
    assert "loading.txt has changed" in err
    assert len(err) < 1000


def test_a_file_named_by_an_override_is_told_too(feedsim):
    Path("other.txt").write_text("20\n30\n")
    words = [*CAPACITY, "--jobs", "1"]
    words += ["--set", 'machine.pick.clear={ family = "empirical", file_s = "other.txt" }']
    assert feedsim(*words)[0] == 0
    Path("other.txt").write_text("20\n31\n")
    code, _, err = feedsim(*words)
    assert code == 2
    assert "the file other.txt has changed" in err


def test_a_comment_in_an_input_changes_nothing(feedsim):
    feedsim(*CAPACITY, "--jobs", "1")
    Path("loading.txt").write_text("# measured at the second machine\n" + LOADING)
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0


def test_a_study_killed_at_its_very_beginning_goes_on(feedsim):
    feedsim(*CAPACITY, "--jobs", "1")
    wanted = tables()
    for path in Path("study").iterdir():
        if path.name != STORE:
            path.unlink()
    Path("study/.manifest.json.ab12_xyz").write_text("{")
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0
    assert tables() == wanted
    assert not Path("study/.manifest.json.ab12_xyz").exists()


def test_a_manifest_without_its_config_is_no_fault(feedsim):
    feedsim(*CAPACITY, "--jobs", "1")
    Path("study/resolved.toml").unlink()
    code, _, err = feedsim(*CAPACITY, "--set", "machine.speed_per_min=31")
    assert code == 2
    assert "its resolved.toml is missing" in err
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0


def test_a_second_driver_is_refused_and_touches_nothing(feedsim):
    feedsim(*CAPACITY, "--jobs", "1")
    with Store(Path("study")):
        before = {path: path.stat().st_mtime_ns for path in Path("study").iterdir()}
        code, out, err = feedsim(*CAPACITY, "--jobs", "1")
        assert (code, out) == (2, "")
        assert err == (
            "study: another feedsim is at work in this folder, allowed: one at a time, or another "
            "folder\n"
        )
        command = [sys.executable, "-m", "feedsim", *CAPACITY, "--jobs", "1"]
        found = subprocess.run(command, capture_output=True, text=True, check=False)
        assert (found.returncode, found.stderr) == (2, err)
        assert {path: path.stat().st_mtime_ns for path in Path("study").iterdir()} == before
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0


def test_a_study_that_fails_at_its_beginning_leaves_its_folder_free(feedsim):
    assert feedsim(*CAPACITY, "--dask", "nonsense")[0] == 2
    assert feedsim(*CAPACITY, "--jobs", "1")[0] == 0


@pytest.mark.parametrize("junk", [b"junk" * 1000, b"SQLite format 3\0" + b"junk" * 1000])
def test_a_damaged_store_is_told_in_a_line(feedsim, junk):
    feedsim(*CAPACITY, "--jobs", "1")
    Path("study", STORE).write_bytes(junk)
    code, out, err = feedsim(*CAPACITY, "--jobs", "1")
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert STORE in err
    assert Path("study", STORE).read_bytes() == junk


# -- full disk ---------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", str(place)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("no file system can be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.campaign
def test_a_full_disk_is_told_and_the_study_goes_on_when_there_is_room(feedsim, small_disk):
    out = str(small_disk / "study")
    words = ["run", "cell.toml", "--engine", "simpy", "--jobs", "1", "--out", out]
    words += ["--replications", "800", "--set", "study.shift_h=0.1"]
    code, _, err = feedsim(*words)
    assert code == 3
    *_, stopped, last = err.splitlines()
    assert stopped.startswith("Stopped with ")
    assert last == f"feedsim: {out}/{STORE}: No space left on device"
    kept = len(rows_of(Path(out)))
    assert 0 < kept < 800
    assert f"Stopped with {kept} shifts" in stopped
    words[words.index("--out") + 1] = "elsewhere"
    Path("elsewhere").mkdir()
    for path in Path(out).iterdir():
        Path("elsewhere", path.name).write_bytes(path.read_bytes())
    assert feedsim(*words)[0] == 0
    feedsim(*words[:-5], "whole", *words[-4:])
    assert tables("elsewhere") == tables("whole")


# -- a run that kills --------------------------------------------------------------------------

KILLER = """
import multiprocessing, os, signal
from feedsim.engines import SimpyModel
simulate = SimpyModel.sums
def sums(self, cell, seed, replications):
    if 7 in replications and os.environ.get("KILLED") in ("always", str(cell.machines[0].lanes)):
        os.kill(os.getpid(), signal.SIGKILL)
    return simulate(self, cell, seed, replications)
if "KILLED" in os.environ:
    SimpyModel.sums = sums
"""


@pytest.mark.campaign
def test_a_run_that_always_kills_is_set_aside_and_named(feedsim, monkeypatch, tmp_path):
    (tmp_path / "sitecustomize.py").write_text(KILLER)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("KILLED", "always")
    monkeypatch.setattr(study, "TASK_S", 0.05)
    words = ["run", "cell.toml", "--engine", "simpy", "--out", "study"]
    code, out, _ = feedsim(*words, "--jobs", "2")
    assert code == 3
    assert "no worker survived it in three attempts: replication 7." in out
    assert {number for _, number in rows_of(Path("study"))} == {*range(1, 21)} - {7}
    # Where it kills no more, it is done: here, for nobody is patched in this process.
    monkeypatch.delenv("KILLED")
    code, again, _ = feedsim(*words, "--jobs", "1")
    assert code == 0
    assert "Set aside" not in again
    assert {number for _, number in rows_of(Path("study"))} == {*range(1, 21)}


@pytest.mark.campaign
def test_a_study_whose_every_run_kills_fails_in_a_line(feedsim, monkeypatch, tmp_path):
    (tmp_path / "sitecustomize.py").write_text(KILLER.replace("7 in replications", "True"))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("KILLED", "always")
    words = ["run", "cell.toml", "--engine", "simpy", "--replications", "1", "--jobs", "2"]
    code, out, err = feedsim(*words)
    assert (code, out) == (3, "")
    assert "no worker survived" in err
    assert "Traceback" not in err


# -- kills of the driver -----------------------------------------------------------------------

DRIVER = """
import sys
from contextlib import contextmanager
import feedsim.cli.working as working
from feedsim import study
study.TASK_S = 0.02

@contextmanager
def told(title, *, quiet):
    yield lambda done, asked: print(done, asked, file=sys.stderr, flush=True)

working.progress_bar = told
from feedsim.cli import main
if __name__ == "__main__":
    main()
"""


def _processes_of_session(session: int) -> list[int]:
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(int(path.parent.name))
    return found


def _left_of_session(session: int) -> list[int]:
    """Who of a session is still there after two seconds."""
    until = time.monotonic() + 2
    while _processes_of_session(session) and time.monotonic() < until:
        time.sleep(0.02)
    return _processes_of_session(session)


def _drive(folder: Path, *, kill_after_s: float | None, first_told: bool) -> list[str]:
    """Run the study, killed after some time or not at all; what it told of its progress."""
    words = [sys.executable, str(folder / "driver.py"), *CAPACITY, "--jobs", "2"]
    told = folder / "told"
    with (
        told.open("wb") as err,
        subprocess.Popen(
            words, cwd=folder, stdout=subprocess.DEVNULL, stderr=err, start_new_session=True
        ) as driver,
    ):
        if kill_after_s is None:
            assert driver.wait(120) == 0
        else:
            until = time.monotonic() + 30
            while first_told and told.read_bytes().count(b"\n") < 2 and time.monotonic() < until:
                time.sleep(0.01)
            time.sleep(kill_after_s)
            assert driver.poll() is None, "it ended before it was killed"
            driver.send_signal(signal.SIGKILL)
    assert _left_of_session(driver.pid) == []
    return [line for line in told.read_text().split("\n")[:-1] if line[:1].isdigit()]


@pytest.mark.campaign
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize(("kills", "replications"), [(1, 30), (25, 1200)])
def test_kills_of_the_driver_lose_nothing(tmp_path, kills, replications):
    luck = random.Random(kills)
    trees = {name: tmp_path / name for name in ("killed", "whole")}
    for folder in trees.values():
        folder.mkdir()
        write_config(folder, shift_h=2, replications=replications)
        (folder / "driver.py").write_text(DRIVER)
    _drive(trees["whole"], kill_after_s=None, first_told=False)
    wanted = rows_of(trees["whole"] / "study")
    assert len(wanted) == 2 * replications
    before: dict[tuple[str, int], bytes] = {}
    for kill in range(kills):
        # Every third at its beginning, the others at work.
        first_told = kill % 3 != 2
        after_s = luck.uniform(0, 0.4) if first_told else luck.uniform(0.2, 1.0)
        told = _drive(trees["killed"], kill_after_s=after_s, first_told=first_told)
        store = trees["killed"] / "study" / STORE
        kept = rows_of(store.parent) if store.exists() else {}
        assert before.items() <= kept.items() <= wanted.items()
        if told:
            done, asked = map(int, told[-1].split())
            # What it told of is kept, and what was kept before was not asked for again.
            assert len(kept) >= len(before) + done
            assert asked == len(wanted) - len(before)
        before = kept
    assert 0 < len(before) < len(wanted)
    _drive(trees["killed"], kill_after_s=None, first_told=False)
    assert rows_of(trees["killed"] / "study") == wanted
    assert tables(trees["killed"] / "study") == tables(trees["whole"] / "study")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize("task_s", one_in(2, ["60", "0.02"]))
def test_ctrl_c_ends_within_seconds_and_says_how_to_go_on(tmp_path, task_s):
    write_config(tmp_path, shift_h=2, replications=1500)
    (tmp_path / "driver.py").write_text(DRIVER.replace("0.02", task_s))
    words = [sys.executable, str(tmp_path / "driver.py"), *CAPACITY, "--jobs", "2"]
    with subprocess.Popen(
        words,
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
        text=True,
    ) as driver:
        # It tells of its progress first with nothing done, then, if its tasks are short, of more.
        for _ in range(4 if task_s == "0.02" else 1):
            assert driver.stderr.readline()
        if task_s == "60":
            time.sleep(2)
        started = time.monotonic()
        os.killpg(driver.pid, signal.SIGINT)
        err = driver.stderr.read()
        assert driver.wait(20) == 130
        assert time.monotonic() - started < 3
    kept = rows_of(tmp_path / "study")
    going_on = f"Stopped with {len(kept):,} shifts kept in study: the same command goes on"
    assert (going_on in err) == bool(kept) == (task_s == "0.02")
    assert "Traceback" not in err
    assert _left_of_session(driver.pid) == []


def test_no_worker_is_left_by_these_tests():
    assert [process for process in multiprocessing.active_children() if process.is_alive()] == []
