"""Groups of commands, listed without importing any."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click


class LazyGroup(click.Group):
    """Commands whose modules are imported when they are called.

    Parameters
    ----------
    meanings : mapping of str to str
        What each command does, by its name, in the order in which they are listed.
    modules : str
        Before a command's name and `_command`, the name of the module that has it as `command`.
    """

    def __init__(
        self, *args: Any, meanings: Mapping[str, str], modules: str, **attributes: Any
    ) -> None:
        super().__init__(*args, **attributes)
        self._meanings = meanings
        self._modules = modules

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, in the order in which a user meets them."""
        return list(self._meanings)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command's module."""
        if cmd_name not in self._meanings:
            return None
        module = import_module(f"{self._modules}{cmd_name}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self._meanings.items()))
