"""A second, plain reading of the model, to hold the real one against.

It shares no code with the package: one heap of steps ordered by time, class, number and order of
scheduling, and every machine cycle taken one by one.  Chances come from the ``faults`` table and
``bad_bundles`` only; closures, films, stiffness and magazine geometry are not read.  Places where
the written model leaves room are marked ``# reading:``.
"""

from __future__ import annotations

import hashlib
import heapq
import math
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Table = dict[str, Any]

FAULTS = ("missed", "double", "unopened", "skewed", "jam")
LOADING = ("low", "dry", "round")
PRIORITY = {"jam": 0, "lane": 0, "station": 0, "dry": 1, "low": 2, "round": 3, "duty": 4}
PLANNED = ("planned_stop", "changeover")
CALENDAR, STATIONS, OPERATORS, OUTFEED, MACHINES = range(5)


def to_us(seconds: float) -> int:
    """Round a time in seconds to whole microseconds, halves to even."""
    return round(float(seconds) * 1e6)


@dataclass
class Streams:
    """Random generators, each known by what it is for."""

    seed: int
    replication: int

    def named(self, name: str) -> np.random.Generator:
        """Make the generator of one named source of chance."""
        digest = hashlib.sha256(name.encode("utf-8")).digest()[:16]
        words = [int.from_bytes(digest[k : k + 4], "little") for k in (0, 4, 8, 12)]
        entropy = np.random.SeedSequence([self.seed, self.replication, *words])
        return np.random.Generator(np.random.PCG64(entropy))


class Spread:
    """A time that varies, with the stream it is drawn from.

    Parameters
    ----------
    spec : dict or number
        The config's table, or a bare number (0).
    source : numpy.random.Generator
        Stream of this use.

    Raises
    ------
    NotImplementedError
        For a Weibull given by its cv and for empirical values kept in a file.
    """

    def __init__(self, spec: Any, source: np.random.Generator) -> None:
        self.source = source
        bare = {"family": "constant", "mean_s": spec}
        self.spec: Table = spec if isinstance(spec, dict) else bare
        self.family: str = self.spec["family"]
        if self.family == "weibull" and "shape" not in self.spec:
            raise NotImplementedError("a Weibull is read by its shape only")
        if self.family == "empirical":
            self.values_s = self._values_s()
        else:
            self.mean_s = self._mean_s()

    def _values_s(self) -> list[float]:
        if "values_s" in self.spec:
            return [float(value) for value in self.spec["values_s"]]
        if "values_min" in self.spec:
            return [value * 60 for value in self.spec["values_min"]]
        raise NotImplementedError("empirical values are read from the config only")

    def _mean_s(self) -> float:
        for key, factor in (("mean_s", 1), ("mean_min", 60), ("mean_h", 3600)):
            if key in self.spec:
                return float(self.spec[key] * factor)
        raise ValueError("a time needs mean_s, mean_min or mean_h")

    def draw_us(self) -> int:
        """Draw once; a constant touches no stream.

        Returns
        -------
        int
            Microseconds.
        """
        return to_us(self._draw_s())

    def _draw_s(self) -> float:
        if self.family == "constant":
            return self.mean_s
        if self.family == "exponential":
            return float(self.source.exponential(self.mean_s))
        if self.family == "lognormal":
            v = math.log1p(self.spec["cv"] ** 2)
            return float(self.source.lognormal(math.log(self.mean_s) - v / 2, math.sqrt(v)))
        if self.family == "weibull":
            shape = self.spec["shape"]
            return float(self.mean_s / math.gamma(1 + 1 / shape) * self.source.weibull(shape))
        return self.values_s[int(self.source.integers(0, len(self.values_s)))]


@dataclass
class Chances:
    """Fault chances of a good and of a bad bundle, and the share of bad ones (None: no such)."""

    good: dict[str, float]
    bad: dict[str, float]
    share: float | None

    @staticmethod
    def read(bag: Table) -> Chances:
        """Read the config's bag table."""
        if "film" in bag or ("faults" not in bag and {"closure", "layers"} & bag.keys()):
            raise NotImplementedError("chances come from the faults table only")
        good = {fault: bag.get("faults", {}).get(fault, 0.0) for fault in FAULTS}
        bundles = bag.get("bad_bundles")
        if bundles is None:
            return Chances(good, good, None)
        return Chances(good, good | {"missed": bundles["missed"]}, bundles["share"])


def total(chances: dict[str, float]) -> float:
    """Add the chances in the table's order."""
    result = 0.0
    for fault in FAULTS:
        result += chances[fault]
    return result


