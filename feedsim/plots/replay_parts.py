"""Parts of a shift's picture: looks and marks, what is too fine to see, the clock's ticks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from feedsim.accounts import Window
from feedsim.accounts.record import DOUBLE, JAMMED, MISSED, SKEWED, UNOPENED
from feedsim.accounts.timeline import Segment
from feedsim.answers.event_words import HOUR_US, MINUTE_US, SECOND_US, clock
from feedsim.answers.replay import AT_BASE, AWAY, CLEARING, LOADING, ON_DUTY, WALKING
from feedsim.plots.style import INK, SOFT_INK, Look, area_looks
from feedsim.plots.wording import width_in

SMALL = 9.5
KEY_GAP_IN = 0.22
# Finer than a pixel of the picture: there is no more to be seen.
FINEST = 1 / 1500

STAYS = {
    WALKING: Look("#b7d3ea", "//", INK),
    LOADING: Look("#17395c", ""),
    CLEARING: Look("#8a6fb3", "xx"),
    ON_DUTY: Look("#c9b8a2", "..", INK),
    AT_BASE: Look("#f7f8fa", "", SOFT_INK),
    AWAY: Look("#aab2bb", "--", INK),
}

Mark = tuple[str, str, bool]

CALLS: dict[str, Mark] = {
    "low": ("v", "low", False),
    "dry": ("v", "dry", True),
    "round": ("|", "round", True),
    "jam": ("P", "jam", True),
    "lane": ("X", "lane fault", True),
    "station": ("D", "station", False),
}
PICKS: dict[str, Mark] = {
    MISSED: ("|", "missed", True),
    DOUBLE: ("o", "double", False),
    UNOPENED: ("x", "unopened", True),
    SKEWED: ("^", "skewed", False),
    JAMMED: ("P", "jam", True),
}
ROUND: Mark = ("|", "round", True)
DUTY_MARK: Mark = ("s", "duty", False)


def drawable(segments: Iterable[Segment], finest_us: float) -> dict[str, list[tuple[float, float]]]:
    """Spans of each state to draw: of those finer than a pixel the sum, where they begin.

    Parameters
    ----------
    segments : iterable of Segment
        In order.
    finest_us : float
        The least width that can be seen, in microseconds.

    Returns
    -------
    dict
        Of each state begin and end of its spans in microseconds; their lengths sum to the state's.
    """
    spans: dict[str, list[tuple[float, float]]] = defaultdict(list)
    begins: dict[tuple[str, int], float] = {}
    fine: dict[tuple[str, int], float] = defaultdict(float)
    for segment in segments:
        length_us = segment.end_us - segment.begin_us
        if length_us >= finest_us:
            spans[segment.state].append((segment.begin_us, segment.end_us))
        elif length_us:
            place = segment.state, int(segment.begin_us // finest_us)
            begins.setdefault(place, segment.begin_us)
            fine[place] += length_us
    for (state, bin_number), length in fine.items():
        begin = begins[state, bin_number]
        spans[state].append((begin, begin + length))
    return spans


def thinned(
    at_us: NDArray[np.int64], bags: NDArray[np.int64], window: Window
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Leave out what a step line cannot show: of each pixel its first, least, most and last."""
    bins = ((at_us - window.start_us) * FINEST**-1 / (window.end_us - window.start_us)).astype(int)
    if len(at_us) <= 4 * len(np.unique(bins)):
        return at_us, bags
    edges = np.flatnonzero(np.diff(bins)) + 1
    kept: set[int] = set()
    for part in np.split(np.arange(len(at_us)), edges):
        levels = bags[part]
        kept |= {part[0], part[-1], part[int(levels.argmin())], part[int(levels.argmax())]}
    order = np.array(sorted(kept))
    return at_us[order], bags[order]


_STEPS_US = [
    *(s * SECOND_US for s in (1, 2, 5, 10, 15, 30)),
    *(m * MINUTE_US for m in (1, 2, 5, 10, 15, 30)),
    *(h * HOUR_US for h in (1, 2, 3, 6, 12, 24)),
]
MOST_TICKS = 13


def ticks(window: Window) -> range:
    """Round instants of the clock in a window."""
    span_us = window.end_us - window.start_us
    step_us = next((s for s in _STEPS_US if span_us <= s * MOST_TICKS), 0)
    while not step_us or span_us > step_us * MOST_TICKS:
        step_us = 2 * (step_us or _STEPS_US[-1])
    return range(-(-window.start_us // step_us) * step_us, window.end_us + 1, step_us)


def tick_text(at_us: int, window: Window) -> str:
    """An instant as its tick shows it: with seconds in short windows."""
    fine = window.end_us - window.start_us < MOST_TICKS * MINUTE_US
    return clock(at_us) if fine else clock(at_us).rpartition(":")[0]


def in_lines(entries: Sequence[tuple[str, Look]], room_in: float) -> list[list[tuple[str, Look]]]:
    """Break a key into lines no wider than their room, in inches."""
    lines: list[list[tuple[str, Look]]] = [[]]
    used_in = 0.0
    for text, look in entries:
        needed_in = 0.32 + width_in(text, SMALL) + KEY_GAP_IN
        if lines[-1] and used_in + needed_in > room_in:
            lines.append([])
            used_in = 0.0
        lines[-1].append((text, look))
        used_in += needed_in
    return lines


def fill(axes: Axes, spans: Sequence[tuple[float, float]], look: Look) -> None:
    """Fill spans of a band."""
    axes.broken_barh([(begin, end - begin) for begin, end in spans], (0, 1), **area_looks(look))


def mark_looks(mark: Mark) -> dict[str, Any]:
    """Tell matplotlib the look of a mark."""
    marker, _, full = mark
    return {
        "linestyle": "",
        "marker": marker,
        "markersize": 8.0 if marker == "|" else 5.6,
        "color": INK,
        "markerfacecolor": INK if full else "white",
        "markeredgewidth": 1.1,
    }
