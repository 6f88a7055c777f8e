"""The option that lets uncertain inputs reach the answer, and how their ranges are said."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from feedsim.answers.set_ranges import Range, ShareOfSets
    from feedsim.answers.targets import Target
    from feedsim.answers.uncertain import InputsResult
    from feedsim.cell import Cell
    from feedsim.cli.options import StudyOptions
    from feedsim.config import Config
    from feedsim.study import Setting, Work

RANGES_FILE = "inputs.csv"
SHOWN = (
    *("oee", "availability", "performance", "quality", "packs_per_h", "dry_share"),
    *("visits_per_h", "refill_visits_per_h", "fault_visits_per_h", "crew_busy"),
)
WEIGHED = ("oee", "packs_per_h", "fault_visits_per_h")


def inputs_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command `--inputs` and `--input-sets`, handed on as one number of sets, or None."""

    def wrapped(options: StudyOptions, *, input_sets: int | None, **rest: Any) -> Any:
        if input_sets is not None:
            from feedsim.answers.uncertain import cost_of_sets, refuse_certain
            from feedsim.answers.unknowns import unknowns_of
            from feedsim.cell import build_cell
            from feedsim.study import Work

            unknowns = unknowns_of(options.config)
            refuse_certain(unknowns)
            # One setting at the least: what is too large for that is refused before it begins.
            work = Work(engine=options.engine, allow_large=options.allow_large)
            study, cells = options.config.study, [build_cell(options.config)]
            cost_of_sets(cells, study, len(unknowns), sets=input_sets, work=work)
        return command(options, input_sets=input_sets, **rest)

    functools.update_wrapper(wrapped, command)
    return inputs_option_unchecked(wrapped)


def inputs_option_unchecked(command: Callable[..., Any]) -> Callable[..., Any]:
    """The same for a command that sees for itself whether anything is uncertain."""

    def wrapped(options: StudyOptions, *, inputs: str, input_sets: int, **rest: Any) -> Any:
        return command(options, input_sets=None if inputs == "fixed" else input_sets, **rest)

    functools.update_wrapper(wrapped, command)
    wrapped = click.option(
        "--input-sets",
        type=click.IntRange(2, 10_000),
        default=40,
        show_default=True,
        help="How many times uncertain inputs are drawn, each for --replications shifts.",
    )(wrapped)
    return click.option(
        "--inputs",
        type=click.Choice(["fixed", "uncertain"]),
        default="fixed",
        show_default=True,
        help="Whether inputs from trials and logs (bag.film; stations' times with a covariance, or "
        "of family empirical) are taken as they are, or drawn anew within their uncertainty.",
    )(wrapped)


def say_cost(
    options: StudyOptions,
    cells: Sequence[Cell],
    unknowns: int,
    sets: int | None,
    of_first: int = 1,
) -> None:
    """Say before anything runs what uncertain inputs will cost, if they are asked for.

    Raises
    ------
    TooLarge
        If it would run for hours.
    """
    if sets is None:
        return
    from feedsim.answers.uncertain import cost_of_sets
    from feedsim.cli.screen import talk
    from feedsim.study import Work

    work = Work(engine=options.engine, allow_large=options.allow_large)
    study = options.config.study
    talk(cost_of_sets(cells, study, unknowns, sets=sets, of_first=of_first, work=work))


def ranges(
    config: Config,
    settings_of: Callable[[Config], list[Setting]],
    sets: int | None,
    work: Work,
) -> InputsResult | None:
    """Ranges over uncertain inputs, if they are asked for."""
    if sets is None:
        return None
    from feedsim.answers.uncertain import cost_of_sets, with_uncertain_inputs
    from feedsim.answers.unknowns import unknowns_of

    unknowns = unknowns_of(config)
    if work.say:
        cells = [setting.cell for setting in settings_of(config)]
        work.say(cost_of_sets(cells, config.study, len(unknowns), sets=sets, work=work))
    return with_uncertain_inputs(config, unknowns, settings_of, sets=sets, work=work)


