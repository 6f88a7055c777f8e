"""`feedsim trial`: acceptance trials before and after."""

from __future__ import annotations

import click

from feedsim.cli.lazy_group import LazyGroup

SUBCOMMANDS = {
    "plan": "how many picks show a rate, how many faults they may have, and whom that passes",
    "result": "what so many faults in so many picks show, and what would settle an open result",
    "efficiency": "the chance that a line passes an efficiency run, by simulation",
}


@click.group("trial", cls=LazyGroup, meanings=SUBCOMMANDS, modules="feedsim.cli.trial_")
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
