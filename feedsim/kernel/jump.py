"""The jump: how many cycles until something changes, and the cycles till then at one stroke.

Between two changes a machine makes good packs at equal distances, its lanes giving in turn, and
the outfeed takes them. `cycles_until_change` says how long that lasts, `settle` makes up for
the cycles that have ended meanwhile. Whoever is about to change anything settles first.
"""

from __future__ import annotations

from feedsim.kernel.agenda import set_due
from feedsim.kernel.codes import CYCLING
from feedsim.kernel.compiling import compiled, compiled_once
from feedsim.kernel.memory import NEVER, Row, lane_of, outfeed_of
from feedsim.kernel.telling import tell_good_cycles, tell_outfeed_cycle


@compiled
def turns_until(total: int, each: int) -> int:
    """How many equal parts reach a total: at least one."""
    return max(1, -(-total // each))


# How long nothing changes.


@compiled
def picks_until_change(bags: int, behind_bags: int, picks_to_fault: int, watch_bags: int) -> int:
    """Picks from a lane up to and including the first that is not like the others.

    Parameters
    ----------
    bags : int
        Bags in the lane, at least 1.
    behind_bags : int
        Those behind the bundle in front, or 0: when only they are left, another bundle is in
        front.
    picks_to_fault : int
        Attempts up to and including the next faulty one.
    watch_bags : int
        The level at or below which a cycle's end is looked into; 0 for an empty lane.
    """
    picks = min(picks_to_fault, max(1, bags - watch_bags))
    if behind_bags:
        picks = min(picks, bags - behind_bags)
    return picks


@compiled
def cycles_until_pick(picks: int, ahead: int, lanes: int, is_under_way: int) -> int:
    """Cycles, the one under way first, up to and including a lane's pick of a number.

    Parameters
    ----------
    picks : int
        Which of the lane's picks from now on.
    ahead : int
        How many lanes have their turn before it, after the cycle under way.
    lanes : int
        How many lanes take their turns.
    is_under_way : int
        1 if the cycle under way picks from this lane.
    """
    if is_under_way and picks == 1:
        return 1
    return 2 + ahead + (picks - 1 - is_under_way) * lanes


@compiled
def cycles_until_full(
    packs: int,
    room_packs: int,
    first_us: int,
    cycle_us: int,
    outfeed_cycle_us: int,
    outfeed_ends_us: int,
    is_working: int,
) -> int:
    """Good cycles up to and including the one that fills the accumulation.

    Pack k comes at A(k) = first_us + (k - 1) cycle_us. Of the outfeed's takes the j-th from now
    on is at T(j) = max(ends + (j - 1) d, A(1) + (i - 1) max(c, d)), with d its cycle, c the
    machine's, and i = j - packs the pack it takes, if that one is still to come. The pack that
    fills is the first with packs + k - #{j: T(j) <= A(k)} >= room; the count of takes is the
    smaller of two, one bounded by the outfeed's cycles, one by the packs' coming, so it is the
    earlier of the two solutions.

    Parameters
    ----------
    packs, room_packs : int
        Packs in the accumulation now, and when it is full.
    first_us, cycle_us : int
        When the cycle under way ends, and the distance of those that follow.
    outfeed_cycle_us, outfeed_ends_us : int
        The outfeed's cycle, and the end of the one under way.
    is_working : int
        1 if the outfeed has a cycle under way; if not it waits for a pack, and there is none.
    """
    slower_us = outfeed_cycle_us - cycle_us
    soonest = NEVER
    if slower_us > 0:
        # Limited by the packs' coming: (k - 1) c // d + 1 <= k - room.
        soonest = (room_packs * outfeed_cycle_us - cycle_us) // slower_us + 1
    if is_working:
        # Limited by the outfeed's cycles: (A(k) - ends) // d + 1 <= packs + k - room.
        lead_us = first_us - outfeed_ends_us
        if lead_us < (packs + 1 - room_packs) * outfeed_cycle_us:
            soonest = 1
        elif slower_us > 0:
            short_us = lead_us - cycle_us + (room_packs - packs) * outfeed_cycle_us
            soonest = min(soonest, short_us // slower_us + 1)
    return soonest


@compiled
def cycles_until_change(shift: Row, machine: Row) -> int:
    """Cycles, the one under way first, up to and including the first that is not like the others.

    It is the first after which there is anything to do but to start the next: a fault, another
    bundle in front, a level to look at, a station whose time has come, a full accumulation, or
    whatever has made the machine look closer.
    """
    if machine.look_closer:
        return 1
    watch_bags = 0 if machine.has_loader else machine.watch_bags
    soonest = NEVER
    ahead = 0
    turn = machine.turn
    for _ in range(machine.lanes):
        place = turn
        turn = place_behind(machine, turn)
        lane = lane_of(machine, place)
        is_under_way = int(place == machine.lane)
        if not lane.able and not is_under_way:
            continue
        picks = picks_until_change(lane.bags, lane.behind_bags, lane.picks_to_fault, watch_bags)
        if lane.able:
            soonest = min(
                soonest, cycles_until_pick(picks, ahead, machine.able_lanes, is_under_way)
            )
            ahead += 1
        elif picks == 1:
            return 1
    left_us = machine.next_stop_us - machine.ran_us - machine.this_cycle_us
    if left_us <= 0:
        return 1
    if left_us <= (soonest - 1) * machine.next_cycle_us:
        soonest = 1 + turns_until(left_us, machine.next_cycle_us)
    if machine.has_outfeed:
        outfeed = outfeed_of(shift, machine)
        if outfeed.stopped or outfeed.pending:
            until_full = max(1, outfeed.accumulation_packs - outfeed.packs)
        else:
            until_full = cycles_until_full(
                outfeed.packs,
                outfeed.accumulation_packs,
                machine.ends_us,
                machine.next_cycle_us,
                outfeed.cycle_us,
                outfeed.ends_us,
                outfeed.working,
            )
        soonest = min(soonest, until_full)
    return soonest


# What has happened meanwhile.


@compiled
def serving(machine: Row, turn: int) -> int:
    """The place of the lane that serves at a turn: its own, or the next one that can."""
    place = turn
    for _ in range(machine.lanes):
        if lane_of(machine, place).able:
            return place
        place = place_behind(machine, place)
    return turn


@compiled_once
def settle(shift: Row, machine: Row) -> None:
    """Make up for the machine's and the outfeed's cycles that have ended without a step.

    A cycle that ends with this instant is over if a step of a later place has been taken in it.
    """
    packs = 0
    first_us = machine.ends_us
    cycle_us = machine.next_cycle_us
    if machine.doing == CYCLING:
        until_us = shift.now if shift.reached > machine.leaf else shift.now - 1
        if first_us <= until_us:
            if shift.now == machine.due_us:
                packs = machine.planned - 1
            else:
                packs = 1 + (until_us - first_us) // cycle_us
    if machine.has_outfeed:
        settle_outfeed(shift, machine, packs, first_us, cycle_us)
    if packs:
        machine.planned -= packs
        settle_lanes(shift, machine, packs)


@compiled
def settle_lanes(shift: Row, machine: Row, cycles: int) -> None:
    """So many good cycles have ended, the one under way first: the lanes gave in turn."""
    more = cycles - 1
    cycle_us = machine.next_cycle_us
    each, rest = shared(more, machine.able_lanes)
    able = order = 0
    turn = machine.turn
    under_way = place = turn
    for _ in range(machine.lanes):
        lane = lane_of(machine, place)
        bags = int(place == machine.lane)
        if lane.able:
            bags += each + int(order < rest)
            if order == rest:
                under_way = place
            able |= 1 << place
            order += 1
        give_some(lane, bags)
        place = place_behind(machine, place)
    tell_good_cycles(
        shift, machine, machine.ends_us, machine.this_cycle_us, 1, machine.lane, 1 << machine.lane
    )
    if more:
        tell_good_cycles(shift, machine, machine.ends_us + cycle_us, cycle_us, more, turn, able)
    machine.ran_us += machine.this_cycle_us + more * cycle_us
    machine.ends_us += cycles * cycle_us
    machine.this_cycle_us = cycle_us
    machine.lane = under_way
    machine.turn = place_behind(machine, under_way)


@compiled
def place_behind(machine: Row, place: int) -> int:
    """The place that has its turn after another one."""
    return 0 if place + 1 == machine.lanes else place + 1


@compiled
def shared(cycles: int, lanes: int) -> tuple[int, int]:
    """How many of the cycles each lane has, and how many lanes have one more."""
    if lanes <= 1:
        return cycles, 0
    if lanes == 2:
        return cycles >> 1, cycles & 1
    each = cycles // lanes
    return each, cycles - each * lanes


@compiled
def give_some(lane: Row, bags: int) -> None:
    """Good picks from a lane."""
    if bags > 0:
        lane.bags -= bags
        lane.gone_bags += bags
        lane.picks_to_fault -= bags
        lane.missed_in_row = 0


@compiled
def settle_outfeed(shift: Row, machine: Row, arrivals: int, first_us: int, cycle_us: int) -> None:
    """The outfeed has taken packs meanwhile, and so many came in (see `cycles_until_full`)."""
    outfeed = outfeed_of(shift, machine)
    until_us = shift.now if shift.reached > outfeed.leaf else shift.now - 1
    apart_us = max(cycle_us, outfeed.cycle_us)
    stock = outfeed.packs
    outfeed.packs += arrivals
    if outfeed.stopped or outfeed.pending:
        return
    by_cycles = NEVER
    if outfeed.working:
        if outfeed.ends_us > until_us:
            return
        by_cycles = (until_us - outfeed.ends_us) // outfeed.cycle_us + 1
        outfeed.working = 0
        outfeed.ran_us += outfeed.cycle_us
    by_arrivals = 0
    if arrivals:
        by_arrivals = min(arrivals, (until_us - first_us) // apart_us + 1)
    takes = min(by_cycles, stock + by_arrivals)
    if takes <= 0:
        return
    outfeed.packs -= takes
    outfeed.taken += takes
    last_us = take_us(outfeed, takes, stock, by_cycles < NEVER, first_us, apart_us)
    if shift.journal_room:
        for take in range(1, takes + 1):
            at_us = take_us(outfeed, take, stock, by_cycles < NEVER, first_us, apart_us)
            tell_outfeed_cycle(shift, machine, at_us + outfeed.cycle_us)
    outfeed.ran_us += (takes - 1) * outfeed.cycle_us
    outfeed.ends_us = last_us + outfeed.cycle_us
    outfeed.working = 1
    if outfeed.ends_us <= until_us:
        outfeed.working = 0
        outfeed.ran_us += outfeed.cycle_us


@compiled
def take_us(
    outfeed: Row, take: int, stock: int, was_working: int, first_us: int, apart_us: int
) -> int:
    """When the outfeed makes its take of a number from now on (T in `cycles_until_full`)."""
    at_us = -1
    if was_working:
        at_us = outfeed.ends_us + (take - 1) * outfeed.cycle_us
    if take > stock:
        at_us = max(at_us, first_us + (take - stock - 1) * apart_us)
    return at_us


# When the next step is due.


@compiled
def plan_ahead(shift: Row, machine: Row) -> None:
    """Put the next step of a machine, and of its outfeed, where something changes."""
    cycles = 0
    if machine.doing == CYCLING:
        cycles = cycles_until_change(shift, machine)
        at_us = NEVER
        if cycles < NEVER:
            at_us = machine.ends_us + (cycles - 1) * machine.next_cycle_us
        machine.planned = cycles
        machine.due_us = at_us
        set_due(shift, machine.leaf, at_us)
    if machine.has_outfeed:
        plan_outfeed(shift, machine, cycles - 1)


@compiled
def plan_outfeed(shift: Row, machine: Row, arrivals: int) -> None:
    """The outfeed's next step: a station's time, or room enough for the machine to go on."""
    outfeed = outfeed_of(shift, machine)
    at_us = NEVER
    if outfeed.pending:
        at_us = shift.now
    elif not outfeed.stopped:
        if outfeed.full:
            at_us = outfeed.ends_us + (outfeed.packs - outfeed.restart_packs - 1) * outfeed.cycle_us
        if outfeed.next_stop_us < NEVER:
            ends = turns_until(outfeed.next_stop_us - outfeed.ran_us, outfeed.cycle_us)
            at_us = min(at_us, end_us(machine, outfeed, ends, arrivals))
    set_due(shift, outfeed.leaf, at_us)


@compiled
def end_us(machine: Row, outfeed: Row, ends: int, arrivals: int) -> int:
    """When so many of the outfeed's cycles will have ended, if the packs to come suffice."""
    takes = ends - outfeed.working
    if takes == 0:
        return outfeed.ends_us
    if takes > outfeed.packs + max(0, arrivals):
        return NEVER
    apart_us = max(machine.next_cycle_us, outfeed.cycle_us)
    at_us = take_us(outfeed, takes, outfeed.packs, outfeed.working, machine.ends_us, apart_us)
    return at_us + outfeed.cycle_us
