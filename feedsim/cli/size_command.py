"""`feedsim size`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.evidence import VERDICT_WORDS, evidence_text, failing_text
from feedsim.cli.inputs_option import inputs_option, ranges
from feedsim.cli.options import StudyOptions, study_command
from feedsim.cli.target_options import target_options, targets_told

if TYPE_CHECKING:
    from feedsim.answers.size import Part, SizeResult
    from feedsim.answers.targets import Check, Target

MOST_PARTS = 8


@click.command("size")
@study_command
@target_options
@inputs_option
@click.option("--machine", metavar="NAME", help="Size this machine table only (default: all).")
@click.option(
    "--up-to",
    metavar="BAGS",
    type=click.IntRange(1, 1_000_000),
    help="The most bags per lane to look for (default: what the geometry allows, else ten times "
    "the config's own).",
)
def command(
    options: StudyOptions,
    targets: list[Target],
    machine: str | None,
    up_to: int | None,
    input_sets: int | None,
) -> int:
    """Find the smallest magazine for CONFIG that meets stated targets.

    The answer is the smallest capacity per lane, in whole bundles, such that it and every larger
    one tried meets every target at every machine, with the study's confidence; or the ceiling
    that an endless magazine would bring, and the losses that make it (exit code 1). Replications
    are spent where the decision is close, from --replications to --budget for one capacity. With
    --inputs uncertain the answer stays that of the config's values; how far the measures may lie
    from it is shown for the capacity found.

    \b
    Examples:
      feedsim size configs/oats_slider.toml --oee 0.77 --up-to 300
      feedsim size configs/granola_three_machines.toml --oee 0.7 --crew-busy 0.85
      feedsim size configs/oats_slider.toml --dry-share 0.01 --visits-per-h 16 --up-to 300
    """
    from feedsim.answers.capacity import capacity_settings
    from feedsim.answers.magazines import swept_tables
    from feedsim.answers.size import bundle_grid, size
    from feedsim.answers.targets import BUDGET
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder, refuse_precision
    from feedsim.cli.working import working
    from feedsim.plots.size import size_figure

    refuse_precision(options)
    config = options.config
    bundle_grid(config, swept_tables(config, machine), up_to)
    budget = options.budget or BUDGET
    told = {"targets": targets_told(targets), "machine": machine, "up_to": up_to, "budget": budget}
    folder = open_folder("size", options, told, [build_cell(config)], input_sets)
    with working(folder, options) as work:
        result = size(config, targets, machine=machine, up_to=up_to, budget=budget, work=work)
        bags = [result.found.best_bags]
        inputs = ranges(config, lambda c: capacity_settings(c, bags, (), machine), input_sets, work)
    folder.write_frames("tried.csv", [result.tried_frame()])
    found = StudyAnswer(
        result.results,
        result.rows,
        list(answer(result)),
        partial(say_tables, result),
        own={"size": result.answer_json()},
        met=result.is_met,
        inputs=inputs,
    )
    return deliver(folder, options, found, {"size": size_figure(result, headline(result))})


def headline(result: SizeResult) -> str:
    """The finding in a few words, for a figure's title."""
    told = "; ".join(target.in_words() for target in result.targets)
    if result.is_met:
        return f"{result.found.best_bags} bags per lane are the fewest that meet: {told}"
    if result.beyond is not None:
        return (
            f"The geometry holds too little for: {told}; {result.beyond.best_bags} bags per lane "
            "would do"
        )
    return f"No capacity up to {result.limit_bags} bags per lane meets: {told}"