class Lane:
    """One queue of bags: its bundles, front first, and the attempts to its next fault."""

    def __init__(
        self,
        chances: Chances,
        pick: np.random.Generator,
        bad_bundles: np.random.Generator,
    ) -> None:
        self.chances = chances
        self.pick = pick
        self.bad_bundles = bad_bundles
        self.bundles: list[int] = []
        self.front = chances.good
        self.chance: float | None = None
        self.attempts_to_fault: int | None = None
        self.closed = False
        self.faulted = False
        self.missed_run = 0

    @property
    def bags(self) -> int:
        """Bags in the lane, the one being picked included."""
        return sum(self.bundles)

    def can_serve(self) -> bool:
        """Whether the pick head may choose this lane."""
        return self.bags > 0 and not self.closed and not self.faulted

    def stock(self, bags: int, bundle_bags: int) -> None:
        """Fill the lane for the shift's start, cut into bundles from the front."""
        while bags > 0:
            self.bundles.append(min(bundle_bags, bags))
            bags -= self.bundles[-1]
        if self.bundles:
            self._come_to_front()
            self._draw_attempts()

    def load(self, bags: int) -> None:
        """Add one bundle at the back."""
        before = self.chance
        self.bundles.append(bags)
        if len(self.bundles) == 1:
            self._come_to_front()
            self._look_for_change(before)

    def attempt(self) -> str:
        """Make one pick attempt; its bags leave later, by ``take``."""
        if self.attempts_to_fault is None:
            return "good"
        self.attempts_to_fault -= 1
        if self.attempts_to_fault > 0:
            return "good"
        fault = self._which_fault()
        if fault == "missed":
            # No bag leaves, so the chance is the same and the draw need not wait.
            self._draw_attempts()
        return fault

    def take(self, bags: int, fault: bool) -> int:
        """Let bags leave one by one; then draw afresh after a fault or a change of chance.

        Returns
        -------
        int
            Bags that left (what was there, at most).
        """
        before = self.chance
        taken = min(bags, self.bags)
        for _ in range(taken):
            self.bundles[0] -= 1
            if self.bundles[0] == 0:
                self.bundles.pop(0)
                if self.bundles:
                    self._come_to_front()
        if fault:
            self._draw_attempts()
        else:
            self._look_for_change(before)
        return taken

    def _come_to_front(self) -> None:
        self.front = self.chances.good
        if self.chances.share is not None and self.bad_bundles.random() < self.chances.share:
            self.front = self.chances.bad
        # reading: a bundle that comes to the front and leaves within the same step still sets
        # the lane's last chance, which an emptied lane then keeps.
        self.chance = total(self.front)

    def _look_for_change(self, before: float | None) -> None:
        if self.chance != before:
            self._draw_attempts()

    def _draw_attempts(self) -> None:
        self.attempts_to_fault = int(self.pick.geometric(self.chance)) if self.chance else None

    def _which_fault(self) -> str:
        mark = self.pick.random() * total(self.front)
        running = 0.0
        for fault in FAULTS:
            running += self.front[fault]
            if running > mark:
                return fault
        return [fault for fault in FAULTS if self.front[fault] > 0][-1]


class Station:
    """Anything else that stops a machine or its outfeed."""

    def __init__(self, spec: Table, index: int, prefix: str, streams: Streams) -> None:
        self.name: str = spec["name"]
        self.state = self.name.lower().replace(" ", "_")
        self.index = index
        self.needs_operator: bool = spec.get("needs_operator", False)
        self.place: str = spec.get("place", "inline")
        between = streams.named(f"between_stops/{prefix}/{self.name}")
        self.between_stops = Spread(spec["between_stops"], between)
        self.stop = Spread(spec["stop"], streams.named(f"stop/{prefix}/{self.name}"))
        self.stopped_at: int | None = None
        self.renew()

    def renew(self) -> None:
        """Start a new run between stops."""
        self.stopped_at = None
        self.age_us = 0
        self.run_us = self.between_stops.draw_us()

    def grow_old(self, cycle_us: int) -> bool:
        """Age by a cycle; tell whether the station stops at its end."""
        self.age_us += cycle_us
        return self.age_us >= self.run_us


@dataclass
class Halt:
    """A stretch between two starts of the machine."""

    begin: int
    first_state: str = ""
    end: int | None = None
    unplanned_us: int = 0
    cause: str | None = None


@dataclass
class Task:
    """Something the crew has to do."""

    kind: str
    raised: int
    order: int
    machine: Machine | None = None
    lane: int = -1
    station: Station | None = None
    duty: Duty | None = None
    noticed: bool = True

    def is_same(self, other: Task) -> bool:
        """Whether both are of one kind, for one thing."""
        return (
            self.kind == other.kind
            and self.machine is other.machine
            and self.lane == other.lane
            and self.station is other.station
            and self.duty is other.duty
        )

    def rank(self) -> tuple[int, int, int, int]:
        """Order in which operators take tasks."""
        number = self.machine.index if self.machine else -1
        return (PRIORITY[self.kind], self.raised, number, self.order)


@dataclass
class Record:
    """A task taken, for the books."""

    operator: int
    taken: int
    kind: str
    name: str
    begun: int | None = None
    ended: int | None = None


