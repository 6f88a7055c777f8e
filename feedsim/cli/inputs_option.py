"""The option that lets uncertain inputs reach the answer."""

from __future__ import annotations

import functools
from collections.abc import Callable
from math import isfinite
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from feedsim.answers.uncertain import InputsResult
    from feedsim.cli.options import StudyOptions
    from feedsim.config import Config
    from feedsim.study import Setting, Work

SHOWN = (
    ("OEE", "oee", 100, 2, "%"),
    ("availability", "availability", 100, 2, "%"),
    ("performance", "performance", 100, 2, "%"),
    ("quality", "quality", 100, 2, "%"),
    ("good packs", "packs_per_h", 1, 0, "/h"),
    ("dry", "dry_share", 100, 2, "% of time"),
    ("refill visits", "refill_visits_per_h", 1, 2, "/h"),
    ("fault visits", "fault_visits_per_h", 1, 2, "/h"),
    ("crew busy", "crew_busy", 100, 1, "%"),
)


def inputs_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command `--inputs` and `--input-sets`, handed on as one number of sets, or None."""

    def wrapped(options: StudyOptions, *, inputs: str, input_sets: int, **rest: Any) -> Any:
        if inputs == "fixed":
            return command(options, input_sets=None, **rest)
        from feedsim.answers.uncertain import refuse_certain
        from feedsim.answers.unknowns import unknowns_of

        refuse_certain(unknowns_of(options.config))
        return command(options, input_sets=input_sets, **rest)

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


def ranges(
    config: Config,
    settings_of: Callable[[Config], list[Setting]],
    sets: int | None,
    work: Work,
) -> InputsResult | None:
    """Ranges over uncertain inputs, if they are asked for."""
    if sets is None:
        return None
    from feedsim.answers.uncertain import with_uncertain_inputs
    from feedsim.answers.unknowns import unknowns_of

    return with_uncertain_inputs(config, unknowns_of(config), settings_of, sets=sets, work=work)


def sentence(result: InputsResult) -> str:
    """What the inputs leave open at the first setting, in one sentence."""
    from feedsim.answers.rows import setting_text, short_keys

    row, ranges = next(
        (row, ranges)
        for row, ranges in zip(result.rows, result.ranges, strict=True)
        if row.machine is None
    )
    found = ranges["oee"]
    at = f" at {setting_text(row.setting, short_keys(row.setting))}" if row.setting else ""
    told = (
        f"With what is not known of the inputs, the expected OEE{at} lies between "
        f"{100 * found.low:.1f} and {100 * found.high:.1f} % ({100 * row.confidence:g} %, "
        f"{result.sets} sets of {result.replications} shifts); "
        f"{100 * found.data_part:.0f} % of the variance of a set comes from the data"
    )
    gains = {name: result.gain(name, "oee") for name in result.parts}
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
    from feedsim.answers.rows import setting_text, short_keys
    from feedsim.cli.screen import say_table

    short = short_keys(key for row in result.rows for key in row.setting)
    cells = [
        (row, ranges)
        for row, ranges in zip(result.rows, result.ranges, strict=True)
        if row.machine is None
    ]
    for row, ranges in cells:
        at = f" at {setting_text(row.setting, short)}" if row.setting else ""
        say_table(
            f"Expected measures over uncertain inputs{at}",
            ("", "expected", "from", "to", "from the data, sd", "from the shifts, sd", ""),
            [
                (
                    label,
                    *(
                        f"{scale * number:,.{digits}f}" if isfinite(number) else "-"
                        for number in (
                            ranges[name].expected,
                            ranges[name].low,
                            ranges[name].high,
                            ranges[name].data_sd,
                            ranges[name].simulation_sd,
                        )
                    ),
                    unit,
                )
                for label, name, scale, digits, unit in SHOWN
                if name in ranges
            ],
        )
    say_table(
        "Which input to measure more: what ten times its trial would take off the data's variance",
        ("input", "of OEE", "of good packs/h", "of fault visits/h"),
        [
            (
                name,
                *(
                    f"{100 * gain:.0f} %" if isfinite(gain := result.gain(name, measure)) else "-"
                    for measure in ("oee", "packs_per_h", "fault_visits_per_h")
                ),
            )
            for name in result.parts
        ],
    )
