"""Numbers that options give as a list or a range: capacities, minutes, factors, stiffnesses."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, isfinite

import click

MOST_VALUES = 1_000


def parse_bags(text: str) -> list[int]:
    """Capacities from "100:600:50" (the end included) or "100,150,200"."""
    wrong = click.UsageError(
        f"--bags: {text[:60]!r} is not understood, allowed: first:last:step or a list of whole "
        "numbers above 0, such as 100:600:50 or 100,150,200"
    )
    try:
        if ":" in text:
            first, last, step = (int(part) for part in text.split(":"))
            if step < 1 or last < first:
                raise wrong
            values: Sequence[int] = range(first, last + 1, step)
        else:
            values = [int(part) for part in text.split(",")]
    except ValueError as error:
        raise wrong from error
    if len(values) > MOST_VALUES:
        raise click.UsageError(
            f"--bags: {text[:60]!r} names {len(values):,} capacities, allowed: at most "
            f"{MOST_VALUES:,}"
        )
    if min(values) < 1:
        raise wrong
    return list(values)


def parse_rounds(text: str) -> list[float]:
    """Round intervals in minutes from "2,5,10"."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError as error:
        raise click.UsageError(
            f"--rounds: {text[:60]!r} is not understood, allowed: minutes in a list, such as 2,5,10"
        ) from error
    return list(dict.fromkeys(values))


def parse_numbers(option: str, text: str, example: str) -> list[float]:
    """Numbers above 0 from "first:last:step" (the end included) or a list; ascending, each once."""
    wrong = click.UsageError(
        f"{option}: {text[:60]!r} is not understood, allowed: first:last:step or a list of numbers "
        f"above 0, such as {example}"
    )
    try:
        parts = [float(part) for part in text.split(":" if ":" in text else ",")]
    except ValueError as error:
        raise wrong from error
    if not all(isfinite(part) and part > 0 for part in parts):
        raise wrong
    if ":" in text:
        if len(parts) != 3 or parts[1] < parts[0]:
            raise wrong
        first, last, step = parts
        count = floor((last - first) / step * (1 + 1e-12) + 1e-9) + 1
        if count <= MOST_VALUES:
            parts = [float(f"{first + step * place:.12g}") for place in range(count)]
    else:
        count = len(parts)
    if count > MOST_VALUES:
        raise click.UsageError(
            f"{option}: {text[:60]!r} names {count:,} values, allowed: at most {MOST_VALUES:,}"
        )
    return sorted(set(parts))
