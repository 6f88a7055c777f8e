"""Tables and sentences for a terminal."""

from __future__ import annotations

import io
import json
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import redirect_stdout
from math import isfinite
from typing import Any

import click

from feedsim.labels import label_of
from feedsim.stats import FEW_EVENTS, Estimate

PLAIN_WIDTH = 120
NONE = "none"
FEW = f"* seen in fewer than {FEW_EVENTS} shifts: too few events for the stated confidence."
TERMS = "feedsim show terms explains the words of statistics."
WAITING = "Waiting: stopped, and nobody there yet."


def percent(found: Estimate, digits: int = 1) -> str:
    """A share in percent with its interval."""
    return _with_interval(found, 100, digits, " %")


def number(found: Estimate, digits: int = 1, scale: float = 1) -> str:
    """A figure with its interval."""
    return _with_interval(found, scale, digits, "")


def _with_interval(found: Estimate, scale: float, digits: int, unit: str) -> str:
    if not isfinite(found.value):
        return "-"
    value, low, high = (
        f"{end * scale:z,.{digits}f}" for end in (found.value, found.low, found.high)
    )
    if not isfinite(found.half_width):
        return value + unit
    return f"{value}{unit} ({low} to {high})"


def cell(found: Estimate | None, scale: float = 1, digits: int = 1, empty: str = "-") -> str:
    """A figure in a table: value and half-width; no half-width where no event was seen."""
    if found is None or not isfinite(found.value):
        return empty
    if found.unseen and found.value == 0:
        return NONE
    value = f"{found.value * scale:z,.{digits}f}"
    if not isfinite(found.half_width):
        return value
    half = found.half_width * scale
    return f"{value} ±{half:,.{digits}f}{'*' if found.few_events else ''}"


def measured(measure: str, found: Estimate | None) -> str:
    """A measure's figure in a table."""
    label = label_of(measure)
    return cell(found, label.factor, label.digits)


def changed(measure: str, found: Estimate | None, empty: str = "-") -> str:
    """A difference of a measure in a table, of shares in points."""
    label = label_of(measure)
    return cell(found, label.factor, label.fine_digits, empty)


class _Gathering(io.StringIO):
    """Stands for stdout where tables are to be kept instead of printed."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[dict[str, Any]] = []

    def begin(self, title: str, columns: Sequence[str], lines: Iterable[Sequence[str]]) -> None:
        """Keep a table; what was said since the last one belongs to that."""
        self.end()
        self.tables.append(
            {"title": title, "columns": list(columns), "lines": [list(line) for line in lines]}
        )

    def end(self) -> None:
        """Put what was said since the last table under it."""
        said = [line for line in self.getvalue().splitlines() if line]
        if self.tables:
            self.tables[-1].setdefault("notes", []).extend(said)
        self.seek(0)
        self.truncate()


def tables_said(say: Callable[[], None]) -> list[dict[str, Any]]:
    """The tables that `say` would print, and below each the lines said of it, as JSON has them."""
    gathering = _Gathering()
    with redirect_stdout(gathering):
        say()
    gathering.end()
    return gathering.tables


def say_table(
    title: str, columns: Sequence[str], lines: Iterable[Sequence[str]], note: str = ""
) -> None:
    """Print a table on stdout; names are shown as they are, never read as markup."""
    if isinstance(sys.stdout, _Gathering):
        sys.stdout.begin(title, columns, lines)
        if note:
            click.echo(note)
        return
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    for place, column in enumerate(columns):
        table.add_column(Text(column), justify="left" if place == 0 else "right")
    for line in lines:
        table.add_row(*(Text(entry) for entry in line))
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else PLAIN_WIDTH
    console = Console(width=width, highlight=False)
    with console.capture() as printed:
        # Not as the table's own title, which would be folded to its width.
        console.print(Text(title), soft_wrap=True)
        console.print(table)
    click.echo(printed.get(), nl=False)
    if note:
        click.echo(note)


def sureness(confidence: float, replications: int) -> str:
    """What an interval is worth, or that there is none."""
    if replications == 1:
        return "one shift: no interval"
    return f"{100 * confidence:g} % confidence, {replications:,} shifts"


def say_unseen(shown: Iterable[Estimate | None]) -> None:
    """Say what "none" in the tables is worth, where it stands there."""
    unseen = [found for found in shown if found and found.unseen and found.value == 0]
    if unseen:
        found = unseen[0]
        click.echo(
            f"none: seen in no shift of {found.replications}; where it can happen at all, up to "
            f"{100 * (found.chance_high or 0):.1f} % of shifts may have one."
        )


def say_notes(notes: Sequence[str]) -> None:
    """Print what a reader must know of the figures."""
    for note in notes:
        click.echo(f"Note: {note}")


def talk(message: str) -> None:
    """Say something on stderr that is not part of the answer; what a name holds is no order."""
    from feedsim.config.problems import escaped

    click.echo("\n".join(map(escaped, message.split("\n"))), err=True)


def say_json(document: dict[str, Any]) -> None:
    """Print the JSON document."""
    click.echo(json.dumps(document, allow_nan=False))
