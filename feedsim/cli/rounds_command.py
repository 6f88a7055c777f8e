"""`feedsim rounds`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

import click

from feedsim.cli.evidence import VERDICT_WORDS, evidence_text, failing_text
from feedsim.cli.inputs_option import (
    inputs_option,
    say_cost,
    say_measure_first,
    sentence,
    share_met_text,
    span,
)
from feedsim.cli.number_lists import parse_bags, parse_numbers
from feedsim.cli.options import StudyOptions, study_command
from feedsim.cli.target_options import target_options, targets_told

if TYPE_CHECKING:
    from feedsim.answers.rounds import Kept, RoundsResult
    from feedsim.answers.rounds_inputs import IntervalOverInputs, RoundsInputs
    from feedsim.answers.targets import Evidence, Target

MOST_COLUMNS = 13


@click.command("rounds")
@study_command
@target_options
@inputs_option
@click.option(
    "--bags",
    metavar="VALUES",
    help="Bags per lane: 100:600:50 or 100,150,200 (default: about five around the config's own).",
)
@click.option(
    "--intervals",
    metavar="MINUTES",
    help="Round intervals to try: 2:20:2 or 2,5,10 (default: 2 to 30, and the config's own).",
)
@click.option(
    "--interval",
    type=float,
    metavar="MIN",
    help="The interval at which machines are added (default: the config's own; without one its "
    "calls alone, and without those the longest found).",
)
@click.option(
    "--machine",
    metavar="NAME",
    help="Vary the capacity of this machine table only (default: all), and add copies of it "
    "(default: of the first).",
)
@click.option(
    "--most-machines",
    type=click.IntRange(1, 100),
    default=8,
    show_default=True,
    metavar="N",
    help="The most copies of the machine to try.",
)
def command(
    options: StudyOptions,
    targets: list[Target],
    bags: str | None,
    intervals: str | None,
    interval: float | None,
    machine: str | None,
    most_machines: int,
    input_sets: int | None,
) -> int:
    """Find the longest round interval, and the most machines, for which CONFIG keeps targets.

    For each capacity: the longest interval such that it and every shorter one tried keeps every
    target at every machine, with the study's confidence; and how many machines the crew can tend
    so. The crew also answers calls as the config says; for rounds alone take
    --set crew.calls=none. Exit code 1 where no capacity keeps the targets at any interval. With
    --inputs uncertain the answer stays that of the config's values; in how many sets of inputs
    the intervals found, and the next longer ones, keep the targets is told too.

    \b
    Examples:
      feedsim rounds configs/oats_slider.toml --dry-share 0.05 --bags 100,200 --intervals 4,8,12
      feedsim rounds configs/oats_slider.toml --dry-share 0.1 --set crew.calls=none --interval 5
      feedsim rounds configs/granola_three_machines.toml --crew-busy 0.95 --bags 300
    """
    from feedsim.answers.rounds import default_capacities, interval_grid, rounds, rounds_settings
    from feedsim.answers.rounds_inputs import rounds_over_inputs
    from feedsim.answers.rows import rows_json
    from feedsim.answers.targets import BUDGET, refuse_unjudgeable
    from feedsim.answers.unknowns import unknowns_of
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder, refuse_precision
    from feedsim.cli.working import working
    from feedsim.plots.rounds import rounds_figure

    refuse_precision(options)
    config = options.config
    refuse_unjudgeable(targets, build_cell(config))
    values = parse_bags(bags) if bags is not None else default_capacities(config, machine)
    asked = None
    if intervals is not None:
        asked = parse_numbers("--intervals", intervals, "2:20:2 or 2,5,10")
    grid = interval_grid(config, asked, interval)
    cells = rounds_settings(config, values, grid, machine)
    budget = options.budget or BUDGET
    told = {
        "targets": targets_told(targets),
        "bags": list(cells),
        "intervals": grid,
        "interval": interval,
        "machine": machine,
        "most_machines": most_machines,
        "budget": budget,
    }
    # Of each capacity the interval found and the next longer one are drawn at the most.
    drawn = [setting.cell for row in cells.values() for setting in list(row.values())[:2]]
    say_cost(options, drawn, len(unknowns_of(config)), input_sets)
    flat = [setting.cell for row in cells.values() for setting in row.values()]
    folder = open_folder("rounds", options, told, flat, input_sets)
    with working(folder, options) as work:
        result = rounds(
            config,
            targets,
            values,
            intervals=grid,
            interval=interval,
            machine=machine,
            most_machines=most_machines,
            budget=budget,
            work=work,
        )
        inputs = None
        if input_sets is not None:
            inputs = rounds_over_inputs(result, sets=input_sets, work=work)
    folder.write_frames("tried.csv", [result.tried_frame()])
    sentences = list(answer(result))
    if inputs is not None:
        sentences += input_sentences(inputs)
    found = StudyAnswer(
        result.results,
        result.rows,
        sentences,
        partial(say_tables, result, inputs),
        notes=list(_notes(result)),
        own={
            "rounds": result.answer_json(),
            "map": [
                row
                for kept in result.kept
                for found in kept.by_interval.values()
                for row in rows_json(list(found.rows))
            ],
        },
        met=result.is_met,
        told_inputs=inputs,
    )
    figure = rounds_figure(result, headline(result), tending(result), inputs)
    return deliver(folder, options, found, {"rounds": figure})


def headline(result: RoundsResult) -> str:
    """The finding in a few words, for a figure's title."""
    told = "; ".join(target.in_words() for target in result.targets)
    if not result.is_met:
        return f"No capacity keeps this at any round interval tried: {told}"
    longest = [kept.answer_min for kept in result.kept if kept.answer_min is not None]
    low, high = min(longest), max(longest)
    is_end = high == result.intervals_min[-1]
    if low == high:
        end = ", the longest tried," if is_end else ""
        return f"Rounds may be {low:g} min apart{end} for: {told}"
    end = f" ({high:g} the longest tried)" if is_end else ""
    return f"Rounds may be {low:g} to {high:g} min apart{end}, by capacity, for: {told}"


