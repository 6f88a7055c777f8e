"""A dask cluster that simulates: many machines, for a study that is too long for one."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, NamedTuple

from feedsim.mistakes import Mistake
from feedsim.version import program

if TYPE_CHECKING:
    from distributed import Client

PATIENCE_S = 10
_ADDRESS = re.compile(r"((tcp|tls|ws|wss)://)?([\w.-]+|\[[0-9a-fA-F:.]+\]):(\d{1,5})")
_TALKATIVE = ("distributed", "distributed.client", "distributed.core", "tornado", "asyncio")


class ClusterError(Mistake):
    """A cluster that cannot be worked with."""


class Cluster(NamedTuple):
    """Workers on other machines, by the one seam, and how many tasks they do at once."""

    executor: Executor
    cores: int


@contextmanager
def executor_at(address: str) -> Iterator[Cluster]:
    """Work on the dask cluster whose scheduler is at an address; it goes on without us.

    Parameters
    ----------
    address : str
        Such as "tcp://host:8786".

    Yields
    ------
    Cluster

    Raises
    ------
    ClusterError
        If dask is not installed, nobody answers there within some seconds, the cluster has no
        workers, or they have no feedsim.
    """
    place = _ADDRESS.fullmatch(address)
    if place is None or not 0 < int(place[4]) < 65536:
        raise ClusterError(
            f"--dask: {address[:100]!r} is no address, allowed: that of a scheduler, such as "
            "tcp://host:8786"
        )
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError(
            "--dask: needs dask, which is not installed, allowed: --jobs, or install it: "
            "pip install 'feedsim[cluster]'"
        ) from error
    with _quiet():
        try:
            client = Client(address, timeout=PATIENCE_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise ClusterError(
                f"--dask: no dask scheduler answers at {address} within {PATIENCE_S} s, allowed: "
                "the address that the scheduler tells when it starts"
            ) from error
        try:
            cores = _cores(client, address)
            yield Cluster(client.get_executor(pure=False), cores)
        finally:
            # A scheduler that has gone cannot take leave.
            with suppress(Exception):
                client.close(timeout=1)


def _cores(client: Client, address: str) -> int:
    """How many tasks the workers do at once, each of them with a feedsim that can be imported."""
    with suppress(TimeoutError):
        client.wait_for_workers(1, timeout=PATIENCE_S)
    found = client.run(program, on_error="return")
    if not found:
        raise ClusterError(
            f"--dask: the cluster at {address} has no workers, allowed: one with at least one"
        )
    for worker, answer in found.items():
        if isinstance(answer, Exception):
            raise ClusterError(
                f"--dask: the worker at {worker} has no feedsim that works ({answer}), allowed: "
                "the same feedsim and numpy on all workers"
            )
    cores: dict[str, int] = client.nthreads()
    return max(1, sum(cores.values()))


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep what dask logs away from who reads the answer: what matters comes as an error."""
    loggers = [logging.getLogger(name) for name in _TALKATIVE]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)
