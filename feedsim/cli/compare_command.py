"""`feedsim compare`."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.answers.loss_words import spoken
from feedsim.cli.inputs_option import (
    inputs_option_unchecked,
    say_cost,
    say_gains,
    say_ranges,
    sentence,
)
from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.compare import CompareResult, LossChange, Pair
    from feedsim.answers.compare_inputs import CompareInputs
    from feedsim.config import Config

SHOWN_LOSSES = 15
LEAST_SHOWN = 5e-5
NEARLY_SURE = 0.999
B_ARGUMENT = click.argument(
    "other_path", metavar="[CONFIG_B]", required=False, type=click.Path(path_type=Path)
)


@click.command("compare")
@study_command
@inputs_option_unchecked
@B_ARGUMENT
@click.option(
    "--set-b",
    "other_overrides",
    multiple=True,
    metavar="KEY=VALUE",
    help="Override a key of B only (--set: of both). Without CONFIG_B, B is CONFIG with these.",
)
def command(
    options: StudyOptions,
    other_path: Path | None,
    other_overrides: tuple[str, ...],
    input_sets: int | None,
) -> int:
    """Compare CONFIG (A) with CONFIG_B (B) on the same luck: what differs, and how surely.

    Every difference is B minus A, paired shift by shift, with its own interval; losses that
    changed stand first. Seed, replications and confidence are A's, or the options'.
    --precision is one of each config's own figures. With --inputs uncertain the range of the
    expected differences is told too; where A and B rest on one fit they draw the same from it.

    \b
    Examples:
      feedsim compare configs/oats_slider.toml --set-b machine.magazine.capacity_bags=200
      feedsim compare configs/oats_slider.toml configs/granola_mono_film.toml
      feedsim compare configs/granola_mono_film.toml --set-b crew.operators=2 --replications 100
    """
    from feedsim.answers.compare import compare, compare_settings
    from feedsim.answers.compare_inputs import compare_over_inputs, unknowns_of_pair
    from feedsim.cli.screen import talk
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder
    from feedsim.cli.working import working
    from feedsim.config import dump_toml, warnings_of

    if other_path is None and not other_overrides:
        raise click.UsageError(
            "CONFIG_B: is missing, allowed: a second config, or --set-b KEY=VALUE to change the "
            "first"
        )
    other_path = other_path or options.config_path
    other = _load_other(other_path, options.config, other_overrides)
    resolved = dump_toml(other).encode()
    cells = [setting.cell for setting in compare_settings(options.config, other)]
    told: dict[str, Any] = {
        "config_b": other_path.name,
        "config_b_sha256": hashlib.sha256(resolved).hexdigest(),
    }
    if input_sets is not None:
        unknowns = unknowns_of_pair(options.config, other)
        say_cost(options, cells, len(unknowns), input_sets, of_first=2)
    folder = open_folder("compare", options, told, cells, input_sets)
    folder.write("config-b.toml", other_path.read_bytes())
    folder.write("resolved-b.toml", resolved)
    with working(folder, options) as work:
        result = compare(options.config, other, work=work, precision=options.precision)
        inputs = None
        if input_sets is not None:
            inputs = compare_over_inputs(options.config, other, sets=input_sets, work=work)
    sentences = list(answer(result))
    if inputs is not None:
        sentences += input_sentences(inputs)
    found = StudyAnswer(
        result.results,
        result.rows,
        sentences,
        partial(say_tables, result, inputs),
        [*result.warnings(), *_planning_of_other(result)],
        result.answer_json(),
        result.shortfalls,
        told_inputs=inputs,
    )
    code = deliver(folder, options, found, _figures(result, inputs))
    surprises = len(warnings_of(other))
    if surprises and other_path != options.config_path:
        talk(f"What of B may surprise ({surprises}): feedsim check {other_path}")
    return code


def _load_other(path: Path, config: Config, overrides: tuple[str, ...]) -> Config:
    """Load B with what was set for both; what is wrong is told under the option it came by."""
    from feedsim.config import ConfigError, load_config
    from feedsim.config.overrides import SET

    own = [re.sub(r"\[\d+\]", "", text.partition("=")[0].strip()) for text in overrides]

    def option_of(key: str) -> str:
        plain = re.sub(r"\[\d+\]", "", key)
        if not plain or any(plain.startswith(k) or k.startswith(plain) for k in own if k):
            return "--set-b"
        return f"{SET}, in B ({path.name})"

    try:
        return load_config(path, [*config.origin.overrides, *overrides])
    except ConfigError as error:
        problems = [
            replace(problem, file=option_of(problem.key)) if problem.file == SET else problem
            for problem in error.problems
        ]
        raise ConfigError(problems) from error


def _planning_of_other(result: CompareResult) -> Iterator[str]:
    """What B has of planning values that A has not."""
    from feedsim.cli.study_output import planning_notes

    told = planning_notes(result.config)
    yield from (f"B: {note}" for note in planning_notes(result.other) if note not in told)


def answer(result: CompareResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    yield _difference_text(result)
    changed = [loss for loss in result.losses() if loss.has_changed]
    if changed and not result.same_cell:
        yield _losses_text(result, changed)
    if result.results.replications > 1 and not result.same_cell:
        luck = result.luck_in_words()
        share = result.better.higher_share
        yield f"B had the higher OEE in {100 * share:.0f} % of the shifts.{' ' * bool(luck)}{luck}"


def input_sentences(inputs: CompareInputs) -> Iterator[str]:
    """What the inputs leave open of the difference."""
    yield sentence(inputs, is_difference=True)


def headline(result: CompareResult, machine: str | None = None) -> str:
    """The finding in a few words, for a figure's title."""
    change = result.pair(machine)["oee"]
    whose = "OEE" if machine is None else f"OEE of {machine}"
    if result.same_cell:
        return f"{whose}: A and B are the same cell"
    points = 100 * change.value
    way = "higher" if points > 0 else "lower"
    if not change.low <= change.value <= change.high:
        return f"{whose}, one shift: {abs(points):.1f} points {way} in B"
    if change.low <= 0 <= change.high:
        span = f"{100 * change.low:+.2f} to {100 * change.high:+.2f} points"
        return f"{whose}: no difference of B to A can be told ({span})"
    low, high = sorted((abs(100 * change.low), abs(100 * change.high)))
    told = f"{whose} is {abs(points):.1f} points {way} in B ({low:.1f} to {high:.1f})"
    main = _main_loss(result.losses(machine), points)
    if main is None:
        return told
    return f"{told}; {_part(main, points).lower()}: {spoken(main.label)}"


