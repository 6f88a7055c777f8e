"""The outfeed: what takes the packs from the accumulation behind a machine."""

from __future__ import annotations

from collections.abc import Generator
from typing import TYPE_CHECKING

from simpy.events import Event

from feedsim.accounts.record import MachineRecord, StationStop
from feedsim.cell import OutfeedPlan
from feedsim.model.clock import OUTFEEDS, Clock, Signal, place
from feedsim.model.station import Station, Stations

if TYPE_CHECKING:
    from feedsim.model.machine import Machine


class Outfeed:
    """Takes one good pack at the start of each of its cycles, and waits when there is none."""

    def __init__(
        self, clock: Clock, plan: OutfeedPlan, machine: Machine, record: MachineRecord
    ) -> None:
        self.clock = clock
        self.plan = plan
        self.machine = machine
        self.record = record
        self.place = place(OUTFEEDS, machine.plan.index)
        self.packs = 0
        self.full = False
        self.ran_us = 0
        self.stations = Stations()
        self.working = False
        self.due = Signal(clock)

    def work(self) -> Generator[Event, None, None]:
        """The outfeed's process: a cycle, its stations' age, the next pack."""
        while True:
            yield self.due
            self.due = Signal(self.clock)
            if self.working:
                self.working = False
                self.ran_us += self.plan.cycle_us
                if self.ran_us >= self.stations.next_stop_us:
                    self.stations.stop_those_due(self.ran_us)
            self.start_cycle()

    def start_cycle(self) -> None:
        """Take a pack and start a cycle, unless there is none or a station is stopped."""
        if not self.packs or self.stations.stopped:
            return
        self.working = True
        self.packs -= 1
        self.due.give(self.place, self.plan.cycle_us)
        self.record.outfeed_takes(self.clock.now + self.plan.cycle_us, self.plan.cycle_us)
        if self.full and self.packs <= self.plan.restart_packs:
            self.full = False
            self.machine.reconsider()

    def receive(self) -> None:
        """Let a good pack into the accumulation; a waiting outfeed takes it at once."""
        self.packs += 1
        if not self.due.triggered:
            self.start_cycle()
        if self.packs >= self.plan.accumulation_packs:
            self.full = True

    def station_stopped(self, station: Station) -> None:
        """Narrate a stop; the outfeed is between cycles."""
        self._narrate(station, stopped=True)

    def station_ready(self, station: Station) -> None:
        """Go on, in the outfeeds' place, if no station holds it any more."""
        self._narrate(station, stopped=False)
        self.stations.find_next_stop()
        if not self.stations.stopped and not self.due.triggered:
            self.due.give(self.place)

    def _narrate(self, station: Station, *, stopped: bool) -> None:
        number = self.stations.listed.index(station)
        self.record.outfeed_stops.append(StationStop(self.clock.now, number, stopped))
