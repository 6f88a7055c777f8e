"""`feedsim capacity`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from feedsim.cli.options import StudyOptions, progress_bar, study_command

if TYPE_CHECKING:
    from feedsim.answers.capacity import CapacityResult
    from feedsim.answers.rows import Row

MOST_VALUES = 1_000


def parse_bags(text: str) -> list[int]:
    """Capacities from "100:600:50" (the end included) or "100,150,200"."""
    wrong = click.UsageError(
        f"--bags: {text[:60]!r} is not understood, allowed: first:last:step or a list of whole "
        "numbers above 0, such as 100:600:50 or 100,150,200"
    )
    try:
        if ":" in text:
            first, last, step = (int(part) for part in text.split(":"))
            if step < 1 or last < first:
                raise wrong
            values = range(first, last + 1, step)
        else:
            values = [int(part) for part in text.split(",")]  # type: ignore[assignment]
    except ValueError as error:
        raise wrong from error
    if len(values) > MOST_VALUES:
        raise click.UsageError(
            f"--bags: {text[:60]!r} names {len(values):,} capacities, allowed: at most "
            f"{MOST_VALUES:,}"
        )
    if min(values) < 1:
        raise wrong
    return list(values)


def parse_rounds(text: str) -> list[float]:
    """Round intervals in minutes from "2,5,10"."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError as error:
        raise click.UsageError(
            f"--rounds: {text[:60]!r} is not understood, allowed: minutes in a list, such as 2,5,10"
        ) from error
    return list(dict.fromkeys(values))


@click.command("capacity")
@study_command
@click.option("--bags", metavar="VALUES", help="Bags per lane: 100:600:50 or 100,150,200.")
@click.option("--machine", metavar="NAME", help="Vary this machine table only (default: all).")
@click.option("--rounds", metavar="MINUTES", help="Also over round intervals, e.g. 2,5,10.")
def command(
    options: StudyOptions, bags: str | None, machine: str | None, rounds: str | None
) -> None:
    """Simulate CONFIG over magazine capacities: OEE and its parts, dry time, visits.

    All capacities meet the same luck, so that the curve is smooth, and each step to the next
    capacity has its own interval. By default ten capacities around the config's, in bundles.

    \b
    Examples:
      feedsim capacity configs/oats_slider.toml
      feedsim capacity configs/oats_slider.toml --bags 50:300:25
      feedsim capacity configs/oats_slider.toml --bags 50,100,200 --rounds 2,5,10
    """
    from feedsim.answers.capacity import capacity, capacity_settings
    from feedsim.answers.rows import notes_on
    from feedsim.cli.screen import say_json, say_notes, talk
    from feedsim.cli.study_output import (
        CAUTION,
        document,
        open_folder,
        planning_notes,
        write_figures,
        write_tables,
    )
    from feedsim.plots.capacity import capacity_figure
    from feedsim.study import refuse_absurd

    values = parse_bags(bags) if bags is not None else None
    intervals = parse_rounds(rounds) if rounds is not None else []
    settings = capacity_settings(options.config, values, intervals, machine)
    if not options.allow_large:
        refuse_absurd([setting.cell for setting in settings], options.config.study.replications)
    folder = open_folder(
        "capacity", options, {"bags": values, "rounds": intervals, "machine": machine}
    )
    with progress_bar("capacity", quiet=options.as_json) as progress:
        result = capacity(
            options.config,
            values,
            rounds=intervals,
            machine=machine,
            jobs=options.jobs,
            allow_large=options.allow_large,
            progress=progress,
        )
    notes = [*planning_notes(options), *notes_on(result.rows)]
    if options.as_json:
        own = {"capacity": result.answer_json()}
        say_json(document("capacity", result.rows, notes, own))
    else:
        for interval in result.rounds:
            click.echo(answer(result, interval))
        _say_tables(result)
        say_notes([*notes, CAUTION])
    write_tables(folder, result.results, result.rows)
    tables = options.config.machine
    own_capacity = tables[0].magazine.lane_capacity_bags if len(tables) == 1 else None
    figures = {"capacity": capacity_figure(result.results, own_capacity=own_capacity)}
    plans = result.results.settings[0].cell.machines
    if len(plans) > 1:
        for number, plan in enumerate(plans, start=1):
            figures[f"capacity-machine-{number}"] = capacity_figure(
                result.results, machine=plan.name
            )
    write_figures(folder, figures)
    talk(f"Written to {folder.path}")


