"""The shift's clock: whole microseconds, and a stated order within each instant.

SimPy settles events of one instant by priority, then by order of creation. feedsim gives each
event the place of who it belongs to as its priority, so that the order within an instant is
part of the model and never of the program.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop

import simpy
from simpy.events import Event

CALENDAR, STATIONS, OPERATORS, OUTFEEDS, MACHINES, SHIFT_END = range(6)
_NUMBERS = 1_000_000


def place(kind: int, number: int = 0) -> int:
    """Place of a step in its instant: by class, then by number."""
    return kind * _NUMBERS + number


class Step(Event):
    """Something that falls due after a delay, at its place in that instant."""

    def __init__(self, clock: Clock, delay_us: int, at_place: int) -> None:
        self.env = clock
        self.callbacks = []
        self._ok = True
        self._value = None
        clock.schedule(self, at_place, delay_us)  # type: ignore[arg-type]


class Signal(Event):
    """Something that a process waits for until another process gives it."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)

    def give(self, at_place: int, delay_us: int = 0) -> None:
        """Let whoever waits go on after a delay, at their place in that instant."""
        self._ok = True
        self._value = None
        self.env.schedule(self, at_place, delay_us)  # type: ignore[arg-type]


class ShiftOver(Exception):
    """The shift's end, after all else of its instant."""


class Clock(simpy.Environment):
    """Simulated time of one shift in microseconds."""

    def __init__(self) -> None:
        super().__init__(initial_time=0)
        self.after_step: list[Callable[[], None]] = []

    @property
    def now(self) -> int:
        """Microseconds since the shift's start."""
        return self._now  # type: ignore[return-value]

    def at(self, delay_us: int, at_place: int, do: Callable[[], None]) -> None:
        """Have something done after a delay, at its place in that instant."""
        callbacks = Step(self, delay_us, at_place).callbacks
        assert callbacks is not None
        callbacks.append(lambda _: do())

    def run_shift(self, shift_us: int) -> None:
        """Take all steps of the shift, those of its last instant included.

        What is put on `after_step` during a step is done once at that step's end. The loop is
        SimPy's `run` and `step` in one, without its ways to stop and to go on: a call less for
        each event.
        """

        def end(_: Event) -> None:
            raise ShiftOver

        callbacks = Step(self, shift_us, place(SHIFT_END)).callbacks
        assert callbacks is not None
        callbacks.append(end)
        queue, after = self._queue, self.after_step
        try:
            while True:
                self._now, _, _, event = heappop(queue)
                callbacks, event.callbacks = event.callbacks, None  # type: ignore[assignment]
                for callback in callbacks:
                    callback(event)
                if not event._ok:
                    raise event._value
                if after:
                    after.pop()()
        except ShiftOver:
            return
