"""What a log holds: stops, production windows, and what was odd in its lines."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from feedsim.accounts.record import CHANGEOVER, PLANNED_STOP
from feedsim.config.declare import state_of
from feedsim.config.sense import BUILT_IN_STATES
from feedsim.logs.findings import Finding
from feedsim.logs.halts import WholeHalt, cut_to, whole_halts
from feedsim.logs.instants import Zone
from feedsim.logs.spans import ALL_MACHINES, LoggedHalt, LoggedStop, ProductionWindow

NO_REASON = "reason not given"
NO_MACHINE = "machine not given"
AS_LOGGED = "as logged"


@dataclass(frozen=True)
class EventLog:
    """A plant's log, read.

    Attributes
    ----------
    file, windows_file : str
        Names of the log and of the file of its windows, the same if that is the log.
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
    unused : tuple of str
        Reasons that the user named and the log does not hold.
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
    windows_file: str
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
    unused: tuple[str, ...] = ()

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
        return self._state_by_reason[reason]

    @cached_property
    def _state_by_reason(self) -> dict[str, str]:
        """Reasons of unlike words have unlike states."""
        found: dict[str, str] = {}
        taken = set(BUILT_IN_STATES)
        for reason in self.reasons:
            own = self.states.get(reason, "")
            if not own:
                own = plain = state_of(reason) or "stop"
                number = 1
                while own in taken:
                    number += 1
                    own = f"{plain}_{number}"
            found[reason] = own
            taken.add(own)
        return found

    def stops_in(self, window: ProductionWindow, machine: str | None = None) -> list[LoggedHalt]:
        """Halts of a machine in a window: merged where they overlap or touch, cut at its edges.

        Parameters
        ----------
        window : ProductionWindow
            One of `windows`.
        machine : str, optional
            Needed where the window is of all machines and there are several.

        Returns
        -------
        list of LoggedHalt
            In order of time, with running time before, between and after them.

        Raises
        ------
        ValueError
            If the machine is needed and not given.
        """
        if machine is None:
            machine = window.machine or self.machines[0]
            if not window.machine and len(self.machines) > 1:
                raise ValueError(f"of which machine? One of {', '.join(self.machines)}")
        key = (machine, window.begin_us, window.end_us)
        if key not in self._cut_halts:
            self._cut_halts[key] = self._cut(window, machine)
        return self._cut_halts[key]

    @cached_property
    def _cut_halts(self) -> dict[tuple[str, int, int], list[LoggedHalt]]:
        return {}

    def _cut(self, window: ProductionWindow, machine: str) -> list[LoggedHalt]:
        ends, halts = self._whole_halts.get(machine, ([], []))
        before_us = self._end_before(window, machine)
        found = []
        for number in range(bisect_left(ends, window.begin_us), len(halts)):
            halt = halts[number]
            if halt.begin_us >= window.end_us:
                break
            if any(window.touches(part) for part in halt.parts):
                is_counted = before_us is None or halt.begin_us >= before_us
                found.append(cut_to(halt, window, self.is_planned, is_counted=is_counted))
        return found

    def _end_before(self, window: ProductionWindow, machine: str) -> int | None:
        """The end of the machine's window before; they are in order and none is over another."""
        begins, ends = self._edges[machine]
        number = bisect_left(begins, window.begin_us)
        return ends[number - 1] if number else None

    @cached_property
    def _edges(self) -> dict[str, tuple[list[int], list[int]]]:
        found = {}
        for machine in self.machines:
            windows = self.windows_of(machine)
            found[machine] = [w.begin_us for w in windows], [w.end_us for w in windows]
        return found

    @cached_property
    def _whole_halts(self) -> dict[str, tuple[list[int], list[WholeHalt]]]:
        found = {}
        for machine, stops in self._by_machine.items():
            halts = whole_halts(stops, self.is_planned)
            found[machine] = [halt.end_us for halt in halts], halts
        return found
