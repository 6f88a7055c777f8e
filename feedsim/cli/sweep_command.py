"""`feedsim sweep`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal, DecimalException
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.inputs_option import inputs_option, ranges
from feedsim.cli.options import StudyOptions, study_command

if TYPE_CHECKING:
    from feedsim.answers.rows import Row
    from feedsim.answers.sweep import SweepResult
    from feedsim.study import Value

MOST_LINES = 40
NAMED = 3
LARGEST = 1e15
ROUNDING = 1e-9
OPENING, CLOSING = "{[", "}]"
QUOTES = "\"'"


@click.command("sweep")
@study_command
@click.option(
    "--vary",
    "varied",
    multiple=True,
    required=True,
    metavar="KEY=VALUES",
    help="A key by its path, as with --set, and its values: a list a,b,c or a range "
    "first:last:step. May be given several times: every combination is studied.",
)
@inputs_option
def command(options: StudyOptions, varied: tuple[str, ...], input_sets: int | None) -> int:
    """Simulate CONFIG over every combination of some keys' values, all on the same luck.

    Tells the best setting by OEE, and which others cannot be told apart from it. The first
    --vary varies slowest. One key gives curves, two a map, more a list.

    \b
    Examples:
      feedsim sweep configs/oats_slider.toml --vary machine.speed_per_min=20:30:5
      feedsim sweep configs/oats_slider.toml --vary crew.operators=1,2 --vary crew.walk_s=5,30
      feedsim sweep configs/granola_mono_film.toml --vary machine.bag.closure=plain,press_zip
    """
    from feedsim.answers.sweep import labelled, sweep_over, sweep_settings
    from feedsim.cli.study_output import StudyAnswer, deliver, open_folder
    from feedsim.cli.working import working
    from feedsim.plots.sweep import sweep_figure

    vary = parse_varied(varied)
    settings = sweep_settings(options.config, vary)
    told: dict[str, Any] = {
        "vary": {key: [label for label, _ in labelled(vary[key])] for key in vary}
    }
    folder = open_folder("sweep", options, told, [setting.cell for setting in settings], input_sets)
    with working(folder, options) as work:
        result = sweep_over(options.config, settings, work=work, precision=options.precision)
        inputs = ranges(options.config, lambda c: sweep_settings(c, vary), input_sets, work)
    found = StudyAnswer(
        result.results,
        result.rows,
        list(answer(result)),
        partial(say_tables, result),
        result.warnings(),
        {"sweep": result.answer_json()},
        result.shortfalls,
        inputs=inputs,
    )
    return deliver(folder, options, found, {"sweep": sweep_figure(result, headline(result))})


def parse_varied(varied: Sequence[str]) -> dict[str, list[Any]]:
    """Keys and their values, from texts such as "crew.operators=1,2"."""
    found: dict[str, list[Any]] = {}
    for text in varied:
        key, equals, values = text.partition("=")
        key = key.strip()
        if not equals or not key or not values.strip():
            raise click.UsageError(
                f"--vary: {text[:60]!r} is not understood, allowed: KEY=VALUES, such as "
                "crew.operators=1,2 or machine.speed_per_min=20:40:5"
            )
        if key in found:
            raise click.UsageError(
                f"--vary: {key} is given twice, allowed: each key once, with all its values"
            )
        found[key] = list(_values(key, values))
    return found


def _values(key: str, text: str) -> Iterator[Any]:
    from feedsim.config.overrides import toml_or_text

    for piece, has_colon in split_values(key, text):
        if has_colon:
            yield from parse_range(key, piece)
        else:
            yield toml_or_text(piece)


def split_values(key: str, text: str) -> list[tuple[str, bool]]:
    """Split a list at the commas outside quotes and brackets; tells where a colon stands so."""
    pieces: list[tuple[str, bool]] = []
    begin, depth, quote, has_colon = 0, 0, "", False
    for place, character in enumerate(text):
        escaped = quote == '"' and text[place - 1] == "\\"
        if quote:
            quote = "" if character == quote and not escaped else quote
        elif character in QUOTES:
            quote = character
        elif character in OPENING + CLOSING:
            depth += 1 if character in OPENING else -1
        elif depth == 0 and character == ":":
            has_colon = True
        elif depth == 0 and character == ",":
            pieces.append((text[begin:place].strip(), has_colon))
            begin, has_colon = place + 1, False
    pieces.append((text[begin:].strip(), has_colon))
    if depth or quote or not all(piece for piece, _ in pieces):
        raise click.UsageError(
            f"--vary: {key}={text[:60]} is not understood, allowed: values parted by commas, such "
            "as 1,2 or low,dry, with quotes and brackets closed and nothing between two commas"
        )
    return pieces


def parse_range(key: str, text: str) -> list[int | float]:
    """Numbers from "first:last:step", the end included; whole ones where all three are whole."""
    from feedsim.answers.sweep import MOST_SETTINGS

    wrong = click.UsageError(
        f"--vary: {key}={text[:60]} is not understood, allowed: first:last:step in numbers, the "
        "step leading from first to last, such as 100:600:50 (a text with a colon: in quotes)"
    )
    try:
        first, last, step = (Decimal(part.strip()) for part in text.split(":"))
    except (ValueError, DecimalException) as error:
        raise wrong from error
    if not all(abs(float(part)) <= LARGEST for part in (first, last, step)):
        raise wrong
    if float(step) == 0 or (last - first) * step < 0:
        raise wrong
    # A last step that only rounding makes too long, or too short, ends at the end.
    steps = int(float((last - first) / step) + ROUNDING)
    if steps >= MOST_SETTINGS:
        raise click.UsageError(
            f"--vary: {key}={text[:60]} names {steps + 1:,} values, allowed: at most "
            f"{MOST_SETTINGS:,}"
        )
    are_whole = not any(set(".eE") & set(part) for part in text.split(":"))
    numbers = [first + number * step for number in range(steps + 1)]
    if abs(float((last - numbers[-1]) / step)) < ROUNDING:
        numbers[-1] = last
    return [int(number) if are_whole else float(number) for number in numbers]


def headline(result: SweepResult) -> str:
    """The finding in a few words, for a figure's title."""
    best = result.best
    if best is None:
        return "No setting has planned busy time"
    value = f"{100 * best.figures['oee'].value:.1f} %"
    if len(result.cells) == 1:
        return f"OEE is {value} at {result.in_words(best)}"
    told = f"OEE is highest, {value}, at {result.in_words(best)}"
    if best.replications == 1:
        return f"{told} (one shift: nothing is told apart)"
    others = len(result.not_told_apart)
    if not others:
        return f"{told}, surely higher than at any other"
    of = "any other"
    if others < result.comparisons:
        of = f"{others:,} of the {result.comparisons:,} others"
    return f"{told}; not told apart from {of}"


