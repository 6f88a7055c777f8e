"""The kernel's counts of cycles to come and cycles gone by, against counting them one by one.

Numbers are small, so that ends of the machine's and of the outfeed's cycles often coincide.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from cells import cell_of
from laid_out import LaidOut

from feedsim.kernel import jump, memory
from feedsim.kernel.codes import CYCLING
from feedsim.kernel.memory import NEVER

# What is compiled for these tests is compiled in one process.
pytestmark = pytest.mark.xdist_group("jumps")

CASES = 2_500
CYCLES_US = (1, 2, 3, 4, 5, 6, 8, 9, 12)

Case = tuple[Any, ...]
Count = Callable[..., Any]


def wrong_cases(draw: Callable[[random.Random], Case], counted: Count, asked: Count) -> list[Case]:
    """Random cases in which the kernel's answer is not what counting gives, small ones first."""
    rng = random.Random(7)
    cases = [draw(rng) for _ in range(CASES)]
    return sorted((case for case in cases if asked(*case) != counted(*case)), key=sum)


def one_more(asked: Count) -> Count:
    return lambda *case: asked(*case) + 1


def one_less(asked: Count) -> Count:
    return lambda *case: asked(*case) - 1


# Parts of a whole.


def turns(rng: random.Random) -> Case:
    return rng.randrange(-5, 60), rng.choice(CYCLES_US)


def turns_counted(total: int, each: int) -> int:
    count = 1
    while count * each < total:
        count += 1
    return count


def shares(rng: random.Random) -> Case:
    return rng.randrange(60), rng.randint(1, 4)


def shares_counted(cycles: int, lanes: int) -> tuple[int, int]:
    got = [0] * lanes
    for cycle in range(cycles):
        got[cycle % lanes] += 1
    return min(got), got.count(max(got)) if max(got) > min(got) else 0


# Picks from a lane.


def picks(rng: random.Random) -> Case:
    bags = rng.randint(1, 30)
    behind_bags = rng.choice([0, rng.randrange(bags)])
    return bags, behind_bags, rng.choice([rng.randint(1, 40), NEVER]), rng.randrange(20)


def picks_counted(bags: int, behind_bags: int, picks_to_fault: int, watch_bags: int) -> int:
    count = 0
    while True:
        count += 1
        bags -= 1
        another_in_front = bags == behind_bags and behind_bags > 0
        if count == picks_to_fault or another_in_front or bags <= watch_bags:
            return count


def order_of_picks(rng: random.Random) -> Case:
    lanes = rng.randint(1, 4)
    return rng.randint(1, 20), rng.randrange(lanes), lanes, rng.randrange(2)


def order_counted(picks: int, ahead: int, lanes: int, is_under_way: int) -> int:
    """The lane is number `ahead` of those that take their turns after the cycle under way."""
    count = 1
    seen = is_under_way
    while seen < picks:
        seen += (count - 1) % lanes == ahead
        count += 1
    return count


# A machine and an outfeed behind it.


@dataclass
class Belt:
    """Packs come at equal distances, and an outfeed takes one whenever it is free.

    Of one instant the outfeed's cycle ends before the pack comes.
    """

    packs: int
    first_us: int
    cycle_us: int
    outfeed_cycle_us: int
    outfeed_ends_us: int | None
    arrivals: int = 1_000_000
    came: int = 0
    takes_us: list[int] = field(default_factory=list)
    ends_us: list[int] = field(default_factory=list)

    @property
    def pack_comes_us(self) -> int:
        return self.first_us + self.came * self.cycle_us if self.came < self.arrivals else NEVER

    @property
    def next_us(self) -> int:
        return min(self.pack_comes_us, NEVER if self.is_waiting else self.outfeed_ends_us)

    @property
    def is_waiting(self) -> bool:
        return self.outfeed_ends_us is None

    def step(self) -> None:
        """One event."""
        now = self.next_us
        if now == self.outfeed_ends_us:
            self.ends_us.append(now)
            self.outfeed_ends_us = None
            self.take(now)
            return
        self.came += 1
        self.packs += 1
        if self.is_waiting:
            self.take(now)

    def take(self, now: int) -> None:
        if self.packs:
            self.packs -= 1
            self.takes_us.append(now)
            self.outfeed_ends_us = now + self.outfeed_cycle_us