def tending(result: RoundsResult) -> str:
    """How machines are tended when their number is varied, in a few words."""
    if result.tended == "calls":
        return "on calls alone"
    if result.tended == "longest":
        return "at the longest interval"
    return f"a round every {result.own.tended_every_min:g} min"


def answer(result: RoundsResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    told = " and ".join(target.in_words() for target in result.targets)
    sure = f"{100 * result.results.confidence:g} % confidence"
    intervals, of = result.intervals_min, f" of {result.machine}" if result.machine else ""
    if not result.is_met:
        nearest = result.nearest
        minutes = nearest.nearest_min
        yield (
            f"No capacity of {_span([k.bags for k in result.kept])} bags per lane{of} keeps {told} "
            f"({sure}) at any interval of {_span(intervals)} min; the nearest is "
            f"{nearest.bags} bags with a round every {minutes:g} min: "
            f"{evidence_text(nearest.by_interval[minutes])}."
        )
    else:
        yield from _longest(result, told, sure, of)
    yield _most(result)


def _span(values: Sequence[float]) -> str:
    return f"{values[0]:g}" if len(values) == 1 else f"{values[0]:g} to {values[-1]:g}"


def _longest(result: RoundsResult, told: str, sure: str, of: str) -> Iterator[str]:
    kept = result.own
    if kept.stretch_min is None:
        kept = next(each for each in result.kept if each.stretch_min is not None)
    first, longest = kept.stretch_min or (0.0, 0.0)
    at_end = ", the longest tried," if longest == result.intervals_min[-1] else ""
    calls = "" if result.config.crew.calls == "none" else ", beside calls,"
    yield (
        f"With {kept.bags} bags per lane{of}{calls} rounds may be {longest:g} min apart{at_end} "
        f"for {told} ({sure}): {evidence_text(kept.by_interval[longest])}."
    )
    if kept.longest_min is None:
        shorter = result.intervals_min[result.intervals_min.index(first) - 1]
        yield (
            f"They may not be as often as every {shorter:g} min: "
            f"{failing_text(kept.by_interval[shorter])}."
        )
    fails = kept.fails_from_min
    if fails is not None:
        beyond = kept.by_interval[fails]
        shown = "that is missed" if beyond.verdict == "missed" else "it is too close to tell"
        yield f"At {fails:g} min {shown}: {failing_text(beyond)}."
    if kept.met_again_min:
        again = ", ".join(f"{minutes:g}" for minutes in kept.met_again_min)
        yield f"It is met again at {again} min, but not at all that is shorter."
    others = [each for each in result.kept if each is not kept]
    if others:
        parts = [f"{each.bags} bags {_minutes(each)}" for each in others]
        yield f"Other capacities: {', '.join(parts)}."


def _minutes(kept: Kept) -> str:
    if kept.stretch_min is None:
        return "none"
    first, last = kept.stretch_min
    return f"{last:g} min" if kept.longest_min is not None else f"{_span((first, last))} min"


def _most(result: RoundsResult) -> str:
    """How many machines the crew can tend, at the capacity nearest to the config's own."""
    kept = result.own
    operators = result.config.crew.operators
    crew = "one operator" if operators == 1 else f"{operators} operators"
    how = {
        "given": f"With a round every {kept.tended_every_min or 0:g} min",
        "own": f"With a round every {kept.tended_every_min or 0:g} min, as in the config,",
        "calls": "On calls alone, without rounds, as in the config,",
        "longest": "At that longest interval",
    }[result.tended]
    at = f"at {kept.bags} bags per lane"
    if not kept.by_machines:
        return f"How many machines {crew} can tend is open {at}: no interval keeps the targets."
    most = kept.most_machines
    if not most:
        found = kept.by_machines[1]
        return (
            f"{how} {crew} cannot be shown to tend even one {result.copied} {at}: "
            f"{evidence_text(found)}."
        )
    machines = most + result.other_machines
    told = f"{how} {crew} can tend {machines} machine{'s' * (machines > 1)}"
    if result.other_machines:
        told += f" ({most} of them {result.copied})"
    if operators > 1:
        told += f", {result.per_operator(kept):.3g} an operator,"
    told += f" {at}"
    if most == result.limit_machines:
        return f"{told} at least: {evidence_text(kept.by_machines[most])}."
    fails = kept.by_machines[most + 1]
    shown = "miss the targets" if fails.verdict == "missed" else "are too close to tell"
    return f"{told}; {machines + 1} {shown}: {failing_text(fails)}."


def input_sentences(inputs: RoundsInputs) -> Iterator[str]:
    """What the inputs leave open of the capacity nearest to the config's own."""
    result = inputs.rounds
    own = [each for each in inputs.intervals if each.bags == result.own.bags]
    yield (
        f"With what is not known of the inputs, at {own[0].bags} bags per lane the expected "
        f"measures meet the targets {', '.join(map(_met_at, own))}."
    )
    yield sentence(inputs.inputs, result.targets[0].measure)


def _met_at(interval: IntervalOverInputs) -> str:
    """In how many sets an interval meets the targets, with the interval of that share."""
    return f"at {interval.interval_min:g} min in {share_met_text(interval.met)}"


def _notes(result: RoundsResult) -> Iterator[str]:
    crew = result.config.crew
    if crew.calls != "none":
        what = "low on bags" if crew.calls == "low" else "dry"
        yield (
            f"Rounds are beside the calls of machines that are {what} (crew.calls is "
            f'"{crew.calls}"): for rounds alone take --set crew.calls=none.'
        )
    if crew.breaks:
        shown = [
            f"{pause.takes_min:g} min at {pause.at_h:g} h with "
            f"{pause.cover or 'nobody'} of {crew.operators} staying"
            for pause in crew.breaks[:5]
        ]
        more = " and more" if len(crew.breaks) > len(shown) else ""
        yield (
            f"Breaks are in all figures ({', '.join(shown)}{more}): what runs dry in them counts, "
            "but for planned stops of kind break."
        )
    if result.tended == "calls":
        yield "The config has no rounds: for machines per operator at an interval, --interval."


def say_tables(result: RoundsResult, inputs: RoundsInputs | None = None) -> None:
    """Say the tables below the answer."""
    from feedsim.cli.screen import say_table

    operators = result.config.crew.operators
    say_table(
        f"Longest interval, and most machines ({tending(result)}), by capacity",
        (
            "bags/lane",
            "full lanes last, min",
            "longest interval, min",
            "fails from, min",
            "machines",
            f"per operator (of {operators})",
        ),
        [
            (
                f"{kept.bags:,}",
                f"{kept.autonomy_min:.1f}",
                _minutes(kept).removesuffix(" min"),
                "-" if kept.fails_from_min is None else f"{kept.fails_from_min:g}",
                *_machine_entries(result, kept),
            )
            for kept in result.kept
        ],
    )
    if len(result.intervals_min) <= MOST_COLUMNS:
        say_table(
            f"{_map_title(result)} over round interval, min",
            ("bags", *(f"{minutes:g}" for minutes in result.intervals_min)),
            [
                (f"{kept.bags:,}", *(_entry(result, e) for e in kept.by_interval.values()))
                for kept in result.kept
            ],
        )
        click.echo(
            ", ".join(f"{MARKS[verdict]} {word}" for verdict, word in VERDICT_WORDS.items())
            + ". All that was tried, with intervals, stands in tried.csv."
        )
    else:
        click.echo("All that was tried, with intervals, stands in tried.csv and in the figure.")
    if inputs is not None:
        _say_inputs(result, inputs)


def _say_inputs(result: RoundsResult, inputs: RoundsInputs) -> None:
    from feedsim.cli.screen import say_table

    say_table(
        "Intervals over uncertain inputs: expected values and their range, at the tightest machine",
        (
            "bags/lane",
            "round every, min",
            "sets that meet the targets",
            "share, %",
            *(
                f"{target.in_words()}{' (values, %)' if target.is_share else ''}"
                for target in result.targets
            ),
        ),
        [
            (
                f"{each.bags:,}",
                f"{each.interval_min:g}",
                f"{each.met.number} of {each.met.sets}",
                f"{100 * each.met.low:.0f} to {100 * each.met.high:.0f}",
                *(span(target.measure, over) for target, _, over in each.tightest),
            )
            for each in inputs.intervals
        ],
    )
    say_measure_first(inputs.inputs, result.targets)


MARKS = {"met": "+", "missed": "x", "open": "?"}
LETTERS = {"oee": "O", "dry_share": "D", "visits_per_h": "V", "packs_per_h": "P", "crew_busy": "C"}


def _machine_entries(result: RoundsResult, kept: Kept) -> tuple[str, str]:
    if not kept.by_machines:
        return "-", "-"
    if not kept.most_machines:
        return "none", "none"
    least = "at least " if kept.most_machines == result.limit_machines else ""
    machines = kept.most_machines + result.other_machines
    return f"{least}{machines}", f"{least}{result.per_operator(kept):.3g}"


def _map_title(result: RoundsResult) -> str:
    if len(result.targets) == 1:
        target = result.targets[0]
        unit = ", %" if target.is_share else ""
        return f"{target.in_words()} (values{unit})"
    letters = ", ".join(
        f"{LETTERS[target.measure]}: {target.in_words()}" for target in result.targets
    )
    return f"The target with least to spare ({letters}; shares in %)"


def _entry(result: RoundsResult, evidence: Evidence) -> str:
    worst = evidence.worst
    value = "none" if worst.found.unseen else f"{worst.target.factor * worst.found.value:,.1f}"
    letter = LETTERS[worst.target.measure] if len(result.targets) > 1 else ""
    return f"{letter}{value}{MARKS[evidence.verdict]}"
