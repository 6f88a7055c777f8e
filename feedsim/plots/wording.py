"""Texts of figures: numbers with the digits they deserve, names cut to the room there is."""

from __future__ import annotations

import math
import re

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

from feedsim.plots.style import FAMILY, FONT
from feedsim.stats import Estimate

POINTS_PER_IN = 72.0
BALANCING_STEPS = 6
NOTHING = "–"


def percent(share: float, half_width: float = math.nan) -> str:
    """Write a share as a percentage, to the digits that its interval leaves."""
    if math.isnan(share):
        return NOTHING
    return f"{_rounded(100 * share, 100 * half_width)} %"


def percent_with_interval(share: Estimate) -> str:
    """Write a share with its interval, as far as there is one."""
    half = share.half_width
    text = percent(share.value, half)
    if math.isnan(half):
        return text
    low, high = (_rounded(100 * end, 100 * half) for end in (share.low, share.high))
    return f"{text} ({low} to {high})"


def points_with_interval(change: Estimate) -> str:
    """Write a difference of shares in points, with its interval as far as there is one."""
    if math.isnan(change.value):
        return NOTHING
    value, low, high = (_signed(100 * end, 2) for end in (change.value, change.low, change.high))
    return value if math.isnan(change.half_width) else f"{value} ({low} to {high})"


def _signed(value: float, digits: int) -> str:
    """Round with a sign, without one before a zero."""
    text = _tidy(value, digits)
    return text if float(text) == 0 or text.startswith("-") else f"+{text}"


def ledger_percent(share: float) -> str:
    """Write a share as a percentage in a column of others: to about three digits."""
    if math.isnan(share):
        return NOTHING
    return f"{_tidy(100 * share, 1 if abs(share) >= 0.09995 else 2)} %"


def counted(number: int, noun: str) -> str:
    """Write a number of things."""
    return f"one {noun}" if number == 1 else f"{number:,} {noun}s"


def minutes(value_min: float) -> str:
    """Write minutes to about three digits."""
    if math.isnan(value_min):
        return NOTHING
    return f"{_tidy(value_min, 1 if abs(value_min) < 99.95 else 0)} min"


def _rounded(value: float, half_width: float) -> str:
    digits = 1
    if 0 < half_width < 0.05 or abs(value) < 0.95:
        digits = 2
    return _tidy(value, digits)


def _tidy(value: float, digits: int) -> str:
    """Round, without a minus before a zero."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def width_in(text: str, size: float = FONT, *, bold: bool = False) -> float:
    """Width of a line of text in inches."""
    font = FontProperties(family=FAMILY, size=size, weight="bold" if bold else "normal")
    width, _, _ = TextToPath().get_text_width_height_descent(text, font, ismath=False)
    return float(width) / POINTS_PER_IN


def fitted(text: str, room_in: float, size: float = FONT, *, bold: bool = False) -> str:
    """Cut the middle out of a text that is wider than its room, in inches."""
    if width_in(text, size, bold=bold) <= room_in:
        return text
    shortest, longest = 0, len(text) - 1
    while shortest < longest:
        kept = (shortest + longest + 1) // 2
        if width_in(_cut(text, kept), size, bold=bold) <= room_in:
            shortest = kept
        else:
            longest = kept - 1
    return _cut(text, shortest)


def _cut(text: str, kept: int) -> str:
    head = (kept + 1) // 2
    tail = kept - head
    return f"{text[:head].rstrip()}…{text[len(text) - tail :].lstrip()}"


def wrapped(text: str, room_in: float, size: float = FONT, *, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than their room, in inches; never before a "%"."""
    lines: list[str] = []
    line = ""
    for word in re.split(" (?!%)", text):
        longer = f"{line} {word}" if line else word
        if line and width_in(longer, size, bold=bold) > room_in:
            lines.append(fitted(line, room_in, size, bold=bold))
            longer = word
        line = longer
    return [*lines, fitted(line, room_in, size, bold=bold)]


def title_lines(text: str, room_in: float, size: float) -> list[str]:
    """Break a title into as few lines as it needs, all of about the same width."""
    lines = wrapped(text, room_in, size, bold=True)
    if len(lines) == 1 or " ".join(lines) != text:
        return lines
    narrow_in, wide_in = room_in / len(lines), room_in
    for _ in range(BALANCING_STEPS):
        middle_in = (narrow_in + wide_in) / 2
        found = wrapped(text, middle_in, size, bold=True)
        if len(found) == len(lines) and " ".join(found) == text:
            lines, wide_in = found, middle_in
        else:
            narrow_in = middle_in
    return lines
