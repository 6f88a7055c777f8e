"""Who does the work of a study: any grouping and order give the same, and deaths lose nothing."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import random
import signal
import threading
import time
from collections import deque
from concurrent.futures import CancelledError, Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import pytest
from campaigns import one_in

from feedsim import study
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.engines import COMPILED, SIMPY
from feedsim.executors import DEATHS_TO_SET_ASIDE, Workers, WorkersGone, executor_for
from feedsim.study import Setting, Shifts, Work

CELL = """
[study]
shift_h = {shift_h}

[[machine]]
name = "oats"
speed_per_min = 30
restart_s = 5

[machine.magazine]
capacity_bags = {capacity}
bundle_bags = 20
call_level_bags = 20
bundle = {{ family = "lognormal", mean_s = 20, cv = 0.4 }}

[machine.pick]
clear = {{ family = "exponential", mean_s = 30 }}

[machine.bag]
faults = {{ missed = 0.01, jam = 0.002 }}
"""


def settings(shift_h: float = 1) -> list[Setting]:
    """Two settings of a small cell."""
    return [
        Setting(
            {"bags": bags}, build_cell(parse_config(CELL.format(capacity=bags, shift_h=shift_h)))
        )
        for bags in (60, 100)
    ]


def hash_of(results: study.Results) -> str:
    """One hash over every bit of every sum of a study."""
    told = hashlib.sha256(results.numbers.tobytes())
    for sums in results.sums:
        for table in (*sums.machines, sums.crew):
            for name, values in sorted(table.items()):
                told.update(name.encode() + values.tobytes())
    return told.hexdigest()


def hash_with(replications: int = 40, seed: int = 1, **work: object) -> str:
    """The hash of the small study, done in a certain way."""
    with Shifts(seed, Work(**{"engine": SIMPY} | work)) as shifts:
        results = shifts.results(settings(), replications, 0.95)
    assert results.set_aside == ()
    assert len(results.numbers) == replications
    return hash_of(results)


@pytest.fixture(scope="module")
def reference() -> str:
    return hash_with()


# -- the same bits, whoever does the work -----------------------------------------------------


@pytest.mark.parametrize("jobs", one_in(2, [2, 4]))
def test_several_processes_give_the_same_bits(reference, jobs, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    assert hash_with(jobs=jobs) == reference


@pytest.mark.parametrize("task_s", [0.0, 0.013, 0.05, 100.0])
def test_any_grouping_gives_the_same_bits(reference, task_s, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", task_s)
    assert hash_with() == reference


def test_one_process_of_a_pool_gives_the_same_bits(reference):
    with executor_for(2) as pool:
        assert hash_with(jobs=1, executor=pool) == reference


@pytest.mark.parametrize("jobs", [1, 3])
def test_the_compiled_model_gives_the_same_bits(reference, jobs, monkeypatch):
    pytest.importorskip("numba")
    monkeypatch.setattr(study, "TASK_S", 0.0005)
    assert hash_with(jobs=jobs, engine=COMPILED) == reference


class ReversedExecutor(Executor):
    """Does what was submitted last first, when somebody waits for it."""

    def __init__(self):
        self._threads = ThreadPoolExecutor(1)
        self._stack: list[tuple[Future, object, tuple]] = []
        self.most = 0

    def submit(self, fn, /, *args, **kwargs):
        future: Future = Future()
        self._stack.append((future, fn, args))
        self.most = max(self.most, len(self._stack))
        self._threads.submit(self._do_one)
        return future

    def _do_one(self):
        time.sleep(0.005)
        future, fn, args = self._stack.pop()
        future.set_result(fn(*args))

    def shutdown(self, wait=True, *, cancel_futures=False):
        self._threads.shutdown()


def test_any_order_gives_the_same_bits(reference, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    with ReversedExecutor() as backwards:
        assert hash_with(jobs=3, executor=backwards) == reference
        assert backwards.most > 2


def test_asking_for_more_later_gives_the_same_bits(reference):
    with Shifts(1, Work(engine=SIMPY)) as shifts:
        shifts.sums([settings()[1].cell], 13)
        shifts.sums([settings()[0].cell], 25)
        assert hash_of(shifts.results(settings(), 40, 0.95)) == reference
        assert shifts.simulated == 80


def test_the_hash_tells_studies_apart(reference):
    assert hash_with(seed=2) != reference
    assert hash_with(replications=39) != reference


# -- what is asked of workers ------------------------------------------------------------------


def double(task: range) -> list[int]:
    return [2 * number for number in task]


def runs_of(task: range) -> list[range]:
    return [range(number, number + 1) for number in task]


def groups(runs: int, size: int = 5) -> list[range]:
    return [range(first, min(first + size, runs)) for first in range(0, runs, size)]


def done_by(workers: Workers, do, tasks) -> dict[int, object]:
    """What became of each run; each comes once."""
    found: dict[int, object] = {}
    for task, result in workers.done_in_any_order(do, tasks, split=runs_of):
        for place, number in enumerate(task):
            assert number not in found
            found[number] = None if result is None else result[place]
    return found


def test_a_task_of_one_process_is_handed_over_before_the_next_begins():
    begun = []

    def do(task):
        begun.append(task)
        return task

    done = Workers(1).done_in_any_order(do, [1, 2, 3], split=lambda task: [task])
    for number in (1, 2, 3):
        assert next(done) == (number, number)
        assert begun[-1] == number


class IdleExecutor(Executor):
    """Takes tasks, and does six when it has six."""

    def __init__(self):
        self.taken: list[Future] = []

    def submit(self, fn, /, *args, **kwargs):
        self.taken.append(Future())
        if len(self.taken) % 6 == 0:
            for future in self.taken[-6:]:
                future.set_result("done")
        return self.taken[-1]


def test_few_tasks_are_submitted_ahead():
    idle = IdleExecutor()
    done = Workers(3, idle).done_in_any_order(double, groups(96, 1), split=runs_of)
    assert len(idle.taken) == 0
    next(done)
    assert len(idle.taken) == 6
    assert len(list(done)) == 95


def test_what_is_left_is_taken_back_when_nobody_wants_it():
    idle = IdleExecutor()
    workers = Workers(3, idle)
    done = workers.done_in_any_order(double, groups(9, 1), split=runs_of)
    next(done)
    other = idle.submit(double, range(1))
    for _ in range(5):
        next(done)
    # The next three are submitted when the first six are through.
    workers._submit_some(double, deque(groups(2, 1)), in_threads=False)
    waiting = [future for future in idle.taken if not future.done() and future is not other]
    assert len(waiting) == 2
    done.close()
    assert all(future.cancelled() for future in waiting)
    assert not other.cancelled()


def fail(task: range) -> list[int]:
    if 7 in task:
        raise ZeroDivisionError("seven")
    return double(task)


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_a_task_raises_is_raised(jobs):
    workers = Workers(jobs)
    with pytest.raises(ZeroDivisionError, match="seven"):
        done_by(workers, fail, groups(20))
    workers.close(at_once=True)


def test_an_executor_that_was_given_is_left_open():
    with ThreadPoolExecutor(2) as threads:
        workers = Workers(2, threads)
        assert done_by(workers, double, groups(10)) == {n: 2 * n for n in range(10)}
        workers.close(at_once=True)
        assert threads.submit(double, range(1)).result() == [0]


class BrokenGift(Executor):
    """Breaks in one of the ways executors have."""

    def __init__(self, error: BaseException, at: str):
        self.error, self.at = error, at

    def submit(self, fn, /, *args, **kwargs):
        if self.at == "submit":
            raise self.error
        future: Future = Future()
        if isinstance(self.error, CancelledError):
            future.cancel()
            future.set_running_or_notify_cancel()
        else:
            future.set_exception(self.error)
        return future


@pytest.mark.parametrize(
    ("error", "at"),
    [
        (BrokenProcessPool("a process ended"), "submit"),
        (RuntimeError("cannot schedule new futures after shutdown"), "submit"),
        (BrokenProcessPool("a process ended"), "result"),
        (CancelledError(), "result"),
    ],
)
def test_a_broken_executor_that_was_given_ends_the_work(error, at):
    with pytest.raises(WorkersGone, match="does no more work") as gone:
        done_by(Workers(2, BrokenGift(error, at)), double, groups(10))
    assert len(str(gone.value).splitlines()) == 1


# -- deaths ------------------------------------------------------------------------------------


def end_at_17(task: range) -> list[int]:
    if 17 in task:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.01)
    return double(task)


@pytest.mark.campaign
def test_a_run_that_always_kills_is_set_aside_and_the_others_are_done():
    workers = Workers(2)
    found = done_by(workers, end_at_17, groups(60))
    workers.close()
    assert found == {n: None if n == 17 else 2 * n for n in range(60)}


def _marked(folder: str, number: int) -> int:
    """Count a run's attempts, across processes."""
    name = os.path.join(folder, str(number))
    with open(name, "a") as file:
        file.write("x")
    return os.path.getsize(name)


