"""`feedsim trial`: acceptance trials before and after."""

from __future__ import annotations

from importlib import import_module

import click

SUBCOMMANDS = {
    "plan": "how many picks show a rate, how many faults they may have, and whom that passes",
    "result": "what so many faults in so many picks show, and what would settle an open result",
    "efficiency": "the chance that a line passes an efficiency run, by simulation",
}


class Trials(click.Group):
    """Subcommands whose modules are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Before a trial, after it, and for a run of hours."""
        return list(SUBCOMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a subcommand's module."""
        if cmd_name not in SUBCOMMANDS:
            return None
        command: click.Command = import_module(f"feedsim.cli.trial_{cmd_name}_command").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUBCOMMANDS.items()))


@click.group("trial", cls=Trials)
def command() -> None:
    """Plan an acceptance trial, and judge its result.

    A rate of faults per pick is shown by counting (plan, result), an efficiency by running the
    line for hours (efficiency). Exit code 1: a stated contract is not shown to be met, or cannot
    be.

    \b
    Examples:
      feedsim trial plan --rate 0.005 --true-rate 0.002
      feedsim trial result --faults 1 --picks 500 --rate 0.005
      feedsim trial efficiency configs/oats_slider.toml --hours 8 --target 0.75
    """
