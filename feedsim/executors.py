"""Where the shifts of a study are simulated: in this process, or in several.

The one seam is `concurrent.futures.Executor`; whatever has its shape can be passed in.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from typing import Any, Generic, NamedTuple, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

AHEAD = 2
DEATHS_TO_SET_ASIDE = 3
STARTS = 3
HOPELESS = 10
PATIENCE_S = 5
STALL_S = 30


class WorkersGone(RuntimeError):
    """Nobody is left to work: an executor that was given has broken, or workers do not live."""


class HereExecutor(Executor):
    """Does each task when it is submitted, in the process that submits it."""

    def submit(self, fn: Callable[..., Result], /, *args: Any, **kwargs: Any) -> Future[Result]:
        """Do a task at once; an interrupt is not the task's."""
        future: Future[Result] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


class Suspect(NamedTuple, Generic[Task]):
    """A task whose worker died, and how often it did so while the task was alone."""

    task: Task
    deaths: int = 0


class Workers:
    """Whoever does the tasks of a study: this process, several, threads, or an executor given.

    When a worker dies, what is done is kept, and each task that was under way is suspected: it is
    done again with a worker to itself, one after the other. One that kills there is split into
    single runs, and a single run that has killed three times is set aside. So a death costs time,
    and only what cannot be done is not done.

    Parameters
    ----------
    jobs : int
        Tasks done at once.
    executor : Executor, optional
        Where to work instead; it is left open.
    """

    def __init__(self, jobs: int = 1, executor: Executor | None = None) -> None:
        self.jobs = jobs
        self._given = executor
        self._own: Executor | None = None
        self._own_kind = (0, False)
        self._under_way: dict[Future[Any], Any] = {}
        self._set_aside_in_a_row = 0

    def done_in_any_order(
        self,
        do: Callable[[Task], Result],
        tasks: Sequence[Task],
        *,
        split: Callable[[Task], Sequence[Task]],
        in_threads: bool = False,
    ) -> Iterator[tuple[Task, Result | None]]:
        """Yield tasks with their results as they are done.

        Parameters
        ----------
        do : callable
            Does a task; it and the tasks can be pickled.
        tasks : sequence
        split : callable
            Gives the single runs of a task: itself alone if it is one.
        in_threads : bool
            Whether threads do, where no executor was given: for tasks that leave Python alone.

        Yields
        ------
        (task, result)
            The result is None for a single run that no worker survived. A task that was split
            comes as its single runs.

        Raises
        ------
        WorkersGone
            If workers end before they do anything, or an executor that was given has broken.
        Exception
            Whatever a task raises.
        """
        fresh, suspects = deque(tasks), deque[Suspect[Task]]()
        try:
            while fresh or suspects:
                yield from self._side_by_side(do, fresh, suspects, in_threads)
                if suspects:
                    self.close()
                while suspects:
                    yield from self._alone(do, suspects, split, in_threads)
        finally:
            self._cancel()

    def close(self, *, at_once: bool = False) -> None:
        """End own workers.

        Parameters
        ----------
        at_once : bool
            Whether not to wait for threads, which end after the task at hand. Processes are
            killed in any case: all that they have done is here.
        """
        self._cancel()
        own, self._own = self._own, None
        if isinstance(own, ProcessPoolExecutor):
            _kill(own)
            own.shutdown()
        elif own is not None:
            own.shutdown(wait=not at_once, cancel_futures=True)

    def _cancel(self) -> None:
        """Take back what nobody has begun."""
        for future in self._under_way:
            # A pool that breaks stumbles over futures that somebody else has cancelled.
            if not isinstance(self._own, ProcessPoolExecutor):
                future.cancel()
        self._under_way.clear()

    def _side_by_side(
        self,
        do: Callable[[Task], Result],
        fresh: deque[Task],
        suspects: deque[Suspect[Task]],
        in_threads: bool,
    ) -> Iterator[tuple[Task, Result]]:
        """Do fresh tasks until a worker dies; those under way then are suspected."""
        while self._under_way or (fresh and not suspects):
            if not suspects:
                self._submit_some(do, fresh, in_threads)
            for future in self._some_done(do):
                if future not in self._under_way:
                    continue
                task = self._forget(future)
                if self._has_died(future):
                    suspects.append(Suspect(task))
                else:
                    self._set_aside_in_a_row = 0
                    yield task, future.result()

    def _submit_some(
        self, do: Callable[[Task], Result], fresh: deque[Task], in_threads: bool
    ) -> None:
        """Keep the workers busy, without asking far ahead for what an interrupt would waste."""
        executor = self._executor(in_threads)
        most = 1 if isinstance(executor, HereExecutor) else AHEAD * self.jobs
        while fresh and len(self._under_way) < most:
            try:
                future = self._submit(executor, do, fresh[0])
            except BrokenExecutor:
                # A worker died meanwhile: what was under way has told so, or is about to.
                self._close_broken()
                return
            self._under_way[future] = fresh.popleft()

    def _alone(
        self,
        do: Callable[[Task], Result],
        suspects: deque[Suspect[Task]],
        split: Callable[[Task], Sequence[Task]],
        in_threads: bool,
    ) -> Iterator[tuple[Task, Result | None]]:
        """Do a suspect while nothing else is done, so that a death is its own."""
        task, deaths = suspects.popleft()
        future = self._submit_alone(do, task, in_threads)
        self._under_way[future] = task
        future = next(iter(self._some_done(do)))
        self._forget(future)
        if not self._has_died(future):
            self._set_aside_in_a_row = 0
            yield task, future.result()
            return
        self._close_broken()
        single_runs = split(task)
        if len(single_runs) > 1:
            suspects.extendleft(Suspect(run) for run in reversed(single_runs))
        elif deaths + 1 < DEATHS_TO_SET_ASIDE:
            suspects.appendleft(Suspect(task, deaths + 1))
        else:
            self._give_up_if_hopeless()
            yield task, None

    def _forget(self, future: Future[Any]) -> Any:
        """Take a task off what is under way, however often it was asked for."""
        task = self._under_way.pop(future)
        for other in [f for f, asked in self._under_way.items() if asked is task]:
            del self._under_way[other]
            other.cancel()
        return task

    def _ask_again(self, do: Callable[[Any], Any]) -> None:
        """Ask anew for all that is under way: a cluster can lose a task together with a worker.

        Whoever is first answers; a task gives the same result however often it is done.
        """
        assert self._given is not None
        tasks = {id(task): task for task in self._under_way.values()}
        for task in tasks.values():
            self._under_way[self._submit(self._given, do, task)] = task

    def _some_done(self, do: Callable[[Any], Any]) -> set[Future[Any]]:
        """Wait for what is under way."""
        waited_s, stall_s = 0, STALL_S
        while True:
            done = wait(self._under_way, PATIENCE_S, return_when=FIRST_COMPLETED).done
            if done or not self._under_way:
                return done
            waited_s += PATIENCE_S
            if self._given is not None and waited_s >= stall_s:
                self._ask_again(do)
                waited_s, stall_s = 0, 2 * stall_s
            own = self._own
            if isinstance(own, ProcessPoolExecutor) and _has_dead(own):
                # It died within a message, and whoever reads that waits for its rest.
                _kill(own)

    def _give_up_if_hopeless(self) -> None:
        self._set_aside_in_a_row += 1
        if self._set_aside_in_a_row >= HOPELESS:
            raise WorkersGone(
                f"no worker survived any of the last {HOPELESS} runs, three attempts each: is "
                "there memory enough?"
            )

    def _submit_alone(
        self, do: Callable[[Task], Result], task: Task, in_threads: bool
    ) -> Future[Result]:
        """Submit a task to a worker that is known to live."""
        for _ in range(STARTS):
            try:
                executor = self._executor(in_threads, alone=True)
                if self._given is None:
                    executor.submit(os.getpid).result()
                return self._submit(executor, do, task)
            except BrokenExecutor:
                self._close_broken()
        raise WorkersGone(
            "worker processes end before they do anything: a script that works in several needs "
            'if __name__ == "__main__" around what it does; one job does without them'
        )

    def _submit(
        self, executor: Executor, do: Callable[[Task], Result], task: Task
    ) -> Future[Result]:
        try:
            return executor.submit(do, task)
        except Exception as error:
            if self._given is None:
                raise
            raise _broken(error) from error

    def _has_died(self, future: Future[Any]) -> bool:
        """Whether the worker of a task ended instead of the task."""
        try:
            error = future.exception()
        except CancelledError as cancelled:
            raise _broken(cancelled) from cancelled
        if not isinstance(error, BrokenExecutor):
            return _tells_of_a_killed_worker(error)
        if self._given is None:
            return True
        raise _broken(error) from error

    def _executor(self, in_threads: bool, *, alone: bool = False) -> Executor:
        if self._given is not None:
            return self._given
        kind = (1 if alone else self.jobs, in_threads)
        if self._own is None or self._own_kind != kind:
            self.close()
            self._own = _processes(1) if alone else executor_for(self.jobs, in_threads=in_threads)
            self._own_kind = kind
        return self._own

    def _close_broken(self) -> None:
        """End a pool that has broken, and leave what was under way there to tell of it."""
        own, self._own = self._own, None
        if isinstance(own, ProcessPoolExecutor):
            _kill(own)
            own.shutdown()


