"""A dask cluster on this machine: the same bits, deaths that lose nothing, clear refusals."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from test_executors import CELL, RandomKiller, hash_of, hash_with, settings

from feedsim import study
from feedsim.cli import main
from feedsim.cluster import ClusterError, executor_at
from feedsim.engines import COMPILED, SIMPY
from feedsim.executors import WorkersGone
from feedsim.study import Shifts, Work

Client = pytest.importorskip("distributed").Client
needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")

KILLER = """
import os, signal
if os.environ.get("KILLED"):
    from feedsim.engines import SimpyModel
    simulate = SimpyModel.sums
    def sums(self, cell, seed, replications):
        if 7 in replications:
            os.kill(os.getpid(), signal.SIGKILL)
        return simulate(self, cell, seed, replications)
    SimpyModel.sums = sums
"""


class Cluster:
    """A scheduler and workers as processes of their own, on the loopback interface."""

    def __init__(self, folder: Path, workers: int = 2, threads: int = 1, **surroundings: str):
        self.folder = folder
        # A task is given up with its first worker, so that every death comes to us; and a result
        # that a dead worker had is not looked for there for half a minute.
        soon = {
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",
            "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "2s",
        }
        self.surroundings = {**os.environ, **soon, **surroundings}
        told = folder / "scheduler.json"
        self.scheduler = self._start(
            *("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"),
            *("--no-jupyter", "--scheduler-file", str(told)),
        )
        self.address = self._address(told)
        self.workers = [
            self._start(
                *("worker", self.address, "--host", "127.0.0.1", "--no-dashboard", "--nanny"),
                *("--nthreads", str(threads), "--memory-limit", "0", "--death-timeout", "60"),
                *("--local-directory", str(folder)),
            )
            for _ in range(workers)
        ]
        if not workers:
            return
        with Client(self.address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)

    def _start(self, kind: str, *words: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.dask_{kind}", *words],
            env=self.surroundings,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    @staticmethod
    def _address(told: Path) -> str:
        until = time.monotonic() + 30
        while time.monotonic() < until:
            try:
                return json.loads(told.read_text())["address"]
            except (OSError, ValueError):
                time.sleep(0.05)
        raise TimeoutError("no scheduler")

    def working(self) -> list[int]:
        """The processes that simulate, each started by its worker's nanny."""
        nannies = {worker.pid for worker in self.workers}
        found = []
        for path in Path("/proc").glob("[0-9]*/stat"):
            try:
                fields = path.read_text().rsplit(")", 1)[1].split()
                words = (path.parent / "cmdline").read_bytes()
            except OSError:
                continue
            if int(fields[1]) in nannies and fields[0] != "Z" and b"spawn_main" in words:
                found.append(int(path.parent.name))
        return found

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            for number in (process.pid, *self.working()):
                try:
                    os.kill(number, signal.SIGKILL)
                except ProcessLookupError:
                    continue
            process.wait(10)


@contextmanager
def cluster_in(folder: Path, **keywords) -> Iterator[Cluster]:
    cluster = Cluster(folder, **keywords)
    try:
        yield cluster
    finally:
        cluster.close()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with cluster_in(tmp_path_factory.mktemp("cluster")) as started:
        yield started


