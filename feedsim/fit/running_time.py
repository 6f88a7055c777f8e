"""From a log to times between stops and lengths of stops, reason by reason.

The rules, stated here and shown with the answer:

- Every halt of the machine stops the clock, whatever its cause: times between stops are running
  time, as a station of the model ages by cycles.
- The clock of each reason starts anew with each production window and after each of its stops.
  What the window's end cuts off is right-censored; a window's first time counts from its start.
- Stops of one reason within one halt (they overlap or touch) are one stop.
- A stop that a window's end cuts has a right-censored length; one that began before its window,
  and one that stands at the window's start, has no running time before it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from feedsim.fit.renewals import Renewals
from feedsim.fit.survival import CensoredTimes
from feedsim.logs import EventLog, LoggedStop, ProductionWindow

US_PER_S = 1e6


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of one reason in a window.

    Attributes
    ----------
    window : int
        Number of the window, from 0.
    at_s : float
        Running time of the window when it began, s.
    length_s : float
        Its own time, s.
    whole : bool
        False where the window's end cuts it.
    begun : bool
        False where it began before its window: its length is not known.
    """

    window: int
    at_s: float
    length_s: float
    whole: bool = True
    begun: bool = True


@dataclass(frozen=True, slots=True)
class Window:
    """A production window: whose it is, from when to when (us), and its running time, s."""

    machine: str
    begin_us: int
    end_us: int
    running_s: float


@dataclass(frozen=True)
class ReasonStops:
    """The stops of a reason, with all windows.

    Attributes
    ----------
    reason : str
    stops : tuple of Stop
        In order of time.
    windows : tuple of Window
        Those with none of its stops included.
    """

    reason: str
    stops: tuple[Stop, ...]
    windows: tuple[Window, ...]

    @property
    def running_s(self) -> tuple[float, ...]:
        """Running time of each window, s."""
        return tuple(window.running_s for window in self.windows)

    def within(self, numbers: Sequence[int]) -> ReasonStops:
        """Those within some of the windows."""
        place = {number: at for at, number in enumerate(numbers)}
        kept = tuple(
            replace(stop, window=place[stop.window]) for stop in self.stops if stop.window in place
        )
        return ReasonStops(self.reason, kept, tuple(self.windows[number] for number in numbers))

    def part(self, low_s: float, high_s: float) -> ReasonStops:
        """Those whose length is at least one limit and below another, s.

        One that the window's end cuts counts by the length it has.
        """
        kept = tuple(s for s in self.stops if s.begun and low_s <= s.length_s < high_s)
        return ReasonStops(self.reason, kept, self.windows)

    @property
    def began(self) -> list[Stop]:
        """Stops that began in their windows."""
        return [stop for stop in self.stops if stop.begun]

    @property
    def without_time(self) -> int:
        """Stops that began and ended at one instant: they have no length to fit."""
        return sum(stop.length_s <= 0 for stop in self.began)

    @property
    def at_start(self) -> int:
        """Stops that stand at their window's start: no running time before them."""
        return sum(stop.at_s <= 0 for stop in self.began)

    @property
    def lost_s(self) -> float:
        """Time of all its stops, s."""
        return sum(stop.length_s for stop in self.stops)

    @property
    def between(self) -> Renewals:
        """Running times between its stops."""
        instants: list[list[float]] = [[] for _ in self.running_s]
        for stop in self.began:
            instants[stop.window].append(stop.at_s)
        return Renewals.of(instants, self.running_s)

    @property
    def lengths(self) -> CensoredTimes:
        """Lengths of its stops."""
        there = [stop for stop in self.began if stop.length_s > 0]
        return CensoredTimes.of(
            [stop.length_s for stop in there if stop.whole],
            [stop.length_s for stop in there if not stop.whole],
        )


def stops_by_reason(log: EventLog, machine: str | None = None) -> list[ReasonStops]:
    """Stops of a machine by reason, those that cost most first.

    Parameters
    ----------
    log : EventLog
    machine : str, optional
        One of the log's machines; by default all of them, as if alike.

    Returns
    -------
    list of ReasonStops
        Planned stops and changeovers stop the clock, and are not in it.
    """
    machines = log.machines if machine is None else (machine,)
    windows: list[Window] = []
    found: dict[str, list[Stop]] = defaultdict(list)
    logged = {name: {stop.line: stop for stop in log.stops_of(name)} for name in machines}
    # In order of time over all machines: a trend is one of the plant, not from machine to machine.
    spans = [(window, name) for name in machines for window in log.windows_of(name)]
    for window, name in sorted(spans, key=lambda span: span[0].begin_us):
        number = len(windows)
        running_us, own = _walked(log, window, name, logged[name])
        windows.append(Window(name, window.begin_us, window.end_us, running_us / US_PER_S))
        for reason, at_us, length_us, whole, begun in own:
            stop = Stop(number, at_us / US_PER_S, length_us / US_PER_S, whole, begun)
            found[reason].append(stop)
    reasons = [ReasonStops(r, tuple(s), tuple(windows)) for r, s in found.items()]
    return sorted(reasons, key=lambda each: (-each.lost_s, each.reason))


def resolution_s(log: EventLog) -> float:
    """The step of the clock in which the log's stops were written down, s."""
    if not log.stops:
        return 0.0
    first_us = log.stops[0].begin_us
    return math.gcd(*(t - first_us for s in log.stops for t in (s.begin_us, s.end_us))) / US_PER_S


# Reason, running time before, length (both us), whole, begun.
_Walked = tuple[str, int, int, bool, bool]


def _walked(
    log: EventLog, window: ProductionWindow, machine: str, logged: Mapping[int, LoggedStop]
) -> tuple[int, list[_Walked]]:
    """Running time of a window, and its stops, as far as `Stop` tells of them."""
    running_us, at_us = 0, window.begin_us
    found: list[_Walked] = []
    for halt in log.stops_in(window, machine):
        running_us += halt.begin_us - at_us
        at_us = halt.end_us
        for reason, parts in _by_reason(halt.parts).items():
            if log.is_planned(reason):
                continue
            whole = all(
                part.end_us < window.end_us or logged[part.line].end_us <= window.end_us
                for part in parts
            )
            begun = all(logged[part.line].begin_us >= window.begin_us for part in parts)
            length_us = sum(part.length_us for part in parts)
            found.append((reason, running_us, length_us, whole, begun))
    return running_us + window.end_us - at_us, found


def _by_reason(parts: Sequence[LoggedStop]) -> dict[str, list[LoggedStop]]:
    found: dict[str, list[LoggedStop]] = {}
    for part in parts:
        found.setdefault(part.reason, []).append(part)
    return found
