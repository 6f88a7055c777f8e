"""The crew's list of tasks: what has to be done, and what comes first."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import LOAD_TASK
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.luck import draw_us
from feedsim.kernel.memory import NEVER, NOBODY, Row, machine_of, task_of, word_of
from feedsim.kernel.telling import tell_call


@compiled
def waiting_task(shift: Row, place: int) -> int:
    """The number of a task by its place on the list."""
    return word_of(shift.first_waiting, place).value


@compiled_once
def call_to(shift: Row, number: int) -> None:
    """Put a task on the list, unless it waits already.

    From when it is noticed on it can be taken; a round and a duty need no notice.
    """
    task = task_of(shift, number)
    if task.waiting:
        return
    shift.raised += 1
    task.waiting = 1
    task.raised_us = shift.now
    task.order = shift.raised
    task.noticed = 1
    word_of(shift.first_waiting, shift.waiting).value = number
    shift.waiting += 1
    notice_us = 0
    if task.machine != NOBODY:
        machine = machine_of(shift, task.machine)
        tell_call(shift, number)
        if number != machine.round_task:
            notice_us = draw_us(shift, machine.notice)
    if notice_us:
        task.noticed = 0
        shift.unnoticed += 1
        task.notice_us = shift.now + notice_us
        plan_notice(shift)
    else:
        shift.look_at_list = 1


@compiled
def call_to_load(shift: Row, machine: Row, number: int) -> None:
    """Ask somebody to load, unless somebody does or is on the way to."""
    if not machine.has_loader:
        call_to(shift, number)


@compiled
def first_unnoticed(shift: Row) -> int:
    """The task that is noticed next."""
    first, first_us, first_order = NOBODY, NEVER, 0
    for place in range(shift.waiting):
        number = waiting_task(shift, place)
        task = task_of(shift, number)
        if not task.noticed and (
            task.notice_us < first_us or (task.notice_us == first_us and task.order < first_order)
        ):
            first, first_us, first_order = number, task.notice_us, task.order
    return first


@compiled
def plan_notice(shift: Row) -> None:
    """Put the next notice on the agenda."""
    at_us = NEVER
    if shift.unnoticed:
        at_us = task_of(shift, first_unnoticed(shift)).notice_us
    set_due(shift, shift.notice_leaf, at_us)


@compiled
def notice(shift: Row) -> None:
    """A task is noticed."""
    task_of(shift, first_unnoticed(shift)).noticed = 1
    shift.unnoticed -= 1
    shift.look_at_list = 1
    plan_notice(shift)


@compiled
def comes_before(task: Row, other: Row) -> bool:
    """Whether a task comes first: by priority, then age, then machine, then order of raising."""
    if task.priority != other.priority:
        return task.priority < other.priority
    if task.raised_us != other.raised_us:
        return task.raised_us < other.raised_us
    if task.machine != other.machine:
        return task.machine < other.machine
    return task.order < other.order


@compiled
def first_task(shift: Row) -> int:
    """The task to take next of those noticed, or NOBODY."""
    first = NOBODY
    for place in range(shift.waiting):
        number = waiting_task(shift, place)
        task = task_of(shift, number)
        if task.noticed and (first == NOBODY or comes_before(task, task_of(shift, first))):
            first = number
    return first


@compiled
def take_off_list(shift: Row, number: int) -> None:
    """Take a task off the list; a loading task takes the machine's others with it."""
    taken = task_of(shift, number)
    is_load = taken.kind == LOAD_TASK
    if is_load:
        machine_of(shift, taken.machine).has_loader = 1
    left = 0
    for place in range(shift.waiting):
        other = waiting_task(shift, place)
        task = task_of(shift, other)
        if other == number or (
            is_load and task.kind == LOAD_TASK and task.machine == taken.machine
        ):
            task.waiting = 0
            shift.unnoticed -= 1 - task.noticed
        else:
            word_of(shift.first_waiting, left).value = other
            left += 1
    shift.waiting = left
    if is_load:
        plan_notice(shift)
