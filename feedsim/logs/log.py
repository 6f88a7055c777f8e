"""What a log holds: stops, production windows, and what was odd in its lines."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from feedsim.accounts.record import CHANGEOVER, PLANNED_STOP
from feedsim.config.declare import state_of
from feedsim.logs.findings import Finding
from feedsim.logs.instants import Zone
from feedsim.logs.layout import STATES

ALL_MACHINES = ""
NO_REASON = "reason not given"
AS_LOGGED = "as logged"


@dataclass(frozen=True, slots=True)
class LoggedStop:
    """A stop as logged, in microseconds (see `feedsim.logs.instants`).

    `line` is its line in the file; `good`, `made` and `rejected` are counts of its row.
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
    cycle_us: float | None = None
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


@dataclass(frozen=True)
class EventLog:
    """A plant's log, read.

    Attributes
    ----------
    file : str
        Name of the log.
    stops : tuple of LoggedStop
        In order of time, those outside the windows included.
    windows : tuple of ProductionWindow
        In order of time.
    findings : tuple of Finding
        All that was odd, by file and line.
    rows : int
        Rows of the log below its heading, those set aside included.
    running_rows : int
        Of these, rows that tell of running.
    states : mapping from reason to state
        Reasons that are a state of the accounts.
    visited : frozenset of str
        Reasons whose stops somebody came to end.
    zone : Zone
    windows_from : {"file", "log", "days"}
        Where the windows come from; "days": nobody said them.
    columns : mapping
        Which column of which file was read as what.
    """

    file: str
    stops: tuple[LoggedStop, ...]
    windows: tuple[ProductionWindow, ...]
    findings: tuple[Finding, ...]
    rows: int
    running_rows: int
    states: Mapping[str, str]
    visited: frozenset[str]
    zone: Zone
    windows_from: str
    columns: Mapping[str, Mapping[str, str]]
    _halts: dict[str, list[tuple[tuple[LoggedStop, ...], int]]] = field(
        default_factory=dict, repr=False, compare=False
    )

    @cached_property
    def machines(self) -> tuple[str, ...]:
        """Machines with a window, in order of appearance; else of the stops."""
        named = [w.machine for w in self.windows if w.machine != ALL_MACHINES]
        if len(named) < len(self.windows) or not named:
            named += [stop.machine for stop in self.stops]
        return tuple(dict.fromkeys(named or [ALL_MACHINES]))

    @cached_property
    def reasons(self) -> tuple[str, ...]:
        """All reasons, in order of appearance in time."""
        return tuple(dict.fromkeys(stop.reason for stop in self.stops))

    def windows_of(self, machine: str) -> tuple[ProductionWindow, ...]:
        """The windows of a machine, in order of time."""
        return tuple(w for w in self.windows if w.machine in (machine, ALL_MACHINES))

    def stops_of(self, machine: str) -> tuple[LoggedStop, ...]:
        """The stops of a machine, in order of time."""
        return self._by_machine.get(machine, ())

    @cached_property
    def _by_machine(self) -> dict[str, tuple[LoggedStop, ...]]:
        found: dict[str, list[LoggedStop]] = defaultdict(list)
        for stop in self.stops:
            found[stop.machine].append(stop)
        return {machine: tuple(stops) for machine, stops in found.items()}

    def is_planned(self, reason: str) -> bool:
        """Whether a reason is a planned stop or a changeover."""
        return self.states.get(reason) in (PLANNED_STOP, CHANGEOVER)

    def state_of(self, reason: str) -> str:
        """The state of the accounts that a reason's time is booked to."""
        if reason in self.states:
            return self.states[reason]
        own = state_of(reason) or "stop"
        return f"{own}_stop" if own in (*STATES, "retry", "restarting") else own

    def stops_in(self, window: ProductionWindow, machine: str | None = None) -> list[LoggedHalt]:
        """Halts of a machine in a window: merged where they overlap or touch, cut at its edges.

        Parameters
        ----------
        window : ProductionWindow
            One of `windows`.
        machine : str, optional
            Needed where the window is of all machines.

        Returns
        -------
        list of LoggedHalt
            In order of time, with running time before, between and after them.
        """
        from feedsim.logs.halts import halts_in

        return halts_in(self, window, machine)
