"""Who does the work of a study command: processes or a cluster, a store to go on from, a bar."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from feedsim.cli.options import StudyOptions
from feedsim.cli.screen import talk

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from feedsim.folder import StudyFolder
    from feedsim.study import Progress, Work


@contextmanager
def working(folder: StudyFolder, options: StudyOptions) -> Iterator[Work]:
    """Give a study its workers, the folder's store and a progress bar, then close them all.

    However it ends, what is finished is kept, and whoever ends it is told how to go on.
    """
    from feedsim.study import Work

    with (
        folder.store as store,
        _cluster(options) as (executor, jobs),
        progress_bar(folder.command, quiet=options.as_json) as progress,
    ):
        try:
            yield Work(
                jobs=jobs,
                engine=options.engine,
                executor=executor,
                store=store,
                allow_large=options.allow_large,
                progress=progress,
                say=talk,
            )
        except BaseException:
            if len(store):
                talk(
                    f"Stopped with {len(store):,} shifts kept in {folder.path}: the same command "
                    "goes on from there."
                )
            raise


@contextmanager
def _cluster(options: StudyOptions) -> Iterator[tuple[Executor | None, int]]:
    """The cluster's executor, if one is asked for, and how many tasks are done at once."""
    if options.dask is None:
        yield None, options.jobs
        return
    from feedsim.cluster import executor_at

    with executor_at(options.dask) as cluster:
        yield cluster.executor, cluster.cores


@contextmanager
def progress_bar(title: str, of: str = "shifts", *, quiet: bool) -> Iterator[Progress | None]:
    """A progress bar on stderr, where somebody looks at it."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(of),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
