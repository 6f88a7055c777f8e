"""Sizing problems with known answers: small plants scanned at high precision."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from feedsim.answers.rows import Row, rows_of
from feedsim.answers.targets import Target
from feedsim.cell import build_cell
from feedsim.config import Config, parse_config
from feedsim.engines import COMPILED
from feedsim.measures import Figure
from feedsim.study import Setting, Shifts, Work

KERNEL = Work(engine=COMPILED, jobs=2, allow_large=True)
SCANNED = 8_000
BUDGET = 640
FIRST = 40
BUNDLES = 12


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
