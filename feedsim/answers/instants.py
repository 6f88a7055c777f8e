"""The order of what happens within one instant, found from what is told of it.

A record keeps each kind of change in a list of its own. What stands in one list keeps its order;
between lists the model's rule decides: the next step is the first by class, then by number, of all
that can be taken, and nothing can be taken before what brings it about.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

from feedsim.accounts.record import (
    BLOCKED,
    DRY,
    DUTY,
    JAM,
    LANE,
    LANE_FAULT,
    LOAD,
    MOVING,
    PLANNED,
    RETRY,
    RUNNING,
    STATION,
)

# Where a draft was told.
ENTRY, WORK, BUNDLE, DISCARD, CALLED, CHANGED, SCRAP, CYCLE, TAKEN, HALTED = range(10)

# Classes of steps, in their order; tasks are taken at the end of the step under way.
AT_ONCE, OF_CALENDAR, OF_STATIONS, OF_OPERATORS, OF_OUTFEEDS, OF_MACHINES = range(-1, 5)
STOPS, BREAKS, ROUNDS, DUTIES = range(4)

LOADING_CALLS = ("low", "dry", "round")
_MOST_STATIONS = 1000

Place = tuple[int, int]


@dataclass(slots=True, eq=False)
class Draft:
    """An event before its place in its instant is known.

    `machine` is an index, `kind` of what sort it is within its source. `before` is the state that a
    change ends, or the lane, the station's state or the duty that a task or call is about;
    `needs_operator` belongs to the station whose state that is, or that is ready.
    """

    at_us: int
    source: int
    what: str
    who: str
    machine: int | None = None
    operator: int = 0
    lane: int | None = None
    bags: int | None = None
    detail: str = ""
    kind: str = ""
    before: str = ""
    number: int = 0
    needs_operator: bool = False
    of_outfeed: bool = False


@dataclass(slots=True, eq=False)
class _Step:
    """Drafts that belong to one step, its place, and how many steps must come before it."""

    place: Place
    drafts: list[Draft] = field(default_factory=list)
    later: list[_Step] = field(default_factory=list)
    waits_for: int = 0

    def comes_before(self, other: _Step) -> None:
        """Let another step wait for this one."""
        if other is not self:
            self.later.append(other)
            other.waits_for += 1


@dataclass(slots=True)
class Held:
    """What is held at an instant, by the machine's index (and the lane).

    `calls_at_bags` is the level at or below which a lane calls.
    """

    packs: dict[int, int]
    lanes: dict[tuple[int, int], int]
    calls_at_bags: dict[int, int]


def arranged(drafts: Sequence[Draft], held: Held) -> Sequence[Draft]:
    """Put the events of one instant in order.

    Parameters
    ----------
    drafts : sequence of Draft
        Those of one source and machine, or of the crew, in the order in which they were told.
    held : Held
        What was held before the instant.

    Returns
    -------
    sequence of Draft
        All of them.
    """
    if len(drafts) == 1:
        return drafts
    if all(draft.source == CYCLE for draft in drafts):
        return sorted(drafts, key=lambda draft: draft.machine or 0)
    return _Instant(drafts, held).in_order()


class _Instant:
    """The steps of one instant, found one kind after the other."""

    def __init__(self, drafts: Sequence[Draft], held: Held) -> None:
        self.held = held
        self.steps: list[_Step] = []
        self.step_of: dict[Draft, _Step] = {}
        self.told: dict[int, list[Draft]] = defaultdict(list)
        for draft in drafts:
            self.told[draft.source].append(draft)
        self._find_calendar()
        self._find_operators()
        self._find_outfeeds()
        self._find_cycles()
        self._find_changes()
        self._find_calls()
        self._link_lists()
        self._link_causes()

    def in_order(self) -> list[Draft]:
        """All drafts, step by step."""
        due = [(step.place, n, step) for n, step in enumerate(self.steps) if not step.waits_for]
        heapify(due)
        numbers = {id(step): n for n, step in enumerate(self.steps)}
        found: list[Draft] = []
        done: set[int] = set()
        while due:
            _, number, step = heappop(due)
            found += step.drafts
            done.add(number)
            for later in step.later:
                later.waits_for -= 1
                if not later.waits_for:
                    heappush(due, (later.place, numbers[id(later)], later))
        left = [step for number, step in enumerate(self.steps) if number not in done]
        for step in sorted(left, key=lambda step: step.place):
            found += step.drafts
        return found

    # The steps.

    def _step(self, place: Place) -> _Step:
        step = _Step(place)
        self.steps.append(step)
        return step

    def _join(self, step: _Step, draft: Draft) -> None:
        step.drafts.append(draft)
        self.step_of[draft] = step

    def _first(self, drafts: Iterable[Draft]) -> _Step | None:
        """The step of the first draft that has one."""
        return next((self.step_of[d] for d in drafts if d in self.step_of), None)

    def _find_calendar(self) -> None:
        steps: dict[int, _Step] = {}
        for draft in self.told[ENTRY]:
            place = OF_CALENDAR, draft.number
            if draft.number not in steps:
                steps[draft.number] = self._step(place)
            self._join(steps[draft.number], draft)

    def _find_operators(self) -> None:
        """Each beginning and bundle is a step; work ends with the last bundle or discard."""
        bundles: dict[int, list[Draft]] = defaultdict(list)
        for draft in self.told[BUNDLE]:
            bundles[draft.operator].append(draft)
        last: dict[int, _Step] = {}
        previous: _Step | None = None
        for work in self.told[WORK]:
            if work.what == "takes":
                step = self._follow(last, work.operator, AT_ONCE)
            elif work.what == "begins":
                step = self._follow(last, work.operator, OF_OPERATORS)
            else:
                step = self._ending(work, bundles, last)
            self._join(step, work)
            if previous is not None:
                previous.comes_before(step)
            previous = step
        for operator, rest in bundles.items():
            for draft in rest:
                self._join(self._follow(last, operator, OF_OPERATORS), draft)

    def _follow(self, last: dict[int, _Step], operator: int, kind: int) -> _Step:
        """A new step of an operator, behind the one before."""
        step = self._step((kind, operator))
        if operator in last:
            last[operator].comes_before(step)
        last[operator] = step
        return step

    def _ending(
        self, work: Draft, bundles: dict[int, list[Draft]], last: dict[int, _Step]
    ) -> _Step:
        step: _Step | None = None
        if work.kind == LOAD:
            mine = bundles[work.operator]
            for draft in [d for d in mine if d.machine == work.machine]:
                mine.remove(draft)
                step = self._follow(last, work.operator, OF_OPERATORS)
                self._join(step, draft)
        step = step or self._follow(last, work.operator, OF_OPERATORS)
        for draft in self.told[DISCARD]:
            at_lane = draft.machine == work.machine and draft.detail == work.before
            if work.kind == LANE and at_lane and draft not in self.step_of:
                self._join(step, draft)
                break
        return step

    def _find_outfeeds(self) -> None:
        """A stop is at a cycle's end, a pack is taken behind it, if there was one."""
        own: dict[int, _Step] = {}
        for draft in self.told[HALTED]:
            machine = draft.machine or 0
            if draft.kind == "ready":
                step = (
                    self._release(machine, STATION, draft.detail) if draft.needs_operator else None
                )
                if step is None:
                    step = self._step((OF_STATIONS, machine * _MOST_STATIONS + draft.number))
                self._late(step, draft)
            else:
                own.setdefault(machine, self._step((OF_OUTFEEDS, machine)))
                self._join(own[machine], draft)
        for draft in self.told[TAKEN]:
            machine = draft.machine or 0
            if self.held.packs[machine]:
                own.setdefault(machine, self._step((OF_OUTFEEDS, machine)))
                self._join(own[machine], draft)

    def _release(self, machine: int, kind: str, detail: str = "") -> _Step | None:
        """The step in which somebody ends a task of a kind at a machine."""
        return self._first(
            work
            for work in self.told[WORK]
            if work.what == "ends"
            and work.machine == machine
            and work.kind == kind
            and detail in ("", work.before)
        )

    def _find_cycles(self) -> None:
        """A cycle's end, with the end of its retries before it and the pack that goes on."""
        for draft in self.told[CYCLE]:
            machine = draft.machine or 0
            step = self._step((OF_MACHINES, machine))
            for change in self.told[CHANGED]:
                if change.machine == machine and change.before == RETRY:
                    self._join(step, change)
            self._join(step, draft)
            for taken in self.told[TAKEN]:
                if taken.machine == machine and taken not in self.step_of:
                    self._join(step, taken)

    def _cycle_of(self, machine: int) -> _Step | None:
        return self._first(d for d in self.told[CYCLE] if d.machine == machine)

    def _find_changes(self) -> None:
        for change in self.told[CHANGED]:
            if change in self.step_of:
                continue
            machine = change.machine or 0
            if change.detail in MOVING:
                step = self._step((OF_MACHINES, machine))
                for scrap in self.told[SCRAP]:
                    if scrap.machine == machine and scrap not in self.step_of:
                        self._join(step, scrap)
                release = self._who_ended(change)
                if release is not None:
                    release.comes_before(step)
            elif change.before in MOVING or not change.before:
                step = self._cycle_of(machine) or self._step((OF_MACHINES, machine))
            else:
                step = self._who_ended(change) or self._step((OF_MACHINES, machine))
            self._late(step, change)

    def _late(self, step: _Step, change: Draft) -> None:
        """Put a change in its step: before the end of the work that brings it about."""
        at_end = step.drafts and step.drafts[-1].what == "ends"
        step.drafts.insert(len(step.drafts) - 1 if at_end else len(step.drafts), change)
        self.step_of[change] = step

    def _who_ended(self, change: Draft) -> _Step | None:
        """The step that ended the state before a change, or brought the planned one."""
        machine = change.machine or 0
        if change.detail in PLANNED or change.before in PLANNED:
            return self._first(d for d in self.told[ENTRY] if d.number == STOPS)
        if change.before == JAM:
            return self._release(machine, JAM)
        if change.before == LANE_FAULT:
            if change.detail == DRY and (closing := self._closing(machine)):
                return closing
            return self._release(machine, LANE) or self._loading(machine)
        if change.before == DRY:
            return self._loading(machine) or self._release(machine, LANE)
        if change.before == BLOCKED:
            return self._first(d for d in self.told[TAKEN] if d.machine == machine)
        if change.needs_operator:
            return self._release(machine, STATION, change.before)
        if not change.before:
            return None
        return self._step((OF_STATIONS, machine * _MOST_STATIONS + change.number))

    def _closing(self, machine: int) -> _Step | None:
        """The step between the beginning and the first bundle of a visit: a lane is closed."""
        for begun in self.told[WORK]:
            if (begun.what, begun.kind, begun.machine) == ("begins", LOAD, machine):
                bundles = [d for d in self.told[BUNDLE] if d.machine == machine]
                loaded = self._first(d for d in bundles if d.operator == begun.operator)
                if loaded is not None:
                    closing = self._step((OF_OPERATORS, begun.operator))
                    self.step_of[begun].comes_before(closing)
                    closing.comes_before(loaded)
                    return closing
        return None

    def _loading(self, machine: int) -> _Step | None:
        return self._first(d for d in self.told[BUNDLE] if d.machine == machine)

    def _find_calls(self) -> None:
        for call in self.told[CALLED]:
            machine = call.machine or 0
            step: _Step | None
            if call.kind == "round":
                step = self._first(d for d in self.told[ENTRY] if d.number == ROUNDS)
            elif call.of_outfeed:
                step = self._first(d for d in self.told[HALTED] if d.machine == machine)
            elif call.kind in LOADING_CALLS:
                step = self._who_saw(call, machine)
            else:
                step = self._cycle_of(machine)
            self._call(step or self._step((OF_OPERATORS, 0)), call)

    def _who_saw(self, call: Draft, machine: int) -> _Step | None:
        """The step at whose end a low or dry magazine was seen."""
        cycle, loaded = self._cycle_of(machine), self._release(machine, LOAD)
        if cycle is not None and not (loaded and call.kind == "low" and self._is_low(machine)):
            return cycle
        changes = [d for d in self.told[CHANGED] if d.machine == machine]
        at_machine = (d for d in self.told[WORK] if d.machine == machine and d.what == "ends")
        return (
            loaded
            or self._first(d for d in changes if d.detail == call.kind)
            or self._first(at_machine)
            or self._loading(machine)
            or self._first(changes)
        )

    def _is_low(self, machine: int) -> bool:
        """Whether some lane is at its call level once this instant's bundles are in."""
        levels = {lane: bags for (at, lane), bags in self.held.lanes.items() if at == machine}
        for draft in (*self.told[BUNDLE], *self.told[DISCARD]):
            if draft.machine == machine and draft.lane is not None:
                levels[draft.lane] += draft.bags or 0
        return min(levels.values()) <= self.held.calls_at_bags[machine]

    def _call(self, step: _Step, call: Draft) -> None:
        """Put a call in its step: before the halt that follows, and the end of loading."""
        place = len(step.drafts)
        if call.of_outfeed:
            stops = [d.source == HALTED and d.detail == call.before for d in step.drafts]
            place = stops.index(True) + 1 if True in stops else place
        while place and (
            step.drafts[place - 1].what == "ends"
            or (
                step.drafts[place - 1].source == CHANGED
                and step.drafts[place - 1].detail != RUNNING
            )
        ):
            place -= 1
        step.drafts.insert(place, call)
        self.step_of[call] = step

    # What comes before what.

    def _link_lists(self) -> None:
        """Keep the order within each list of a machine."""
        last: dict[tuple[int, int | None], _Step] = {}
        for source in (BUNDLE, DISCARD, CALLED, CHANGED, SCRAP, TAKEN, HALTED):
            for draft in self.told[source]:
                key = source, draft.machine
                step = self.step_of[draft]
                if key in last:
                    last[key].comes_before(step)
                last[key] = step

    def _link_causes(self) -> None:
        """A task is taken when it has been raised, or after a break; else it was noticed now."""
        ended: set[int] = set()
        for work in self.told[WORK]:
            if work.what == "ends":
                ended.add(work.operator)
            if work.what != "takes":
                continue
            step = self.step_of[work]
            causes = [self.step_of[draft] for draft in self._raised(work)]
            for cause in causes:
                cause.comes_before(step)
            if causes or work.operator in ended:
                continue
            break_step = self._first(d for d in self.told[ENTRY] if d.number == BREAKS)
            if break_step is not None:
                break_step.comes_before(step)
            else:
                step.place = OF_OPERATORS, 0

    def _raised(self, work: Draft) -> list[Draft]:
        """What raised a task in this instant."""
        if work.kind == DUTY:
            due = self.told[ENTRY]
            return [d for d in due if d.number >= DUTIES and d.detail == work.before]
        calls = [d for d in self.told[CALLED] if d.machine == work.machine]
        if work.kind == LOAD:
            return [d for d in calls if d.kind in LOADING_CALLS]
        return [d for d in calls if (d.kind, d.before) == (work.kind, work.before)]
