"""A window of the record read into sums of microseconds, bags, packs and visits.

A reading covers the instants after its start (from the shift's start that one too) up to its
end, the end included. Time is booked by its part in the window; a halt, a visit or a bundle
belongs to the instant at which it began (a bundle: came in), a pocket to the end of its cycle.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from feedsim.accounts.record import (
    BLOCKED,
    DOUBLE,
    DRY,
    GOOD,
    JAM,
    JAMMED,
    LANE,
    LANE_FAULT,
    LOAD,
    MISSED,
    SKEWED,
    STATION,
    UNOPENED,
    MachineRecord,
    Record,
    Work,
)
from feedsim.accounts.spans import NO_SPANS, Span, Spans
from feedsim.accounts.timeline import (
    BY_SPEED,
    Segment,
    Window,
    blockers_of,
    causes_of,
    halts_of,
    segments_of,
    states_of,
)
from feedsim.cell import BreakPlan, Cell, MachinePlan

LOST = (MISSED, DOUBLE, UNOPENED, JAMMED)

Sums = dict[str, int]


@dataclass(frozen=True, slots=True)
class Reading:
    """Sums of one window: a table a machine, and the crew's."""

    machines: tuple[Sums, ...]
    crew: Sums


def read(record: Record, cell: Cell, window: Window | None = None) -> Reading:
    """Read a window of a shift's record.

    Parameters
    ----------
    record : Record
        What happened.
    cell : Cell
        The machines and people that it happened to.
    window : Window, optional
        What to read; by default from the end of the warm-up to the shift's end.

    Returns
    -------
    Reading
        Times in microseconds, all else in numbers.
    """
    if window is None:
        window = Window(cell.warm_up_us, cell.shift_us)
    presence = _presence(record)
    machines = tuple(
        _read_machine(plan, machine, presence, window, cell)
        for plan, machine in zip(cell.machines, record.machines, strict=True)
    )
    for sums, visits in zip(machines, _visits(record, cell, window), strict=True):
        sums.update(visits)
    return Reading(machines, _read_crew(record, cell, window))


Presence = dict[tuple[int | None, str, str], Spans]


def _presence(record: Record) -> Presence:
    """When somebody was at a machine for what: by machine, kind of task and detail."""
    spans: dict[tuple[int | None, str, str], list[Span]] = defaultdict(list)
    begun: dict[int, int] = {}
    for work in record.work:
        if work.event == "begins":
            begun[work.operator] = work.at_us
        elif work.event == "ends":
            spans[_purpose(work)].append((begun.pop(work.operator), work.at_us))
    for work in reversed(record.work):
        if work.operator in begun and work.event == "begins":
            spans[_purpose(work)].append((begun.pop(work.operator), record.shift_us))
    return {purpose: Spans(found) for purpose, found in spans.items()}


def _purpose(work: Work) -> tuple[int | None, str, str]:
    return work.machine, work.kind, work.detail if work.kind == STATION else ""


def _read_machine(
    plan: MachinePlan, record: MachineRecord, presence: Presence, window: Window, cell: Cell
) -> Sums:
    segments = segments_of(record, cell.shift_us)
    sums: Sums = {"window_us": window.end_us - window.start_us, "cycle_us": plan.cycle_us}
    sums |= {f"time_{state}_us": 0 for state in states_of(plan)}
    for segment in segments:
        sums[f"time_{segment.state}_us"] += window.part_us(segment.begin_us, segment.end_us)
    sums |= _read_halts(plan, segments, window, cell.minor_stop_us)
    sums |= _read_waiting(plan, segments, presence, window)
    sums |= _read_blocked(plan, record, segments, window)
    sums |= _read_pockets(plan, record, window)
    sums |= _read_bags(plan, record, window)
    return sums


def _read_halts(
    plan: MachinePlan, segments: list[Segment], window: Window, minor_stop_us: int
) -> Sums:
    sums = {f"stops_{cause}": 0 for cause in causes_of(plan)}
    sums["long_halts_us"] = 0
    for halt in halts_of(segments):
        if window.holds(halt.begin_us):
            sums[f"stops_{halt.cause}"] += 1
        if halt.length_us >= minor_stop_us:
            sums["long_halts_us"] += sum(
                window.part_us(s.begin_us, s.end_us) for s in halt.unplanned
            )
    return sums


def _read_waiting(
    plan: MachinePlan, segments: list[Segment], presence: Presence, window: Window
) -> Sums:
    """Time stopped for a cause that needs somebody, while nobody is there for it."""
    there = {
        JAM: presence.get((plan.index, JAM, ""), NO_SPANS),
        LANE_FAULT: presence.get((plan.index, LANE, ""), NO_SPANS),
        DRY: presence.get((plan.index, LOAD, ""), NO_SPANS),
    }
    for station in plan.stations:
        if station.needs_operator:
            there[station.state] = presence.get((plan.index, STATION, station.state), NO_SPANS)
    wait_us = 0
    for segment in segments:
        if segment.state in there:
            begin, end = window.cut(segment.begin_us, segment.end_us)
            wait_us += max(0, end - begin) - there[segment.state].within(begin, end)
    return {"wait_us": wait_us}


