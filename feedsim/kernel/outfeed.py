"""The outfeed: what takes the packs from the accumulation behind a machine."""

from __future__ import annotations

from feedsim.kernel.compiling import compiled
from feedsim.kernel.holds import reconsider, touch
from feedsim.kernel.memory import Row, outfeed_of
from feedsim.kernel.station import find_next_stop_of_outfeed, stop_those_due
from feedsim.kernel.telling import tell_outfeed_cycle


@compiled
def work(shift: Row, machine: Row) -> None:
    """The outfeed's step: a cycle ends, its stations' age, the next pack."""
    touch(shift, machine)
    outfeed = outfeed_of(shift, machine)
    if outfeed.working:
        if outfeed.ends_us > shift.now:
            return
        outfeed.working = 0
        outfeed.ran_us += outfeed.cycle_us
        if outfeed.ran_us >= outfeed.next_stop_us:
            stop_those_due(shift, outfeed.first_station, outfeed.stations, outfeed.ran_us)
            find_next_stop_of_outfeed(shift, outfeed)
    outfeed.pending = 0
    start_cycle(shift, machine, outfeed)


@compiled
def start_cycle(shift: Row, machine: Row, outfeed: Row) -> None:
    """Take a pack and start a cycle, unless there is none or a station is stopped."""
    if outfeed.packs == 0 or outfeed.stopped:
        return
    outfeed.working = 1
    outfeed.packs -= 1
    outfeed.taken += 1
    outfeed.ends_us = shift.now + outfeed.cycle_us
    tell_outfeed_cycle(shift, machine, outfeed.ends_us)
    if outfeed.full and outfeed.packs <= outfeed.restart_packs:
        outfeed.full = 0
        reconsider(shift, machine)


@compiled
def receive(shift: Row, machine: Row, outfeed: Row) -> None:
    """Let a good pack into the accumulation; a full one blocks the machine."""
    outfeed.packs += 1
    if not outfeed.working and not outfeed.pending:
        start_cycle(shift, machine, outfeed)
    if outfeed.packs >= outfeed.accumulation_packs:
        outfeed.full = 1
    if outfeed.full:
        machine.look_closer = 1
