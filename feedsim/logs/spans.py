"""Stops, production windows and halts: stretches of time in a log, in microseconds."""

from __future__ import annotations

from dataclasses import dataclass

ALL_MACHINES = ""


@dataclass(frozen=True, slots=True)
class LoggedStop:
    """A stop as logged, in microseconds (see `feedsim.logs.instants`).

    `line` is its line in the file.
    """

    begin_us: int
    end_us: int
    reason: str
    machine: str
    line: int

    @property
    def length_us(self) -> int:
        """From begin to end."""
        return self.end_us - self.begin_us


@dataclass(frozen=True, slots=True)
class ProductionWindow:
    """A stretch of time in which a machine was to produce, and what it made.

    A count that is not known is None; so is `cycle_us`, the cycle at the stated speed.
    `machine` is empty where the window is of all machines.
    """

    begin_us: int
    end_us: int
    machine: str = ALL_MACHINES
    good: int | None = None
    made: int | None = None
    rejected: int | None = None
    cycle_us: int | None = None
    line: int = 0

    @property
    def length_us(self) -> int:
        """From begin to end."""
        return self.end_us - self.begin_us

    def touches(self, stop: LoggedStop) -> bool:
        """Whether a stop has time in the window; one without time: whether it lies in it."""
        if stop.length_us == 0:
            return self.begin_us <= stop.begin_us < self.end_us
        return stop.begin_us < self.end_us and stop.end_us > self.begin_us


@dataclass(frozen=True, slots=True)
class LoggedHalt:
    """A stretch of time without running: one stop, or several that overlap or touch.

    Attributes
    ----------
    begin_us, end_us : int
        Cut at the window's edges.
    reason : str
        Of the stop that has its first time, planned stops and changeovers left out.
    machine : str
    parts : tuple of LoggedStop
        Disjoint and in order, each the time booked to one logged stop.
    whole_us : int
        Its length before it was cut, planned stops and changeovers left out.
    is_counted : bool
        Whether it counts here: in the first window that it touches.
    """

    begin_us: int
    end_us: int
    reason: str
    machine: str
    parts: tuple[LoggedStop, ...]
    whole_us: int
    is_counted: bool

    @property
    def length_us(self) -> int:
        """From begin to end."""
        return self.end_us - self.begin_us
