"""One shift of the model, from full lanes to its record."""

from __future__ import annotations

from feedsim.accounts.record import MachineRecord, Record
from feedsim.cell import Cell, MachinePlan, StationPlan
from feedsim.model.calendar import Calendar
from feedsim.model.clock import Clock
from feedsim.model.crew import Crew
from feedsim.model.lane import Lane
from feedsim.model.machine import Machine, MachineTimes
from feedsim.model.outfeed import Outfeed
from feedsim.model.station import Station
from feedsim.streams import Streams
from feedsim.times import Times


def run_shift(cell: Cell, seed: int, replication: int) -> Record:
    """Simulate one shift.

    Parameters
    ----------
    cell : Cell
        The resolved config.
    seed, replication : int
        The study's seed (0 or more) and the number of the replication (from 1).

    Returns
    -------
    Record
        All that changed in the shift, times in microseconds from its start.
    """
    clock = Clock()
    streams = Streams(seed, replication)
    record = Record(cell.shift_us, [MachineRecord(plan.lanes) for plan in cell.machines])
    calendar = Calendar(clock, cell)
    crew = Crew(clock, cell.crew, record)
    for duty in cell.crew.duties:
        crew.duty_times[duty.name] = Times(duty.takes, streams.named("duty", duty.name))
    calendar.machines = [
        _build_machine(clock, plan, streams, crew, calendar, machine_record)
        for plan, machine_record in zip(cell.machines, record.machines, strict=True)
    ]
    clock.process(calendar.work(crew))
    for operator in crew.operators:
        clock.process(operator.work())
    for machine in calendar.machines:
        if machine.outfeed is not None:
            clock.process(machine.outfeed.work())
        clock.process(machine.work())
    clock.run_shift(cell.shift_us)
    for machine in calendar.machines:
        machine.record.lanes_left = [lane.bags for lane in machine.lanes]
        if machine.outfeed is not None:
            machine.record.accumulation_left = machine.outfeed.packs
    return record


def _build_machine(
    clock: Clock,
    plan: MachinePlan,
    streams: Streams,
    crew: Crew,
    calendar: Calendar,
    record: MachineRecord,
) -> Machine:
    owner = (plan.table, plan.ordinal)
    lanes = [
        Lane(
            number,
            plan,
            streams.named("pick", *owner, number),
            streams.named("bad_bundles", *owner, number),
        )
        for number in range(1, plan.lanes + 1)
    ]
    times = MachineTimes(
        visit=Times(plan.visit, streams.named("visit", *owner)),
        bundle=Times(plan.bundle, streams.named("bundle", *owner)),
        fetch=Times(plan.fetch, streams.named("fetch", *owner)),
        clear=Times(plan.clear, streams.named("clear", *owner)),
        notice=Times(crew.plan.notice, streams.named("notice", *owner)),
    )
    machine = Machine(clock, plan, lanes, times, crew, calendar, record)
    if plan.outfeed is not None:
        machine.outfeed = Outfeed(clock, plan.outfeed, machine, record)
    hosts: list[tuple[StationPlan, Machine | Outfeed]] = [(s, machine) for s in plan.stations]
    if machine.outfeed is not None and plan.outfeed is not None:
        hosts += [(s, machine.outfeed) for s in plan.outfeed.stations]
    for number, (station, host) in enumerate(hosts):
        host.stations.add(
            Station(
                clock,
                station,
                plan.index * 1000 + number,
                host,
                machine,
                crew,
                Times(station.between_stops, streams.named("between_stops", *owner, station.name)),
                Times(station.stop, streams.named("stop", *owner, station.name)),
            )
        )
    return machine
