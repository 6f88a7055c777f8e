"""`feedsim fit`: inputs of the model from a plant's records."""

from __future__ import annotations

import click

from feedsim.cli.lazy_group import LazyGroup

SUBCOMMANDS = {
    "picks": "a film model from pick trials: the chance of each fault, and how sure it is",
    "stops": "stations from a stop log: how often, how long, by which distribution",
}


@click.group("fit", cls=LazyGroup, meanings=SUBCOMMANDS, modules="feedsim.cli.fit_")
def command() -> None:
    """Fit inputs of the model to a plant's own records, each with its uncertainty.

    \b
    Examples:
      feedsim fit picks configs/data/pick_trials.csv
      feedsim fit stops configs/data/stops.csv --windows configs/data/shifts.csv
    """