def belt(rng: random.Random, most_packs: int = 8) -> Case:
    """Packs, end of the machine's cycle, both cycles, end of the outfeed's cycle, whether it works.

    An outfeed that waits has no pack to take.
    """
    working = rng.random() < 0.8
    cycle_us, outfeed_cycle_us = rng.choice(CYCLES_US), rng.choice(CYCLES_US)
    packs = rng.randint(0, most_packs) if working else 0
    ends_us = rng.randint(0, outfeed_cycle_us) if working else 0
    return packs, rng.randint(0, 15), cycle_us, outfeed_cycle_us, ends_us, int(working)


def belt_of(
    packs: int, first_us: int, cycle_us: int, outfeed_cycle_us: int, ends_us: int, working: int
) -> Belt:
    return Belt(packs, first_us, cycle_us, outfeed_cycle_us, ends_us if working else None)


def fillings(rng: random.Random) -> Case:
    return (*(case := belt(rng)), case[0] + rng.randint(1, 6))


def fillings_counted(*case: int) -> int:
    """After some 200 packs a belt that has not filled up repeats itself."""
    *of_belt, room_packs = case
    counted = belt_of(*of_belt)
    while counted.came < 400:
        before = counted.came
        counted.step()
        if counted.came > before and counted.packs >= room_packs:
            return counted.came
    return NEVER


def fillings_asked(*case: int) -> int:
    packs, first_us, cycle_us, outfeed_cycle_us, ends_us, working, room = case
    return jump.cycles_until_full(
        packs, room, first_us, cycle_us, outfeed_cycle_us, ends_us, working
    )


class Hall:
    """The rows of a machine with four lanes and an outfeed, where the kernel finds them."""

    def __init__(self) -> None:
        cell = cell_of("""
            [[machine]]
            name = "oats"
            speed_per_min = 60
            [machine.magazine]
            lanes = 4
            capacity_bags = 100
            [machine.outfeed]
            accumulation_packs = 100
            """)
        laid_out = LaidOut(cell, 1)
        self.block, self.shift = laid_out.block, laid_out.shift
        self.machine = laid_out.rows("first_machine", memory.MACHINE)[0]
        self.outfeed = laid_out.rows("first_outfeed", memory.OUTFEED)[0]
        self.lanes = laid_out.rows("first_lane", memory.LANE, 4)


def fill(row: Any, **values: int) -> None:
    for name, value in values.items():
        row[name] = value


@pytest.fixture(scope="module")
def hall() -> Hall:
    return Hall()


def takes(rng: random.Random) -> Case:
    return (*belt(rng), rng.randint(1, 20))


def takes_counted(*case: int) -> int:
    *of_belt, number = case
    counted = belt_of(*of_belt)
    while len(counted.takes_us) < number:
        counted.step()
    return counted.takes_us[number - 1]


def takes_asked(hall: Hall) -> Count:
    def asked(*case: int) -> int:
        packs, first_us, cycle_us, outfeed_cycle_us, ends_us, working, number = case
        fill(hall.outfeed, cycle_us=outfeed_cycle_us, ends_us=ends_us)
        apart_us = max(cycle_us, outfeed_cycle_us)
        return int(jump.take_us(hall.outfeed, number, packs, working, first_us, apart_us))

    return asked


def ends(rng: random.Random) -> Case:
    return (*belt(rng), rng.randrange(-1, 12), rng.randint(1, 15))


def ends_counted(*case: int) -> int:
    """The end of an outfeed's cycle by its number; NEVER if too few packs are to come."""
    *of_belt, arrivals, number = case
    counted = belt_of(*of_belt)
    counted.arrivals = max(0, arrivals)
    while len(counted.ends_us) < number and counted.next_us < NEVER:
        counted.step()
    return counted.ends_us[number - 1] if len(counted.ends_us) >= number else NEVER