@dataclass
class Operator:
    """One of the crew, and what is in hand."""

    number: int
    place: Machine | None = None
    task: Task | None = None
    record: Record | None = None
    reached: list[int] = field(default_factory=list)
    hands: int | None = None
    lane: int = -1
    bundles_left: int = 0

    def is_there(self) -> bool:
        """Whether the operator has arrived at the task in hand."""
        return self.record is not None and self.record.begun is not None


@dataclass
class Duty:
    """Other work at the base that falls due at intervals."""

    name: str
    takes: Spread


@dataclass
class Span:
    """A break of the crew or a planned stop."""

    begin: int
    end: int
    cover: int = 0
    kind: str = "break"

    @staticmethod
    def read(spec: Table) -> Span:
        """Read begin and length; both are rounded on their own."""
        begin = to_us(spec["at_h"] * 3600)
        end = begin + to_us(spec["takes_min"] * 60)
        return Span(begin, end, spec.get("cover", 0), spec.get("kind", "break"))

    def holds(self, now: int) -> bool:
        """Whether the span is on: its first instant belongs to it, its last does not."""
        return self.begin <= now < self.end


class Outfeed:
    """What is behind the accumulation; it takes a good pack at the start of each cycle."""

    def __init__(self, cell: Cell, machine: Machine, spec: Table, speed_per_min: float) -> None:
        self.cell = cell
        self.machine = machine
        self.packs_max: int = spec["accumulation_packs"]
        self.restart_packs: int = spec.get("restart_packs", self.packs_max - 1)
        self.cycle_us = to_us(60 / spec.get("speed_per_min", speed_per_min))
        self.stations: list[Station] = []
        self.packs = 0
        self.waiting = True
        self.halted = False
        self.blocking = False
        self.starts: list[int] = []

    def pack_in(self) -> None:
        """Receive a good pack; a waiting outfeed takes it within the same step."""
        self.packs += 1
        if self.waiting:
            self._start()
        self.blocking = self.blocking or self.packs >= self.packs_max

    def _start(self) -> None:
        self.waiting = False
        self.halted = False
        self.packs -= 1
        self.starts.append(self.cell.now)
        if self.packs <= self.restart_packs:
            self.blocking = False
        self.cell.later(self.cycle_us, OUTFEED, (self.machine.index,), self._end_cycle)

    def _end_cycle(self) -> None:
        self.cell.age(self.machine, self.stations, self.cycle_us)
        self.halted = True
        self.go_on()

    def go_on(self) -> None:
        """Start the next cycle or wait for a pack, if no station holds the outfeed."""
        if not self.halted or self.is_held():
            return
        if self.packs > 0:
            self._start()
        else:
            self.halted = False
            self.waiting = True

    def is_held(self) -> bool:
        """Whether a station is stopped."""
        return any(station.stopped_at is not None for station in self.stations)

    def stopped_first(self) -> str:
        """Name the state of the station that stopped first, or "speed" where none is stopped."""
        # reading: told apart from moment to moment, among the stations stopped at that moment.
        stopped = [
            (station.stopped_at, station.index, station.state)
            for station in self.stations
            if station.stopped_at is not None
        ]
        return min(stopped)[2] if stopped else "speed"


