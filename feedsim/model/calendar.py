"""The calendar: planned stops, the crew's breaks, rounds and duties falling due."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from simpy.events import Event

from feedsim.accounts.record import CHANGEOVER, PLANNED_STOP
from feedsim.cell import BreakPlan, Cell, DutyPlan, PlannedStopPlan
from feedsim.model.clock import CALENDAR, Clock, Step, place

if TYPE_CHECKING:
    from feedsim.model.crew import Crew
    from feedsim.model.machine import Machine

Process = Generator[Event, None, None]


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

    def processes(self, crew: Crew) -> list[Process]:
        """One process for each kind of entry and each duty, in their order within an instant."""
        days: list[Callable[[int], Process]] = [
            self._planned_stops,
            partial(self._breaks, crew),
            partial(self._rounds, crew),
            *(partial(self._duty, duty, crew) for duty in self.cell.crew.duties),
        ]
        return [day(place(CALENDAR, number)) for number, day in enumerate(days)]

    def _planned_stops(self, at_place: int) -> Process:
        stops = self.cell.planned_stops
        for at_us in edges_of(stops):
            yield Step(self.clock, at_us - self.clock.now, at_place)
            self._hold([stop for stop in stops if stop.begin_us <= at_us < stop.end_us])

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

    def _breaks(self, crew: Crew, at_place: int) -> Process:
        breaks = self.cell.crew.breaks
        for at_us in edges_of(breaks):
            yield Step(self.clock, at_us - self.clock.now, at_place)
            crew.keep([p.cover for p in breaks if p.begin_us <= at_us < p.end_us])

    def _rounds(self, crew: Crew, at_place: int) -> Process:
        every_us = self.cell.crew.rounds_us
        while every_us and self.clock.now + every_us < self.cell.shift_us:
            yield Step(self.clock, every_us, at_place)
            for machine in self.machines:
                crew.call_on_round(machine)

    def _duty(self, duty: DutyPlan, crew: Crew, at_place: int) -> Process:
        while self.clock.now + duty.every_us < self.cell.shift_us:
            yield Step(self.clock, duty.every_us, at_place)
            crew.call_to_duty(duty)
