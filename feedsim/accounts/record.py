"""The record of a shift: what changed and when, appended by the processes as they go.

Nothing is counted here and nothing is taken back. Readings (`feedsim.accounts.reading`) turn
a window of the record into figures; a warm-up only moves the window.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

RUNNING = "running"
RETRY = "retry"
RESTARTING = "restarting"
DRY = "dry"
LANE_FAULT = "lane_fault"
JAM = "jam"
BLOCKED = "blocked"
CHANGEOVER = "changeover"
PLANNED_STOP = "planned_stop"

MOVING = frozenset({RUNNING, RETRY, RESTARTING})
PLANNED = frozenset({PLANNED_STOP, CHANGEOVER})

GOOD = "good"
MISSED = "missed"
DOUBLE = "double"
UNOPENED = "unopened"
SKEWED = "skewed"
JAMMED = "jam"

LOAD = "load"
LANE = "lane"
STATION = "station"
DUTY = "duty"


class Run:
    """Equal cycles of one lane at equal distances, kept as one entry.

    `spacing_us` is the time between the ends of neighbouring cycles of the run (0 while it
    has one), `cycle_us` each cycle's own length, holds for retries included.
    """

    __slots__ = (
        "attempts",
        "bags_each",
        "count",
        "cycle_us",
        "first_end_us",
        "lane",
        "last_end_us",
        "outcome",
        "spacing_us",
    )

    def __init__(
        self, end_us: int, cycle_us: int, lane: int, outcome: str, bags_each: int, attempts: int
    ) -> None:
        self.first_end_us = self.last_end_us = end_us
        self.cycle_us = cycle_us
        self.lane = lane
        self.outcome = outcome
        self.bags_each = bags_each
        self.attempts = attempts
        self.spacing_us = 0
        self.count = 1

    def goes_on(self, end_us: int, cycle_us: int) -> bool:
        """Take in one more cycle, if it is as long and at the same distance."""
        gap_us = end_us - self.last_end_us
        if cycle_us != self.cycle_us or self.spacing_us not in (0, gap_us):
            return False
        self.spacing_us = gap_us
        self.last_end_us = end_us
        self.count += 1
        return True

    def ends_until(self, at_us: int) -> int:
        """How many cycles of the run have ended by an instant, that instant included."""
        if at_us >= self.last_end_us:
            return self.count
        if at_us < self.first_end_us:
            return 0
        return (at_us - self.first_end_us) // self.spacing_us + 1

    def ends_us(self) -> list[int]:
        """The instants at which the cycles of the run ended."""
        return [self.first_end_us + k * self.spacing_us for k in range(self.count)]


NO_RUN = Run(-1, -1, 0, "", 0, 0)


class Change(NamedTuple):
    """A machine's time goes to `state` from `at_us` on."""

    at_us: int
    state: str


class Bags(NamedTuple):
    """Bags loaded into a lane, or thrown away from it."""

    at_us: int
    lane: int
    bags: int


class Scrap(NamedTuple):
    """Good packs that became rejects, by their number since the shift's start."""

    at_us: int
    first_pack: int
    last_pack: int


class Call(NamedTuple):
    """A task raised for the crew at a machine."""

    at_us: int
    kind: str


class StationStop(NamedTuple):
    """A station of an outfeed stops (`stopped`) or is ready again."""

    at_us: int
    station: int
    stopped: bool


class Work(NamedTuple):
    """An operator takes a task, begins it on arrival, or ends it.

    `machine` is the machine's index (None for a duty), `detail` the lane or the station by
    its state, or the duty's name.
    """

    at_us: int
    operator: int
    event: str
    kind: str
    machine: int | None
    detail: str


@dataclass(slots=True)
class MachineRecord:
    """What happened at one machine.

    `open_runs` holds the run of good cycles under way of each lane by its number, and the
    outfeed's at 0; `_odd_runs` those of equal cycles with a fault or with retries.
    """

    lanes: int
    changes: list[Change] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    loads: list[Bags] = field(default_factory=list)
    discards: list[Bags] = field(default_factory=list)
    scraps: list[Scrap] = field(default_factory=list)
    calls: list[Call] = field(default_factory=list)
    outfeed_cycles: list[Run] = field(default_factory=list)
    outfeed_stops: list[StationStop] = field(default_factory=list)
    lanes_left: list[int] = field(default_factory=list)
    accumulation_left: int = 0
    open_runs: list[Run] = field(default_factory=list)
    _odd_runs: list[Run] = field(default_factory=list)
    _closed: int = 0
    _good_packs: int = 0

    def __post_init__(self) -> None:
        self.open_runs = [NO_RUN] * (self.lanes + 1)
        self._odd_runs = [NO_RUN] * (self.lanes + 1)

    def state(self, at_us: int, state: str) -> None:
        """Book the machine's time to a state from now on."""
        if not self.changes or self.changes[-1].state != state:
            self.changes.append(Change(at_us, state))

    def good_cycle(self, end_us: int, cycle_us: int, lane: int) -> None:
        """Tell of a cycle that made a good pack at the first attempt."""
        if not self.open_runs[lane].goes_on(end_us, cycle_us):
            run = self.open_runs[lane] = Run(end_us, cycle_us, lane, GOOD, 1, 1)
            self.runs.append(run)

    def more_good_cycles(self, lane: int, count: int) -> None:
        """Tell of more good cycles of a lane, as long and as far apart as its last two."""
        run = self.open_runs[lane]
        run.last_end_us += count * run.spacing_us
        run.count += count

    def other_cycle(
        self, end_us: int, cycle_us: int, lane: int, outcome: str, bags: int, attempts: int
    ) -> None:
        """Tell of a cycle with a fault, or with retries."""
        run = self._odd_runs[lane] if self.open_runs[lane] is NO_RUN else NO_RUN
        alike = (run.outcome, run.bags_each, run.attempts) == (outcome, bags, attempts)
        if not (alike and run.goes_on(end_us, cycle_us)):
            run = self._odd_runs[lane] = Run(end_us, cycle_us, lane, outcome, bags, attempts)
            self.runs.append(run)
            self.open_runs[lane] = NO_RUN

    def close_runs(self) -> int:
        """End the runs of equal cycles: the machine halts.

        Returns the number of good packs made since the shift's start.
        """
        self.open_runs[1:] = self._odd_runs[1:] = [NO_RUN] * self.lanes
        for run in self.runs[self._closed :]:
            self._good_packs += run.count if run.outcome == GOOD else 0
        self._closed = len(self.runs)
        return self._good_packs

    def outfeed_takes(self, end_us: int, cycle_us: int) -> None:
        """Tell that the outfeed takes a pack for a cycle that ends at `end_us`."""
        run = self.open_runs[0]
        if run is not NO_RUN and end_us - run.last_end_us == cycle_us:
            run.last_end_us = end_us
            run.spacing_us = cycle_us
            run.count += 1
            return
        run = self.open_runs[0] = Run(end_us, cycle_us, 0, GOOD, 1, 1)
        self.outfeed_cycles.append(run)


@dataclass(slots=True)
class Record:
    """What happened in one shift: one record a machine, and the crew's work."""

    shift_us: int
    machines: list[MachineRecord]
    work: list[Work] = field(default_factory=list)