def answer(result: SizeResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    told = " and ".join(target.in_words() for target in result.targets)
    of = f" of {result.machine}" if result.machine else ""
    best = result.found.best
    sure = f"{100 * best.results.confidence:g} % confidence"
    if result.is_met:
        yield (
            f"{result.found.best_bags} bags per lane{of} are the fewest that meet {told} ({sure}): "
            f"{evidence_text(best)}."
        )
        if result.below_bags is not None:
            below = result.found.tried[result.below_bags]
            shown = "miss it" if below.verdict == "missed" else "are too close to it to tell"
            yield f"{result.below_bags} bags {shown}: {failing_text(below)}."
        if result.found.fails_from is not None:
            fails = result.found.tried[result.found.fails_from]
            yield (
                f"Not every larger one will do: {result.found.fails_from} bags do not meet it any "
                f"more ({failing_text(fails)}); refills take longer there."
            )
    else:
        yield (
            f"No capacity of up to {result.limit_bags} bags per lane{of}"
            f"{' (what the geometry holds)' if result.is_limit_of_geometry else ''} meets {told} "
            f"({sure}); the nearest is {result.found.best_bags} bags: {evidence_text(best)}."
        )
        yield from _why_not(result)
    if result.is_met and result.next_bags is not None and result.step:
        yield _next_step(result)
    beside = result.found.tried.get(result.below_bags or 0)
    if result.is_met and beside is not None and best.replications < beside.replications:
        yield (
            f"{result.found.best_bags} bags were sure after {best.replications:,} shifts, "
            f"{result.below_bags} took {beside.replications:,}: what is sure early is told rather "
            "too well. `feedsim capacity` compares both on as many shifts."
        )


def _why_not(result: SizeResult) -> Iterator[str]:
    if result.beyond is not None:
        yield (
            f"A longer magazine would do: {result.beyond.best_bags} bags per lane are the fewest "
            f"({evidence_text(result.beyond.best)})."
        )
    ceiling = result.ceiling
    if ceiling is None:
        return
    text = evidence_text(ceiling.evidence)
    if not ceiling.is_met:
        yield f"Nor would an endless magazine: {text}. What makes this ceiling is listed below."
    elif result.beyond is None:
        yield (
            f"An endless magazine, never refilled in the shift, would: {text}. So look further "
            "with --up-to, or at what refilling costs (bundles, visits, rounds)."
        )


def _next_step(result: SizeResult) -> str:
    from feedsim.cli.screen import number

    step = result.step
    return (
        f"The next bundle ({result.next_bags} bags per lane) would bring "
        f"{number(step['oee'], 2, scale=100)} points of OEE, {number(step['dry_share'], 2, 100)} "
        f"points of dry time and {number(step['visits_per_h'], 2)} visits an hour."
    )


def say_tables(result: SizeResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.rows import WHOLE_CELL
    from feedsim.cli.screen import say_table

    several = len(result.results.settings[0].cell.machines) > 1
    say_table(
        "Capacities tried (limit: what the target is held against, one-sided)",
        ("bags/lane", "shifts", "target", "value", "limit", "", *(["at"] if several else [])),
        [
            (
                f"{bags:,}" if isinstance(bags, int) else bags,
                f"{evidence.replications:,}",
                check.target.in_words(),
                *_shown(check),
                VERDICT_WORDS[check.verdict],
                *([check.machine or WHOLE_CELL] if several else []),
            )
            for bags, evidence in result.tried_and_endless.items()
            for check in evidence.tightest.values()
        ],
    )
    if result.ceiling is not None:
        for (target, machine), parts in result.ceiling.parts.items():
            _say_parts(target, machine, parts[:MOST_PARTS])


def _shown(check: Check) -> Sequence[str]:
    from feedsim.cli.screen import cell

    factor, unit = check.target.factor, " %" * check.target.is_share
    value = cell(check.found, factor, 2)
    return value + unit * (not check.found.unseen), f"{factor * check.limit:,.2f}{unit}"


def _say_parts(target: Target, machine: str, parts: Sequence[Part]) -> None:
    from feedsim.cli.screen import cell, say_table

    is_visits = target.measure == "visits_per_h"
    scale, unit = (1, "visits/h") if is_visits else (100, "% of time")
    say_table(
        f"What keeps {machine} from {target.in_words()} with an endless magazine",
        ("cause", unit, "may be, if nothing else changes"),
        [
            (
                part.label,
                cell(part.amount, scale, 2),
                "its end alone would not do"
                if part.needed is None
                else f"{part.needed * scale:.2f}",
            )
            for part in parts
        ],
    )