def end_first_times(task: tuple[str, range]) -> list[int]:
    """Run 3 kills its worker until it has been tried five times: in its group, and alone."""
    folder, numbers = task
    for number in numbers:
        if _marked(folder, number) <= 4 and number == 3:
            os.kill(os.getpid(), signal.SIGKILL)
    return double(numbers)


@pytest.mark.campaign
def test_attempts_are_counted_alone_and_innocents_are_not_blamed(tmp_path):
    workers = Workers(2)
    tasks = [(str(tmp_path), numbers) for numbers in groups(20)]
    found = {}
    done = workers.done_in_any_order(
        end_first_times, tasks, split=lambda task: [(task[0], run) for run in runs_of(task[1])]
    )
    for (_, numbers), result in done:
        found |= dict(zip(numbers, result or [None] * len(numbers), strict=True))
    workers.close()
    # Tried side by side, alone in its group, and then twice alone: it lives at the fifth attempt.
    assert found == {n: 2 * n for n in range(20)}
    assert os.path.getsize(tmp_path / "3") == 2 + DEATHS_TO_SET_ASIDE
    # Of its group those before it are tried as often as groups are, then alone.
    assert os.path.getsize(tmp_path / "2") == 3
    assert os.path.getsize(tmp_path / "4") == 1


def end_always(task: range) -> list[int]:
    os.kill(os.getpid(), signal.SIGKILL)
    return []