def ends_asked(hall: Hall) -> Count:
    def asked(*case: int) -> int:
        packs, first_us, cycle_us, outfeed_cycle_us, ends_us, working, arrivals, number = case
        fill(hall.outfeed, packs=packs, cycle_us=outfeed_cycle_us, ends_us=ends_us, working=working)
        fill(hall.machine, ends_us=first_us, next_cycle_us=cycle_us)
        return int(jump.end_us(hall.machine, hall.outfeed, number, arrivals))

    return asked


# How far an instant has got.
NOBODY_YET, OUTFEEDS_DONE, MACHINES_DONE = range(3)


def settlings(rng: random.Random) -> Case:
    return (*belt(rng), rng.randint(0, 40), rng.randrange(3))


def _until(case: tuple[int, ...]) -> tuple[int, int]:
    """Until when the outfeed's cycles are over, and until when the machine's are."""
    now, done = case[-2:]
    return now - (done < OUTFEEDS_DONE), now - (done < MACHINES_DONE)


def settlings_counted(*case: int) -> tuple[int, ...]:
    """Packs, whether the outfeed works and until when, the cycles it ran and the packs it took."""
    counted = belt_of(*case[:-2])
    outfeed_until_us, until_us = _until(case)
    while counted.next_us <= (
        until_us if counted.next_us != counted.outfeed_ends_us else outfeed_until_us
    ):
        counted.step()
    working = not counted.is_waiting
    return (
        counted.packs,
        int(working),
        counted.outfeed_ends_us or 0,
        len(counted.ends_us),
        len(counted.takes_us),
    )


def settlings_asked(hall: Hall) -> Count:
    leaf_of_outfeed, leaf = int(hall.outfeed["leaf"]), int(hall.machine["leaf"])
    assert leaf_of_outfeed < leaf

    def asked(*case: int) -> tuple[int, ...]:
        packs, first_us, cycle_us, outfeed_cycle_us, ends_us, working, now, done = case
        outfeed = hall.outfeed
        fill(hall.shift, now=now, reached=(leaf_of_outfeed, leaf, leaf + 1)[done])
        fill(outfeed, packs=packs, cycle_us=outfeed_cycle_us, ends_us=ends_us, working=working)
        fill(outfeed, ran_us=0, taken=0, stopped=0, pending=0)
        until_us = _until(case)[1]
        arrivals = 0 if until_us < first_us else (until_us - first_us) // cycle_us + 1
        jump.settle_outfeed(hall.shift, hall.machine, arrivals, first_us, cycle_us)
        return (
            int(outfeed["packs"]),
            int(outfeed["working"]),
            int(outfeed["ends_us"]) if outfeed["working"] else 0,
            int(outfeed["ran_us"]) // outfeed_cycle_us,
            int(outfeed["taken"]),
        )

    return asked


# All counts at once, each with a control: a count off by one is caught.

COUNTS = {
    "turns": (turns, turns_counted, lambda hall: jump.turns_until),
    "picks": (picks, picks_counted, lambda hall: jump.picks_until_change),
    "order": (order_of_picks, order_counted, lambda hall: jump.cycles_until_pick),
    "fillings": (fillings, fillings_counted, lambda hall: fillings_asked),
    "takes": (takes, takes_counted, takes_asked),
    "ends": (ends, ends_counted, ends_asked),
}


@pytest.mark.parametrize("name", COUNTS)
def test_counts(name: str, hall: Hall) -> None:
    draw, counted, asked_of = COUNTS[name]
    assert wrong_cases(draw, counted, asked_of(hall))[:3] == []


@pytest.mark.parametrize("off", [one_more, one_less])
@pytest.mark.parametrize("name", COUNTS)
def test_a_count_off_by_one_is_caught(name: str, off: Callable[[Count], Count], hall: Hall) -> None:
    draw, counted, asked_of = COUNTS[name]
    assert len(wrong_cases(draw, counted, off(asked_of(hall)))) == CASES


def test_shares() -> None:
    assert wrong_cases(shares, shares_counted, jump.shared)[:3] == []


