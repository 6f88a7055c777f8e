"""`feedsim film`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from math import ceil, floor, log10
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.evidence import evidence_text
from feedsim.cli.inputs_option import (
    inputs_option,
    say_cost,
    say_measure_first,
    sentence,
    share_met_text,
    span,
)
from feedsim.cli.number_lists import parse_numbers
from feedsim.cli.options import StudyOptions, study_command
from feedsim.cli.target_options import target_options, targets_told

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.film import Curve, FilmResult, Limit, MissCost
    from feedsim.answers.film.inputs import FilmInputs, LimitOverInputs, LimitSpan
    from feedsim.answers.targets import Target
    from feedsim.study import Setting

MOST_FIGURES = 12
NEARLY = 1e-9
COLUMNS = (
    *("oee", "refill_visits_per_h", "fault_visits_per_h"),
    *("stops_lane_fault_per_h", "time_lane_fault_share"),
)
PLANNING = "by planning values, from memory"


@click.command("film")
@study_command
@target_options
@inputs_option
@click.option(
    "--factors",
    metavar="VALUES",
    help="On the config's misses: 0.25,0.5,1,2,4 or first:last:step (default: 0.25 to 8).",
)
@click.option(
    "--stiffness",
    metavar="uN.m",
    help="Over the bending stiffness of a panel instead, by the planning values: 15:80:5 or a "
    "list.",
)
@click.option(
    "--closure",
    metavar="NAMES",
    help="With --stiffness: plain, press_zip, front_zip, hook_zip, slider, handle, in a list, or "
    "all (default: the config's).",
)
@click.option(
    "--machine",
    metavar="NAME",
    help="Vary the bags of this machine table only, and hold the targets there (default: all).",
)
def command(
    options: StudyOptions,
    targets: list[Target],
    factors: str | None,
    stiffness: str | None,
    closure: str | None,
    machine: str | None,
    input_sets: int | None,
) -> int:
    """Simulate CONFIG over the miss rate of its bags, or over their stiffness.

    Single misses and bad bundles are varied apart, each with the other as the config has it, and
    the answer says what each costs. With targets: the highest miss rate, or for each closure the
    lowest stiffness, at which every target is kept with the study's confidence, as at all better
    ones tried (exit code 1 where not even at the best). A miss rate is that of first attempts at
    a bag, over good and bad bundles. With --inputs uncertain the answer stays that of the
    config's values; the ranges of the curves are told too, and the range of the miss rates, or
    stiffnesses, at which the expected measures cease to meet the targets.

    \b
    Examples:
      feedsim film configs/granola_mono_film.toml
      feedsim film configs/oats_slider.toml --visits-per-h 30 --factors 0.5,1,2,4
      feedsim film configs/oats_slider.toml --stiffness 20:80:20 --closure plain,slider
    """
    from feedsim.answers.film import film_curves, film_study
    from feedsim.answers.film.inputs import film_over_inputs
    from feedsim.answers.targets import BUDGET, refuse_unjudgeable
    from feedsim.answers.unknowns import unknowns_of
    from feedsim.cell import build_cell
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder, refuse_precision
    from feedsim.cli.working import working

    config = options.config
    if targets:
        refuse_precision(options)
        refuse_unjudgeable(targets, build_cell(config))
    multiplied = _numbers("--factors", factors, "0.25,0.5,1,2,4")
    stiffnesses = _numbers("--stiffness", stiffness, "15:80:5 or 20,40")
    closures = _closures(closure)
    _, curves = film_curves(
        config, factors=multiplied, stiffness=stiffnesses, closures=closures, machine=machine
    )
    budget = options.budget or BUDGET
    told: dict[str, Any] = {
        "curves": [[curve.kind, curve.closure, list(curve.settings)] for curve in curves],
        "machine": machine,
        "targets": targets_told(targets),
        **({"budget": budget} if targets else {}),
    }
    cells = [setting.cell for curve in curves for setting in curve.settings.values()]
    own = [] if stiffnesses is not None else [build_cell(config)]
    say_cost(options, [*own, *cells], len(unknowns_of(config)), input_sets)
    folder = open_folder("film", options, told, cells, input_sets)
    with working(folder, options) as work:
        result = film_study(
            config,
            targets,
            factors=multiplied,
            stiffness=stiffnesses,
            closures=closures,
            machine=machine,
            budget=budget,
            work=work,
            precision=options.precision,
        )
        inputs = None
        if input_sets is not None:
            inputs = film_over_inputs(result, sets=input_sets, work=work)
    folder.write_frames("curves.csv", [result.curves_frame()])
    sentences = list(answer(result))
    if inputs is not None:
        sentences += input_sentences(inputs)
    if result.limits:
        folder.write_frames("tried.csv", [result.tried_frame()])
    found = StudyAnswer(
        result.results,
        result.rows,
        sentences,
        partial(say_tables, result, inputs),
        notes=list(_notes(result)),
        own={
            "film": result.answer_json(),
            "misses": result.costs_json(),
        },
        shortfalls=result.shortfalls,
        met=result.is_met,
        told_inputs=inputs,
    )
    return deliver(folder, options, found, _figures(result, inputs))


def _figures(result: FilmResult, inputs: FilmInputs | None) -> dict[str, Figure]:
    """The whole cell's figure, and one of each machine varied where there are several."""
    from feedsim.cli.study_output import figure_files
    from feedsim.plots.film import film_figure

    names = [plan.name for plan in result.machines[:MOST_FIGURES]]
    cell = result.results.settings[0].cell
    return {
        file: film_figure(result, headline(result), subtitle(result, name), name, inputs)
        for name, file in figure_files("film", cell, names).items()
    }


