"""Discrete-event simulation of bag feeding on packing machines.

Everything that the command line does is a function here::

    import feedsim

    config = feedsim.load_config("configs/oats_slider.toml")
    result = feedsim.capacity(config, [50, 100, 150], work=feedsim.Work(jobs=2))
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from feedsim.version import VERSION

if TYPE_CHECKING:
    from feedsim.answers.capacity import CapacityResult, capacity
    from feedsim.answers.compare import CompareResult, compare
    from feedsim.answers.film import FilmResult, film_study
    from feedsim.answers.money import Worth, worth
    from feedsim.answers.precision import Goal, Precision
    from feedsim.answers.rounds import RoundsResult, rounds
    from feedsim.answers.run import RunResult, run
    from feedsim.answers.sweep import SweepResult, sweep
    from feedsim.cell import Cell, build_cell
    from feedsim.config import Config, ConfigError, load_config, parse_config
    from feedsim.study import Work

__version__ = VERSION

_HOMES = {
    "CapacityResult": "feedsim.answers.capacity",
    "capacity": "feedsim.answers.capacity",
    "CompareResult": "feedsim.answers.compare",
    "compare": "feedsim.answers.compare",
    "FilmResult": "feedsim.answers.film",
    "film_study": "feedsim.answers.film",
    "RoundsResult": "feedsim.answers.rounds",
    "rounds": "feedsim.answers.rounds",
    "RunResult": "feedsim.answers.run",
    "run": "feedsim.answers.run",
    "SweepResult": "feedsim.answers.sweep",
    "sweep": "feedsim.answers.sweep",
    "Worth": "feedsim.answers.money",
    "worth": "feedsim.answers.money",
    "Cell": "feedsim.cell",
    "build_cell": "feedsim.cell",
    "Config": "feedsim.config",
    "ConfigError": "feedsim.config",
    "load_config": "feedsim.config",
    "parse_config": "feedsim.config",
    "Goal": "feedsim.answers.precision",
    "Precision": "feedsim.answers.precision",
    "Work": "feedsim.study",
}

__all__ = [
    "CapacityResult",
    "Cell",
    "CompareResult",
    "Config",
    "ConfigError",
    "FilmResult",
    "Goal",
    "Precision",
    "RoundsResult",
    "RunResult",
    "SweepResult",
    "Work",
    "Worth",
    "__version__",
    "build_cell",
    "capacity",
    "compare",
    "film_study",
    "load_config",
    "parse_config",
    "rounds",
    "run",
    "sweep",
    "worth",
]


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: `feedsim --help` needs none of it."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'feedsim' has no attribute {name!r}")