class Machine:
    """One machine: magazine, pick head, stations, and the books of what happened."""

    def __init__(self, cell: Cell, spec: Table, index: int, ordinal: int) -> None:
        self.cell = cell
        self.index = index
        table = spec.get("name", "machine")
        count = spec.get("count", 1)
        self.name = table if count == 1 else f"{table} {ordinal}"
        self.at_m = self._place(spec, count, ordinal)
        self._read_times(spec)
        self._read_magazine(spec, f"{table}/{ordinal}")
        self._read_pick(spec, f"{table}/{ordinal}")
        self._read_stations(spec, f"{table}/{ordinal}")
        self.notice = Spread(
            cell.crew.get("notice", 0), cell.streams.named(f"notice/{table}/{ordinal}")
        )
        self.turn = 0
        self.jammed = False
        self.loader: Operator | None = None
        self.halt: Halt | None = None
        self.begun: dict[str, int] = {}
        self.state = "running"
        self.hold_from: int | None = None
        self.waking = False
        self.good_since_scrap = 0
        self.states: list[tuple[int, str]] = []
        self.pockets: list[tuple[int, int, str, int, int]] = []
        self.loads: list[tuple[int, int, int]] = []
        self.discards: list[tuple[int, int, int]] = []
        self.scraps: list[tuple[int, int]] = []
        self.visits: list[tuple[int, int, str]] = []
        self.calls: list[tuple[int, str]] = []
        self.halts: list[Halt] = []
        self.wait_us = 0
        self.blocked_by: dict[str, int] = {}

    @staticmethod
    def _place(spec: Table, count: int, ordinal: int) -> list[float] | None:
        places = spec.get("at_m")
        if places is None:
            return None
        place: list[float] = places if count == 1 else places[ordinal - 1]
        # A list of one place may be written for a count of 1 as well.
        return place[0] if isinstance(place[0], list) else place

    def _read_times(self, spec: Table) -> None:
        self.speed_per_min: float = spec["speed_per_min"]
        self.cycle_us = to_us(60 / self.speed_per_min)
        self.restart_us = to_us(spec.get("restart_s", 0))
        self.scrap_packs: int = spec.get("scrap_packs", 0)
        self.scrap_after_us = to_us(spec.get("scrap_after_s", 0))

    def _read_magazine(self, spec: Table, prefix: str) -> None:
        magazine = spec["magazine"]
        named = self.cell.streams.named
        self.capacity_bags: int = magazine["capacity_bags"]
        self.call_level_bags: int = magazine.get("call_level_bags", 0)
        self.live_loading: bool = magazine.get("live_loading", True)
        self.bundle_bags: int = magazine.get("bundle_bags", 1)
        self.carry_bundles: int | None = magazine.get("carry_bundles")
        self.visit = Spread(magazine.get("visit", 0), named(f"visit/{prefix}"))
        self.bundle = Spread(magazine.get("bundle", 0), named(f"bundle/{prefix}"))
        self.fetch = Spread(magazine.get("fetch", 0), named(f"fetch/{prefix}"))
        chances = Chances.read(spec.get("bag", {}))
        self.lanes = [
            Lane(chances, named(f"pick/{prefix}/{k}"), named(f"bad_bundles/{prefix}/{k}"))
            for k in range(1, magazine.get("lanes", 2) + 1)
        ]
        for lane in self.lanes:
            lane.stock(magazine.get("start_bags", self.capacity_bags), self.bundle_bags)

    def _read_pick(self, spec: Table, prefix: str) -> None:
        pick = spec.get("pick", {})
        self.retries: int = pick.get("retries", 0)
        self.retry_us = to_us(pick.get("retry_s", 0))
        self.misses_to_stop: int = pick.get("misses_to_stop", 3)
        self.stops_on_fault: bool = pick.get("on_lane_fault", "stop") == "stop"
        self.clear = Spread(pick.get("clear", 0), self.cell.streams.named(f"clear/{prefix}"))
        self.discard_bags: int = pick.get("discard_on_clear_bags", 1)
        single = pick.get("single_lane_speed_per_min")
        self.single_us = to_us(60 / single) if single is not None and len(self.lanes) > 1 else 0

    def _read_stations(self, spec: Table, prefix: str) -> None:
        stations = [
            Station(table, k, prefix, self.cell.streams)
            for k, table in enumerate(spec.get("station", []))
        ]
        behind = spec.get("outfeed", {})
        self.outfeed: Outfeed | None = None
        if behind.get("accumulation_packs", 0) >= 1:
            self.outfeed = Outfeed(self.cell, self, behind, self.speed_per_min)
            self.outfeed.stations = [s for s in stations if s.place == "outfeed"]
            stations = [s for s in stations if s.place != "outfeed"]
        self.stations = stations

    # What holds the machine -----------------------------------------------------------------

    def lanes_hold(self) -> str | None:
        """Tell why no lane can serve, or None if one can."""
        if any(lane.can_serve() for lane in self.lanes):
            return None
        if any(lane.bags == 0 for lane in self.lanes):
            return "dry"
        return "lane_fault" if any(lane.faulted for lane in self.lanes) else "dry"

    def causes(self) -> list[str]:
        """List what holds the machine now, planned stops apart, in the order of ties."""
        found = []
        lanes_hold = self.lanes_hold()
        if self.jammed:
            found.append("jam")
        stopped_by_lane = self.stops_on_fault and any(lane.faulted for lane in self.lanes)
        if stopped_by_lane or lanes_hold == "lane_fault":
            found.append("lane_fault")
        found += [s.state for s in self.stations if s.stopped_at is not None]
        if self.outfeed is not None and self.outfeed.blocking:
            found.append("blocked")
        if lanes_hold == "dry":
            found.append("dry")
        return found

    def is_held(self) -> bool:
        """Whether the machine may not start."""
        return self.cell.planned() is not None or bool(self.causes())

    def is_dry(self) -> bool:
        """Whether the machine is halted, and dry whatever else holds it."""
        return self.halt is not None and self.lanes_hold() == "dry"

    def refresh(self) -> None:
        """Bring causes and state of a halted machine up to date after a step."""
        if self.halt is None:
            return
        causes = self.causes()
        becomes_dry = "dry" in causes and "dry" not in self.begun
        self.begun = {cause: self.begun.get(cause, self.cell.now) for cause in causes}
        planned = self.cell.planned()
        if planned is not None:
            self.state = planned
        elif causes:
            self.state = min(causes, key=lambda cause: self.begun[cause])
        if becomes_dry:
            self.cell.look_at_levels(self)

    # Cycles -----------------------------------------------------------------------------------

    def begin_shift(self) -> None:
        """Start at once, or be halted from the shift's beginning."""
        self._start_or_halt()

    def _start_or_halt(self) -> None:
        if self.is_held():
            self._begin_halt()
        else:
            self._start_cycle()

    def _begin_halt(self) -> None:
        self.halt = Halt(self.cell.now)
        self.halts.append(self.halt)
        self.hold_from = None
        self.begun = {}
        self.refresh()
        # reading: a halt without a microsecond of its own is judged by the step that began it.
        self.halt.first_state = self.state

    def go_on(self) -> None:
        """End the halt if nothing holds the machine now."""
        self.waking = False
        if self.halt is None or self.is_held():
            return
        halt, self.halt = self.halt, None
        halt.end = self.cell.now
        self._scrap(halt)
        if self.restart_us > 0:
            self.state = "restarting"
            self.cell.later(self.restart_us, MACHINES, (self.index,), self._start_or_halt)
        else:
            self._start_cycle()

    def _scrap(self, halt: Halt) -> None:
        if halt.unplanned_us == 0 or halt.unplanned_us < self.scrap_after_us:
            return
        packs = min(self.scrap_packs, self.good_since_scrap)
        self.good_since_scrap = 0
        if packs > 0:
            self.scraps.append((self.cell.now, packs))

    def _start_cycle(self) -> None:
        serving = [k for k, lane in enumerate(self.lanes) if lane.can_serve()]
        number = min(serving, key=lambda k: (k - self.turn) % len(self.lanes))
        cycle_us = max(self.cycle_us, self.single_us) if len(serving) == 1 else self.cycle_us
        outcome, attempts = self._pick(self.lanes[number])
        hold_us = (attempts - 1) * self.retry_us
        self.state = "running"
        self.hold_from = self.cell.now + cycle_us if hold_us > 0 else None

        def end() -> None:
            self._end_cycle(number, cycle_us, outcome, attempts)

        self.cell.later(cycle_us + hold_us, MACHINES, (self.index,), end)

    def _pick(self, lane: Lane) -> tuple[str, int]:
        attempts = 1
        outcome = lane.attempt()
        while outcome == "missed" and attempts <= self.retries:
            attempts += 1
            outcome = lane.attempt()
        return outcome, attempts

    def _end_cycle(self, number: int, cycle_us: int, outcome: str, attempts: int) -> None:
        lane = self.lanes[number]
        self.hold_from = None
        self.turn = (number + 1) % len(self.lanes)
        taken = 0
        if outcome != "missed":
            # reading: "what is left" for a double is what the lane holds at the cycle's end.
            wanted = 2 if outcome == "double" else 1
            taken = lane.take(wanted, fault=outcome != "good")
        self.pockets.append((self.cell.now, number + 1, outcome, taken, attempts))
        self._note_outcome(number, outcome)
        self.cell.age(self, self.stations, cycle_us)
        if self.is_held():
            self._begin_halt()
        self.cell.look_at_levels(self)
        if self.halt is None:
            self._start_cycle()

    def _note_outcome(self, number: int, outcome: str) -> None:
        lane = self.lanes[number]
        if outcome == "good":
            self.good_since_scrap += 1
            if self.outfeed is not None:
                self.outfeed.pack_in()
        if outcome == "jam":
            self.jammed = True
            self.cell.raise_task("jam", self)
        lane.missed_run = lane.missed_run + 1 if outcome == "missed" else 0
        if self.misses_to_stop and lane.missed_run >= self.misses_to_stop:
            lane.faulted = True
            self.cell.raise_task("lane", self, lane=number)

    # Books ------------------------------------------------------------------------------------

    def book(self, begin: int, end: int) -> None:
        """Book the time from one instant to the next to the machine's state."""
        for since, state in self._pieces(begin, end):
            if not self.states or self.states[-1][1] != state:
                self.states.append((since, state))
        length_us = end - begin
        if self.halt is not None and self.state not in PLANNED:
            self.halt.unplanned_us += length_us
            self.halt.cause = self.halt.cause or self.state
        if self.state == "blocked" and self.outfeed is not None:
            because = self.outfeed.stopped_first()
            self.blocked_by[because] = self.blocked_by.get(because, 0) + length_us
        if self.halt is not None and self._is_waiting():
            self.wait_us += length_us

    def _pieces(self, begin: int, end: int) -> Iterator[tuple[int, str]]:
        if self.hold_from is None or self.hold_from >= end:
            yield begin, self.state
            return
        if begin < self.hold_from:
            yield begin, self.state
        yield max(begin, self.hold_from), "retry"

    def _is_waiting(self) -> bool:
        if self.state in PLANNED or self.state == "blocked":
            return False
        there = [op.task for op in self.cell.operators if op.is_there() and op.task is not None]
        here = [task for task in there if task.machine is self]
        if self.state == "dry":
            return not any(task.kind in LOADING for task in here)
        if self.state == "jam":
            return not any(task.kind == "jam" for task in here)
        if self.state == "lane_fault":
            return not any(task.kind == "lane" for task in here)
        station = next(s for s in self.stations if s.state == self.state)
        return station.needs_operator and not any(task.station is station for task in here)

    def result(self) -> Table:
        """Give the books in the shape that ``simulate`` describes."""
        return {
            "name": self.name,
            "states": self.states,
            "pockets": self.pockets,
            "loads": self.loads,
            "discards": self.discards,
            "scraps": self.scraps,
            "visits": self.visits,
            "calls": self.calls,
            "halts": [
                (halt.begin, halt.end, halt.unplanned_us, halt.cause or halt.first_state)
                for halt in self.halts
            ],
            "wait_us": self.wait_us,
            "blocked_by": self.blocked_by,
            "outfeed_starts": self.outfeed.starts if self.outfeed else [],
            "lanes_left": [lane.bags for lane in self.lanes],
            "accumulation_left": self.outfeed.packs if self.outfeed else 0,
        }


