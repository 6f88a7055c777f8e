"""`feedsim fit`: inputs of the model from a plant's records."""

from __future__ import annotations

from importlib import import_module

import click

SUBCOMMANDS = {
    "picks": "a film model from pick trials: the chance of each fault, and how sure it is",
    "stops": "stations from a stop log: how often, how long, by which distribution",
}


class Fits(click.Group):
    """Subcommands whose modules are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """What can be fitted."""
        return list(SUBCOMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a subcommand's module."""
        if cmd_name not in SUBCOMMANDS:
            return None
        command: click.Command = import_module(f"feedsim.cli.fit_{cmd_name}_command").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUBCOMMANDS.items()))


@click.group("fit", cls=Fits)
def command() -> None:
    """Fit inputs of the model to a plant's own records, each with its uncertainty.

    \b
    Examples:
      feedsim fit picks configs/data/pick_trials.csv
      feedsim fit stops configs/data/stops.csv --windows configs/data/shifts.csv
    """