def _numbers(option: str, text: str | None, example: str) -> list[float] | None:
    return None if text is None else parse_numbers(option, text, example)


def _closures(text: str | None) -> list[str] | None:
    from feedsim.film import CLOSURES

    if text is None:
        return None
    return list(CLOSURES) if text == "all" else [part.strip() for part in text.split(",")]


def headline(result: FilmResult) -> str:
    """The finding in a few words, for a figure's title."""
    if not result.targets:
        if result.is_of_stiffness:
            return f"OEE from the stiffest to the flimsiest tried: {_ends(result)}"
        return f"OEE from the fewest to the most misses tried: {_ends(result)}"
    told = "; ".join(target.in_words() for target in result.targets)
    parts = [
        f"{curve.label} {_limit_words(result, limit)}"
        for curve, limit in zip(result.curves, result.limits, strict=True)
    ]
    return f"{_capitalised(told)}: {'; '.join(parts)}"


def _capitalised(text: str) -> str:
    return text[0].upper() + text[1:]


def _ends(result: FilmResult) -> str:
    """OEE at both ends of each curve, in a few words."""
    parts = []
    for curve in result.curves:
        points = result.points(curve, None)
        best, worst = (100 * row["oee"].value for _, row in (points[0], points[-1]))
        ends = list(dict.fromkeys(f"{end:.1f}" for end in (best, worst)))
        parts.append(f"{curve.label} {' to '.join(ends)} %")
    return ", ".join(parts)


def _limit_words(result: FilmResult, limit: Limit) -> str:
    """A limit in a few words: a stiffness, a miss rate or a factor."""
    if limit.value is None:
        return "at none tried"
    is_last = limit.fails_from is None
    if result.is_of_stiffness:
        end = ", the flimsiest tried" if is_last else " on"
        return f"from {_rounded(limit.value, 2, up=True)} µN·m{end}"
    end = ", the most tried" if is_last else ""
    if len(result.machines) > 1:
        return f"up to {_rounded(limit.value, 2)} times the config's{end}"
    rate = _missed(result, limit.tried[limit.value].setting)
    return f"up to {_rounded(100 * rate, 2)} % missed{end}"


def _rounded(value: float, digits: int, *, up: bool = False) -> str:
    """A value to the digits that readers need, rounded up or down, never to the nearest."""
    if not value > 0:
        return f"{value:g}"
    step = 10.0 ** (floor(log10(value)) + 1 - digits)
    steps = ceil(value / step - NEARLY) if up else floor(value / step + NEARLY)
    return f"{steps * step:.6g}"


