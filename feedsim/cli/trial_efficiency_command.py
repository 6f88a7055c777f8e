"""`feedsim trial efficiency`."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.options import StudyOptions, study_command
from feedsim.cli.trial_options import chance_text
from feedsim.labels import given_percent, label_of

if TYPE_CHECKING:
    from feedsim.answers.trial_efficiency import EfficiencyResult, Point


@click.command("efficiency")
@study_command
@click.option("--hours", type=float, required=True, help="Length of a run, after the warm-up.")
@click.option("--target", type=float, required=True, help="Efficiency to be reached, e.g. 0.85.")
@click.option(
    "--runs",
    type=int,
    default=1,
    show_default=True,
    help="Runs of a trial, judged by the figure over all of them.",
)
@click.option(
    "--measure",
    default="oee",
    show_default=True,
    metavar="oee|availability",
    help="What is judged.",
)
@click.option("--machine", metavar="NAME", help="Judge this machine (default: the whole cell).")
@click.option(
    "--leave-out",
    multiple=True,
    metavar="STATION",
    help="A station that is no part of what is tried: its stops do not happen. May be repeated.",
)
@click.option("--good", type=float, help="True efficiency of a line that should pass.")
@click.option("--bad", type=float, help="True efficiency of a line that should not pass.")
@click.option(
    "--producer-risk", type=float, help="The most that a good line may fail with (0.1 with --bad)."
)
@click.option(
    "--consumer-risk",
    type=float,
    default=0.05,
    show_default=True,
    help="The most that a bad line may pass with.",
)
def command(
    options: StudyOptions,
    hours: float,
    target: float,
    runs: int,
    measure: str,
    machine: str | None,
    leave_out: tuple[str, ...],
    good: float | None,
    bad: float | None,
    producer_risk: float | None,
    consumer_risk: float,
) -> int:
    """Find the chance that CONFIG's line passes an efficiency run of some hours.

    Luck decides a short run: the curve shows how often lines pass over their true efficiency,
    which is varied by how often the stations stop. With --bad the fewest runs are looked for that
    keep both risks: that a good line (--good, or the config's own) fails, that a bad one passes.
    At least 400 runs of each line are simulated, unless --replications says otherwise. Exit
    code 1: no trial keeps the risks, or the line fails more often than a stated --producer-risk.

    \b
    Examples:
      feedsim trial efficiency configs/oats_slider.toml --hours 8 --target 0.75
      feedsim trial efficiency configs/oats_slider.toml --hours 8 --target 0.75 --bad 0.65
      feedsim trial efficiency configs/granola_mono_film.toml --hours 4 --target 0.7 --runs 3
    """
    from feedsim.answers.trial_efficiency import (
        BUDGET,
        EfficiencyTrial,
        run_config,
        trial_efficiency,
    )
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder, refuse_precision
    from feedsim.cli.working import working
    from feedsim.plots.trial_efficiency import efficiency_figure

    refuse_precision(options)
    trial = EfficiencyTrial(
        target,
        hours,
        runs,
        measure,
        machine,
        leave_out,
        good,
        bad,
        0.1 if producer_risk is None else producer_risk,
        consumer_risk,
    )
    own, _ = run_config(options.config, hours)
    stated = ("study", "replications") in options.config.origin.set_paths
    replications = options.config.study.replications if stated else None
    budget = options.budget or BUDGET
    told = {
        "hours": hours,
        "target": target,
        "runs": runs,
        "measure": measure,
        "machine": machine,
        "leave_out": list(leave_out),
        "good": good,
        "bad": bad,
        "risks": [trial.producer_risk, consumer_risk],
        "replications": replications,
        "budget": budget,
    }
    folder = open_folder("trial-efficiency", options, told, [build_cell(own)])
    with working(folder, options) as work:
        result = trial_efficiency(
            options.config, trial, replications=replications, budget=budget, work=work
        )
    folder.write_frames("curve.csv", [result.frame()])
    folder.write_frames("trials.csv", [result.values_frame()])
    found = StudyAnswer(
        result.results,
        result.rows,
        list(answer(result)),
        partial(say_tables, result),
        list(notes_of(result)),
        {"trial": result.answer_json()},
        met=is_met(result, producer_risk is not None),
    )
    figures = {"trial_efficiency": efficiency_figure(result, headline(result))}
    return deliver(folder, options, found, figures)


def is_met(result: EfficiencyResult, is_stated: bool) -> bool:
    """Whether what was asked for is kept; `is_stated`: the producer's risk was."""
    asked = result.trial
    if asked.bad is not None:
        return result.length is not None
    if not is_stated:
        return True
    passes = (result.good or result.own).passes
    return passes.at_least(result.alpha) >= 1 - asked.producer_risk


def headline(result: EfficiencyResult) -> str:
    """The finding in a few words, for a figure's title."""
    asked, own = result.trial, result.own
    name = label_of(asked.measure).text
    return (
        f"A line of a true {name} of {_percent(own.efficiency.value)} passes "
        f"{_trial(asked.runs, asked.hours)} at {given_percent(asked.target)} with a chance of "
        f"{chance_text(own.passes.value)}"
    )


def answer(result: EfficiencyResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    asked, own = result.trial, result.own
    name = label_of(asked.measure).text
    of = f" of {asked.machine}" if asked.machine else ""
    yield (
        f"The line's true {name}{of} is {_efficiency(own)}; it passes "
        f"{_trial(asked.runs, asked.hours)} at {given_percent(asked.target)} with a chance of "
        f"{_passes(own)} ({given_percent(result.results.confidence)} confidence, "
        f"{own.passes.trials:,} trials)."
    )
    if len(own.values) > 1:
        import numpy as np

        low, high = np.quantile(own.values, [0.05, 0.95])
        yield (f"Nine in ten such trials bring an {name} of {_percent(low)} to {_percent(high)}.")
    for what, point in (("good", result.good), ("bad", result.bad)):
        if point is not None:
            yield (
                f"A {what} line, of a true {name} of {_efficiency(point)} (stops "
                f"{point.factor:.3g} times as frequent), passes with a chance of {_passes(point)}."
            )
    if asked.bad is not None:
        yield _length_answer(result)


def _length_answer(result: EfficiencyResult) -> str:
    asked, length = result.trial, result.length
    if length is not None:
        return (
            f"{_trial(length.runs, asked.hours).capitalize()} keeps both risks: the good line "
            f"fails with {chance_text(length.good_fails.value)} (at most "
            f"{chance_text(length.good_fails_at_most)}), the bad one passes with "
            f"{chance_text(length.bad_passes.value)} (at most "
            f"{chance_text(length.bad_passes_at_most)}); fewer runs are not shown to."
        )
    good = result.good or result.own
    if good.efficiency.value <= asked.target:
        name = label_of(asked.measure).text
        return (
            f"No trial keeps both risks: the good line's own {name} is below the target, so a "
            "longer trial fails it the more surely. State a --good above the target."
        )
    return (
        "No trial within the budget is shown to keep both risks: the good and the bad line lie too "
        "close to the target (see --budget)."
    )


def _trial(runs: int, hours: float) -> str:
    if runs == 1:
        return f"a run of {hours:g} h"
    return f"a trial of {runs} runs of {hours:g} h"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _efficiency(point: Point) -> str:
    from feedsim.cli.screen import percent

    return percent(point.efficiency)


def _passes(point: Point) -> str:
    passes = point.passes
    return f"{chance_text(passes.value)} ({100 * passes.low:.1f} to {100 * passes.high:.1f})"


def say_tables(result: EfficiencyResult) -> None:
    """Say the tables below the answer."""
    from feedsim.cli.screen import cell, say_table

    asked = result.trial
    say_table(
        f"The chance to pass {_trial(asked.runs, asked.hours)} at {given_percent(asked.target)}",
        (
            f"true {label_of(asked.measure).heading}",
            "stops, times the config's",
            "passes",
            "from",
            "to",
        ),
        [
            (
                cell(point.efficiency, 100),
                f"{point.factor:.3g}" + (" (config)" if point.factor == 1 else ""),
                chance_text(point.passes.value),
                chance_text(point.passes.low),
                chance_text(point.passes.high),
            )
            for point in result.points
        ],
    )


def notes_of(result: EfficiencyResult) -> Iterator[str]:
    """What a reader must know of the figures."""
    if len(result.points) == 1:
        yield "No station of the line stops, so its true efficiency is not varied."
    else:
        yield (
            "The true efficiency is varied by how often the stations stop; how long stops last, "
            "mis-picks and people stay as the config says."
        )
    if result.trial.runs > 1:
        yield "The runs of a trial are separate: each begins primed, after the warm-up."
    if result.calendar:
        yield f"Left out, since the run is over by then: {', '.join(result.calendar)}."
    inside = len(result.config.planned_stop) + len(result.config.crew.breaks) - len(result.calendar)
    if inside:
        yield (
            f"{inside} of the config's breaks and planned stops lie within the run; contracts "
            "often exclude them."
        )
    if result.length is not None:
        yield (
            "Each risk's limit is one-sided at half of the study's risk; it does not count that "
            "several lengths were looked at."
        )