def test_shares_off_by_one_are_caught() -> None:
    def off(cycles: int, lanes: int) -> Any:
        return jump.shared(cycles + 1, lanes)

    assert len(wrong_cases(shares, shares_counted, off)) == CASES


def test_what_an_outfeed_took_meanwhile(hall: Hall) -> None:
    assert wrong_cases(settlings, settlings_counted, settlings_asked(hall))[:3] == []


@pytest.mark.parametrize("shifted", range(8))
def test_another_settling_is_caught(shifted: int, hall: Hall) -> None:
    """One pack more, a cycle a microsecond later or longer, an instant's order: each shows."""
    asked = settlings_asked(hall)

    def off(*case: int) -> Any:
        other = list(case)
        if shifted == 5:
            other[5] = 1
        elif shifted == 7:
            other[7] = (case[7] + 1) % 3
        else:
            other[shifted] += 1
        return asked(*other)

    assert len(wrong_cases(settlings, settlings_counted, off)) > CASES / 20


def test_the_cases_have_ties() -> None:
    """In many belts an outfeed's cycle ends as a pack comes."""
    rng = random.Random(7)
    tied = 0
    for _ in range(500):
        counted = belt_of(*belt(rng))
        ties = 0
        for _ in range(30):
            ties += counted.pack_comes_us == counted.outfeed_ends_us
            counted.step()
        tied += ties > 0
    assert tied > 250


def test_a_stopped_outfeed_takes_nothing(hall: Hall) -> None:
    for stopped, pending in ((1, 0), (0, 1)):
        fill(hall.shift, now=100)
        fill(hall.outfeed, packs=3, working=0, ran_us=7, taken=2, stopped=stopped, pending=pending)
        jump.settle_outfeed(hall.shift, hall.machine, 4, 10, 5)
        left = {name: int(hall.outfeed[name]) for name in ("packs", "working", "ran_us", "taken")}
        assert left == {"packs": 7, "working": 0, "ran_us": 7, "taken": 2}


# Lanes that give in turn.


@dataclass
class Magazine:
    """Lanes, one bag a cycle, each lane that can serve in its turn."""

    bags: list[int]
    behind_bags: list[int]
    to_fault: list[int]
    able: list[bool]
    lane: int
    cycle_us: int
    next_cycle_us: int
    watch_bags: int
    stop_us: int
    turn: int = 0
    ran_us: int = 0

    def __post_init__(self) -> None:
        self.turn = (self.lane + 1) % len(self.bags)

    def end_cycle(self) -> bool:
        """End the cycle under way; whether it brings anything but the start of the next."""
        lane = self.lane
        self.bags[lane] -= 1
        self.to_fault[lane] -= 1
        self.ran_us += self.cycle_us
        self.cycle_us = self.next_cycle_us
        return (
            self.to_fault[lane] == 0
            or self.bags[lane] <= self.watch_bags
            or self.bags[lane] == self.behind_bags[lane] > 0
            or self.ran_us >= self.stop_us
        )

    def start_cycle(self) -> None:
        while not self.able[self.turn]:
            self.turn = (self.turn + 1) % len(self.bags)
        self.lane = self.turn
        self.turn = (self.lane + 1) % len(self.bags)


def magazines() -> Iterator[Magazine]:
    """Magazines of one to four lanes, some of which may be closed, the one in use too."""
    rng = random.Random(11)
    for _ in range(CASES):
        lanes = rng.randint(1, 4)
        bags = [rng.randint(1, 25) for _ in range(lanes)]
        able = [rng.random() < 0.7 for _ in range(lanes)]
        if not any(able):
            able[rng.randrange(lanes)] = True
        cycle_us = rng.choice(CYCLES_US)
        yield Magazine(
            bags,
            [rng.choice([0, rng.randrange(n)]) for n in bags],
            [rng.choice([rng.randint(1, 40), NEVER]) for _ in range(lanes)],
            able,
            rng.randrange(lanes),
            cycle_us,
            rng.choice([cycle_us, rng.choice(CYCLES_US)]),
            rng.choice([0, 0, rng.randrange(10)]),
            rng.choice([NEVER, rng.randint(1, 100)]),
        )