def answer(result: SweepResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    from feedsim.cli.screen import percent, sureness

    best, shifts = result.best, result.results.replications
    if best is None:
        yield "No setting has planned busy time, so none has an OEE."
        return
    sure = sureness(result.results.confidence, shifts)
    if len(result.cells) == 1:
        yield f"OEE is {percent(best['oee'])} at {result.in_words(best)} ({sure})."
        return
    yield (
        f"The highest OEE of {len(result.cells):,} settings is at {result.in_words(best)}: "
        f"{percent(best['oee'])} ({sure})."
    )
    if shifts == 1:
        return
    yield _rivals_text(result)
    yield (
        "The difference of each to the best is paired, Bonferroni over "
        f"{result.comparisons:,} comparisons: {100 * result.results.confidence:g} % sure, or more, "
        "that the truly best is the one named or among those. Picked as the highest of many, its "
        "own OEE is a little flattered: another --seed tells it without."
    )


def _rivals_text(result: SweepResult) -> str:
    rivals = result.not_told_apart
    lower = result.comparisons - len(rivals)
    others = "the other one is" if lower == 1 else f"the other {lower:,} are"
    if not rivals:
        return f"{others.capitalize()} surely lower."
    shown = "; ".join(result.in_words(row) for row in rivals[:NAMED])
    shown += f"; and {len(rivals) - NAMED:,} more" if len(rivals) > NAMED else ""
    rest = f"; {others} surely lower" if lower else ""
    return f"Not told apart from it: {shown}{rest}."


COLUMNS = (
    *("oee", "dry_share", "wait_share", "refill_visits_per_h", "fault_visits_per_h", "crew_busy"),
)


def say_tables(result: SweepResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.key_words import key_words
    from feedsim.answers.rows import WHOLE_CELL
    from feedsim.cli.screen import FEW, WAITING, measured, say_table, say_unseen
    from feedsim.labels import label_of

    rows = result.cells
    title = WHOLE_CELL
    if len(rows) > MOST_LINES:
        title = f"{WHOLE_CELL}: the {MOST_LINES} settings of the highest OEE"
        rows = sorted(rows, key=lambda row: -row.figures["oee"].value)[:MOST_LINES]
    near = {row.number for row in result.not_told_apart}
    shown = [row[name] for row in rows for name in COLUMNS if name in row.figures]
    say_table(
        f"{title} (value ± half-width of the interval)",
        (
            *(key_words(key, short).axis for key, short in result.short.items()),
            *(label_of(name).heading for name in COLUMNS),
            "to the best, points",
        ),
        [
            (
                *(_value_shown(value) for value in row.setting.values()),
                *(measured(name, row.get(name)) for name in COLUMNS),
                _to_best(result, row, near),
            )
            for row in rows
        ],
        FEW if any(found.few_events for found in shown) else "",
    )
    if len(rows) < len(result.cells):
        click.echo(f"All {len(result.cells):,} settings stand in summary.csv.")
    say_unseen(shown)
    click.echo(
        "To the best: paired difference of OEE, Bonferroni over the comparisons; ~ not told apart. "
        + WAITING
    )


def _value_shown(value: Value) -> str:
    """A value in a narrow column: of a table what tells it from others."""
    from feedsim.answers.rows import value_text

    text = value_text(value)
    if not text.startswith("{"):
        return text
    return text.strip("{ }").replace("family = ", "").replace('"', "")


def _to_best(result: SweepResult, row: Row, near: set[int]) -> str:
    from feedsim.cli.screen import changed

    if result.best is None:
        return "-"
    if row is result.best:
        return "best"
    return changed("oee", result.difference(row)) + ("~" if row.number in near else "")