class Cell:
    """Machines, crew and calendar on one clock."""

    def __init__(self, config: Table, replication: int) -> None:
        study = config.get("study", {})
        self.crew: Table = config.get("crew", {})
        self.shift_us = to_us(study.get("shift_h", 8) * 3600)
        self.streams = Streams(study.get("seed", 1), replication)
        self.now = 0
        self.scheduled = 0
        self.steps: list[tuple[int, int, tuple[int, ...], int, Callable[[], None]]] = []
        self.breaks = [Span.read(spec) for spec in self.crew.get("break", [])]
        self.planned_stops = [Span.read(spec) for spec in config.get("planned_stop", [])]
        self.machines: list[Machine] = []
        for spec in config["machine"]:
            for ordinal in range(1, spec.get("count", 1) + 1):
                self.machines.append(Machine(self, spec, len(self.machines), ordinal))
        self.operators = [Operator(n) for n in range(1, self.crew.get("operators", 1) + 1)]
        self.tasks: list[Task] = []
        self.raised = 0
        self.records: list[Record] = []
        self.busy_us = 0
        self.present_us = 0
        self._schedule_calendar()
        for machine in self.machines:
            self.later(0, MACHINES, (machine.index,), machine.begin_shift)

    # Clock ------------------------------------------------------------------------------------

    def later(
        self, delay_us: int, kind: int, number: tuple[int, ...], action: Callable[[], None]
    ) -> None:
        """Schedule a step of a class, some time from now."""
        self.scheduled += 1
        heapq.heappush(self.steps, (self.now + delay_us, kind, number, self.scheduled, action))

    def run(self) -> None:
        """Take all steps up to the shift's end, those of its last instant included."""
        while self.steps and self.steps[0][0] <= self.shift_us:
            when, _, _, _, action = heapq.heappop(self.steps)
            self._pass_time(when)
            action()
            self._settle()
        self._pass_time(self.shift_us)

    def _pass_time(self, until: int) -> None:
        length_us = until - self.now
        if length_us > 0:
            for machine in self.machines:
                machine.book(self.now, until)
            for operator in self.operators:
                busy = operator.task is not None
                self.busy_us += length_us if busy else 0
                self.present_us += length_us if busy or not self._is_away(operator) else 0
        self.now = until

    def _settle(self) -> None:
        for machine in self.machines:
            machine.refresh()
        self._assign()
        for machine in self.machines:
            if machine.halt is not None and not machine.waking and not machine.is_held():
                machine.waking = True
                self.later(0, MACHINES, (machine.index,), machine.go_on)
            outfeed = machine.outfeed
            if outfeed is not None and outfeed.halted and not outfeed.is_held():
                # Waking an outfeed twice does no harm: the second step finds it at work.
                self.later(0, OUTFEED, (machine.index,), outfeed.go_on)

    # Calendar ---------------------------------------------------------------------------------

    def _schedule_calendar(self) -> None:
        def nothing() -> None:
            """Let what holds from this instant on be seen."""

        # reading: all that begins and ends at one instant is seen at once, so of two breaks that
        # abut nobody comes back in between.
        for order, spans in enumerate((self.planned_stops, self.breaks)):
            for span in spans:
                self.later(span.begin, CALENDAR, (order,), nothing)
                self.later(span.end, CALENDAR, (order,), nothing)
        rounds_every_min = self.crew.get("rounds_every_min")
        if rounds_every_min is not None:
            self._schedule_repeats(rounds_every_min, (2,), self._raise_rounds)
        for k, spec in enumerate(self.crew.get("duty", [])):
            takes = Spread(spec["takes"], self.streams.named(f"duty/{spec['name']}"))
            duty = Duty(spec["name"], takes)
            self._schedule_repeats(spec["every_min"], (3, k), self._raising(duty))

    def _schedule_repeats(
        self, every_min: float, number: tuple[int, ...], action: Callable[[], None]
    ) -> None:
        every_us = to_us(every_min * 60)
        for due in range(every_us, self.shift_us, every_us):
            self.later(due, CALENDAR, number, action)

    def _raise_rounds(self) -> None:
        for machine in self.machines:
            self.raise_task("round", machine)

    def _raising(self, duty: Duty) -> Callable[[], None]:
        return lambda: self.raise_task("duty", duty=duty)

    def planned(self) -> str | None:
        """Name the state of the planned stop that holds now, if any."""
        kinds = [span.kind for span in self.planned_stops if span.holds(self.now)]
        if not kinds:
            return None
        return "planned_stop" if "break" in kinds else "changeover"

    def _is_away(self, operator: Operator) -> bool:
        covers = [span.cover for span in self.breaks if span.holds(self.now)]
        return bool(covers) and operator.number > min(covers)

    # Stations ---------------------------------------------------------------------------------

    def age(self, machine: Machine, stations: list[Station], cycle_us: int) -> None:
        """Age stations by a cycle and stop those whose time has come."""
        for station in stations:
            if station.grow_old(cycle_us):
                station.stopped_at = self.now
                if station.needs_operator:
                    self.raise_task("station", machine, station=station)
                else:
                    number = (machine.index, station.index)
                    self.later(station.stop.draw_us(), STATIONS, number, station.renew)

    # Tasks ------------------------------------------------------------------------------------

    def look_at_levels(self, machine: Machine) -> None:
        """Raise the low call and the dry call where they are due."""
        calls = self.crew.get("calls", "low")
        low = any(
            lane.bags <= machine.call_level_bags
            and lane.bags + machine.bundle_bags <= machine.capacity_bags
            for lane in machine.lanes
        )
        if calls == "low" and low:
            self.raise_task("low", machine)
        empty = any(lane.bags == 0 for lane in machine.lanes)
        if machine.is_dry() and (calls == "low" or (calls == "dry" and empty)):
            self.raise_task("dry", machine)

    def raise_task(
        self,
        kind: str,
        machine: Machine | None = None,
        lane: int = -1,
        station: Station | None = None,
        duty: Duty | None = None,
    ) -> None:
        """Put a task on the list, unless such a one waits or the machine is being loaded."""
        task = Task(kind, self.now, self.raised, machine, lane, station, duty)
        if machine is not None and kind in LOADING and machine.loader is not None:
            return
        if any(task.is_same(other) for other in self.tasks):
            return
        self.raised += 1
        self.tasks.append(task)
        if machine is None:
            return
        name = f"lane {lane + 1}" if kind == "lane" else kind
        machine.calls.append((self.now, f"station {station.name}" if station else name))
        if kind != "round":
            self._delay_by_notice(task, machine.notice.draw_us())

    def _delay_by_notice(self, task: Task, notice_us: int) -> None:
        if notice_us == 0:
            return
        task.noticed = False

        def see() -> None:
            task.noticed = True

        # reading: notices of one instant are taken in the order in which they were raised.
        self.later(notice_us, OPERATORS, (0, task.order), see)

    def _assign(self) -> None:
        for operator in self.operators:
            open_tasks = [task for task in self.tasks if task.noticed]
            if open_tasks and operator.task is None and not self._is_away(operator):
                self._take(operator, min(open_tasks, key=Task.rank))
        for operator in self.operators:
            if operator.task is None:
                operator.place = None

    def _take(self, operator: Operator, task: Task) -> None:
        self.tasks.remove(task)
        machine = task.machine
        kind = "load" if task.kind in LOADING else task.kind
        if machine is not None and kind == "load":
            machine.loader = operator
            self.tasks = [
                other
                for other in self.tasks
                if other.machine is not machine or other.kind not in LOADING
            ]
        name = machine.name if machine is not None else task.duty.name if task.duty else ""
        operator.task = task
        operator.record = Record(operator.number, self.now, kind, name)
        self.records.append(operator.record)
        self._after(operator, self._walk_us(operator.place, machine), self._arrive)

    def _after(self, operator: Operator, us: int, action: Callable[[Operator], None]) -> None:
        self.later(us, OPERATORS, (operator.number,), lambda: action(operator))

    def _walk_us(self, origin: Machine | None, goal: Machine | None) -> int:
        if origin is goal:
            return 0
        base: list[float] = self.crew.get("base_m", [0, 0])
        here = origin.at_m if origin is not None else base
        there = goal.at_m if goal is not None else base
        if here is None or there is None:
            return to_us(self.crew.get("walk_s", 0))
        distance_m = abs(there[0] - here[0]) + abs(there[1] - here[1])
        return to_us(distance_m / self.crew.get("walk_m_per_s", 1.2))

    # Work -------------------------------------------------------------------------------------

    def _arrive(self, operator: Operator) -> None:
        task, record = operator.task, operator.record
        assert task is not None and record is not None
        record.begun = self.now
        operator.place = task.machine
        if task.duty is not None:
            # reading: a duty's time is drawn when it is begun, not when it is taken.
            self._after(operator, task.duty.takes.draw_us(), self._end_work)
            return
        machine = task.machine
        assert machine is not None
        machine.visits.append((self.now, operator.number, record.kind))
        if record.kind == "load":
            operator.reached = []
            operator.hands = machine.carry_bundles
            self._after(operator, machine.visit.draw_us(), self._next_lane)
        elif task.station is not None:
            # reading: the end of a stop that an operator attends is that operator's end of work.
            self._after(operator, task.station.stop.draw_us(), self._end_work)
        else:
            self._after(operator, machine.clear.draw_us(), self._end_work)

    def _end_work(self, operator: Operator) -> None:
        task = operator.task
        assert task is not None
        machine = task.machine
        if task.kind == "station" and task.station is not None:
            task.station.renew()
        elif task.kind == "jam" and machine is not None:
            machine.jammed = False
        elif task.kind == "lane" and machine is not None:
            self._clear_lane(machine, task.lane)
        self._end_task(operator)

    def _clear_lane(self, machine: Machine, number: int) -> None:
        lane = machine.lanes[number]
        lane.faulted = False
        lane.missed_run = 0
        bags = lane.take(machine.discard_bags, fault=False)
        if bags > 0:
            machine.discards.append((self.now, number + 1, bags))

    def _end_task(self, operator: Operator) -> None:
        assert operator.record is not None
        operator.record.ended = self.now
        operator.task = None
        operator.record = None

    def _next_lane(self, operator: Operator) -> None:
        assert operator.task is not None and operator.task.machine is not None
        machine = operator.task.machine
        while len(operator.reached) < len(machine.lanes):
            ahead = [k for k in range(len(machine.lanes)) if k not in operator.reached]
            operator.lane = min(ahead, key=lambda k: machine.lanes[k].bags)
            operator.reached.append(operator.lane)
            room_bags = machine.capacity_bags - machine.lanes[operator.lane].bags
            operator.bundles_left = room_bags // machine.bundle_bags
            if operator.bundles_left > 0:
                self._want_bundle(operator)
                return
        machine.loader = None
        self._end_task(operator)
        self.look_at_levels(machine)

    def _want_bundle(self, operator: Operator) -> None:
        assert operator.task is not None and operator.task.machine is not None
        machine = operator.task.machine
        if operator.hands == 0:
            operator.hands = machine.carry_bundles
            # reading: a fetch before a lane's first bundle leaves that lane open.
            self._after(operator, machine.fetch.draw_us(), self._begin_bundle)
        else:
            self._begin_bundle(operator)

    def _begin_bundle(self, operator: Operator) -> None:
        assert operator.task is not None and operator.task.machine is not None
        machine = operator.task.machine
        machine.lanes[operator.lane].closed = not machine.live_loading
        if operator.hands is not None:
            operator.hands -= 1
        self._after(operator, machine.bundle.draw_us(), self._bundle_in)

    def _bundle_in(self, operator: Operator) -> None:
        assert operator.task is not None and operator.task.machine is not None
        machine = operator.task.machine
        lane = machine.lanes[operator.lane]
        lane.load(machine.bundle_bags)
        machine.loads.append((self.now, operator.lane + 1, machine.bundle_bags))
        operator.bundles_left -= 1
        if operator.bundles_left > 0:
            self._want_bundle(operator)
        else:
            lane.closed = False
            self._next_lane(operator)


def simulate(config_text: str, replication: int = 1) -> Table:
    """Simulate one shift of a cell.

    Parameters
    ----------
    config_text : str
        A valid config in TOML.
    replication : int
        Number of the replication, from 1.

    Returns
    -------
    dict
        ``shift_us``, ``machines`` (one dict of books per machine, in file order), ``tasks``
        (operator, taken, begun, ended, kind, machine or duty name), ``busy_us`` and
        ``present_us``; all times in whole microseconds from the shift's start.

    Raises
    ------
    NotImplementedError
        For sources of chance and families that this reading leaves out.

    References
    ----------
    Own derivation, from the written description of the model.
    """
    cell = Cell(tomllib.loads(config_text), replication)
    cell.run()
    return {
        "shift_us": cell.shift_us,
        "machines": [machine.result() for machine in cell.machines],
        "tasks": [(r.operator, r.taken, r.begun, r.ended, r.kind, r.name) for r in cell.records],
        "busy_us": cell.busy_us,
        "present_us": cell.present_us,
    }