@pytest.mark.campaign
def test_workers_that_survive_nothing_end_the_work(monkeypatch):
    monkeypatch.setattr("feedsim.executors.HOPELESS", 2)
    workers = Workers(2)
    with pytest.raises(WorkersGone, match="no worker survived"):
        done_by(workers, end_always, groups(1000, 1))
    workers.close(at_once=True)


class Unpicklable:
    """Ends whatever process unpickles it, as a script without a guard does."""

    def __reduce__(self):
        return os._exit, (1,)


def test_workers_that_cannot_begin_are_told_of(monkeypatch):
    def with_a_bad_start(jobs):
        context = multiprocessing.get_context("spawn")
        from concurrent.futures import ProcessPoolExecutor

        return ProcessPoolExecutor(jobs, context, print, (Unpicklable(),))

    monkeypatch.setattr("feedsim.executors._processes", with_a_bad_start)
    workers = Workers(2)
    with pytest.raises(WorkersGone, match="__main__"):
        done_by(workers, double, groups(10))
    workers.close(at_once=True)


def sleep_long(task: range) -> list[int]:
    time.sleep(60)
    return []


def test_workers_are_ended_at_once_at_a_long_task():
    workers = Workers(2)
    done = workers.done_in_any_order(lambda_free_nap, groups(4, 1), split=runs_of)
    assert next(done)[1] == [0]  # they have begun
    workers_alive = multiprocessing.active_children()
    assert workers_alive
    started = time.monotonic()
    workers.close(at_once=True)
    assert time.monotonic() - started < 3
    assert not any(process.is_alive() for process in workers_alive)


