"""The events of a shift, one by one, read from its record."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

from feedsim.accounts import Record, Window
from feedsim.accounts.record import (
    GOOD,
    JAM,
    LANE,
    LOAD,
    STATION,
    MachineRecord,
    Run,
    Work,
)
from feedsim.answers.instants import (
    BREAKS,
    BUNDLE,
    CALLED,
    CHANGED,
    CYCLE,
    DISCARD,
    DUTIES,
    ENTRY,
    HALTED,
    ROUNDS,
    SCRAP,
    STOPS,
    TAKEN,
    WORK,
    Draft,
    Held,
    arranged,
)
from feedsim.cell import Cell, MachinePlan

CALENDAR = "calendar"
PACK, STATE, CALL = "pack", "state", "call"
BUNDLE_IN, THROWN_AWAY, SCRAPPED = "bundle in", "thrown away", "scrapped"
ROUND_DUE, DUTY_DUE = "round due", "duty due"
STOP_BEGINS, STOP_ENDS = "planned stop begins", "planned stop ends"
BREAK_BEGINS, BREAK_ENDS = "break begins", "break ends"
OUTFEED_TAKES, OUTFEED_STOPS, OUTFEED_READY = "outfeed takes", "outfeed stops", "outfeed ready"
TAKES, BEGINS, ENDS = "takes", "begins", "ends"


class Event(NamedTuple):
    """Something that happened.

    Attributes
    ----------
    at_us : int
        Microseconds from the shift's start.
    what : str
        One of this module's names, or of a lost or rejected pocket its fault.
    who : str
        A machine, "operator 1" or "calendar".
    machine : str
        The machine concerned, empty where there is none.
    lane : int or None
    bags : int or None
        Bags that came into the lane; below 0 those that left it.
    lane_bags : int or None
        What the lane holds after it.
    detail : str
        The state, the call, the task, the name of a stop or duty.
    """

    at_us: int
    what: str
    who: str
    machine: str
    lane: int | None
    bags: int | None
    lane_bags: int | None
    detail: str


def operator_name(number: int) -> str:
    """What an operator is called."""
    return f"operator {number}"


def is_step(event: Event) -> bool:
    """Whether an event is more than a cycle without a fault."""
    return event.what != OUTFEED_TAKES and (event.what != PACK or bool(event.detail))


def count_events(record: Record, cell: Cell, window: Window) -> int:
    """Count the events of a window, without making those of the cycles."""
    count = sum(window.holds(draft.at_us) for draft in _changes(record, cell))
    for machine in record.machines:
        count += sum(_ended(run, window) for run in machine.runs)
        count += sum(_ended(starts_of(run), window) for run in machine.outfeed_cycles)
    return count


def events_of(record: Record, cell: Cell, window: Window) -> list[Event]:
    """All events of a window, in the order in which the model takes them.

    Parameters
    ----------
    record : Record
        What happened in a shift.
    cell : Cell
    window : Window
        What of it, in microseconds from its start.

    Returns
    -------
    list of Event
        Every cycle, state, bundle, call, task and entry of the calendar. Within an instant
        nothing stands before what brings it about; else the calendar comes first, then stations,
        operators, outfeeds and machines, each by number.
    """
    drafts = [draft for draft in _changes(record, cell) if window.holds(draft.at_us)]
    for plan, machine in zip(cell.machines, record.machines, strict=True):
        drafts += _cycles(plan, machine, window)
    drafts.sort(key=attrgetter("at_us"))
    held = held_before(record, cell, window)
    events: list[Event] = []
    for _, together in groupby(drafts, key=attrgetter("at_us")):
        for draft in arranged(list(together), held):
            events.append(_event(draft, cell, held.lanes))
            if draft.source == CYCLE and draft.kind == GOOD:
                held.packs[draft.machine or 0] += 1
            elif draft.source == TAKEN:
                held.packs[draft.machine or 0] -= 1
    return events


def _event(draft: Draft, cell: Cell, lanes: dict[tuple[int, int], int]) -> Event:
    machine = "" if draft.machine is None else cell.machines[draft.machine].name
    left: int | None = None
    if draft.machine is not None and draft.lane is not None:
        left = lanes[draft.machine, draft.lane] + (draft.bags or 0)
        lanes[draft.machine, draft.lane] = left
    return Event(
        *(draft.at_us, draft.what, draft.who, machine),
        *(draft.lane, draft.bags, left, _spoken_detail(draft)),
    )


def _spoken_detail(draft: Draft) -> str:
    return "" if draft.source == DISCARD else draft.detail


def held_before(record: Record, cell: Cell, window: Window) -> Held:
    """Bags in each lane and packs in each accumulation before a window begins."""
    calls_at_bags = {plan.index: cell.crew.calls_at_bags(plan) for plan in cell.machines}
    lanes: dict[tuple[int, int], int] = {}
    packs: dict[int, int] = {}
    for plan, machine in zip(cell.machines, record.machines, strict=True):
        for lane in range(1, plan.lanes + 1):
            lanes[plan.index, lane] = plan.start_bags
        packs[plan.index] = 0
        if window.start_us == 0:
            continue
        for load in machine.loads:
            if load.at_us <= window.start_us:
                lanes[plan.index, load.lane] += load.bags
        for discard in machine.discards:
            if discard.at_us <= window.start_us:
                lanes[plan.index, discard.lane] -= discard.bags
        for run in machine.runs:
            ended = run.ends_until(window.start_us)
            lanes[plan.index, run.lane] -= ended * run.bags_each
            packs[plan.index] += ended if run.outcome == GOOD and plan.outfeed else 0
        for run in machine.outfeed_cycles:
            packs[plan.index] -= starts_of(run).ends_until(window.start_us)
    return Held(packs, lanes, calls_at_bags)


# Cycles, which are told in runs.


def _ended(run: Run, window: Window) -> int:
    """Cycles of a run that ended in a window."""
    before = run.ends_until(window.start_us) if window.start_us else 0
    return run.ends_until(window.end_us) - before


def starts_of(run: Run) -> Run:
    """The run of the instants at which an outfeed's cycles began: packs are taken then."""
    starts = Run(run.first_end_us - run.cycle_us, run.cycle_us, 0, GOOD, 0, 1)
    starts.last_end_us = run.last_end_us - run.cycle_us
    starts.count, starts.spacing_us = run.count, run.spacing_us
    return starts


