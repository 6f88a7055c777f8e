"""The options that state targets."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from feedsim.answers.targets import Target

_OPTIONS = {
    "oee": "OEE must reach this share, e.g. 0.78.",
    "dry_share": "Dry time may be at most this share of planned busy time, e.g. 0.01.",
    "visits_per_h": "A machine may have at most so many visits an hour, all kinds together.",
    "packs_per_h": "Good packs an hour that a machine must reach.",
    "crew_busy": "The crew may be busy at most this share of its time, e.g. 0.85.",
}


def target_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that state targets, handed on as one list, `targets`."""

    def wrapped(*args: Any, **rest: Any) -> Any:
        from feedsim.answers.targets import Target

        stated = {name: rest.pop(name) for name in _OPTIONS}
        targets = [Target(name, value) for name, value in stated.items() if value is not None]
        return command(*args, targets=targets, **rest)

    functools.update_wrapper(wrapped, command)
    for name, told in reversed(_OPTIONS.items()):
        option = click.option("--" + name.replace("_", "-"), name, type=float, help=told)
        wrapped = option(wrapped)
    return wrapped


def targets_told(targets: list[Target]) -> dict[str, float]:
    """The targets as options that alter results."""
    return {target.measure: target.value for target in targets}
