"""Stations: whatever else stops a machine or the outfeed behind it."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.compiling import compiled
from feedsim.kernel.holds import reconsider, touch
from feedsim.kernel.luck import draw_age, draw_us
from feedsim.kernel.memory import NEVER, Row, machine_of, outfeed_of, station_of
from feedsim.kernel.tasks import call_to
from feedsim.kernel.telling import tell_outfeed_stop


@compiled
def begin_stop(shift: Row, station: Row) -> None:
    """Stop, at the end of a cycle; a stop that needs nobody runs from now on."""
    machine = machine_of(shift, station.machine)
    station.stops_at_us = NEVER
    if station.inline:
        station.stopped = 1
        machine.stations_stopped += 1
        machine.look_closer = 1
    else:
        tell_outfeed_stop(shift, machine, station, 1)
        outfeed_of(shift, machine).stopped += 1
    if station.needs_operator:
        call_to(shift, station.task)
    else:
        set_due(shift, station.leaf, shift.now + draw_us(shift, station.stop))


@compiled
def end_stop(shift: Row, station: Row) -> None:
    """Be ready again, and as new."""
    machine = machine_of(shift, station.machine)
    touch(shift, machine)
    outfeed = outfeed_of(shift, machine)
    if station.inline:
        station.stopped = 0
        machine.stations_stopped -= 1
        station.stops_at_us = draw_age(shift, machine.ran_us, station.between_stops)
        find_next_stop_of_machine(shift, machine)
        reconsider(shift, machine)
        return
    station.stops_at_us = draw_age(shift, outfeed.ran_us, station.between_stops)
    tell_outfeed_stop(shift, machine, station, 0)
    outfeed.stopped -= 1
    find_next_stop_of_outfeed(shift, outfeed)
    if not outfeed.stopped and not outfeed.working:
        outfeed.pending = 1


@compiled
def first_due(shift: Row, first: int, stations: int) -> int:
    """The age at which the first of some stations stops."""
    first_us = NEVER
    for number in range(first, first + stations):
        first_us = min(first_us, station_of(shift, number).stops_at_us)
    return first_us


@compiled
def stop_those_due(shift: Row, first: int, stations: int, ran_us: int) -> None:
    """Stop each station whose age has reached its drawn time."""
    for number in range(first, first + stations):
        station = station_of(shift, number)
        if station.stops_at_us <= ran_us:
            begin_stop(shift, station)


@compiled
def find_next_stop_of_machine(shift: Row, machine: Row) -> None:
    """Look up which age of the machine its next stop waits for."""
    machine.next_stop_us = first_due(shift, machine.first_station, machine.stations)


@compiled
def find_next_stop_of_outfeed(shift: Row, outfeed: Row) -> None:
    """Look up which age of the outfeed its next stop waits for."""
    outfeed.next_stop_us = first_due(shift, outfeed.first_station, outfeed.stations)
