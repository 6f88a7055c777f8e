"""`feedsim sensitivity`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from feedsim.answers.sensitivity import SensitivityResult

EFFECTS = "effects.csv"


@click.command("sensitivity")
@study_command
@click.option(
    "--range",
    "given",
    multiple=True,
    metavar="KEY=LOW:HIGH",
    help="Your own range of a key, by its path as with --set, in place of a planning range; of a "
    "time its mean in s, e.g. machine.magazine.bundle=20:35. May be given several times.",
)
@click.option(
    "--trajectories",
    type=click.IntRange(0, 1000),
    default=10,
    show_default=True,
    help="Of the second design, in which all inputs move: whether effects depend on one another. "
    "0 leaves it out.",
)
def command(options: StudyOptions, given: tuple[str, ...], trajectories: int) -> int:
    """Tell which input of CONFIG to measure first: how far the answers move with each.

    Each uncertain input (misses, bad bundles, times of people, stops of stations ...) goes alone
    from the low to the high end of its range, all on the same luck. Ranges are planning ranges,
    else half and double, or your own; the table says which.

    \b
    Examples:
      feedsim sensitivity configs/oats_slider.toml
      feedsim sensitivity configs/oats_slider.toml --range machine.magazine.bundle=20:30
      feedsim sensitivity configs/granola_mono_film.toml --replications 100 --trajectories 0
    """
    from feedsim.answers.sensitivity import sensitivity
    from feedsim.answers.sensitivity_plan import plan_of
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder
    from feedsim.cli.working import working
    from feedsim.plots.sensitivity import sensitivity_figure

    config = options.config
    ranges = parse_ranges(given)
    told: dict[str, Any] = {"trajectories": trajectories}
    told |= {"ranges": {key: list(ends) for key, ends in ranges.items()}} if ranges else {}
    plan = plan_of(config, ranges, trajectories)
    folder = open_folder("sensitivity", options, told, plan.cells)
    with working(folder, options) as work:
        result = sensitivity(
            config, work, ranges=ranges, design=trajectories, precision=options.precision
        )
    folder.write_frames(EFFECTS, [result.frame()])
    found = StudyAnswer(
        result.results,
        result.study_rows,
        result.words,
        partial(say_tables, result),
        [f"Left out, since an end of its range makes no config: {w}." for w in result.left_out],
        {"sensitivity": result.answer_json()},
        result.shortfalls,
    )
    return deliver(folder, options, found, {"sensitivity": sensitivity_figure(result)})


def parse_ranges(given: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Keys and the ends of their ranges, from texts such as "crew.walk_s=5:20"."""
    found: dict[str, tuple[float, float]] = {}
    for text in given:
        key, equals, ends = text.partition("=")
        key, (low, colon, high) = key.strip(), ends.partition(":")
        try:
            numbers = float(low), float(high)
        except ValueError:
            colon = ""
        if not (equals and key and colon):
            raise click.UsageError(
                f"--range: {text[:80]!r} is not understood, allowed: KEY=LOW:HIGH in numbers, "
                "such as crew.walk_s=5:20"
            )
        if key in found:
            raise click.UsageError(f"--range: {key} is given twice, allowed: each key once")
        found[key] = numbers
    return found


ORIGINS = {
    "planning": "planning range, from memory, about its planning value and carried over to yours",
    "log": "half and double, as the stops of five logged machines of one site differ (PIADE, "
    "Zenodo 7071747, CC BY 4.0)",
    "factor": "a stated factor, mostly half and double: no range is known",
    "own": "your own range",
}


def say_tables(result: SensitivityResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.sensitivity import effect_text, steps_text
    from feedsim.cli.screen import say_table

    oee, *others = result.moved
    say_table(
        "What each input moves, alone over its range (value ± half-width of the interval)",
        (
            *("input", "OEE at low", "OEE at high"),
            *(one.text if one.is_share else one.heading for one in others),
            *(("step, spread",) if result.trajectories else ()),
        ),
        [
            (
                effect.input.name,
                effect_text(effect.at_low("oee"), oee),
                effect_text(effect.at_high("oee"), oee)
                + ("" if effect.surely_moves("oee") else "~"),
                *(effect_text(effect.span(one.measure), one) for one in others),
                *((steps_text(effect, oee),) if result.trajectories else ()),
            )
            for effect in result.effects
        ],
        "OEE in points, against the config as given; the others from the low to the high end, in "
        "points, visits an hour. ~ OEE not surely moved, Bonferroni over all inputs and ends. "
        "±0.00: the same in every shift simulated; what is seldom may need more of them.",
    )
    if result.trajectories:
        click.echo(
            f"Step, spread: mean size of the effect on OEE over the range in {result.trajectories} "
            "trajectories in which the other inputs lie elsewhere too, and by how much it differs "
            "between them (Morris 1991), without what so few shifts explain."
        )
    say_table(
        "The ranges",
        ("input", "low", "as given", "high", "range"),
        [
            (
                *(effect.input.name, effect.input.shown(0), effect.input.shown()),
                *(effect.input.shown(1), effect.input.origin),
            )
            for effect in result.effects
        ],
    )
    for origin in dict.fromkeys(effect.input.origin for effect in result.effects):
        click.echo(f"{origin}: {ORIGINS[origin]}.")
    click.echo(f"Each input's key and the source of its range stand in {EFFECTS}.")