def _missed(result: FilmResult, setting: Setting) -> float:
    """The miss rate of the only machine varied."""
    from feedsim.answers.film import miss_rate

    name = result.machines[0].name
    return next(miss_rate(plan) for plan in setting.cell.machines if plan.name == name)


def _at(result: FilmResult, curve: Curve, value: float) -> str:
    """A place on a curve: a stiffness, a miss rate, or a factor where several were varied."""
    return _place(result, value, curve.settings[value], "{:.3g}".format)


def _at_limit(result: FilmResult, limit: Limit, value: float, *, kept: bool) -> str:
    """A place tried for a limit, rounded to the side on which the target is kept, or fails."""
    up = kept == result.is_of_stiffness
    return _place(result, value, limit.tried[value].setting, partial(_rounded, digits=3, up=up))


def _place(
    result: FilmResult, value: float, setting: Setting, shown: Callable[[float], str]
) -> str:
    if result.is_of_stiffness:
        return f"{shown(value)} uN.m"
    if len(result.machines) > 1:
        return f"{shown(value)} times the config's"
    return f"{shown(100 * _missed(result, setting))} % missed"


def subtitle(result: FilmResult, machine: str | None) -> str:
    """What a figure holds, below its title."""
    whole, varied = len(result.results.settings[0].cell.machines), len(result.machines)
    if machine is not None:
        of = f"Machine: {machine}, one of {whole}"
    elif whole > 1:
        of = f"Whole cell: {varied} of {whole} machines varied"
    else:
        of = f"Machine: {result.machines[0].name}"
    if result.is_of_stiffness:
        planned = f". Chances {PLANNING}; outside 10 to 1000 µN·m (shaded) a guess"
        return of + planned * _is_planned(result)
    told = f"{of}. Missed first attempts, over good and bad bundles"
    return f"{told}; chances {PLANNING}" if _is_planned(result) else told


def _is_planned(result: FilmResult) -> bool:
    return any(curve.is_planned for curve in result.curves)


def _planned(result: FilmResult) -> str:
    """What a sentence over stiffness adds where its chances are planning values."""
    return f", {PLANNING}" if result.is_of_stiffness and _is_planned(result) else ""


