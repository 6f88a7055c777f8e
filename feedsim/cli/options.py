"""Options that commands share."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import isnan, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from feedsim.answers.precision import Precision
    from feedsim.config import Config

Option = Callable[[Callable[..., Any]], Callable[..., Any]]

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
# Their ranges are the config's: one declaration for the option, the key and --set.
REPLICATIONS = click.option("--replications", type=int, help="Shifts to simulate of each setting.")
STUDY_CONFIDENCE = click.option("--confidence", type=float, help="Of the intervals, e.g. 0.95.")
STUDY_SEED = click.option("--seed", type=int, help="Of the random streams, 0 or more.")


class NumberRange(click.FloatRange):
    """Numbers between two ends; click's own range lets pass what is no number at all."""

    def __init__(self, least: float, most: float, *, is_open: bool = False) -> None:
        super().__init__(least, most, min_open=is_open, max_open=is_open)
        self._words = (
            f"above {least:,}, below {most:,}" if is_open else f"from {least:,} to {most:,}"
        )

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number, if it lies between the ends."""
        try:
            found = float(super().convert(float(value), param, ctx))
        except (ValueError, click.BadParameter):
            found = nan
        if isnan(found):
            option = f"{param.opts[0]}: " if param is not None else ""
            raise click.UsageError(f"{option}must be a number {self._words}, is {value}")
        return found


def confidence_option(told: str = "Of the intervals.") -> Option:
    """`--confidence` of a command that reads no config."""
    return click.option(
        "--confidence",
        type=NumberRange(0, 1, is_open=True),
        default=0.95,
        show_default=True,
        help=told,
    )


def seed_option(told: str) -> Option:
    """`--seed` of a command that reads no config."""
    return click.option(
        "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help=told
    )


def out_option(default: str) -> Option:
    """`--out`, and which folder is written without it."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        help=f"The folder to write (default: {default}).",
    )


def jobs_option(found: str) -> Option:
    """`--jobs`, and what does not depend on it."""
    return click.option(
        "--jobs",
        type=click.IntRange(1, 1024),
        help=f"Processes to work in (default: one a core). The {found} the same.",
    )


def engine_option(told: str) -> Option:
    """`--engine`."""
    return click.option(
        "--engine",
        type=click.Choice(["auto", "simpy", "compiled"]),
        default="auto",
        show_default=True,
        help=told,
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
            load_told(config_path, overrides, given),
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
    for option in reversed(_study_options()):
        wrapped = option(wrapped)
    return wrapped


def _study_options() -> list[Option]:
    return [
        CONFIG,
        SET,
        REPLICATIONS,
        click.option(
            "--precision",
            multiple=True,
            metavar="MEASURE=HALF_WIDTH",
            help="Take replications until the interval is as narrow: oee=0.005 (absolute for "
            "shares and OEE parts), visits_per_h=0.02 (a part of the value for the rest). Not for "
            "decisions about targets, which take what they need.",
        ),
        click.option(
            "--budget",
            type=click.IntRange(1, 10_000_000),
            help="The most replications that a setting may take for a precision or a target.",
        ),
        STUDY_CONFIDENCE,
        STUDY_SEED,
        jobs_option("answer is"),
        engine_option(
            "What simulates: the SimPy model, or its compiled twin, much faster in large "
            "studies. The answer is the same."
        ),
        click.option(
            "--dask",
            metavar="ADDRESS",
            help="Work on the dask cluster whose scheduler is there, e.g. tcp://host:8786.",
        ),
        out_option("one under outputs/, named by the study"),
        JSON,
        ALLOW_LARGE,
    ]


def load_told(
    path: Path, overrides: tuple[str, ...], options: Mapping[str, float | None]
) -> Config:
    """Load a config with options that are keys of its study table, as far as they are given.

    What is wrong with one of them is told under that option.
    """
    from feedsim.config import ConfigError, load_config

    short = {name: value for name, value in options.items() if value is not None}
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