def executor_for(jobs: int, *, in_threads: bool = False) -> Executor:
    """An executor with so many processes, or threads; with one job, this process itself."""
    if jobs == 1:
        return HereExecutor()
    return ThreadPoolExecutor(jobs) if in_threads else _processes(jobs)


def _processes(jobs: int) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=_follow_the_driver)


def _kill(pool: ProcessPoolExecutor) -> None:
    """Kill a pool's processes, and let it know.

    Asked to end in peace, a pool one of whose workers has just died can wait for ever: for the
    rest of a message, or for a worker that waits for a lock that the dead one holds.
    """
    for process in list((pool._processes or {}).values()):
        process.kill()
    # Its last writer gone, whoever reads results there learns that there will be no more.
    results: Any = pool._result_queue
    if results is not None:
        results._writer.close()


def _has_dead(pool: ProcessPoolExecutor) -> bool:
    sentinels = [process.sentinel for process in (pool._processes or {}).values()]
    return bool(multiprocessing.connection.wait(sentinels, timeout=0))


def _tells_of_a_killed_worker(error: BaseException | None) -> bool:
    """Whether a dask cluster gave a task up because its workers died."""
    # Such an error can only be there if the module is.
    scheduler = sys.modules.get("distributed.scheduler")
    return scheduler is not None and isinstance(error, scheduler.KilledWorker)


def _broken(error: BaseException) -> WorkersGone:
    told = "it took tasks back" if isinstance(error, CancelledError) else str(error)
    reason = told.strip().splitlines()[:1] or [type(error).__name__]
    return WorkersGone(f"the executor that was given does no more work ({reason[0][:200]})")


def _follow_the_driver() -> None:
    """Leave Ctrl-C, which reaches every process of a terminal, to the driver; end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_driver, daemon=True).start()


def _end_with_the_driver() -> None:
    driver = multiprocessing.parent_process()
    if driver is not None:
        driver.join()
        os._exit(1)
