"""Sizing problems with known answers: small plants scanned at high precision."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, partial

import numpy as np

from feedsim.answers.rows import Row, rows_of
from feedsim.answers.size import SizeResult, size
from feedsim.answers.targets import Target
from feedsim.cell import build_cell
from feedsim.config import Config, parse_config
from feedsim.engines import COMPILED
from feedsim.measures import Figure
from feedsim.study import Setting, Shifts
from feedsim.verify.case import KERNEL
from feedsim.verify.finding import Finding, Tally
from feedsim.verify.run import distance

SCANNED = 8_000
BUDGET = 640
FIRST = 40
BUNDLES = 12

# No luck at all: a lane is topped up at once in every round, so of the time between two rounds
# the lanes last lanes x capacity cycles.
ROUNDS = """
[study]
shift_h = 4
warm_up_h = 1
replications = 20
[crew]
calls = "none"
rounds_every_min = 10
[[machine]]
speed_per_min = 30
[machine.magazine]
lanes = 2
capacity_bags = 400
bundle_bags = 10
"""


def plant(number: int) -> str:
    """A plant of a shift of two hours, with luck in all its parts."""
    luck = random.Random(number)
    stations = "".join(
        f"""
[[machine.station]]
name = "station {k}"
between_stops = {{ family = "exponential", mean_min = {luck.uniform(15, 60):.1f} }}
stop = {{ family = "lognormal", mean_min = {luck.uniform(0.5, 3):.2f}, cv = 1 }}
needs_operator = {luck.choice(["true", "false"])}
"""
        for k in range(luck.randint(0, 2))
    )
    bundle = luck.choice([10, 20, 25])
    calls = luck.choice(["low", "low", "dry", "none"])
    rounds = f"rounds_every_min = {luck.choice([4, 5, 7])}" if calls == "none" else ""
    return f"""
