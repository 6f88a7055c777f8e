"""Values asked for that do not go with the config, told of the option that asked for them."""

from __future__ import annotations

from dataclasses import replace

from feedsim.config import ConfigError


def misfit_text(asked: str, error: ConfigError) -> str:
    """The first problem of a config with other values, behind what was asked for."""
    problem = error.problems[0]
    return f"{asked}: {problem.key}: {problem.message}"


def misfit_error(asked: str, error: ConfigError) -> ConfigError:
    """All problems of a config with other values, under what was asked for: no file holds them."""
    return ConfigError([replace(problem, file=asked, line=None) for problem in error.problems])
