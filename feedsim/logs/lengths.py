"""How long stops last: classes of length, their shares of stops and of time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf

import numpy as np

from feedsim.logs.log import EventLog
from feedsim.logs.numbers import US_IN
from feedsim.logs.spans import LoggedHalt

# Edges of the classes, seconds: a plant's stops run from seconds to hours.
EDGES_S = (0, 30, 60, 120, 300, 600, 1800, 3600, 7200, inf)


@dataclass(frozen=True, slots=True)
class LengthClass:
    """Stops from a length on up to another, that one left out, in seconds."""

    from_s: float
    below_s: float
    stops: int
    time_us: int

    @property
    def label(self) -> str:
        """The class for readers."""
        if self.from_s == 0:
            return f"below {_words(self.below_s)}"
        if self.below_s == inf:
            return f"{_words(self.from_s)} or longer"
        return f"{_words(self.from_s)} to {_words(self.below_s)}"


def _words(seconds: float) -> str:
    for unit, size in (("h", 3600), ("min", 60)):
        if seconds >= size:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


@dataclass(frozen=True, slots=True)
class Lengths:
    """Lengths of halts, planned stops left out: classes, and figures in seconds.

    Attributes
    ----------
    stops : int
    median_s, mean_s, longest_s : float
        Not a number without stops.
    minor_stop_s : float
        What counts as a minor stop lasts less.
    minor_stops, minor_time_us : int
        How many are minor, and their time.
    time_us : int
        Of all.
    classes : tuple of LengthClass
        From the shortest to the longest that occurs, none left out between.
    """

    stops: int
    median_s: float
    mean_s: float
    longest_s: float
    minor_stop_s: float
    minor_stops: int
    minor_time_us: int
    time_us: int
    classes: tuple[LengthClass, ...]

    @property
    def minor_time_share(self) -> float:
        """Share of stopped time in minor stops; not a number without any."""
        return self.minor_time_us / self.time_us if self.time_us else float("nan")


def lengths_of(log: EventLog, minor_stop_min: float, machine: str) -> Lengths:
    """Lengths of a machine's halts that count in its windows.

    A halt counts once, with its whole length as logged, planned stops left out; one that is a
    planned stop and nothing else is none.

    Parameters
    ----------
    log : EventLog
    minor_stop_min : float
        What is shorter is a minor stop, minutes.
    machine : str
    """
    return _lengths([halt.whole_us for halt in _counted(log, machine)], minor_stop_min * 60)


def lengths_by_reason(log: EventLog, minor_stop_min: float, machine: str) -> dict[str, Lengths]:
    """The same for each reason that halts are counted under, the one with most time first."""
    found: dict[str, list[int]] = {}
    for halt in _counted(log, machine):
        found.setdefault(halt.reason, []).append(halt.whole_us)
    return {
        reason: _lengths(found[reason], minor_stop_min * 60)
        for reason in sorted(found, key=lambda reason: -sum(found[reason]))
    }


def _counted(log: EventLog, machine: str) -> Iterator[LoggedHalt]:
    for window in log.windows_of(machine):
        for halt in log.stops_in(window, machine):
            if halt.is_counted and not log.is_planned(halt.reason):
                yield halt


def _lengths(lengths_us: Sequence[int], minor_stop_s: float) -> Lengths:
    each = np.array(sorted(lengths_us), dtype=np.int64)
    minor = each[each < minor_stop_s * US_IN["s"]]
    none = float("nan")
    return Lengths(
        stops=len(each),
        median_s=float(np.median(each)) / 1e6 if len(each) else none,
        mean_s=float(each.mean()) / 1e6 if len(each) else none,
        longest_s=float(each[-1]) / 1e6 if len(each) else none,
        minor_stop_s=minor_stop_s,
        minor_stops=len(minor),
        minor_time_us=int(minor.sum()),
        time_us=int(each.sum()),
        classes=tuple(_classes(each)),
    )


def _classes(each: np.ndarray) -> list[LengthClass]:
    found = []
    for from_s, below_s in pairwise(EDGES_S):
        inside = each[(each >= from_s * 1e6) & (each < below_s * 1e6)]
        found.append(LengthClass(from_s, below_s, len(inside), int(inside.sum())))
    seen = [number for number, each_class in enumerate(found) if each_class.stops]
    return found[seen[0] : seen[-1] + 1] if seen else []
