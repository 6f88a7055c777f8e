"""The inputs of a study that its config did not state: defaults, options, planning values."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from feedsim.config import Config, ConfigError, dump_toml, parse_config
from feedsim.config.problems import show
from feedsim.film import FAULTS, PLANNING_SOURCE
from feedsim.pages.finished_study import FinishedStudy
from feedsim.pages.page import shown

GIVEN, RESOLVED = "config.toml", "resolved.toml"
# A page is made from the study's folder alone: a config that names files finds none of them.
NOWHERE = Path(os.devnull) / "nowhere"
DEFAULT, OPTION = "default", "option of the command"
# Tables that say one thing together.
_WHOLE = ("family", "material", "modulus_GPa", "loading")

# Key, value, where it is from.
Input = tuple[str, str, str]


def config_of(study: FinishedStudy) -> Config | None:
    """The config as resolved; None where there is none, or this program cannot read it."""
    if RESOLVED not in study.texts:
        return None
    try:
        return parse_config(study.texts[RESOLVED], RESOLVED, NOWHERE)
    except ConfigError:
        return None


def unstated_inputs(study: FinishedStudy) -> list[Input]:
    """Inputs that the config as given does not state so."""
    text = study.texts.get(GIVEN, "")
    stated, resolved = _flat(text), _flat(study.texts.get(RESOLVED, ""))
    try:
        # Times and films may be spelled in several ways: in the resolved spelling they compare.
        alone = _flat(dump_toml(parse_config(text, GIVEN, NOWHERE)))
    except ConfigError:
        # It names files that only its own folder has: options cannot be told from spelling.
        alone = {}
    return [
        (shown(key), show(value), DEFAULT if alone.get(key, value) == value else OPTION)
        for key, value in resolved.items()
        if not _is_stated(key, stated) or alone.get(key, value) != value
    ]


def _is_stated(key: str, stated: Mapping[str, Any]) -> bool:
    """Whether a config says it, if only by the name of a file that does."""
    ends = [place for place, sign in enumerate(key) if sign in ".["]
    return key in stated or any(key[:end] in stated for end in ends)


def planning_inputs(config: Config) -> list[Input]:
    """Chances of faults that come from planning values, as they were simulated."""
    return [
        (
            f"{shown(machine.name)}: chance of {fault} per pick attempt",
            f"{chance:.3g}",
            PLANNING_SOURCE,
        )
        for machine in config.machine
        if machine.bag.chance_source == "planning"
        for fault, chance in zip(
            FAULTS, machine.bag.chances(machine.pick.mouth_opener), strict=True
        )
    ]


def _flat(text: str) -> dict[str, Any]:
    try:
        return dict(_leaves(tomllib.loads(text), ""))
    except (ValueError, RecursionError):
        return {}


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping) and not any(key in value for key in _WHOLE):
        for key, below in value.items():
            yield from _leaves(below, f"{path}.{key}" if path else key)
    elif isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value):
        if any(key in value[0] for key in _WHOLE):
            yield path, value
            return
        for number, below in enumerate(value):
            yield from _leaves(below, f"{path}[{number}]")
    else:
        yield path, value