def answer(result: CapacityResult, interval: object) -> str:
    """The answer in one sentence: where the curve levels off, and what it costs in visits."""
    from feedsim.answers.capacity import ROUNDS, levels_off_at
    from feedsim.cli.screen import number, percent

    curve = result.curve(None, interval)  # type: ignore[arg-type]
    knee = levels_off_at(curve)
    last = curve[-1]
    lead = f"With rounds every {interval:g} min " if ROUNDS in last.setting else ""
    head = "OEE " if not lead else lead + "OEE "
    confidence = f"{last.confidence:.0%} confidence, {last.replications} shifts"
    if len(curve) == 1:
        return f"{head}is {percent(last['oee'])} at {result.capacity_bags(last)} bags per lane ({confidence})."
    if knee is last:
        step = result.steps(last)["oee"]
        return (
            f"{head}still rises at {result.capacity_bags(last)} bags per lane: "
            f"{percent(last['oee'])} there, the last step brought {number(_points(step), 2)} "
            f"points ({confidence})."
        )
    gain = "nothing larger adds half a point"
    return (
        f"{head}levels off at {result.capacity_bags(knee)} bags per lane: {percent(knee['oee'])}, "
        f"{gain} up to {result.capacity_bags(last)} ({confidence}); there, somebody comes "
        f"{number(knee['refill_visits_per_h'])} times an hour to refill."
    )


def _points(step):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    return replace(step, value=step.value * 100, low=step.low * 100, high=step.high * 100)


COLUMNS = (
    ("OEE %", "oee", 100, 1),
    ("avail. %", "availability", 100, 1),
    ("perf. %", "performance", 100, 1),
    ("quality %", "quality", 100, 2),
    ("dry %", "dry_share", 100, 2),
    ("blocked %", "blocked_share", 100, 2),
    ("refills/h", "refill_visits_per_h", 1, 2),
    ("faults/h", "fault_visits_per_h", 1, 2),
    ("bags/refill", "bags_per_refill", 1, 0),
    ("crew busy %", "crew_busy", 100, 1),
)


def _say_tables(result: CapacityResult) -> None:
    from feedsim.answers.capacity import ROUNDS
    from feedsim.cli.screen import cell, say_table

    machines = [plan.name for plan in result.results.settings[0].cell.machines]
    for machine in [None, *(machines if len(machines) > 1 else [])]:
        title = "whole cell" if machine is None and len(machines) > 1 else machine or machines[0]
        for interval in result.rounds:
            curve = result.curve(machine, interval)
            columns = [c for c in COLUMNS if c[1] in curve[0].figures]
            rounds = f", rounds every {interval:g} min" if ROUNDS in curve[0].setting else ""
            say_table(
                f"{title}{rounds} (value ± half-width of the interval)",
                ("bags/lane", *(c[0] for c in columns), "OEE step, points"),
                [
                    (
                        str(result.capacity_bags(row)),
                        *(cell(row[name], scale, digits) for _, name, scale, digits in columns),
                        _step(result, row),
                    )
                    for row in curve
                ],
            )
    click.echo("OEE step: paired difference to the next smaller capacity, on the same luck.")


def _step(result: CapacityResult, row: Row) -> str:
    from feedsim.cli.screen import cell

    steps = result.steps(row)
    return cell(steps["oee"], 100, 2) if steps else ""
