"""The crew: operators who take tasks, walk, load, clear and do their duties."""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import (
    AT_BASE,
    BEGINS,
    BUNDLING,
    DOING,
    DUTY_TASK,
    ENDS,
    FETCHING,
    JAM_TASK,
    LANE_TASK,
    LOAD_TASK,
    STATION_TASK,
    TAKES,
    VISITING,
    WALKING,
)
from feedsim.kernel.compiling import compiled
from feedsim.kernel.jump import settle
from feedsim.kernel.luck import draw_us
from feedsim.kernel.machine import clear_jam, clear_lane, close_lane, end_loading, take_bundle
from feedsim.kernel.memory import (
    BASE,
    NEVER,
    NOBODY,
    Row,
    duty_of,
    lane_of,
    machine_of,
    operator_of,
    station_of,
    task_of,
    word_of,
)
from feedsim.kernel.station import end_stop
from feedsim.kernel.tasks import first_task, take_off_list
from feedsim.kernel.telling import book_operator, tell_work


@compiled
def assign(shift: Row) -> None:
    """Free operators take tasks, the lowest number first; who has none is at the base."""
    shift.look_at_list = 0
    for place in range(shift.present):
        operator = operator_of(shift, place)
        if operator.task == NOBODY:
            number = first_task(shift)
            if number == NOBODY:
                break
            take_off_list(shift, number)
            take(shift, operator, number)
    for place in range(shift.operators):
        operator = operator_of(shift, place)
        if operator.task == NOBODY:
            operator.at = BASE


@compiled
def take(shift: Row, operator: Row, number: int) -> None:
    """Take a task and set out for it."""
    book_operator(shift, operator)
    operator.task = number
    tell_work(shift, operator, TAKES)
    goal = task_of(shift, number).machine
    across = operator.at - BASE
    walk_us = word_of(shift.first_walk, across * (shift.machines + 1) + goal - BASE).value
    operator.at = goal
    spend(shift, operator, walk_us, WALKING)


@compiled
def spend(shift: Row, operator: Row, time_us: int, doing: int) -> None:
    """Be busy with something for a time."""
    operator.doing = doing
    set_due(shift, operator.leaf, shift.now + time_us)


@compiled
def work(shift: Row, operator: Row) -> None:
    """The operator's step: arrive, go on with the task, or end it."""
    if operator.doing == WALKING:
        begin_task(shift, operator)
        return
    if operator.doing == DOING:
        finish(shift, operator)
        return
    machine = machine_of(shift, task_of(shift, operator.task).machine)
    if operator.doing == VISITING:
        operator.in_hand = machine.carry_bundles
        operator.reached = 0
        reach_next_lane(shift, operator, machine)
    elif operator.doing == FETCHING:
        operator.in_hand = machine.carry_bundles
        start_bundle(shift, operator, machine)
    else:
        end_bundle(shift, operator, machine)


@compiled
def begin_task(shift: Row, operator: Row) -> None:
    """Begin the task, on arrival."""
    tell_work(shift, operator, BEGINS)
    task = task_of(shift, operator.task)
    if task.kind == LOAD_TASK:
        machine = machine_of(shift, task.machine)
        spend(shift, operator, draw_us(shift, machine.visit), VISITING)
    elif task.kind == STATION_TASK:
        station = station_of(shift, task.what)
        spend(shift, operator, draw_us(shift, station.stop), DOING)
    elif task.kind == DUTY_TASK:
        duty = duty_of(shift, task.what)
        spend(shift, operator, draw_us(shift, duty.takes), DOING)
    else:
        machine = machine_of(shift, task.machine)
        spend(shift, operator, draw_us(shift, machine.clear), DOING)


@compiled
def finish(shift: Row, operator: Row) -> None:
    """A jam, a lane, a station or a duty is done."""
    task = task_of(shift, operator.task)
    if task.kind == STATION_TASK:
        end_stop(shift, station_of(shift, task.what))
    elif task.kind == LANE_TASK:
        machine = machine_of(shift, task.machine)
        clear_lane(shift, machine, lane_of(machine, task.what))
    elif task.kind == JAM_TASK:
        clear_jam(shift, machine_of(shift, task.machine))
    end_task(shift, operator)


@compiled
def end_task(shift: Row, operator: Row) -> None:
    """Be free again, and look at the list."""
    tell_work(shift, operator, ENDS)
    book_operator(shift, operator)
    operator.task = NOBODY
    operator.doing = AT_BASE
    set_due(shift, operator.leaf, NEVER)
    shift.look_at_list = 1


# Loading.


@compiled
def emptiest_lane(operator: Row, machine: Row) -> int:
    """Of the lanes not yet reached on this visit the one with the fewest bags, or NOBODY."""
    emptiest, fewest = NOBODY, 0
    for place in range(machine.lanes):
        bags = lane_of(machine, place).bags
        if not operator.reached >> place & 1 and (emptiest == NOBODY or bags < fewest):
            emptiest, fewest = place, bags
    return emptiest


@compiled
def reach_next_lane(shift: Row, operator: Row, machine: Row) -> None:
    """Go to the next lane with room; behind the last one the visit is over."""
    settle(shift, machine)
    while True:
        place = emptiest_lane(operator, machine)
        if place == NOBODY:
            end_loading(shift, machine)
            end_task(shift, operator)
            return
        operator.reached |= 1 << place
        room_bags = machine.capacity_bags - lane_of(machine, place).bags
        operator.lane = place
        operator.bundles_left = room_bags // machine.bundle_bags
        operator.is_first = 1
        if operator.bundles_left:
            want_bundle(shift, operator, machine)
            return


@compiled
def want_bundle(shift: Row, operator: Row, machine: Row) -> None:
    """Put in the next bundle, or fetch more first."""
    if operator.in_hand == 0:
        spend(shift, operator, draw_us(shift, machine.fetch), FETCHING)
    else:
        start_bundle(shift, operator, machine)


@compiled
def start_bundle(shift: Row, operator: Row, machine: Row) -> None:
    """Start to put a bundle in; without live loading the first one closes the lane."""
    if operator.is_first and not machine.live_loading:
        close_lane(shift, machine, lane_of(machine, operator.lane))
    operator.is_first = 0
    spend(shift, operator, draw_us(shift, machine.bundle), BUNDLING)


@compiled
def end_bundle(shift: Row, operator: Row, machine: Row) -> None:
    """A bundle is in."""
    if operator.in_hand > 0:
        operator.in_hand -= 1
    operator.bundles_left -= 1
    lane = lane_of(machine, operator.lane)
    take_bundle(shift, machine, lane, operator.bundles_left == 0)
    if operator.bundles_left:
        want_bundle(shift, operator, machine)
    else:
        reach_next_lane(shift, operator, machine)