def answer(result: FilmResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    told = " and ".join(target.in_words() for target in result.targets)
    for curve, limit in zip(result.curves, result.limits, strict=False):
        yield _limit_sentence(result, curve, limit, told)
    if not result.targets:
        yield from _curve_sentences(result)
    if len(result.machines) == 1:
        yield from _cost_sentences(result.costs)


def _limit_sentence(result: FilmResult, curve: Curve, limit: Limit, told: str) -> str:
    sure = f"{100 * result.results.confidence:g} % confidence"
    planned = _planned(result)
    subject = _capitalised(curve.label)
    if limit.value is None:
        first = next(iter(limit.tried))
        best = "the stiffest" if result.is_of_stiffness else "the fewest"
        text = (
            f"{subject}: {told} is not shown even at {best} tried, "
            f"{_at(result, curve, first)}{planned} ({sure}): {evidence_text(limit.evidence)}."
        )
        if limit.without is not None:
            shown = {"met": "that would do", "missed": "not even that would do"}
            text += (
                f" Without any: {shown.get(limit.without.verdict, 'too close to tell')}, "
                f"{evidence_text(limit.without)}."
            )
        return text
    place = _at_limit(result, limit, limit.value, kept=True)
    if result.is_of_stiffness:
        head = f"{subject}: {told} is kept from {place} on{planned} ({sure})"
    else:
        factor = "" if len(result.machines) > 1 else f", {limit.value:.3g} times the config's"
        head = f"{subject}: {told} is kept up to {place}{factor} ({sure})"
    text = f"{head}: {evidence_text(limit.evidence)}."
    if limit.fails_from is None:
        return f"{text} That is the last tried; the limit lies further."
    beyond = limit.tried[limit.fails_from]
    close = "it is missed" if beyond.verdict == "missed" else "it is too close to tell"
    return (
        f"{text} At {_at_limit(result, limit, limit.fails_from, kept=False)} {close}: "
        f"{evidence_text(beyond)}."
    )


def _curve_sentences(result: FilmResult) -> Iterator[str]:
    from feedsim.cli.screen import number, percent, sureness

    sure = sureness(result.results.confidence, result.results.replications)
    for curve in result.curves:
        points = result.points(curve, None)
        (first, best), (last, worst) = points[0], points[-1]
        planned = _planned(result)
        subject = _capitalised(curve.label)
        if len(points) == 1:
            yield (
                f"{subject}: OEE is {percent(best['oee'])} at {_at(result, curve, first)}{planned} "
                f"({sure})."
            )
            continue
        change = worst.figures["oee"].minus(best.figures["oee"], best.confidence)
        yield (
            f"{subject}: OEE goes from {percent(best['oee'])} at {_at(result, curve, first)} to "
            f"{percent(worst['oee'])} at {_at(result, curve, last)}{planned} ({sure}), "
            f"{number(change, 1, 100)} points; fault visits from "
            f"{number(best['fault_visits_per_h'])} to {number(worst['fault_visits_per_h'])} an "
            "hour."
        )


def _cost_sentences(costs: Sequence[MissCost]) -> Iterator[str]:
    from feedsim.cli.screen import number

    for cost in costs:
        what = {
            "single": "The config's single misses",
            "bad_bundles": "What bad bundles add",
        }[cost.kind]
        text = (
            f"{what}, {100 * cost.rate:.2g} % of first attempts, cost {number(cost.oee, 2, 100)} "
            f"points of OEE, {number(cost.per_point, 1)} for each point of miss rate."
        )
        if cost.times_single is not None:
            text += (
                f" So a miss from a bad bundle costs {number(cost.times_single, 1)} times a single "
                "one."
            )
        elif cost.kind == "bad_bundles" and costs[0].kind == "single":
            text += (
                " Single misses cost too little here to compare the two: take more replications."
            )
        yield text


def input_sentences(inputs: FilmInputs) -> Iterator[str]:
    """What the inputs leave open of the limits, of the config itself and of the curves."""
    result = inputs.film
    for curve, limit in zip(result.curves, inputs.limits, strict=False):
        yield _limit_over_inputs(result, curve, limit)
    if inputs.met is not None:
        yield f"As the config is, they meet the targets in {share_met_text(inputs.met)}."
    measure = result.targets[0].measure if result.targets else "oee"
    yield sentence(inputs.inputs, measure)


def _limit_over_inputs(result: FilmResult, curve: Curve, limit: LimitOverInputs) -> str:
    """Between which values a curve's limit lies over the inputs."""
    subject = _capitalised(curve.label)
    text = (
        f"{subject}, with what is not known of the inputs: the expected measures meet the targets"
    )
    parts = []
    if limit.never + limit.beyond < limit.sets:
        parts.append(
            f" {'from' if result.is_of_stiffness else 'up to'} {_input_span(result, limit)}"
        )
    if limit.never:
        best = "the stiffest" if result.is_of_stiffness else "the fewest misses"
        parts.append(f" not even at {best} tried in {limit.never} of {limit.sets} sets")
    if limit.beyond:
        worst = "the flimsiest" if result.is_of_stiffness else "the most misses"
        parts.append(f" still at {worst} tried in {limit.beyond} of {limit.sets} sets")
    return f"{text}{','.join(parts)}."


def _input_span(result: FilmResult, limit: LimitOverInputs) -> str:
    """A limit's middle with both ends, as a stiffness, a miss rate, or a factor."""
    if result.is_of_stiffness:
        # The first tried is the stiffest.
        return f"{_span_text(limit.value, 1.0, 'beyond the last', 'before the first')} uN.m"
    ends = ("before the first", "beyond the last")
    if len(result.machines) == 1:
        rates = limit.rates[result.machines[0].name]
        return f"{_span_text(rates, 100.0, *ends)} % missed"
    return f"{_span_text(limit.value, 1.0, *ends)} times the config's misses"


def _span_text(found: LimitSpan, scale: float, no_low: str, no_high: str) -> str:
    low, high = (
        f"{no_end} tried" if end is None else f"{scale * end:.3g}"
        for end, no_end in ((found.low, no_low), (found.high, no_high))
    )
    middle = "" if found.middle is None else f"{scale * found.middle:.3g} "
    return f"{middle}({low} to {high})"


def _notes(result: FilmResult) -> Iterator[str]:
    from feedsim.film import stiffness_warning

    if result.is_of_stiffness and _is_planned(result):
        yield (
            "The chances over stiffness are planning values, from memory: odds per closure, "
            "falling with a power of stiffness. Replace them by your own pick trials."
        )
        measured = [
            result.config.machine[number].name
            for number in result.tables
            if result.config.machine[number].bag.faults is not None
        ]
        if measured:
            yield (
                f"The config's own faults of {', '.join(measured)} are replaced by planning values "
                "in this study."
            )
        warned = [stiffness_warning(value) for value in result.curves[0].settings]
        told = [warning for warning in warned if warning is not None]
        if told:
            more = f" (and {len(told) - 1} more)" if len(told) > 1 else ""
            yield f"{_capitalised(told[0])}{more}."
    if result.is_of_stiffness:
        return
    yield (
        "A miss rate is the chance that the first attempt at a bag misses, over good and bad "
        "bundles; attempts miss more often, since a missed bag is tried again. Single misses and "
        "bad bundles are varied one at a time."
    )


def say_tables(result: FilmResult, inputs: FilmInputs | None = None) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.film import miss_rate
    from feedsim.answers.rows import WHOLE_CELL
    from feedsim.cli.screen import FEW, cell, measured, say_table, say_unseen
    from feedsim.labels import label_of

    several = len(result.machines) > 1
    unit = "stiffness, uN.m" if result.is_of_stiffness else "factor"
    shown = []
    for curve in result.curves:
        lines = []
        for value, row in result.points(curve, None):
            plans = curve.settings[value].cell.machines
            named = {plan.name for plan in result.machines}
            rates = [miss_rate(plan) for plan in plans if plan.name in named]
            shown += [row[name] for name in COLUMNS if name in row.figures]
            lines.append(
                (
                    f"{value:.4g}",
                    " / ".join(f"{100 * rate:.3g}" for rate in rates[:3])
                    + (" ..." if len(rates) > 3 else ""),
                    *(measured(name, row.get(name)) for name in COLUMNS),
                )
            )
        planned = f" ({PLANNING})" if _is_planned(result) else ""
        of = WHOLE_CELL if len(result.results.settings[0].cell.machines) > 1 else ""
        say_table(
            f"{_capitalised(curve.label)}{', ' + of if of else ''}{planned}",
            (unit, "missed, %", *(label_of(name).heading for name in COLUMNS)),
            lines,
        )
    if result.costs and several:
        say_table(
            "What the config's misses cost each machine",
            (
                "machine",
                "kind",
                "missed, %",
                "OEE, points",
                "points per point",
                "times a single one",
            ),
            [
                (
                    cost.machine,
                    cost.kind.replace("_", " "),
                    f"{100 * cost.rate:.3g}",
                    cell(cost.oee, 100, 2),
                    cell(cost.per_point, 1, 1),
                    cell(cost.times_single, 1, 1, empty=""),
                )
                for cost in result.costs
            ],
        )
    if any(found.few_events for found in shown):
        click.echo(FEW)
    say_unseen(shown)
    click.echo("Values ± half-width of the interval. All of it stands in curves.csv.")
    if inputs is not None:
        _say_inputs(result, inputs)


def _say_inputs(result: FilmResult, inputs: FilmInputs) -> None:
    """The curves of the expected measures with their ranges, and which input to measure more."""
    from feedsim.cli.screen import say_table
    from feedsim.labels import label_of

    of = ", whole cell" if len(result.results.settings[0].cell.machines) > 1 else ""
    for curve in result.curves:
        say_table(
            f"{_capitalised(curve.label)}{of}: expected values over uncertain inputs",
            (
                "stiffness, uN.m" if result.is_of_stiffness else "factor",
                *(label_of(name).heading for name in COLUMNS),
            ),
            [
                (
                    f"{value:.4g}",
                    *(span(name, over.get(name)) for name in COLUMNS),
                )
                for value, _, over in inputs.ranges(curve, None)
            ],
        )
    say_measure_first(inputs.inputs, result.targets)
