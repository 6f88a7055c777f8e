"""The calendar: planned stops, the crew's breaks, rounds and duties falling due."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from functools import partial
from heapq import merge
from operator import itemgetter
from typing import TYPE_CHECKING

from simpy.events import Event

from feedsim.accounts.record import CHANGEOVER, PLANNED_STOP
from feedsim.cell import BreakPlan, Cell, PlannedStopPlan
from feedsim.model.clock import CALENDAR, Clock, Step, place

if TYPE_CHECKING:
    from feedsim.model.crew import Crew
    from feedsim.model.machine import Machine

Process = Generator[Event, None, None]
Entry = tuple[int, Callable[[], None]]


def edges_of(spans: Sequence[BreakPlan | PlannedStopPlan]) -> list[int]:
    """The instants at which any of them begins or ends."""
    return sorted({edge for span in spans for edge in (span.begin_us, span.end_us)})


class Calendar:
    """Planned stops hold all machines; `planned_state` is the state that they book now.

    What begins and what ends at one instant is seen at once: of two breaks, or planned stops,
    that follow one another without a gap, nothing happens in between.
    """

    def __init__(self, clock: Clock, cell: Cell) -> None:
        self.clock = clock
        self.cell = cell
        self.machines: list[Machine] = []
        self.planned_state: str | None = None
        self._planned_us = 0
        self._since_us = 0

    def planned_us(self) -> int:
        """Planned stop time since the shift's start."""
        return self._planned_us + (self.clock.now - self._since_us if self.planned_state else 0)

    def work(self, crew: Crew) -> Process:
        """The calendar's process: entry by entry, each a step of its own."""
        # Of one instant `merge` gives the entries in the order of the kinds.
        for at_us, do in merge(*self._entries(crew), key=itemgetter(0)):
            yield Step(self.clock, at_us - self.clock.now, place(CALENDAR))
            do()

    def _entries(self, crew: Crew) -> Iterator[Iterator[Entry]]:
        """The entries of each kind, and of each duty, in their order within an instant."""
        cell = self.cell
        yield ((at_us, self._look_at_planned_stops) for at_us in edges_of(cell.planned_stops))
        look_at_breaks = partial(self._look_at_breaks, crew)
        yield ((at_us, look_at_breaks) for at_us in edges_of(cell.crew.breaks))
        if cell.crew.rounds_us:
            yield _every(cell.crew.rounds_us, cell.shift_us, partial(self._begin_round, crew))
        for duty in cell.crew.duties:
            yield _every(duty.every_us, cell.shift_us, partial(crew.call_to_duty, duty))

    def _look_at_planned_stops(self) -> None:
        now = self.clock.now
        self._hold([stop for stop in self.cell.planned_stops if stop.begin_us <= now < stop.end_us])

    def _hold(self, stops: list[PlannedStopPlan]) -> None:
        self._planned_us = self.planned_us()
        self._since_us = self.clock.now
        self.planned_state = None
        if stops:
            of_break = any(stop.is_break for stop in stops)
            self.planned_state = PLANNED_STOP if of_break else CHANGEOVER
        for machine in self.machines:
            machine.look_closer = True
            machine.reconsider()

    def _look_at_breaks(self, crew: Crew) -> None:
        now = self.clock.now
        crew.keep([p.cover for p in self.cell.crew.breaks if p.begin_us <= now < p.end_us])

    def _begin_round(self, crew: Crew) -> None:
        for machine in self.machines:
            crew.call_on_round(machine)


def _every(every_us: int, shift_us: int, do: Callable[[], None]) -> Iterator[Entry]:
    return ((at_us, do) for at_us in range(every_us, shift_us, every_us))
