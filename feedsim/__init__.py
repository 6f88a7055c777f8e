"""Discrete-event simulation of bag feeding on packing machines.

Everything that the command line does is a function here::

    import feedsim

    config = feedsim.load_config("configs/oats_slider.toml")
    result = feedsim.capacity(config, [50, 100, 150], jobs=2)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from feedsim.version import VERSION

if TYPE_CHECKING:
    from feedsim.answers.capacity import CapacityResult, capacity
    from feedsim.answers.run import RunResult, run
    from feedsim.cell import Cell, build_cell
    from feedsim.config import Config, ConfigError, load_config, parse_config

__version__ = VERSION

_HOMES = {
    "CapacityResult": "feedsim.answers.capacity",
    "capacity": "feedsim.answers.capacity",
    "RunResult": "feedsim.answers.run",
    "run": "feedsim.answers.run",
    "Cell": "feedsim.cell",
    "build_cell": "feedsim.cell",
    "Config": "feedsim.config",
    "ConfigError": "feedsim.config",
    "load_config": "feedsim.config",
    "parse_config": "feedsim.config",
}

__all__ = [
    "CapacityResult",
    "Cell",
    "Config",
    "ConfigError",
    "RunResult",
    "__version__",
    "build_cell",
    "capacity",
    "load_config",
    "parse_config",
    "run",
]


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: `feedsim --help` needs none of it."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'feedsim' has no attribute {name!r}")
