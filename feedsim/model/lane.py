"""A lane of the magazine: bags in bundles, and the luck of the picks from it."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from itertools import accumulate

from feedsim.accounts.record import DOUBLE, GOOD, JAMMED, MISSED, SKEWED, UNOPENED
from feedsim.cell import MachinePlan
from feedsim.film import Chances, chance_of_any
from feedsim.streams import Stream

OUTCOMES = (MISSED, DOUBLE, UNOPENED, SKEWED, JAMMED)
BAGS_TAKEN = {MISSED: 0, DOUBLE: 2, UNOPENED: 1, SKEWED: 1, JAMMED: 1}
NEVER = 1 << 62


def total(chances: Chances) -> float:
    """Chance of any fault, at most 1."""
    return min(1.0, chance_of_any(chances))


class Lane:
    """One queue of empty bags.

    The front bundle is used up when `bags` is down to `behind_bags`, those of the bundles behind
    it. `picks_to_fault` counts the attempts up to and including the next faulty one.
    """

    __slots__ = (
        "_bad_luck",
        "_bad_total",
        "_chance",
        "_good_total",
        "_luck",
        "_plan",
        "bags",
        "behind",
        "behind_bags",
        "closed",
        "faulted",
        "front_is_bad",
        "missed_in_row",
        "next_turn",
        "number",
        "picks_to_fault",
    )

    def __init__(self, number: int, plan: MachinePlan, luck: Stream, bad_luck: Stream) -> None:
        self.number = number
        self.next_turn = number % plan.lanes
        self._plan = plan
        self._luck = luck
        self._bad_luck = bad_luck
        self._chance = 0.0
        self._good_total = total(plan.chances)
        self._bad_total = total(plan.bad_chances)
        self.bags = 0
        self.behind: deque[int] = deque()
        self.behind_bags = 0
        self.front_is_bad = False
        self.picks_to_fault = NEVER
        self.missed_in_row = 0
        self.closed = False
        self.faulted = False
        bundles, rest = divmod(plan.start_bags, plan.bundle_bags)
        for bags in [plan.bundle_bags] * bundles + [rest] * (rest > 0):
            self.put_in(bags)

    @property
    def can_serve(self) -> bool:
        """Whether the pick head can take a bag here."""
        return self.bags > 0 and not self.closed and not self.faulted

    @property
    def room_bags(self) -> int:
        """Bags that still fit in."""
        return self._plan.capacity_bags - self.bags

    def put_in(self, bags: int) -> None:
        """Add a bundle behind the others."""
        if self.bags:
            self.behind.append(bags)
            self.behind_bags += bags
        else:
            self._come_to_front()
            self._mind_the_chance()
        self.bags += bags

    def give(self) -> None:
        """Let go of one bag, after a good attempt."""
        self.missed_in_row = 0
        self.picks_to_fault -= 1
        self.bags -= 1
        if self.bags == self.behind_bags and self.behind:
            self._bring_next_to_front()
            self._mind_the_chance()

    def attempt(self) -> tuple[str, int]:
        """Try to pick: the outcome, and the bags that it took."""
        if self.picks_to_fault > 1:
            self.give()
            return GOOD, 1
        outcome = self._which_fault()
        bags = self._take(BAGS_TAKEN[outcome])
        self._chance = self._chance_in_front()
        self._draw_picks_to_fault()
        return outcome, bags

    def throw_away(self, bags: int) -> int:
        """Take bags out while clearing; returns how many there were to take."""
        taken = self._take(bags)
        self._mind_the_chance()
        return taken

    def _take(self, bags: int) -> int:
        bags = min(bags, self.bags)
        for _ in range(bags):
            self.bags -= 1
            if self.bags == self.behind_bags and self.behind:
                self._bring_next_to_front()
        return bags

    def _bring_next_to_front(self) -> None:
        self.behind_bags -= self.behind.popleft()
        self._come_to_front()

    def _come_to_front(self) -> None:
        """Find out whether the bundle that comes to the front is a bad one."""
        if self._plan.bad_share is not None:
            self.front_is_bad = bool(self._bad_luck.generator.random() < self._plan.bad_share)

    def _chances(self) -> Chances:
        return self._plan.bad_chances if self.front_is_bad else self._plan.chances

    def _chance_in_front(self) -> float:
        return self._bad_total if self.front_is_bad else self._good_total

    def _mind_the_chance(self) -> None:
        """Draw anew if the bags now in front fail with another chance than those before.

        An empty lane keeps the chance of the bag that left it last.
        """
        chance = self._chance_in_front()
        if chance != self._chance:
            self._chance = chance
            self._draw_picks_to_fault()

    def _draw_picks_to_fault(self) -> None:
        if self._chance > 0:
            self.picks_to_fault = int(self._luck.generator.geometric(self._chance))
        else:
            self.picks_to_fault = NEVER

    def _which_fault(self) -> str:
        # A number below 1 times the total is below the total, also as they are rounded.
        mark = self._luck.generator.random() * self._chance
        return OUTCOMES[bisect_right(list(accumulate(self._chances())), mark)]