def _ends_in(run: Run, window: Window) -> Iterator[int]:
    first = run.ends_until(window.start_us) if window.start_us else 0
    for number in range(first, run.ends_until(window.end_us)):
        yield run.first_end_us + number * run.spacing_us


def _cycles(plan: MachinePlan, machine: MachineRecord, window: Window) -> Iterator[Draft]:
    for run in machine.runs:
        what = PACK if run.outcome == GOOD else run.outcome
        detail = f"{run.attempts} attempts" if run.attempts > 1 else ""
        for end_us in _ends_in(run, window):
            yield Draft(
                *(end_us, CYCLE, what, plan.name, plan.index),
                lane=run.lane,
                bags=-run.bags_each,
                detail=detail,
                kind=run.outcome,
            )
    for run in machine.outfeed_cycles:
        for start_us in _ends_in(starts_of(run), window):
            yield Draft(start_us, TAKEN, OUTFEED_TAKES, plan.name, plan.index)


# All else.


def _changes(record: Record, cell: Cell) -> Iterator[Draft]:
    """Drafts of all that is no cycle, list by list."""
    yield from _entries(cell)
    yield from _work(record, cell)
    loaders = _loaders(record)
    for plan, machine in zip(cell.machines, record.machines, strict=True):
        yield from _bags(plan, machine, loaders[plan.index])
        yield from _calls(plan, machine)
        yield from _states(plan, machine)
        yield from _outfeed_stops(plan, machine)


def _entries(cell: Cell) -> Iterator[Draft]:
    """What the calendar brings within the shift."""
    found: list[Draft] = []
    for stop in cell.planned_stops:
        for at_us, what in ((stop.begin_us, STOP_BEGINS), (stop.end_us, STOP_ENDS)):
            found.append(Draft(at_us, ENTRY, what, CALENDAR, detail=stop.name, number=STOPS))
    for pause in cell.crew.breaks:
        kept = f"cover {pause.cover}"
        for at_us, what in ((pause.begin_us, BREAK_BEGINS), (pause.end_us, BREAK_ENDS)):
            found.append(Draft(at_us, ENTRY, what, CALENDAR, detail=kept, number=BREAKS))
    if cell.crew.rounds_us:
        found += [
            Draft(at_us, ENTRY, ROUND_DUE, CALENDAR, number=ROUNDS)
            for at_us in range(cell.crew.rounds_us, cell.shift_us, cell.crew.rounds_us)
        ]
    for number, duty in enumerate(cell.crew.duties, start=DUTIES):
        found += [
            Draft(at_us, ENTRY, DUTY_DUE, CALENDAR, detail=duty.name, number=number)
            for at_us in range(duty.every_us, cell.shift_us, duty.every_us)
        ]
    yield from (draft for draft in found if draft.at_us <= cell.shift_us)


