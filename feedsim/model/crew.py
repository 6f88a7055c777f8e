"""The crew: operators with one list of tasks, who walk, load, clear and do their duties."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from simpy.events import Event

from feedsim.accounts.record import DUTY, JAM, LANE, LOAD, STATION, Call, Record, Work
from feedsim.cell import CrewPlan, DutyPlan, MachinePlan
from feedsim.model.clock import OPERATORS, Clock, Signal, Step, place
from feedsim.model.lane import Lane
from feedsim.model.station import Station
from feedsim.times import Times

if TYPE_CHECKING:
    from feedsim.model.machine import Machine

Process = Generator[Event, None, None]

CLEAR, LOAD_DRY, LOAD_LOW, TOP_UP, OTHER_DUTY = range(5)
CALL_NAMES = {LOAD_DRY: "dry", LOAD_LOW: "low", TOP_UP: "round"}


@dataclass(slots=True, eq=False)
class Task:
    """Something that somebody has to do. The fields up to `machine_index` say what comes first.

    A duty, which is at no machine, has a priority of its own: no index is compared with its None.
    """

    priority: int
    raised_us: int
    machine_index: int | None
    kind: str
    machine: Machine | None
    what: Lane | Station | DutyPlan | None
    detail: str
    noticed: bool = True


def rank_of(task: Task) -> tuple[int, int, int | None]:
    """What comes first: by priority, then age, then machine."""
    return task.priority, task.raised_us, task.machine_index


def detail_of(what: Lane | Station | DutyPlan | None) -> str:
    """The lane, the station or the duty of a task, as the record names it."""
    if isinstance(what, Lane):
        return str(what.number)
    if isinstance(what, Station):
        return what.plan.state
    return what.name if what else ""


class Crew:
    """The list of tasks, in the order of raising, and who is there to take them."""

    def __init__(self, clock: Clock, plan: CrewPlan, record: Record) -> None:
        self.clock = clock
        self.plan = plan
        self.record = record
        self.place = place(OPERATORS)
        self.operators = [Operator(clock, number, self) for number in range(1, plan.operators + 1)]
        self.present = plan.operators
        self.tasks: list[Task] = []
        self.duty_times: dict[str, Times] = {}

    # What is asked of the crew.

    def call_to_jam(self, machine: Machine) -> None:
        """Ask somebody to clear a jam."""
        self._raise(CLEAR, JAM, machine, None, JAM)

    def call_to_lane(self, machine: Machine, lane: Lane) -> None:
        """Ask somebody to clear a lane."""
        self._raise(CLEAR, LANE, machine, lane, f"lane {lane.number}")

    def call_to_station(self, machine: Machine, station: Station) -> None:
        """Ask somebody to restart a station."""
        self._raise(CLEAR, STATION, machine, station, f"station {station.plan.name}")

    def call_to_load(self, machine: Machine, priority: int) -> None:
        """Ask somebody to load, unless somebody does or is on the way to."""
        if not machine.has_loader:
            self._raise(priority, LOAD, machine, None, CALL_NAMES[priority])

    def call_on_round(self, machine: Machine) -> None:
        """A round is due: its top-up needs no notice."""
        self.call_to_load(machine, TOP_UP)

    def call_to_duty(self, duty: DutyPlan) -> None:
        """A duty is due at the base."""
        self._raise(OTHER_DUTY, DUTY, None, duty, "")

    def _raise(
        self,
        priority: int,
        kind: str,
        machine: Machine | None,
        what: Lane | Station | DutyPlan | None,
        call: str,
    ) -> None:
        for waiting in self.tasks:
            same = waiting.machine is machine and waiting.what is what
            if same and waiting.priority == priority and waiting.kind == kind:
                return
        now = self.clock.now
        index = None if machine is None else machine.plan.index
        task = Task(priority, now, index, kind, machine, what, detail_of(what))
        self.tasks.append(task)
        notice_us = 0
        if machine is not None:
            machine.record.calls.append(Call(now, call))
            if priority != TOP_UP:
                notice_us = machine.times.notice.draw_us()
        if notice_us:
            task.noticed = False
            self.clock.at(notice_us, self.place, partial(self._notice, task))
        else:
            self.look_at_list()

    def _notice(self, task: Task) -> None:
        task.noticed = True
        self.look_at_list()

    # Who does it.

    def look_at_list(self) -> None:
        """Have free operators take tasks when the step under way is over."""
        if not self.clock.after_step:
            self.clock.after_step.append(self._assign)

    def _assign(self) -> None:
        for operator in self.operators[: self.present]:
            if operator.task is None:
                noticed = [task for task in self.tasks if task.noticed]
                if not noticed:
                    break
                # Of those of one rank `min` finds the first in the list.
                task = min(noticed, key=rank_of)
                self._take_off_list(task)
                operator.take(task)
        for operator in self.operators:
            if operator.task is None:
                operator.at = None

    def _take_off_list(self, task: Task) -> None:
        self.tasks.remove(task)
        if task.kind == LOAD and task.machine is not None:
            machine = task.machine
            machine.has_loader = True
            self.tasks = [t for t in self.tasks if t.kind != LOAD or t.machine is not machine]

    def keep(self, covers: list[int]) -> None:
        """Breaks under way leave the smallest of their covers, the lowest numbers.

        The others finish what they have in hand.
        """
        self.present = min([self.plan.operators, *covers])
        self.look_at_list()


class Operator:
    """One of the crew; `at` is the machine where the last task was, None the base."""

    def __init__(self, clock: Clock, number: int, crew: Crew) -> None:
        self.clock = clock
        self.number = number
        self.crew = crew
        self.place = place(OPERATORS, number)
        self.task: Task | None = None
        self.at: MachinePlan | None = None
        self.arrival = Signal(clock)

    def take(self, task: Task) -> None:
        """Take a task and set out for it."""
        self.task = task
        self._narrate("takes", task)
        goal = task.machine.plan if task.machine else None
        walk_us = self.crew.plan.walk_time_us(self.at, goal)
        self.at = goal
        self.arrival.give(self.place, walk_us)

    def work(self) -> Process:
        """The operator's process: arrive, do the task, look at the list."""
        while True:
            yield self.arrival
            self.arrival = Signal(self.clock)
            task = self.task
            assert task is not None
            self._narrate("begins", task)
            yield from self._do(task)
            self._narrate("ends", task)
            self.task = None
            self.crew.look_at_list()

    def _do(self, task: Task) -> Process:
        machine = task.machine
        if machine is None:
            assert isinstance(task.what, DutyPlan)
            yield self._spend(self.crew.duty_times[task.what.name])
        elif task.kind == LOAD:
            yield from self._load(machine)
        elif isinstance(task.what, Station):
            yield self._spend(task.what.stop)
            task.what.end_stop()
        elif isinstance(task.what, Lane):
            yield self._spend(machine.times.clear)
            machine.clear_lane(task.what)
        else:
            yield self._spend(machine.times.clear)
            machine.clear_jam()

    def _load(self, machine: Machine) -> Process:
        plan, times = machine.plan, machine.times
        yield self._spend(times.visit)
        in_hand = plan.carry_bundles
        not_reached = list(machine.lanes)
        while not_reached:
            lane = min(not_reached, key=lambda lane: (lane.bags, lane.number))
            not_reached.remove(lane)
            bundles = lane.room_bags // plan.bundle_bags
            for bundle in range(bundles):
                if in_hand == 0:
                    yield self._spend(times.fetch)
                    in_hand = plan.carry_bundles
                if bundle == 0 and not plan.live_loading:
                    machine.close_lane(lane)
                yield self._spend(times.bundle)
                if in_hand is not None:
                    in_hand -= 1
                machine.take_bundle(lane, is_last=bundle == bundles - 1)
        machine.end_loading()

    def _spend(self, times: Times) -> Step:
        return Step(self.clock, times.draw_us(), self.place)

    def _narrate(self, event: str, task: Task) -> None:
        self.crew.record.work.append(
            Work(self.clock.now, self.number, event, task.kind, task.machine_index, task.detail)
        )
