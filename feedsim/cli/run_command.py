"""`feedsim run`."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from feedsim.answers.run import RunResult


@click.command("run")
@study_command
def command(options: StudyOptions) -> int:
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

    folder = open_folder("run", options, {}, [build_cell(options.config)])
    with working(folder, options) as work:
        result = run(options.config, work=work, precision=options.precision)
    found = StudyAnswer(
        result.results,
        result.rows,
        [answer(result)],
        partial(_say_tables, result),
        shortfalls=result.shortfalls,
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


LEAST_SHOWN = 5e-5
PER_WINDOW = "in the window"

MEASURES = (
    ("OEE", "oee", 100, 1, "%"),
    ("availability", "availability", 100, 1, "%"),
    ("performance", "performance", 100, 1, "%"),
    ("quality", "quality", 100, 2, "%"),
    ("good packs", "packs_per_h", 1, 0, "/h"),
    ("rejected packs", "rejected_packs", 1, 1, PER_WINDOW),
    ("bags wasted", "bags_wasted", 1, 1, PER_WINDOW),
    ("lost pockets", "lost_pockets", 1, 1, PER_WINDOW),
    ("dry", "dry_share", 100, 2, "% of time"),
    ("blocked", "blocked_share", 100, 2, "% of time"),
    ("stopped and waiting for an operator", "wait_share", 100, 2, "% of time"),
    ("refill visits", "refill_visits_per_h", 1, 2, "/h"),
    ("fault visits", "fault_visits_per_h", 1, 2, "/h"),
    ("bags per refill visit", "bags_per_refill", 1, 1, "bags"),
    ("crew busy", "crew_busy", 100, 1, "%"),
)


def _say_tables(result: RunResult) -> None:
    from feedsim.cli.screen import FEW, cell, say_table, say_unseen
    from feedsim.losses import losses
    from feedsim.measures import HOUR_US

    rows = result.rows if len(result.rows) > 2 else result.rows[-1:]
    cell_plan = result.results.settings[0].cell
    window_h = (cell_plan.shift_us - cell_plan.warm_up_us) / HOUR_US
    shown = [(row, name) for row in rows for _, name, *_ in MEASURES if name in row.figures]
    say_table(
        "Measures (value ± half-width of the interval)",
        ("", *(row.title for row in rows), ""),
        [
            (
                label,
                *(cell(row.get(name), scale, digits) for row in rows),
                f"in {window_h:g} h" if unit is PER_WINDOW else unit,
            )
            for label, name, scale, digits, unit in MEASURES
        ],
        FEW if any(row[name].few_events for row, name in shown) else "",
    )
    say_unseen(row[name] for row, name in shown)
    setting, sums = result.results.settings[0], result.results.sums[0]
    for plan, machine_sums in zip(setting.cell.machines, sums.machines, strict=True):
        row = next(row for row in result.rows if row.machine == plan.name)
        found = [
            loss
            for loss in losses(machine_sums, plan, row.confidence)
            if abs(loss.share.value) >= LEAST_SHOWN
        ]
        say_table(
            f"Where the planned busy time of {plan.name} goes (in 8 h of it)",
            ("cause", "% of time", "min in 8 h", "stops/h"),
            [
                (
                    loss.label,
                    cell(loss.share, 100, 2),
                    f"{loss.minutes:,.1f}",
                    cell(row.get(f"stops_{loss.name}_per_h"), 1, 2, empty=""),
                )
                for loss in found
            ],
            FEW if any(loss.share.few_events for loss in found) else "",
        )