def _difference_text(result: CompareResult) -> str:
    from feedsim.cli.screen import percent, sureness

    own, other = (result.cell.own["oee"], result.cell.other["oee"])
    change = result.cell["oee"]
    shifts = result.results.replications
    sure = sureness(result.results.confidence, shifts)
    if result.same_cell:
        return f"A and B are the same cell: every difference is 0 ({shifts:,} shifts)."
    if change.value != change.value:
        return "OEE cannot be compared: A or B has no planned busy time."
    both = " against ".join(
        percent(found.estimate(result.results.confidence)) for found in (other, own)
    )
    points = 100 * change.value
    way = "higher" if points > 0 else "lower"
    if change.unseen:
        return f"Neither A nor B made a good pack ({shifts:,} shifts)."
    if shifts == 1:
        return f"In this one shift B's OEE was {abs(points):.1f} points {way}; that proves nothing."
    paired = f"{sure} on the same luck"
    if not result.is_told:
        span = f"{100 * change.low:+.2f} to {100 * change.high:+.2f} points; {paired}"
        return f"No difference in OEE can be told: {span}; {both}. {_sharpness(result)}"
    low, high = sorted((abs(100 * change.low), abs(100 * change.high)))
    return (
        f"B's OEE is {abs(points):.1f} points {way} ({low:.1f} to {high:.1f}; {paired}): {both}; "
        f"{_surer(result)}."
    )


def _surer(result: CompareResult) -> str:
    """Which of the two is the better one, and how surely."""
    confidence = result.better.confidence
    which = "B" if confidence >= 0.5 else "A"
    confidence = max(confidence, 1 - confidence)
    how = f"{100 * confidence:.1f} %"
    if confidence > NEARLY_SURE:
        how = f"more than {100 * NEARLY_SURE:g} %"
    return f"{which} is the better one with {how} confidence (one-sided)"


def _sharpness(result: CompareResult) -> str:
    """What the shifts could have told, or how many would."""
    if result.shifts_to_tell is not None:
        return f"About {result.shifts_to_tell:,} shifts would tell half a point."
    change = result.cell["oee"]
    largest = 100 * max(abs(change.low), abs(change.high))
    return f"More than {largest:.1f} points either way are ruled out."


def _main_loss(losses: Sequence[LossChange], points: float) -> LossChange | None:
    """The changed loss that moved OEE the most in the way it went."""
    with_it = [loss for loss in losses if loss.has_changed and loss.change.value * points < 0]
    return max(with_it, key=lambda loss: abs(loss.change.value), default=None)


