"""The calendar: planned stops, the crew's breaks, rounds and duties falling due."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import IS_CHANGEOVER, IS_PLANNED_STOP, NOT_PLANNED
from feedsim.kernel.compiling import compiled
from feedsim.kernel.holds import reconsider, touch
from feedsim.kernel.machine import planned_us
from feedsim.kernel.memory import (
    NEVER,
    Row,
    duty_of,
    machine_of,
    operator_of,
    span_of,
    word_of,
)
from feedsim.kernel.tasks import call_to, call_to_load
from feedsim.kernel.telling import book_operator


@compiled
def plan_calendar(shift: Row) -> None:
    """Put the first step of each kind on the agenda."""
    plan_stops(shift)
    plan_breaks(shift)
    shift.next_round_us = 0
    plan_round(shift)
    for number in range(shift.duties):
        duty = duty_of(shift, number)
        duty.next_us = 0
        plan_duty(shift, duty)


@compiled
def edge_us(first: int, edges: int, number: int) -> int:
    """When an edge of a list is, or NEVER behind the last."""
    return word_of(first, number).value if number < edges else NEVER


@compiled
def plan_stops(shift: Row) -> None:
    """The next instant at which a planned stop begins or ends."""
    at_us = edge_us(shift.first_stop_edge, shift.stop_edges, shift.next_stop_edge)
    shift.next_stop_edge += 1
    set_due(shift, shift.stops_leaf, at_us)


@compiled
def plan_breaks(shift: Row) -> None:
    """The next instant at which a break begins or ends."""
    at_us = edge_us(shift.first_break_edge, shift.break_edges, shift.next_break_edge)
    shift.next_break_edge += 1
    set_due(shift, shift.breaks_leaf, at_us)


@compiled
def plan_round(shift: Row) -> None:
    """The next round, if one is due before the shift's end."""
    at_us = NEVER
    if shift.rounds_us:
        shift.next_round_us += shift.rounds_us
        if shift.next_round_us < shift.shift_us:
            at_us = shift.next_round_us
    set_due(shift, shift.rounds_leaf, at_us)


@compiled
def plan_duty(shift: Row, duty: Row) -> None:
    """The duty's next time, if it is due before the shift's end."""
    duty.next_us += duty.every_us
    set_due(shift, duty.leaf, duty.next_us if duty.next_us < shift.shift_us else NEVER)


@compiled
def look_at_planned_stops(shift: Row) -> None:
    """What begins and what ends now is seen at once; of two stops at once a break has the time."""
    now = shift.now
    for number in range(shift.machines):
        touch(shift, machine_of(shift, number))
    shift.planned_us = planned_us(shift)
    shift.planned_since = now
    shift.planned = NOT_PLANNED
    for number in range(shift.stops):
        stop = span_of(shift.first_stop, number)
        if stop.begin_us <= now < stop.end_us:
            kind = IS_PLANNED_STOP if stop.is_break else IS_CHANGEOVER
            shift.planned = max(shift.planned, kind)
    for number in range(shift.machines):
        machine = machine_of(shift, number)
        machine.look_closer = 1
        reconsider(shift, machine)
    plan_stops(shift)


@compiled
def look_at_breaks(shift: Row) -> None:
    """Breaks under way leave the smallest of their covers, the lowest numbers."""
    now = shift.now
    for place in range(shift.operators):
        book_operator(shift, operator_of(shift, place))
    shift.present = shift.operators
    for number in range(shift.breaks):
        pause = span_of(shift.first_break, number)
        if pause.begin_us <= now < pause.end_us:
            shift.present = min(shift.present, pause.cover)
    shift.look_at_list = 1
    plan_breaks(shift)


@compiled
def begin_round(shift: Row) -> None:
    """A round is due: a top-up for every machine."""
    for number in range(shift.machines):
        machine = machine_of(shift, number)
        call_to_load(shift, machine, machine.round_task)
    plan_round(shift)


@compiled
def begin_duty(shift: Row, number: int) -> None:
    """A duty is due at the base."""
    duty = duty_of(shift, number)
    call_to(shift, duty.task)
    plan_duty(shift, duty)
