"""A lane of the magazine: bags in bundles, and the luck of the picks from it."""

from __future__ import annotations

from feedsim.kernel.codes import (
    IS_DOUBLE,
    IS_GOOD,
    IS_JAMMED,
    IS_MISSED,
)
from feedsim.kernel.compiling import compiled
from feedsim.kernel.luck import draw_picks, draw_share
from feedsim.kernel.memory import NEVER, Row, word_of


@compiled
def can_serve(lane: Row) -> bool:
    """Whether the pick head can take a bag here."""
    return lane.bags > 0 and not lane.closed and not lane.faulted


@compiled
def fill_at_start(shift: Row, machine: Row, lane: Row) -> None:
    """Cut the stock at the start into bundles from the front; the rest is a last, smaller one."""
    left = machine.start_bags
    while left > 0:
        put_in(shift, machine, lane, min(left, machine.bundle_bags))
        left -= machine.bundle_bags


@compiled
def put_in(shift: Row, machine: Row, lane: Row, bags: int) -> None:
    """Add a bundle behind the others.

    Bundles come to the front in the order in which they came in, so it can be drawn now which
    ones are bad. Neighbours alike make one stretch: good ones and bad ones by turns.
    """
    is_bad = False
    if machine.has_bad_bundles:
        is_bad = draw_share(shift, lane.bad_luck) < machine.bad_share
    if lane.bags == 0:
        lane.front_is_bad = is_bad
        mind_the_chance(shift, machine, lane)
    elif is_bad != (lane.front_is_bad ^ (lane.stretches_behind & 1)):
        stretch_behind(machine, lane, lane.stretches_behind).value = bags
        lane.stretches_behind += 1
        lane.behind_bags += bags
    elif lane.stretches_behind:
        stretch_behind(machine, lane, lane.stretches_behind - 1).value += bags
        lane.behind_bags += bags
    lane.bags += bags


@compiled
def stretch_behind(machine: Row, lane: Row, order: int) -> Row:
    """Bags of a stretch behind the front one, by its order; they are kept in a ring."""
    place = lane.next_stretch + order
    if place >= machine.most_stretches:
        place -= machine.most_stretches
    return word_of(lane.first_stretch, place)


@compiled
def give(shift: Row, machine: Row, lane: Row) -> None:
    """Let go of one bag, after a good attempt."""
    lane.missed_in_row = 0
    lane.picks_to_fault -= 1
    lane.bags -= 1
    if lane.bags == lane.behind_bags and lane.behind_bags:
        bring_next_to_front(machine, lane)
        mind_the_chance(shift, machine, lane)


@compiled
def attempt(shift: Row, machine: Row, lane: Row) -> tuple[int, int]:
    """Try to pick: the outcome, and the bags that it took."""
    if lane.picks_to_fault > 1:
        give(shift, machine, lane)
        return IS_GOOD, 1
    outcome = which_fault(shift, machine, lane)
    bags = take(machine, lane, bags_taken(outcome))
    lane.chance = chance_in_front(machine, lane)
    draw_picks_to_fault(shift, machine, lane)
    return outcome, bags


@compiled
def bags_taken(outcome: int) -> int:
    """How many bags an attempt takes."""
    if outcome == IS_MISSED:
        return 0
    return 2 if outcome == IS_DOUBLE else 1


@compiled
def throw_away(shift: Row, machine: Row, lane: Row, bags: int) -> int:
    """Take bags out while clearing; returns how many there were to take."""
    taken = take(machine, lane, bags)
    mind_the_chance(shift, machine, lane)
    return taken


@compiled
def take(machine: Row, lane: Row, bags: int) -> int:
    """Take bags from the front, as many as there are."""
    left = max(0, lane.bags - bags)
    taken = lane.bags - left
    while lane.behind_bags and lane.behind_bags >= left:
        bring_next_to_front(machine, lane)
    lane.bags = left
    return taken


@compiled
def bring_next_to_front(machine: Row, lane: Row) -> None:
    """The stretch in front is used up."""
    lane.behind_bags -= stretch_behind(machine, lane, 0).value
    lane.stretches_behind -= 1
    lane.next_stretch += 1
    if lane.next_stretch == machine.most_stretches:
        lane.next_stretch = 0
    lane.front_is_bad ^= 1


@compiled
def chance_in_front(machine: Row, lane: Row) -> float:
    """Chance of any fault of a pick from the bundle in front."""
    return machine.total_bad_chance if lane.front_is_bad else machine.total_chance


@compiled
def mind_the_chance(shift: Row, machine: Row, lane: Row) -> None:
    """Draw anew if the bags now in front fail with another chance than those before."""
    chance = chance_in_front(machine, lane)
    if chance != lane.chance:
        lane.chance = chance
        draw_picks_to_fault(shift, machine, lane)


@compiled
def draw_picks_to_fault(shift: Row, machine: Row, lane: Row) -> None:
    """Draw the number of attempts to the next fault; without a chance there is none."""
    if lane.chance > 0:
        log_good = machine.log_good_bad if lane.front_is_bad else machine.log_good
        lane.picks_to_fault = draw_picks(shift, lane.luck, lane.chance, log_good)
    else:
        lane.picks_to_fault = NEVER


@compiled
def which_fault(shift: Row, machine: Row, lane: Row) -> int:
    """Draw which fault it is."""
    chances = machine.bad_chances if lane.front_is_bad else machine.chances
    mark = draw_share(shift, lane.luck) * lane.chance
    # A number below 1 times the total is below the total, also as they are rounded.
    fault, reached = 0, chances[0]
    while reached <= mark and fault < IS_JAMMED:
        fault += 1
        reached += chances[fault]
    return fault
