"""`feedsim run`."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.inputs_option import inputs_option, ranges
from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from feedsim.answers.run import RunResult


@click.command("run")
@study_command
@inputs_option
def command(options: StudyOptions, input_sets: int | None) -> int:
    """Simulate CONFIG: OEE and its parts, losses by cause, visits, people.

    Prints the answer and tables, and writes a folder with the config, replications.csv,
    summary.csv and the loss breakdown as PNG and SVG.

    \b
    Examples:
      feedsim run configs/oats_slider.toml
      feedsim run configs/granola_three_machines.toml --replications 100 --set crew.operators=2
    """
    from feedsim.answers.run import run
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder
    from feedsim.cli.working import working
    from feedsim.plots.losses import loss_breakdown
    from feedsim.study import Setting

    config = options.config
    folder = open_folder("run", options, {}, [build_cell(config)], input_sets)
    with working(folder, options) as work:
        result = run(config, work=work, precision=options.precision)
        inputs = ranges(config, lambda c: [Setting({}, build_cell(c))], input_sets, work)
    found = StudyAnswer(
        result.results,
        result.rows,
        [answer(result)],
        partial(say_tables, result),
        shortfalls=result.shortfalls,
        inputs=inputs,
    )
    return deliver(folder, options, found, {"losses": loss_breakdown(result.results)})


def answer(result: RunResult) -> str:
    """The answer in one sentence."""
    from feedsim.cli.screen import number, percent, sureness

    row = result.cell
    told = (
        f"OEE is {percent(row['oee'])} ({sureness(row.confidence, row.replications)}): "
        f"{number(row['packs_per_h'], 0)} good packs an hour"
    )
    if "crew_busy" in row.figures:
        told += (
            f"; somebody comes {number(row['visits_per_h'])} times an hour"
            f" and the crew is busy {percent(row['crew_busy'])} of its time"
        )
    return told + "."


MEASURES = (
    *("oee", "availability", "performance", "quality"),
    *("packs_per_h", "rejected_packs", "bags_wasted", "lost_pockets"),
    *("dry_share", "blocked_share", "wait_share"),
    *("refill_visits_per_h", "fault_visits_per_h", "bags_per_refill", "crew_busy"),
)


def say_tables(result: RunResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.rows import row_of
    from feedsim.cli.cell_tables import say_losses, say_measures
    from feedsim.cli.screen import FEW, WAITING, say_unseen
    from feedsim.losses import losses
    from feedsim.measures import HOUR_US

    rows = result.rows if len(result.rows) > 2 else result.rows[-1:]
    setting, sums = result.results.settings[0], result.results.sums[0]
    window_h = (setting.cell.shift_us - setting.cell.warm_up_us) / HOUR_US
    say_measures(rows, MEASURES, FEW, counted=f"in {window_h:g} h")
    say_unseen(row[name] for row in rows for name in MEASURES if name in row.figures)
    click.echo(WAITING)
    for plan, machine_sums in zip(setting.cell.machines, sums.machines, strict=True):
        row = row_of(result.rows, plan.name)
        title = f"Where the planned busy time of {plan.name} goes (in 8 h of it)"
        say_losses(title, losses(machine_sums, plan, row.confidence), row, FEW)