def put_into(hall: Hall, magazine: Magazine, has_loader: bool = False) -> None:
    able = sum(magazine.able)
    fill(
        hall.machine,
        doing=CYCLING,
        lanes=len(magazine.bags),
        able_lanes=able,
        lane=magazine.lane,
        turn=magazine.turn,
        this_cycle_us=magazine.cycle_us,
        next_cycle_us=magazine.next_cycle_us,
        ends_us=1_000,
        ran_us=0,
        next_stop_us=magazine.stop_us,
        watch_bags=99 if has_loader else magazine.watch_bags,
        has_loader=has_loader,
        has_outfeed=0,
        look_closer=0,
    )
    lanes = zip(magazine.bags, magazine.behind_bags, magazine.to_fault, magazine.able, strict=True)
    for row, (bags, behind_bags, to_fault, is_able) in zip(hall.lanes, lanes, strict=False):
        fill(row, bags=bags, behind_bags=behind_bags, picks_to_fault=to_fault, able=is_able)


def cycles_counted(magazine: Magazine) -> int:
    cycles = 1
    while not magazine.end_cycle():
        magazine.start_cycle()
        cycles += 1
    return cycles


def test_cycles_until_something_changes(hall: Hall) -> None:
    for magazine in magazines():
        put_into(hall, magazine)
        asked = jump.cycles_until_change(hall.shift, hall.machine)
        assert asked == cycles_counted(magazine), magazine


def test_a_loader_on_the_way_leaves_levels_alone(hall: Hall) -> None:
    for magazine in magazines():
        magazine.watch_bags = 0
        put_into(hall, magazine, has_loader=True)
        asked = jump.cycles_until_change(hall.shift, hall.machine)
        assert asked == cycles_counted(magazine), magazine


def test_a_machine_that_looks_closer_ends_one_cycle(hall: Hall) -> None:
    for magazine in list(magazines())[:100]:
        put_into(hall, magazine)
        hall.machine["look_closer"] = 1
        assert jump.cycles_until_change(hall.shift, hall.machine) == 1


def lanes_asked(hall: Hall, magazine: Magazine, cycles: int, another_turn: int = 0) -> Case:
    """How the kernel leaves the lanes after some cycles."""
    put_into(hall, magazine)
    machine, lanes = hall.machine, len(magazine.bags)
    machine["turn"] = (machine["turn"] + another_turn) % lanes
    jump.settle_lanes(hall.shift, machine, cycles)
    left = [hall.lanes[name][:lanes].tolist() for name in ("bags", "picks_to_fault")]
    names = ("lane", "turn", "ran_us", "this_cycle_us", "ends_us")
    return (*left, *(int(machine[name]) for name in names))


def lanes_counted(magazine: Magazine, cycles: int) -> Case:
    ends_us = 1_000
    for _ in range(cycles):
        magazine.end_cycle()
        magazine.start_cycle()
        ends_us += magazine.cycle_us
    left = (magazine.bags, magazine.to_fault, magazine.lane, magazine.turn)
    return (*left, magazine.ran_us, magazine.cycle_us, ends_us)


def jumps(hall: Hall) -> Iterator[tuple[Magazine, int]]:
    """Magazines, each with a number of cycles after which nothing has changed yet."""
    rng = random.Random(13)
    for magazine in magazines():
        put_into(hall, magazine)
        most = int(jump.cycles_until_change(hall.shift, hall.machine)) - 1
        if most:
            yield magazine, rng.randint(1, most)


def test_lanes_after_a_jump(hall: Hall) -> None:
    jumped = 0
    for magazine, cycles in jumps(hall):
        assert lanes_asked(hall, magazine, cycles) == lanes_counted(magazine, cycles), magazine
        jumped += 1
    assert jumped > CASES / 3


def test_another_turn_is_caught(hall: Hall) -> None:
    caught = [
        lanes_asked(hall, magazine, cycles, 1) != lanes_counted(magazine, cycles)
        for magazine, cycles in jumps(hall)
        if sum(magazine.able) > 2
    ]
    assert sum(caught) > len(caught) / 3 > 100