@pytest.fixture
def feedsim(undrawn, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cell.toml").write_text(CELL.format(shift_h=1, capacity=60))

    def call(*words: str):
        monkeypatch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return call


def test_a_cluster_gives_the_same_bits(cluster, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    with executor_at(cluster.address) as (executor, cores):
        assert cores == 2
        assert hash_with(jobs=cores, executor=executor) == hash_with()
        assert hash_with(jobs=cores, executor=executor, seed=2) != hash_with()
    # It is left open to others.
    with executor_at(cluster.address.removeprefix("tcp://")) as (executor, _):
        assert executor.submit(pow, 2, 5).result() == 32


@pytest.mark.campaign
def test_workers_with_threads_give_the_same_bits(tmp_path, monkeypatch):
    pytest.importorskip("numba")
    monkeypatch.setattr(study, "TASK_S", 0.0005)
    with (
        cluster_in(tmp_path, workers=1, threads=3) as threaded,
        executor_at(threaded.address) as (executor, cores),
    ):
        assert cores == 3
        assert hash_with(jobs=cores, executor=executor, engine=COMPILED) == hash_with()


@pytest.mark.campaign
def test_the_command_line_works_on_a_cluster(feedsim, cluster):
    words = ["run", "cell.toml", "--engine", "simpy", "--replications", "20"]
    code, _, err = feedsim(*words, "--dask", cluster.address, "--out", "cluster")
    assert code == 0
    assert err.startswith("Written to cluster\nWhat of this config")
    feedsim(*words, "--jobs", "1", "--out", "here")
    for name in ("replications.csv", "summary.csv"):
        assert Path("cluster", name).read_bytes() == Path("here", name).read_bytes()


@needs_proc
@pytest.mark.campaign
@pytest.mark.parametrize(("kills", "replications"), [(2, 40), (20, 200)])
def test_random_deaths_on_a_cluster_lose_nothing(cluster, kills, replications, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    killer = RandomKiller(kills, 2 * replications, cluster.working)
    with executor_at(cluster.address) as (executor, cores):
        found = hash_with(replications, jobs=cores, executor=executor, progress=killer)
    assert killer.kills == kills
    assert found == hash_with(replications)


@pytest.mark.campaign
@needs_proc
def test_a_run_that_always_kills_is_set_aside_on_a_cluster(tmp_path, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    (tmp_path / "sitecustomize.py").write_text(KILLER)
    with (
        cluster_in(tmp_path, workers=2, PYTHONPATH=str(tmp_path), KILLED="yes") as deadly,
        executor_at(deadly.address) as (executor, cores),
        Shifts(1, Work(engine=SIMPY, jobs=cores, executor=executor)) as shifts,
    ):
        results = shifts.results(settings()[:1], 20, 0.95)
    assert results.set_aside == (7,)
    assert results.numbers.tolist() == [n for n in range(1, 21) if n != 7]
    with Shifts(1, Work(engine=SIMPY)) as here:
        here.set_aside.add(7)
        assert hash_of(here.results(settings()[:1], 20, 0.95)) == hash_of(results)


@pytest.mark.parametrize(
    "address", ["nonsense", "tcp://host", "tcp://host:0", "tcp://host:99999", "ftp://host:1", ""]
)
def test_what_is_no_address_is_told(address):
    with (
        pytest.raises(ClusterError, match=r"--dask: .* is no address") as refused,
        executor_at(address),
    ):
        pass
    assert len(str(refused.value).splitlines()) == 1


def test_a_scheduler_that_is_not_there_is_told(feedsim, monkeypatch):
    monkeypatch.setattr("feedsim.cluster.PATIENCE_S", 1)
    started = time.monotonic()
    code, out, err = feedsim("run", "cell.toml", "--dask", "tcp://127.0.0.1:1", "--out", "study")
    assert (code, out) == (2, "")
    assert "no dask scheduler answers at tcp://127.0.0.1:1" in err.splitlines()[-1]
    assert "Traceback" not in err
    assert time.monotonic() - started < 8


@pytest.mark.campaign
def test_a_cluster_without_workers_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("feedsim.cluster.PATIENCE_S", 1)
    with (
        cluster_in(tmp_path, workers=0) as empty,
        pytest.raises(ClusterError, match="has no workers"),
        executor_at(empty.address),
    ):
        pass


def test_without_dask_it_is_told_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(ClusterError, match=r"feedsim\[cluster\]"),
        executor_at("tcp://127.0.0.1:8786"),
    ):
        pass


@pytest.mark.campaign
def test_a_scheduler_that_goes_ends_the_study_and_it_goes_on_elsewhere(
    feedsim, tmp_path, monkeypatch
):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    words = ["run", "cell.toml", "--engine", "simpy", "--replications", "60", "--out", "study"]
    with cluster_in(tmp_path) as going:

        @contextmanager
        def progress_bar(title, *, quiet):
            yield lambda done, asked: going.scheduler.kill() if 0 < done < 20 else None

        with monkeypatch.context() as patch:
            patch.setattr("feedsim.cli.working.progress_bar", progress_bar)
            code, out, err = feedsim(*words, "--dask", going.address)
    assert (code, out) == (3, "")
    stopped, last = err.splitlines()
    assert stopped.startswith("Stopped with ")
    assert last.startswith("feedsim: the executor that was given does no more work")
    kept = int(stopped.split()[2])
    assert 0 < kept < 60
    assert feedsim(*words, "--jobs", "1")[0] == 0


@pytest.mark.campaign
def test_workers_of_another_version_are_told(cluster, monkeypatch):
    monkeypatch.setattr(study, "program", lambda: "feedsim 0.0.1 (f00), numpy 1.0")
    with (
        executor_at(cluster.address) as (executor, cores),
        pytest.raises(study.OtherProgramError, match=r"than its driver \(feedsim 0\.0\.1"),
    ):
        hash_with(jobs=cores, executor=executor)
    assert not issubclass(study.OtherProgramError, WorkersGone)
