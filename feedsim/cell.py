"""A config turned into what the model works with: whole microseconds, bags and chances.

The cell is the machines, the people and the calendar of one shift, every default filled in,
every machine table expanded to its copies.
"""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.config import Config, Spread
from feedsim.config.machine import Machine, Station
from feedsim.film import Chances
from feedsim.times import cycle_us, to_us

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class StationPlan:
    """A station: anything but the feed that stops the machine or its outfeed."""

    name: str
    state: str
    between_stops: Spread
    stop: Spread
    needs_operator: bool


@dataclass(frozen=True, slots=True)
class OutfeedPlan:
    """What is behind the accumulation."""

    accumulation_packs: int
    restart_packs: int
    cycle_us: int
    stations: tuple[StationPlan, ...]


@dataclass(frozen=True, slots=True)
class MachinePlan:
    """One machine, with its magazine, its bags and its stations."""

    name: str
    table: str
    ordinal: int
    index: int
    at_m: Place | None
    cycle_us: int
    single_lane_cycle_us: int
    restart_us: int
    scrap_packs: int
    scrap_after_us: int
    lanes: int
    capacity_bags: int
    start_bags: int
    call_level_bags: int
    live_loading: bool
    bundle_bags: int
    bundle: Spread
    visit: Spread
    carry_bundles: int | None
    fetch: Spread
    retries: int
    retry_us: int
    misses_to_stop: int
    halts_on_lane_fault: bool
    clear: Spread
    discard_bags: int
    chances: Chances
    bad_share: float | None
    bad_chances: Chances
    stations: tuple[StationPlan, ...]
    outfeed: OutfeedPlan | None

    @property
    def autonomy_us(self) -> int:
        """How long full lanes last at the machine's speed, in microseconds."""
        return self.lanes * self.capacity_bags * self.cycle_us

    @property
    def all_stations(self) -> tuple[StationPlan, ...]:
        """Stations in line, then those behind the accumulation."""
        return (*self.stations, *(self.outfeed.stations if self.outfeed else ()))


@dataclass(frozen=True, slots=True)
class DutyPlan:
    """Other work at the base, due at fixed intervals."""

    name: str
    every_us: int
    takes: Spread


@dataclass(frozen=True, slots=True)
class BreakPlan:
    """A break of the crew, in which only the lowest numbers remain."""

    begin_us: int
    end_us: int
    cover: int


@dataclass(frozen=True, slots=True)
class PlannedStopPlan:
    """A planned stop of all machines."""

    name: str
    begin_us: int
    end_us: int
    is_break: bool


@dataclass(frozen=True, slots=True)
class CrewPlan:
    """The people who tend the machines, and where they stand when they have no task."""

    operators: int
    calls: str
    rounds_us: int | None
    notice: Spread
    walk_us: int
    has_places: bool
    base_m: Place
    walk_m_per_s: float
    duties: tuple[DutyPlan, ...]
    breaks: tuple[BreakPlan, ...]

    def calls_at_bags(self, machine: MachinePlan) -> int:
        """Level at or below which a lane of the machine calls; -1 where none does.

        A whole bundle must fit in.
        """
        if self.calls != "low":
            return -1
        return min(machine.call_level_bags, machine.capacity_bags - machine.bundle_bags)

    def walk_time_us(self, start: MachinePlan | None, goal: MachinePlan | None) -> int:
        """Time of a walk between two machines; None is the base."""
        if start is goal:
            return 0
        if not self.has_places:
            return self.walk_us
        (x0, y0), (x1, y1) = self._place_of(start), self._place_of(goal)
        return to_us((abs(x1 - x0) + abs(y1 - y0)) / self.walk_m_per_s)

    def _place_of(self, machine: MachinePlan | None) -> Place:
        return self.base_m if machine is None or machine.at_m is None else machine.at_m


# What it costs to begin a shift, for each machine, in cycles: roughly.
BEGINNING_CYCLES = 200