def _read_blocked(
    plan: MachinePlan, record: MachineRecord, segments: list[Segment], window: Window
) -> Sums:
    """Blocked time by the outfeed station that stopped first of those stopped."""
    names = blockers_of(plan)
    sums = {f"blocked_by_{name}_us": 0 for name in names}
    if not names:
        return sums
    first_stopped = _first_stopped(record, window.end_us)
    for segment in segments:
        if segment.state == BLOCKED:
            begin, end = window.cut(segment.begin_us, segment.end_us)
            rest_us = max(0, end - begin)
            for number, spans in first_stopped.items():
                held_us = spans.within(begin, end)
                sums[f"blocked_by_{names[number]}_us"] += held_us
                rest_us -= held_us
            sums[f"blocked_by_{BY_SPEED}_us"] += rest_us
    return sums


def _first_stopped(record: MachineRecord, end_us: int) -> dict[int, Spans]:
    """For each station of the outfeed, when it was the first of those stopped."""
    spans: dict[int, list[Span]] = defaultdict(list)
    stopped: list[int] = []
    since_us = 0
    for stop in record.outfeed_stops:
        if stopped:
            spans[stopped[0]].append((since_us, stop.at_us))
        if stop.stopped:
            stopped.append(stop.station)
        else:
            stopped.remove(stop.station)
        since_us = stop.at_us
    if stopped:
        spans[stopped[0]].append((since_us, end_us))
    return {station: Spans(found) for station, found in spans.items()}


def _read_pockets(plan: MachinePlan, record: MachineRecord, window: Window) -> Sums:
    """Pockets by outcome; packs scrapped at a halt count where their cycles ended."""
    pockets = dict.fromkeys((GOOD, SKEWED, *LOST), 0)
    good_before = slow_us = 0
    for run in record.runs:
        before = run.ends_until(window.start_us)
        ended = run.ends_until(window.end_us) - before
        pockets[run.outcome] += ended
        slow_us += ended * (run.cycle_us - plan.cycle_us)
        if run.outcome == GOOD:
            good_before += before
    made = pockets[GOOD]
    scrapped = 0
    for scrap in record.scraps:
        first = max(scrap.first_pack, good_before + 1)
        last = min(scrap.last_pack, good_before + made)
        scrapped += max(0, last - first + 1)
    return {
        "good_packs": made - scrapped,
        "rejected_packs": pockets[SKEWED] + scrapped,
        "scrapped_packs": scrapped,
        "slow_cycles_us": slow_us,
        "lost_pockets": sum(pockets[outcome] for outcome in LOST),
        **{f"pockets_{outcome}": pockets[outcome] for outcome in (SKEWED, *LOST)},
    }


def _read_bags(plan: MachinePlan, record: MachineRecord, window: Window) -> Sums:
    """Bags loaded and gone; `bags_from_start` are the gone ones that began the shift here."""
    loaded = sum(load.bags for load in record.loads if window.holds(load.at_us))
    gone_before = [0] * (plan.lanes + 1)
    gone = [0] * (plan.lanes + 1)
    for run in record.runs:
        before = run.ends_until(window.start_us)
        gone_before[run.lane] += run.bags_each * before
        gone[run.lane] += run.bags_each * (run.ends_until(window.end_us) - before)
    for discard in record.discards:
        if window.holds(discard.at_us):
            gone[discard.lane] += discard.bags
        elif discard.at_us <= window.start_us:
            gone_before[discard.lane] += discard.bags
    from_start = sum(
        min(plan.start_bags, before + now) - min(plan.start_bags, before)
        for before, now in zip(gone_before[1:], gone[1:], strict=True)
    )
    return {"bags_loaded": loaded, "bags_gone": sum(gone), "bags_from_start": from_start}


def _visits(record: Record, cell: Cell, window: Window) -> list[Sums]:
    visits = [{"refill_visits": 0, "fault_visits": 0} for _ in cell.machines]
    for work in record.work:
        if work.event == "begins" and work.machine is not None and window.holds(work.at_us):
            kind = "refill_visits" if work.kind == LOAD else "fault_visits"
            visits[work.machine][kind] += 1
    return visits


def _read_crew(record: Record, cell: Cell, window: Window) -> Sums:
    """Operators' time on tasks, and their time present.

    Work that an operator carries into a break counts on both sides.
    """
    busy: dict[int, list[Span]] = defaultdict(list)
    taken: dict[int, int] = {}
    for work in record.work:
        if work.event == "takes":
            taken[work.operator] = work.at_us
        elif work.event == "ends":
            busy[work.operator].append((taken.pop(work.operator), work.at_us))
    for operator, since_us in taken.items():
        busy[operator].append((since_us, record.shift_us))
    sums = {"busy_us": 0, "present_us": 0}
    for operator in range(1, cell.crew.operators + 1):
        spans = [window.cut(*span) for span in busy[operator]]
        absences = Spans(
            window.cut(pause.begin_us, pause.end_us)
            for pause in cell.crew.breaks
            if _is_absent(operator, pause)
        )
        absent_us = absences.within(window.start_us, window.end_us)
        carried_us = sum(absences.within(*span) for span in spans)
        sums["busy_us"] += sum(max(0, end - begin) for begin, end in spans)
        sums["present_us"] += window.end_us - window.start_us - absent_us + carried_us
    return sums


def _is_absent(operator: int, pause: BreakPlan) -> bool:
    return operator > pause.cover