def lambda_free_nap(task: range) -> list[int]:
    """The first run is short, the others long."""
    return sleep_long(task) if task[0] else [0]


@pytest.mark.campaign
@pytest.mark.parametrize("at_once", [True, False])
def test_a_worker_that_dies_when_all_is_done_does_not_keep_the_others(at_once):
    # An idle worker may hold the lock that the others wait for: which of them is a matter of luck.
    for victim in (0, 1):
        workers = Workers(2)
        assert len(done_by(workers, nap, groups(8, 1))) == 8
        idle = multiprocessing.active_children()
        assert len(idle) == 2
        os.kill(idle[victim].pid, signal.SIGKILL)
        started = time.monotonic()
        workers.close(at_once=at_once)
        assert time.monotonic() - started < 3
        assert not any(process.is_alive() for process in idle)


def nap(task: range) -> list[int]:
    time.sleep(0.05)
    return double(task)


class Farewell:
    """A result that has its worker killed while the worker still writes it."""

    def __reduce__(self):
        threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGKILL)).start()
        return bytes, ()


def farewell_at_3(task: range) -> list[object]:
    return [bytes(100_000_000), Farewell()] if 3 in task else double(task)


@pytest.mark.campaign
def test_a_worker_that_dies_within_a_message_is_not_waited_for(monkeypatch):
    monkeypatch.setattr("feedsim.executors.PATIENCE_S", 0.3)
    workers = Workers(2)
    found = done_by(workers, farewell_at_3, groups(10, 1))
    workers.close()
    assert found == {n: None if n == 3 else 2 * n for n in range(10)}


class RandomKiller:
    """Kills a worker whenever so many more shifts are done, some 20 times in a study."""

    def __init__(self, kills: int, shifts: int, victims) -> None:
        self.luck = random.Random(kills)
        self.left = sorted(self.luck.sample(range(shifts * 9 // 10), kills))
        self.kills = 0
        self.victims = victims

    def __call__(self, done: int, asked: int) -> None:
        while self.left and done >= self.left[0]:
            alive = self.victims()
            if not alive:
                return  # at the next call
            time.sleep(self.luck.uniform(0, 0.02))
            try:
                os.kill(self.luck.choice(alive), signal.SIGKILL)
            except ProcessLookupError:
                continue
            self.left.pop(0)
            self.kills += 1


def pool_workers() -> list[int]:
    return [process.pid for process in multiprocessing.active_children() if process.is_alive()]


@pytest.mark.campaign
@pytest.mark.parametrize(("kills", "replications"), [(3, 40), (20, 200)])
def test_random_deaths_lose_nothing(kills, replications, monkeypatch):
    monkeypatch.setattr(study, "TASK_S", 0.02)
    killer = RandomKiller(kills, 2 * replications, pool_workers)
    found = hash_with(replications, jobs=2, progress=killer)
    assert killer.kills == kills
    assert found == hash_with(replications)


class Forgetful(ThreadPoolExecutor):
    """Loses the first tasks that it is given, without a word."""

    def __init__(self, loses: int) -> None:
        super().__init__(2)
        self.loses = loses

    def submit(self, fn, /, *args, **kwargs):
        if self.loses:
            self.loses -= 1
            return Future()
        return super().submit(fn, *args, **kwargs)


def test_a_task_that_a_cluster_loses_is_asked_for_again(monkeypatch):
    monkeypatch.setattr("feedsim.executors.PATIENCE_S", 0.05)
    monkeypatch.setattr("feedsim.executors.STALL_S", 0.1)
    monkeypatch.setattr(study, "TASK_S", 0.01)
    found = []
    with Forgetful(loses=5) as executor:
        asking = threading.Thread(
            target=lambda: found.append(hash_with(jobs=2, executor=executor)), daemon=True
        )
        asking.start()
        asking.join(60)
        assert executor.loses == 0
    assert found == [hash_with()]
