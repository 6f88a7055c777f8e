"""`feedsim capacity`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.inputs_option import inputs_option, ranges
from feedsim.cli.number_lists import parse_bags, parse_rounds
from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.capacity import CapacityResult
    from feedsim.answers.rows import Row
    from feedsim.study import Value


@click.command("capacity")
@study_command
@click.option("--bags", metavar="VALUES", help="Bags per lane: 100:600:50 or 100,150,200.")
@click.option("--machine", metavar="NAME", help="Vary this machine table only (default: all).")
@click.option("--rounds", metavar="MINUTES", help="Also over round intervals, e.g. 2,5,10.")
@inputs_option
def command(
    options: StudyOptions,
    bags: str | None,
    machine: str | None,
    rounds: str | None,
    input_sets: int | None,
) -> int:
    """Simulate CONFIG over magazine capacities: OEE and its parts, dry time, visits.

    All capacities meet the same luck, so that the curve is smooth, and each step to the next
    capacity has its own interval. By default ten capacities around the config's, in bundles.

    \b
    Examples:
      feedsim capacity configs/oats_slider.toml
      feedsim capacity configs/oats_slider.toml --bags 50:300:25
      feedsim capacity configs/oats_slider.toml --bags 50,100,200 --rounds 2,5,10
    """
    from feedsim.answers.capacity import capacity, capacity_settings, default_bags
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder
    from feedsim.cli.working import working

    config = options.config
    values = sorted(set(parse_bags(bags))) if bags is not None else default_bags(config, machine)
    intervals = parse_rounds(rounds) if rounds is not None else []
    settings = capacity_settings(config, values, intervals, machine)
    folder = open_folder(
        "capacity",
        options,
        {"bags": values, "rounds": intervals, "machine": machine},
        [setting.cell for setting in settings],
        input_sets,
    )
    with working(folder, options) as work:
        result = capacity(
            config,
            values,
            rounds=intervals,
            machine=machine,
            work=work,
            precision=options.precision,
        )
        inputs = ranges(
            config, lambda c: capacity_settings(c, values, intervals, machine), input_sets, work
        )
    found = StudyAnswer(
        result.results,
        result.rows,
        [answer(result, interval) for interval in result.rounds],
        partial(say_tables, result),
        _rounding(result, values),
        {"capacity": result.answer_json()},
        result.shortfalls,
        inputs=inputs,
    )
    return deliver(folder, options, found, _figures(result))


def _rounding(result: CapacityResult, values: Sequence[int]) -> list[str]:
    """Which of the capacities asked for were rounded up to whole bundles."""
    studied = {plan.capacity_bags for s in result.results.settings for plan in s.cell.machines}
    rounded = [str(value) for value in values if value not in studied]
    if not rounded:
        return []
    shown = ", ".join(rounded[:6]) + (" ..." if len(rounded) > 6 else "")
    return [f"Capacities were rounded up to whole bundles of each machine: {shown}."]


def _figures(result: CapacityResult) -> dict[str, Figure]:
    """The whole cell's figure, and one a machine where there are several."""
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import figure_files
    from feedsim.plots.capacity import capacity_figure

    cell = build_cell(result.config)
    own = {plan.name: plan.capacity_bags for plan in cell.machines}
    alike = set(own.values())
    return {
        file: capacity_figure(
            result.results,
            machine=name,
            own_capacity=own[name] if name else min(alike) if len(alike) == 1 else None,
            title=result.headline(name),
        )
        for name, file in figure_files("capacity", cell, own).items()
    }


def answer(result: CapacityResult, interval: Value | None) -> str:
    """The answer in one sentence: where the curve levels off, and what it costs in visits."""
    from feedsim.cli.screen import number, percent, sureness

    found = result.finding(None, interval)
    level, last = found.level, found.last
    head = "OEE" if interval is None else f"With rounds every {interval:g} min, OEE"
    sure = sureness(last.confidence, last.replications)
    of = f" of {result.machine}" if result.machine else ""
    at = f"at {result.asked_bags(level)} bags per lane{of}"
    visits = f"there, somebody comes {number(level['refill_visits_per_h'])} times an hour to refill"
    if not found.is_judged:
        return f"{head} is {percent(last['oee'])} {at} ({sure}); {visits}."
    if found.may_rise:
        step = result.steps(last)["oee"]
        told = f"{head} may still rise {at}: {percent(last['oee'])} there ({sure}), of which the "
        told += f"last step brought {number(step, 2, scale=100)} points; {visits}."
        unsure = step.low < 0 < step.high
        return f"{told} More shifts would tell whether it still rises." if unsure else told
    told = (
        f"{head} reaches {percent(level['oee'])} {at}, and nothing larger, up to "
        f"{result.asked_bags(last)}, adds half a point ({sure}); {visits}."
    )
    if found.falls:
        change = found.change
        lost = number(change["oee"], 1, scale=100)
        told += f" At {result.asked_bags(last)} it is {percent(last['oee'])}, {lost} points"
        longer = change["wait_share"].low > 0
        told += ": long refills keep stops waiting for somebody." if longer else "."
    return told


STEP = "step"
TABLES = (
    ("oee", STEP, "dry_share", "wait_share", "refill_visits_per_h", "fault_visits_per_h"),
    ("availability", "performance", "quality", "blocked_share", "bags_per_refill", "crew_busy"),
)


def say_tables(result: CapacityResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.rows import WHOLE_CELL
    from feedsim.cli.screen import FEW, WAITING, say_unseen

    machines = [plan.name for plan in result.results.settings[0].cell.machines]
    titles: dict[str | None, str] = {None: WHOLE_CELL if len(machines) > 1 else machines[0]}
    titles |= {name: name for name in machines if len(machines) > 1}
    for machine, title in titles.items():
        if not result.is_varied(machine):
            continue
        for interval in result.rounds:
            rounds = "" if interval is None else f", rounds every {interval:g} min"
            for columns in TABLES if machine is None else TABLES[:1]:
                _say_table(f"{title}{rounds}", columns, result, result.curve(machine, interval))
    names = [name for columns in TABLES for name in columns]
    shown = [row[name] for row in result.rows for name in names if name in row.figures]
    if any(found.few_events for found in shown):
        click.echo(FEW)
    say_unseen(shown)
    click.echo(
        "Values ± half-width of the interval. Step: paired difference of OEE to the next smaller "
        f"capacity, on the same luck. {WAITING}"
    )


def _say_table(
    title: str, columns: Sequence[str], result: CapacityResult, curve: Sequence[Row]
) -> None:
    from feedsim.cli.screen import changed, measured, say_table
    from feedsim.labels import label_of

    def entry(row: Row, name: str) -> str:
        if name == STEP:
            return changed("oee", result.steps(row).get("oee"), empty="")
        return measured(name, row.get(name))

    say_table(
        title,
        (
            "bags/lane",
            *("step, points" if name == STEP else label_of(name).heading for name in columns),
        ),
        [
            (str(result.capacity_bags(row)), *(entry(row, name) for name in columns))
            for row in curve
        ],
    )