def sentence(result: InputsResult, measure: str = "oee", *, is_difference: bool = False) -> str:
    """What the inputs leave open at the first setting, in one or two sentences."""
    from feedsim.answers.key_words import setting_words
    from feedsim.answers.rows import short_keys
    from feedsim.labels import label_of

    row, ranges = result.first
    found = ranges[measure]
    label = label_of(measure)
    digits = label.fine_digits if is_difference else label.digits
    unit = label.unit_of_change if is_difference else label.unit.removesuffix(" of time")
    at = f" at {setting_words(row.setting, short_keys(row.setting))}" if row.setting else ""
    what = f"difference in {label.text}, B minus A," if is_difference else f"{label.text}{at}"
    sign = "+" if is_difference else ""
    told = (
        f"With what is not known of the inputs, the expected {what} lies between "
        f"{label.factor * found.low:{sign},.{digits}f} and "
        f"{label.factor * found.high:{sign},.{digits}f}{' ' * label.is_share}{unit} "
        f"({100 * row.confidence:g} %, {result.sets} sets of {result.replications} shifts)"
    )
    if isfinite(found.data_part):
        told += f"; {100 * found.data_part:.0f} % of the variance of a set comes from the data"
    gains = {name: result.gain(name, measure) for name in result.parts}
    known = {name: gain for name, gain in gains.items() if isfinite(gain)}
    if not known:
        return told + "."
    best = max(known, key=lambda name: known[name])
    return (
        f"{told}. Measure first: {best}; ten times its trial would take "
        f"{100 * known[best]:.0f} % off the data's part."
    )


def say_tables(result: InputsResult) -> None:
    """Ranges of the whole cell for each setting, and what more data would bring."""
    from feedsim.answers.key_words import setting_words
    from feedsim.answers.rows import short_keys

    short = short_keys(key for row in result.rows for key in row.setting)
    for row, ranges in zip(result.rows, result.ranges, strict=True):
        if row.machine is None:
            at = f" at {setting_words(row.setting, short)}" if row.setting else ""
            say_ranges(f"Expected measures over uncertain inputs{at}", ranges)
    say_gains(result)


def say_ranges(title: str, ranges: Mapping[str, Range], *, is_difference: bool = False) -> None:
    """The ranges of a row's measures, with both parts of their error."""
    from feedsim.cli.screen import say_table
    from feedsim.labels import label_of

    labels = [label_of(name) for name in SHOWN if name in ranges]
    say_table(
        title,
        ("", "expected", "from", "to", "from the data, sd", "from the shifts, sd", ""),
        [
            (
                label.text,
                *_numbers(ranges[label.measure], label.factor, label.fine_digits),
                label.unit_of_change if is_difference else label.unit,
            )
            for label in labels
        ],
    )


def _numbers(found: Range, factor: float, digits: int) -> list[str]:
    told = (found.expected, found.low, found.high, found.data_sd, found.simulation_sd)
    return [f"{factor * end:,.{digits}f}" if isfinite(end) else "-" for end in told]


def span(measure: str, found: Range | None) -> str:
    """An expected measure with its range, in a table."""
    from feedsim.labels import label_of

    if found is None or not isfinite(found.expected):
        return "-"
    label = label_of(measure)
    expected, low, high, *_ = _numbers(found, label.factor, label.digits)
    return f"{expected} ({low} to {high})"


def say_gains(result: InputsResult, measures: Iterable[str] = WEIGHED) -> None:
    """Which input to measure more, by some measures."""
    from feedsim.cli.screen import say_table
    from feedsim.labels import label_of

    names = list(measures)
    say_table(
        "Which input to measure more: what ten times its trial would take off the data's variance",
        ("input", *(f"of {label_of(name).heading.removesuffix(' %')}" for name in names)),
        [
            (
                part,
                *(
                    f"{100 * gain:.0f} %" if isfinite(gain := result.gain(part, name)) else "-"
                    for name in names
                ),
            )
            for part in result.parts
        ],
    )


def say_measure_first(result: InputsResult, targets: Iterable[Target]) -> None:
    """Which input to measure more, by the measures of targets first, and where all ranges are."""
    say_gains(result, dict.fromkeys((*(target.measure for target in targets), *WEIGHED)))
    click.echo(f"Ranges of all measures stand in {RANGES_FILE}.")


def share_met_text(met: ShareOfSets) -> str:
    """In how many sets of inputs targets are met, with the interval of that share."""
    return f"{met.in_words()} ({100 * met.low:.0f} to {100 * met.high:.0f} %)"
