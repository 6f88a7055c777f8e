"""Where the shifts of a study are simulated: in this process, or in several.

The one seam is `concurrent.futures.Executor`; whatever has its shape can be passed in.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from itertools import islice
from typing import Any, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


class HereExecutor(Executor):
    """Does each task when it is submitted, in the process that submits it."""

    def submit(self, fn: Callable[..., Result], /, *args: Any, **kwargs: Any) -> Future[Result]:
        """Do a task at once; what it raises is raised."""
        future: Future[Result] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def executor_for(jobs: int, *, in_threads: bool = False) -> Executor:
    """An executor with so many processes, or threads; with one job, this process itself."""
    if jobs == 1:
        return HereExecutor()
    if in_threads:
        return ThreadPoolExecutor(jobs)
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=_follow_the_driver)


def _follow_the_driver() -> None:
    """Leave Ctrl-C, which reaches every process of a terminal, to the driver; end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_driver, daemon=True).start()


def _end_with_the_driver() -> None:
    driver = multiprocessing.parent_process()
    if driver is not None:
        driver.join()
        os._exit(1)


def done_in_any_order(
    executor: Executor, ahead: int, do: Callable[[Task], Result], tasks: Iterable[Task]
) -> Iterator[tuple[Task, Result]]:
    """Yield tasks with their results as they are done.

    Parameters
    ----------
    executor : Executor
    ahead : int
        Tasks submitted at a time: few, so that an interrupt has little to wait for.
    do : callable
    tasks : iterable
    """
    left = iter(tasks)
    submitted: dict[Future[Result], Task] = {}
    while True:
        for task in islice(left, ahead - len(submitted)):
            submitted[executor.submit(do, task)] = task
        if not submitted:
            return
        for future in wait(submitted, return_when=FIRST_COMPLETED).done:
            yield submitted.pop(future), future.result()
