"""Stations: whatever else stops a machine or the outfeed behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from feedsim.cell import StationPlan
from feedsim.model.clock import STATIONS, Clock, place
from feedsim.times import Times

if TYPE_CHECKING:
    from feedsim.model.crew import Crew
    from feedsim.model.machine import Machine

NOT_DUE = 1 << 62


class Host(Protocol):
    """A machine or an outfeed, which ages its stations by its own cycles."""

    ran_us: int

    def station_stopped(self, station: Station) -> None:
        """A station has stopped."""

    def station_ready(self, station: Station) -> None:
        """A station is ready again."""


class Station:
    """One station, which stops when it has run for a drawn time and is then as new.

    `stops_at_us` is the reading of its host's `ran_us` at which it stops.
    """

    def __init__(
        self,
        clock: Clock,
        plan: StationPlan,
        number: int,
        host: Host,
        machine: Machine,
        crew: Crew,
        between_stops: Times,
        stop: Times,
    ) -> None:
        self.clock = clock
        self.plan = plan
        self.place = place(STATIONS, number)
        self.host = host
        self.machine = machine
        self.crew = crew
        self.between_stops = between_stops
        self.stop = stop
        self.stopped = False
        self.stops_at_us = between_stops.draw_us()

    def begin_stop(self) -> None:
        """Stop, at the end of a cycle; a stop that needs nobody runs from now on."""
        self.stopped = True
        self.host.station_stopped(self)
        if self.plan.needs_operator:
            self.crew.call_to_station(self.machine, self)
        else:
            self.clock.at(self.stop.draw_us(), self.place, self.end_stop)

    def end_stop(self) -> None:
        """Be ready again, and as new."""
        self.stopped = False
        self.stops_at_us = self.host.ran_us + self.between_stops.draw_us()
        self.host.station_ready(self)


class Stations:
    """The stations of one host, in the order of the config."""

    def __init__(self) -> None:
        self.listed: list[Station] = []
        self.next_stop_us = NOT_DUE

    def add(self, station: Station) -> None:
        """Add a station behind those listed."""
        self.listed.append(station)
        self.find_next_stop()

    def stop_those_due(self, ran_us: int) -> None:
        """Stop each station whose age has reached its drawn time.

        Its host stands until it is ready, and looks up the next stop then.
        """
        for station in self.listed:
            if station.stops_at_us <= ran_us:
                station.begin_stop()

    def find_next_stop(self) -> None:
        """Look up which reading of the host's `ran_us` the next stop waits for."""
        self.next_stop_us = min((s.stops_at_us for s in self.listed), default=NOT_DUE)

    @property
    def stopped(self) -> list[Station]:
        """The stations that are stopped now."""
        return [station for station in self.listed if station.stopped]