def _losses_text(result: CompareResult, changed: Sequence[LossChange]) -> str:
    points = result.cell["oee"].value
    main = _main_loss(changed, points) if result.is_told else None
    if main is not None:
        others = [loss for loss in changed if loss is not main][:2]
        told = f"{_part(main, 100 * points)}: {_loss_text(main)} points"
        return f"{told}; then {', '.join(map(_loss_text, others))}." if others else f"{told}."
    shown = ", ".join(_loss_text(loss) for loss in changed[:3])
    return f"Losses that changed all the same: {shown} points."


def _part(main: LossChange, points: float) -> str:
    """How much of the difference of OEE the loss makes."""
    return "Most of it" if abs(200 * main.change.value) > abs(points) else "Largest part"


def _loss_text(loss: LossChange) -> str:
    return f"{spoken(loss.label)} {100 * loss.change.value:+.2f}"


def _figures(result: CompareResult, inputs: CompareInputs | None) -> dict[str, Figure]:
    """The whole cell's figure, and one a machine where there are several."""
    from feedsim.cli.study_output import figure_files
    from feedsim.plots.compare import compare_figure

    cell = result.results.settings[0].cell
    return {
        file: compare_figure(result, machine, headline(result, machine), inputs)
        for machine, file in figure_files("compare", cell, result.machines).items()
    }


def say_tables(result: CompareResult, inputs: CompareInputs | None = None) -> None:
    """Say the tables below the answer."""
    _say_measures(result)
    if len(result.results.settings[0].cell.machines) > 1 and result.machines:
        _say_machines(result)
    _say_losses(result)
    click.echo(
        "Differences are B minus A ± half-width of their own paired interval, shares in points; "
        "each interval has the stated confidence alone, so of many one may err."
    )
    if inputs is not None:
        _, ranges = inputs.first
        title = "Expected differences over uncertain inputs (B - A)"
        say_ranges(title, ranges, is_difference=True)
        say_gains(inputs)


def _say_measures(result: CompareResult) -> None:
    from feedsim.cli.run_command import MEASURES
    from feedsim.cli.screen import FEW, WAITING, changed, measured, say_table, say_unseen
    from feedsim.labels import label_of

    pair, confidence = result.cell, result.results.confidence
    names = [name for name in MEASURES if name in pair.own]
    shown = [pair[name] for name in names]
    say_table(
        "Measures of the whole cell (value ± half-width of the interval)",
        ("", "A", "B", "B - A", ""),
        [
            (
                label_of(name).text,
                measured(name, pair.own[name].estimate(confidence)),
                measured(name, pair.other[name].estimate(confidence)),
                changed(name, change),
                label_of(name).unit or "in the window",
            )
            for name, change in zip(names, shown, strict=True)
        ],
        FEW if any(found.few_events for found in shown) else "",
    )
    say_unseen(shown)
    click.echo(WAITING)


def _say_machines(result: CompareResult) -> None:
    from feedsim.cli.screen import changed, measured, say_table

    def line(pair: Pair) -> Sequence[str]:
        own, other = (side["oee"].estimate(pair.confidence) for side in (pair.own, pair.other))
        return (
            measured("oee", own),
            measured("oee", other),
            *(changed(n, pair[n]) for n in ("oee", "dry_share", "wait_share", "visits_per_h")),
        )

    say_table(
        "Machines of both (B - A)",
        ("", "OEE A %", "OEE B %", "OEE, points", "dry", "waiting", "visits/h"),
        [(name, *line(result.pair(name))) for name in result.machines],
    )


def _say_losses(result: CompareResult) -> None:
    from feedsim.cli.screen import FEW, cell, say_table

    confidence = result.results.confidence
    losses = [
        loss
        for loss in result.losses()
        if max(abs(loss.own.value), abs(loss.other.value)) >= LEAST_SHOWN
    ]
    hidden = len(losses) - SHOWN_LOSSES
    say_table(
        "Losses of the whole cell, % of planned busy time (those that changed first)",
        ("cause", "A", "B", "B - A, points", "changed"),
        [
            (
                loss.label,
                cell(loss.own.estimate(confidence), 100, 2),
                cell(loss.other.estimate(confidence), 100, 2),
                cell(loss.change, 100, 2),
                "yes" if loss.has_changed else "",
            )
            for loss in losses[:SHOWN_LOSSES]
        ],
        FEW if any(loss.change.few_events for loss in losses[:SHOWN_LOSSES]) else "",
    )
    if hidden > 0:
        click.echo(f"{hidden} more losses differ by less, or not surely: see --json.")