@dataclass(frozen=True, slots=True)
class Cell:
    """Everything that one shift of the model needs."""

    shift_us: int
    warm_up_us: int
    minor_stop_us: int
    machines: tuple[MachinePlan, ...]
    crew: CrewPlan
    planned_stops: tuple[PlannedStopPlan, ...]

    @property
    def cycles_per_shift(self) -> int:
        """Machine cycles in a shift without a halt."""
        return sum(self.shift_us // machine.cycle_us for machine in self.machines)

    @property
    def cost_cycles(self) -> int:
        """What a shift costs at the most, in machine cycles.

        Beginning a shift, a round and a duty cost something too.
        """
        beats_us = [self.crew.rounds_us, *(duty.every_us for duty in self.crew.duties)]
        beats = sum(self.shift_us // beat_us for beat_us in beats_us if beat_us)
        return self.cycles_per_shift + beats + BEGINNING_CYCLES * len(self.machines)


def build_cell(config: Config) -> Cell:
    """Resolve a checked config into a cell.

    Parameters
    ----------
    config : Config
        A config as `load_config` returns it.

    Returns
    -------
    Cell
        Times in whole microseconds, counts in bags and packs.
    """
    machines: list[MachinePlan] = []
    for table in config.machine:
        for ordinal in range(1, table.count + 1):
            machines.append(_machine(table, ordinal, len(machines)))
    crew = config.crew
    return Cell(
        shift_us=_hours(config.study.shift_h),
        warm_up_us=_hours(config.study.warm_up_h),
        minor_stop_us=_minutes(config.study.minor_stop_min),
        machines=tuple(machines),
        crew=CrewPlan(
            operators=crew.operators,
            calls=crew.calls,
            rounds_us=None if crew.rounds_every_min is None else _minutes(crew.rounds_every_min),
            notice=crew.notice,
            walk_us=to_us(crew.walk_s),
            has_places=any(table.at_m is not None for table in config.machine),
            base_m=crew.base_m,
            walk_m_per_s=crew.walk_m_per_s,
            duties=tuple(
                DutyPlan(duty.name, _minutes(duty.every_min), duty.takes) for duty in crew.duty
            ),
            breaks=tuple(
                BreakPlan(*_span(pause.at_h, pause.takes_min), pause.cover) for pause in crew.breaks
            ),
        ),
        planned_stops=tuple(
            PlannedStopPlan(stop.name, *_span(stop.at_h, stop.takes_min), stop.kind == "break")
            for stop in config.planned_stop
        ),
    )


def _hours(hours: float) -> int:
    return to_us(hours * 3600)


def _minutes(minutes: float) -> int:
    return to_us(minutes * 60)


def _span(at_h: float, takes_min: float) -> tuple[int, int]:
    begin_us = _hours(at_h)
    return begin_us, begin_us + _minutes(takes_min)


def _machine(table: Machine, ordinal: int, index: int) -> MachinePlan:
    magazine, pick = table.magazine, table.pick
    normal_us = cycle_us(table.speed_per_min)
    slow = pick.single_lane_speed_per_min
    bad = table.bag.bad
    accumulates = table.outfeed.accumulation_packs > 0
    inline = [s for s in table.station if s.place == "inline" or not accumulates]
    return MachinePlan(
        name=table.names[ordinal - 1],
        table=table.name,
        ordinal=ordinal,
        index=index,
        at_m=None if table.at_m is None else table.at_m[ordinal - 1],
        cycle_us=normal_us,
        single_lane_cycle_us=normal_us if slow is None else max(normal_us, cycle_us(slow)),
        restart_us=to_us(table.restart_s),
        scrap_packs=table.scrap_packs,
        scrap_after_us=to_us(table.scrap_after_s),
        lanes=magazine.lanes,
        capacity_bags=magazine.lane_capacity_bags,
        start_bags=magazine.lane_start_bags,
        call_level_bags=magazine.call_level_bags,
        live_loading=magazine.live_loading,
        bundle_bags=magazine.bundle_bags,
        bundle=magazine.bundle,
        visit=magazine.visit,
        carry_bundles=magazine.carry_bundles,
        fetch=magazine.fetch,
        retries=pick.retries,
        retry_us=to_us(pick.retry_s),
        misses_to_stop=pick.misses_to_stop,
        halts_on_lane_fault=pick.on_lane_fault == "stop",
        clear=pick.clear,
        discard_bags=pick.discard_on_clear_bags,
        chances=table.chances,
        bad_share=None if bad is None else bad.share,
        bad_chances=table.bad_chances,
        stations=tuple(_station(s) for s in inline),
        outfeed=_outfeed(table, normal_us) if accumulates else None,
    )


def _outfeed(table: Machine, normal_us: int) -> OutfeedPlan:
    outfeed = table.outfeed
    speed = outfeed.speed_per_min
    return OutfeedPlan(
        accumulation_packs=outfeed.accumulation_packs,
        restart_packs=outfeed.restart_at_packs,
        cycle_us=normal_us if speed is None else cycle_us(speed),
        stations=tuple(_station(s) for s in table.station if s.place == "outfeed"),
    )


def _station(station: Station) -> StationPlan:
    return StationPlan(
        station.name, station.state, station.between_stops, station.stop, station.needs_operator
    )
