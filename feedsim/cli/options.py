"""Options that commands share."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from feedsim.answers.precision import Precision
    from feedsim.config import Config

CONFIG = click.argument("config_path", metavar="CONFIG", type=click.Path(path_type=Path))
SET = click.option(
    "--set",
    "overrides",
    multiple=True,
    metavar="KEY=VALUE",
    help="Override a key, e.g. machine.magazine.capacity_bags=300 (every machine) or "
    "machine[1].speed_per_min=40 (the second). May be given several times.",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead.")
ALLOW_LARGE = click.option(
    "--allow-large", is_flag=True, help="Lift the limit on the size of a study."
)


@dataclass(frozen=True)
class StudyOptions:
    """What study commands are asked for alike."""

    config_path: Path
    config: Config
    jobs: int
    engine: str
    dask: str | None
    precision: Precision | None
    budget: int | None
    out: Path | None
    as_json: bool
    allow_large: bool
    command_line: list[str]


def study_command(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a study, handed on as one `StudyOptions`."""

    def wrapped(
        *,
        config_path: Path,
        overrides: tuple[str, ...],
        replications: int | None,
        confidence: float | None,
        seed: int | None,
        jobs: int | None,
        engine: str,
        dask: str | None,
        precision: tuple[str, ...],
        budget: int | None,
        out: Path | None,
        as_json: bool,
        allow_large: bool,
        **rest: Any,
    ) -> Any:
        given = {"replications": replications, "confidence": confidence, "seed": seed}
        options = StudyOptions(
            config_path,
            _load(config_path, overrides, {k: v for k, v in given.items() if v is not None}),
            jobs or os.cpu_count() or 1,
            engine,
            dask,
            _precision(precision, budget),
            budget,
            out,
            as_json,
            allow_large,
            ["feedsim", *sys.argv[1:]],
        )
        return command(options, **rest)

    functools.update_wrapper(wrapped, command)  # its own options come along
    for option in reversed(
        [
            CONFIG,
            SET,
            click.option("--replications", type=int, help="Shifts to simulate of each setting."),
            click.option(
                "--precision",
                multiple=True,
                metavar="MEASURE=HALF_WIDTH",
                help="Take replications until the interval is as narrow: oee=0.005 (absolute for "
                "shares and OEE parts), visits_per_h=0.02 (a part of the value for the rest).",
            ),
            click.option(
                "--budget",
                type=click.IntRange(1, 10_000_000),
                help="The most replications that a setting may take for a precision or a target.",
            ),
            click.option("--confidence", type=float, help="Of the intervals, e.g. 0.95."),
            click.option("--seed", type=int, help="Of the random streams, 0 or more."),
            click.option(
                "--jobs",
                type=click.IntRange(1, 1024),
                help="Processes to work in (default: one a core). The answer is the same.",
            ),
            click.option(
                "--engine",
                type=click.Choice(["auto", "simpy", "compiled"]),
                default="auto",
                show_default=True,
                help="What simulates: the SimPy model, or its compiled twin, much faster in large "
                "studies. The answer is the same.",
            ),
            click.option(
                "--dask",
                metavar="ADDRESS",
                help="Work on the dask cluster whose scheduler is there, e.g. tcp://host:8786.",
            ),
            click.option(
                "--out",
                type=click.Path(path_type=Path),
                help="The folder to write (default: one under outputs/, named by the study).",
            ),
            JSON,
            ALLOW_LARGE,
        ]
    ):
        wrapped = option(wrapped)
    return wrapped


def _load(path: Path, overrides: tuple[str, ...], short: dict[str, float]) -> Config:
    """Load a config; what is wrong with an option of its own is told under that option."""
    from feedsim.config import ConfigError, load_config

    keys = {f"study.{name}": f"--{name}" for name in short}
    try:
        return load_config(path, [*overrides, *(f"study.{k}={v}" for k, v in short.items())])
    except ConfigError as error:
        problems = [
            replace(problem, file=keys[problem.key]) if problem.key in keys else problem
            for problem in error.problems
        ]
        raise ConfigError(problems) from error


def _precision(goals: tuple[str, ...], budget: int | None) -> Precision | None:
    from feedsim.answers.precision import BUDGET, Precision, parse_goal

    if not goals:
        return None
    return Precision(tuple(parse_goal(goal) for goal in goals), budget or BUDGET)
