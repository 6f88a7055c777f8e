"""The machine: picks a bag a cycle, halts between cycles, restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from simpy.events import Event

from feedsim.accounts.record import (
    BLOCKED,
    DRY,
    GOOD,
    JAM,
    JAMMED,
    LANE_FAULT,
    MISSED,
    RESTARTING,
    RETRY,
    RUNNING,
    Bags,
    MachineRecord,
    Scrap,
)
from feedsim.cell import MachinePlan
from feedsim.model.calendar import Calendar
from feedsim.model.clock import MACHINES, Clock, Signal, Step, place
from feedsim.model.crew import LOAD_DRY, LOAD_LOW, Crew
from feedsim.model.lane import Lane
from feedsim.model.outfeed import Outfeed
from feedsim.model.station import Station, Stations
from feedsim.times import Times

Process = Generator[Event, None, None]


@dataclass(frozen=True, slots=True)
class MachineTimes:
    """The times at one machine, one stream each."""

    visit: Times
    bundle: Times
    fetch: Times
    clear: Times
    notice: Times


class Machine:
    """A machine with its lanes.

    `served_by` tells, for each lane that may have its turn, which lane would serve then; it is
    empty when no lane can. `watch_bags` is the level at which a cycle's end has something to see
    to: a lane to call for, or once that is done, an empty one.
    `look_closer` is set by whatever may hold the machine, for the end of the cycle under way.
    `held_since` holds the causes of the halt under way, each with the instant it began.
    """

    def __init__(
        self,
        clock: Clock,
        plan: MachinePlan,
        lanes: list[Lane],
        times: MachineTimes,
        crew: Crew,
        calendar: Calendar,
        record: MachineRecord,
    ) -> None:
        self.clock = clock
        self.plan = plan
        self.place = place(MACHINES, plan.index)
        self.lanes = lanes
        self.times = times
        self.crew = crew
        self.calendar = calendar
        self.record = record
        self.stations = Stations()
        self.outfeed: Outfeed | None = None
        self.ran_us = 0
        self.served_by: list[Lane] = []
        self.cycle_us = plan.cycle_us
        self.calls_at_bags = crew.plan.calls_at_bags(plan)
        self.watch_bags = max(0, self.calls_at_bags)
        self.scrapped_until = 0
        self.jammed = False
        self.has_loader = False
        self.halted = False
        self.look_closer = False
        self.lane_was_cleared = False
        self.held_since: dict[str, int] = {}
        self.go = Signal(clock)
        self.line_up()

    # What the machine does by itself.

    def work(self) -> Process:
        """The machine's process: cycles while nothing holds it, halts, restarts.

        One event a cycle: this loop is what a study's time is spent on.
        """
        clock, record, stations, outfeed = self.clock, self.record, self.stations, self.outfeed
        runs, at_place, turn = record.open_runs, self.place, 0
        retries, retry_us = self.plan.retries, self.plan.retry_us
        yield Step(clock, 0, at_place)
        while True:
            while self.causes() or self.calendar.planned_state:
                yield from self.halt()
            self.look_closer = self.lane_was_cleared
            record.state(clock.now, RUNNING)
            while True:
                lane = self.served_by[turn]
                cycle_us = self.cycle_us
                yield Step(clock, cycle_us, at_place)
                self.ran_us = ran_us = self.ran_us + cycle_us
                if lane.picks_to_fault > 1:
                    lane.give()
                    now, run = clock.now, runs[lane.number]
                    if now - run.last_end_us == run.spacing_us and run.cycle_us == cycle_us:
                        # What `good_cycle` does for most cycles, a call less.
                        run.last_end_us = now
                        run.count += 1
                    else:
                        record.good_cycle(now, cycle_us, lane.number)
                    if outfeed is not None:
                        self.pass_on(outfeed)
                else:
                    outcome, bags = lane.attempt()
                    attempts = 1
                    while outcome == MISSED and attempts <= retries:
                        if retry_us:
                            record.state(clock.now, RETRY)
                            yield Step(clock, retry_us, at_place)
                        outcome, bags = lane.attempt()
                        attempts += 1
                    self.end_faulty_cycle(lane, cycle_us, outcome, bags, attempts)
                turn = lane.next_turn
                if ran_us >= stations.next_stop_us:
                    stations.stop_those_due(ran_us)
                if lane.bags <= self.watch_bags:
                    if not lane.bags:
                        self.line_up()
                    self.look_at_levels()
                if self.look_closer:
                    break
            if self.lane_was_cleared:
                self.lane_was_cleared = False
                self.look_at_levels()

    def end_faulty_cycle(
        self, lane: Lane, cycle_us: int, outcome: str, bags: int, attempts: int
    ) -> None:
        """A cycle is over whose first attempt failed, and perhaps its retries."""
        now, plan = self.clock.now, self.plan
        # A retry may have held the machine until now.
        self.record.state(now, RUNNING)
        self.record.other_cycle(now, cycle_us, lane.number, outcome, bags, attempts)
        lane.missed_in_row = lane.missed_in_row + 1 if outcome == MISSED else 0
        if outcome == GOOD:
            if self.outfeed is not None:
                self.pass_on(self.outfeed)
        elif outcome == JAMMED:
            self.jammed = self.look_closer = True
            self.crew.call_to_jam(self)
        elif outcome == MISSED and lane.missed_in_row == plan.misses_to_stop:
            lane.faulted = True
            self.line_up()
            self.look_closer |= plan.halts_on_lane_fault
            self.crew.call_to_lane(self, lane)

    def pass_on(self, outfeed: Outfeed) -> None:
        """Let a good pack into the accumulation; a full one blocks the machine."""
        outfeed.receive()
        self.look_closer |= outfeed.full

    def halt(self) -> Process:
        """Stand until nothing holds the machine, then restart."""
        clock = self.clock
        began_us, planned_us = clock.now, self.calendar.planned_us()
        good_packs = self.record.close_runs()
        self.halted = True
        self.reconsider()
        while self.held_since or self.calendar.planned_state:
            yield self.go
            self.go = Signal(clock)
        self.halted = False
        unplanned_us = clock.now - began_us - (self.calendar.planned_us() - planned_us)
        if unplanned_us > 0 and unplanned_us >= self.plan.scrap_after_us:
            self.scrap_youngest_of(good_packs)
        if self.plan.restart_us:
            self.record.state(clock.now, RESTARTING)
            yield Step(clock, self.plan.restart_us, self.place)

    def scrap_youngest_of(self, good_packs: int) -> None:
        """The packs caught in the sealer become rejects."""
        packs = min(self.plan.scrap_packs, good_packs - self.scrapped_until)
        self.scrapped_until = good_packs
        if packs:
            oldest = good_packs - packs + 1
            self.record.scraps.append(Scrap(self.clock.now, oldest, good_packs))

    # What holds it.

    def line_up(self) -> None:
        """Look up which lane would serve at whose turn, and at which speed."""
        able = [lane for lane in self.lanes if lane.can_serve]
        turns = range(len(self.lanes)) if able else ()
        self.served_by = [
            next((lane for lane in able if lane.number > turn), able[0]) for turn in turns
        ]
        alone = len(able) == 1 and len(self.lanes) > 1
        self.cycle_us = self.plan.single_lane_cycle_us if alone else self.plan.cycle_us
        self.look_closer |= not able

    def causes(self) -> list[str]:
        """What holds the machine now, planned stops apart, in the order of their ties."""
        found = []
        none_serves = not self.served_by
        some_empty = any(not lane.bags for lane in self.lanes)
        some_faulted = any(lane.faulted for lane in self.lanes)
        if self.jammed:
            found.append(JAM)
        if some_faulted and (self.plan.halts_on_lane_fault or (none_serves and not some_empty)):
            found.append(LANE_FAULT)
        found += [station.plan.state for station in self.stations.stopped]
        if self.outfeed is not None and self.outfeed.full:
            found.append(BLOCKED)
        if none_serves and (some_empty or not some_faulted):
            found.append(DRY)
        return found

    def reconsider(self) -> None:
        """Look anew at what holds a halted machine, after anything that may change it."""
        if not self.halted:
            return
        was_dry = DRY in self.held_since
        now = self.clock.now
        self.held_since = {cause: self.held_since.get(cause, now) for cause in self.causes()}
        if DRY in self.held_since and not was_dry:
            self.look_at_levels()
        state = self.calendar.planned_state
        if state is None and self.held_since:
            state = min(self.held_since, key=self.held_since.__getitem__)
        if state is not None:
            self.record.state(now, state)
        elif not self.go.triggered:
            self.go.give(self.place)

    def look_at_levels(self) -> None:
        """Call for bags where a lane is low or the machine dry."""
        if any(lane.bags <= self.calls_at_bags for lane in self.lanes):
            self.crew.call_to_load(self, LOAD_LOW)
            self.watch_bags = 0
        if self.crew.plan.calls != "none" and DRY in self.held_since:
            self.crew.call_to_load(self, LOAD_DRY)

    # What others do to it.

    def station_stopped(self, station: Station) -> None:
        """An inline station has stopped: it holds the machine from the cycle's end."""
        self.look_closer = True

    def station_ready(self, station: Station) -> None:
        """An inline station is ready again."""
        self.stations.find_next_stop()
        self.reconsider()

    def close_lane(self, lane: Lane) -> None:
        """Close a lane while bundles are put in."""
        lane.closed = True
        self.line_up()
        self.reconsider()

    def take_bundle(self, lane: Lane, *, is_last: bool) -> None:
        """A bundle is in; with the last one a closed lane opens."""
        if is_last:
            lane.closed = False
        lane.put_in(self.plan.bundle_bags)
        self.record.loads.append(Bags(self.clock.now, lane.number, self.plan.bundle_bags))
        self.line_up()
        self.reconsider()

    def end_loading(self) -> None:
        """The loading visit is over: look at the levels."""
        self.has_loader = False
        self.watch_bags = max(0, self.calls_at_bags)
        self.look_at_levels()

    def clear_jam(self) -> None:
        """A jam has been cleared."""
        self.jammed = False
        self.reconsider()

    def clear_lane(self, lane: Lane) -> None:
        """A lane has been cleared; some bags are thrown away with it."""
        bags = lane.throw_away(self.plan.discard_bags)
        if bags:
            self.record.discards.append(Bags(self.clock.now, lane.number, bags))
        lane.faulted = False
        lane.missed_in_row = 0
        self.lane_was_cleared = self.look_closer = True
        self.line_up()
        self.reconsider()