def task_name(work: Work, cell: Cell) -> str:
    """A task in words: load, clear jam, clear lane 2, restart sealer, or a duty's name."""
    if work.kind == STATION and work.machine is not None:
        return f"restart {_station_names(cell.machines[work.machine])[work.detail]}"
    names = {LOAD: "load", JAM: "clear jam", LANE: f"clear lane {work.detail}"}
    return names.get(work.kind, work.detail)


def _station_names(plan: MachinePlan) -> dict[str, str]:
    """Names of all stations of a machine and its outfeed, by their states."""
    return {station.state: station.name for station in plan.all_stations}


def _work(record: Record, cell: Cell) -> Iterator[Draft]:
    for work in record.work:
        yield Draft(
            *(work.at_us, WORK, work.event, operator_name(work.operator), work.machine),
            operator=work.operator,
            detail=task_name(work, cell),
            kind=work.kind,
            before=work.detail,
        )


def _loaders(record: Record) -> dict[int, list[tuple[int, int, int]]]:
    """Loading visits of each machine: begun, ended, by which operator."""
    found: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    begun: dict[int, int] = {}
    for work in record.work:
        if work.kind != LOAD or work.machine is None:
            continue
        if work.event == BEGINS:
            begun[work.operator] = len(found[work.machine])
            found[work.machine].append((work.at_us, record.shift_us, work.operator))
        elif work.event == ENDS:
            place = begun.pop(work.operator)
            since_us, _, operator = found[work.machine][place]
            found[work.machine][place] = since_us, work.at_us, operator
    return found


def _bags(
    plan: MachinePlan, machine: MachineRecord, visits: list[tuple[int, int, int]]
) -> Iterator[Draft]:
    place = 0
    for load in machine.loads:
        while visits[place][1] < load.at_us:
            place += 1
        operator = visits[place][2]
        yield Draft(
            *(load.at_us, BUNDLE, BUNDLE_IN, operator_name(operator), plan.index, operator),
            *(load.lane, load.bags),
        )
    for discard in machine.discards:
        yield Draft(
            *(discard.at_us, DISCARD, THROWN_AWAY, plan.name, plan.index),
            lane=discard.lane,
            bags=-discard.bags,
            detail=str(discard.lane),
        )
    for scrap in machine.scraps:
        packs = scrap.last_pack - scrap.first_pack + 1
        detail = "1 pack" if packs == 1 else f"{packs} packs"
        yield Draft(scrap.at_us, SCRAP, SCRAPPED, plan.name, plan.index, detail=detail)


def _calls(plan: MachinePlan, machine: MachineRecord) -> Iterator[Draft]:
    of_outfeed = {s.name for s in plan.outfeed.stations} if plan.outfeed else set()
    states = {name: state for state, name in _station_names(plan).items()}
    for call in machine.calls:
        kind, _, rest = call.kind.partition(" ")
        yield Draft(
            *(call.at_us, CALLED, CALL, plan.name, plan.index),
            detail=call.kind,
            kind=kind,
            before=states[rest] if kind == STATION else rest,
            of_outfeed=kind == STATION and rest in of_outfeed,
        )


def _states(plan: MachinePlan, machine: MachineRecord) -> Iterator[Draft]:
    stations = {station.state: n for n, station in enumerate(plan.stations)}
    before = ""
    for change in machine.changes:
        number = stations.get(before, 0)
        yield Draft(
            *(change.at_us, CHANGED, STATE, plan.name, plan.index),
            detail=change.state,
            before=before,
            number=number,
            needs_operator=before in stations and plan.stations[number].needs_operator,
        )
        before = change.state


def _outfeed_stops(plan: MachinePlan, machine: MachineRecord) -> Iterator[Draft]:
    for stop in machine.outfeed_stops:
        assert plan.outfeed is not None
        station = plan.outfeed.stations[stop.station]
        yield Draft(
            *(stop.at_us, HALTED, OUTFEED_STOPS if stop.stopped else OUTFEED_READY),
            *(plan.name, plan.index),
            detail=station.state,
            kind="stopped" if stop.stopped else "ready",
            number=len(plan.stations) + stop.station,
            needs_operator=station.needs_operator,
        )