[study]
shift_h = 2
warm_up_h = 0.25
replications = {FIRST}
seed = {number + 1}
[crew]
operators = 1
calls = "{calls}"
{rounds}
notice = {{ family = "exponential", mean_s = {luck.uniform(5, 40):.0f} }}
walk_s = {luck.uniform(0, 15):.0f}
[[crew.duty]]
name = "samples"
every_min = {luck.choice([10, 20, 30])}
takes = {{ family = "lognormal", mean_min = {luck.uniform(1, 3):.1f}, cv = 0.5 }}
[[machine]]
name = "pouch machine"
speed_per_min = {luck.choice([20, 30, 40])}
restart_s = {luck.choice([0, 5])}
[machine.magazine]
lanes = 2
capacity_bags = {bundle * BUNDLES}
call_level_bags = {bundle // 2}
bundle_bags = {bundle}
bundle = {{ family = "lognormal", mean_s = {luck.uniform(0.3, 0.8) * bundle:.0f}, cv = 0.4 }}
visit = {{ family = "constant", mean_s = {luck.uniform(2, 10):.0f} }}
[machine.pick]
clear = {{ family = "lognormal", mean_s = 45, cv = 0.8 }}
[machine.bag]
faults = {{ missed = {luck.uniform(0, 0.01):.4f}, jam = {luck.uniform(0, 0.001):.5f} }}
{stations}
"""


@dataclass(frozen=True)
class Problem:
    """A plant, a target, and what a scan of all capacities at high precision says of it."""

    config: Config
    target: Target
    capacities_bags: tuple[int, ...]
    values: tuple[float, ...]
    budget_half_width: float

    def is_met(self, bags: int) -> bool:
        """Whether a capacity truly meets the target."""
        return _holds(self.target, self.values[self.capacities_bags.index(bags)])

    @property
    def smallest(self) -> int | None:
        """The smallest capacity that truly meets the target."""
        met = [bags for bags in self.capacities_bags if self.is_met(bags)]
        return min(met, default=None)

    def is_wrong(self, claimed_bags: int | None) -> bool:
        """Whether a claim that a capacity meets the target is wrong; None claims nothing."""
        return claimed_bags is not None and not self.is_met(claimed_bags)

    def is_late(self, claimed_bags: int | None) -> bool:
        """Whether an answer is none, or more than a bundle above the smallest capacity."""
        if self.smallest is None:
            return False
        bundle = self.capacities_bags[0]
        return claimed_bags is None or claimed_bags > self.smallest + bundle

    @property
    def is_clear(self) -> bool:
        """Whether the values beside the smallest lie two half-widths from the target, or more."""
        if self.smallest is None:
            return False
        place = self.capacities_bags.index(self.smallest)
        beside = [p for p in (place - 1, place + 1) if 0 <= p < len(self.values)]
        gaps = [abs(self.values[p] - self.target.value) for p in beside]
        return min(gaps) >= 2 * self.budget_half_width


def _holds(target: Target, value: float) -> bool:
    return value >= target.value if target.is_least else value <= target.value


@cache
def scanned(number: int, replications: int = SCANNED) -> tuple[Config, tuple[int, ...], list[Row]]:
    """All capacities of a plant, on luck of their own."""
    config = parse_config(plant(number))
    bundle = config.machine[0].magazine.bundle_bags
    bags = tuple(bundle * k for k in range(1, BUNDLES + 1))
    settings = [
        Setting({}, build_cell(config.with_values({"machine.magazine.capacity_bags": b})))
        for b in bags
    ]
    with Shifts(1_000_000 + number, KERNEL) as shifts:
        rows = rows_of(shifts.results(settings, replications, 0.95))
    return config, bags, [row for row in rows if row.machine is not None]


def figures_of(rows: Sequence[Row], measure: str) -> list[Figure]:
    """A measure over the capacities."""
    return [row.figures[measure] for row in rows]


def problem(number: int, replications: int = SCANNED) -> Problem:
    """A target for a plant: mostly one that some capacity meets, sometimes one that none does."""
    luck = random.Random(10_000 + number)
    config, bags, rows = scanned(number, replications)
    measure = luck.choice(["oee", "oee", "packs_per_h", "dry_share", "visits_per_h"])
    figures = figures_of(rows, measure)
    values = np.array([figure.value for figure in figures])
    of_one = np.median([np.std(figure.deviations, ddof=1) for figure in figures])
    half_width = float(1.96 * of_one / np.sqrt(BUDGET))
    best = values.max() if measure in ("oee", "packs_per_h") else values.min()
    worst = values.min() if measure in ("oee", "packs_per_h") else values.max()
    part = luck.choice([0.2, 0.4, 0.6, 0.8, 0.95, 1.2])
    value = worst + part * (best - worst)
    if part > 1:
        value = best + np.sign(best - worst) * 4 * half_width
    value = float(np.clip(value, 0, 1 if measure in ("oee", "dry_share") else np.inf))
    return Problem(config, Target(measure, value), bags, tuple(values), half_width)


def solved(known: Problem) -> SizeResult:
    """What the search for the smallest capacity answers."""
    bags = known.config.machine[0].magazine.lane_capacity_bags
    return size(known.config, [known.target], up_to=bags, budget=BUDGET, work=KERNEL)


# As checks of the campaign.

PART = "sizing"
SCAN = "a scan of all capacities at high precision, on luck of its own"
BY_HAND = (
    "own derivation: topped up in every round, dry for 1 - lanes x capacity / (speed x interval)"
)
DRY_SHARES = (0.1, 0.25, 0.5)
CLAIMED, CALLED, FOUND = (
    "claims that a capacity meets a target are wrong",
    "targets that no capacity meets, met by the answer",
    "clear problems answered more than a bundle above the smallest",
)


def check_without_luck(dry_share: float) -> Finding:
    """The smallest capacity of the plant without luck, to a bundle."""
    result = size(parse_config(ROUNDS), [Target("dry_share", dry_share)], work=KERNEL)
    found = math.nan if result.capacity_bags is None else float(result.capacity_bags)
    needed = (1 - dry_share) * 300 / 2
    within = 10 / 2
    return Finding(
        PART,
        f"smallest capacity for dry at most {100 * dry_share:g} %, bags a lane",
        BY_HAND,
        "one search",
        needed + within,
        found,
        0.0,
        distance(found, needed + within, 0.0, within),
        "one lane reckoned with, of the two",
        distance(found, 2 * needed + within, 0.0, within),
        engine=COMPILED,
        note="to a bundle of 10 bags",
    )


def check_problem(number: int, *, is_claim_alone: bool = False) -> list[Tally]:
    """One problem with a known answer; planted beside it is an answer that is wrong.

    Of few problems only what is claimed can be judged: too few are impossible, or clear.

    A claim is wrong in at most 5 % of cases, by the study's confidence. How often a clear
    problem is answered late is bounded by a planning value, without a source.
    """
    known = problem(number)
    found = solved(known)
    make = partial(Tally, PART, engine=COMPILED, unit="problems")
    place = 0 if known.smallest is None else known.capacities_bags.index(known.smallest)
    below = known.capacities_bags[place - 1] if place else None
    told = f"problem {number}: answered {found.capacity_bags}, truly {known.smallest}"
    wrong = known.is_wrong(found.capacity_bags)
    tallies = [
        make(
            CLAIMED,
            SCAN,
            tried=1,
            wrong=wrong,
            control="a bundle less than the smallest",
            control_tried=below is not None,
            control_wrong=known.is_wrong(below),
            allowed=0.05,
            example=told if wrong else "",
        )
    ]
    if is_claim_alone:
        return tallies
    if known.smallest is None:
        largest = known.capacities_bags[-1]
        tallies.append(
            make(
                CALLED,
                SCAN,
                tried=1,
                wrong=found.is_met,
                control="the largest capacity",
                control_tried=1,
                control_wrong=known.is_wrong(largest),
                allowed=0.05,
                example=told if found.is_met else "",
            )
        )
    elif known.is_clear:
        late = known.is_late(found.capacity_bags)
        tallies.append(
            make(
                FOUND,
                f"{SCAN}; 20 % as a planning value",
                tried=1,
                wrong=late,
                control="two bundles more than the smallest",
                control_tried=1,
                control_wrong=known.is_late(known.smallest + 2 * known.capacities_bags[0]),
                allowed=0.2,
                example=told if late else "",
            )
        )
    return tallies
