"""Problems of rounds and film with known answers: small plants scanned at high precision."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.answers.film import Curve, film_curves
from feedsim.answers.rounds import rounds_settings
from feedsim.answers.rows import rows_of
from feedsim.answers.targets import Target
from feedsim.config import Config, parse_config
from feedsim.measures import Figure
from feedsim.study import Setting, Shifts
from feedsim.verify.case import KERNEL
from feedsim.verify.sizing import plant

SCANNED = 10_000
BUDGET = 640
INTERVALS = (2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 14.0, 20.0)
FACTORS = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6)
STIFFNESS = (160.0, 110.0, 80.0, 55.0, 40.0, 28.0, 20.0, 14.0, 10.0)


@dataclass(frozen=True)
class Problem:
    """A plant, a target, and its true values along what is varied, from the best end on."""

    number: int
    config: Config
    target: Target
    along: tuple[float, ...]
    values: tuple[float, ...]
    budget_half_width: float
    curve: Curve | None = None

    def holds(self, value: float) -> bool:
        """Whether a true value meets the target."""
        return value >= self.target.value if self.target.is_least else value <= self.target.value

    @property
    def last(self) -> int:
        """Place of the last that truly meets the target as all before it; -1: none."""
        met = [self.holds(value) for value in self.values]
        return met.index(False) - 1 if False in met else len(met) - 1

    @property
    def is_clear(self) -> bool:
        """Whether the values beside the answer lie two half-widths from the target, or more."""
        if self.last < 0:
            return False
        beside = [self.last, self.last + 1]
        gaps = [abs(self.values[p] - self.target.value) for p in beside if p < len(self.values)]
        return min(gaps) >= 2 * self.budget_half_width

    @property
    def is_impossible(self) -> bool:
        """Whether not even the best end meets the target, by two half-widths."""
        gap = abs(self.values[0] - self.target.value)
        return self.last < 0 and gap >= 2 * self.budget_half_width


def scanned(
    number: int, settings: Sequence[Setting], measure: str, replications: int = SCANNED
) -> list[Figure]:
    """A measure of each setting at high precision, on luck of its own."""
    with Shifts(2_000_000 + number, KERNEL) as shifts:
        rows = rows_of(shifts.results(settings, replications, 0.95))
    return [row.figures[measure] for row in rows if row.machine is not None]


def _problem(
    number: int,
    config: Config,
    along: Sequence[float],
    settings: Sequence[Setting],
    measures: Sequence[str],
    curve: Curve | None = None,
    close: float = 0.0,
) -> Problem:
    """A target between best and worst; in a part of the problems one that a value just misses."""
    luck = random.Random(30_000 + number)
    measure = luck.choice(measures)
    figures = scanned(number, settings, measure)
    values = np.array([figure.value for figure in figures])
    of_one = np.median([np.std(figure.deviations, ddof=1) for figure in figures])
    half_width = float(1.96 * of_one / np.sqrt(BUDGET))
    best, worst = float(values[0]), float(values[-1])
    part = luck.choice([0.2, 0.4, 0.6, 0.8, 0.95, 1.2])
    value = worst + part * (best - worst)
    if part > 1:
        value = best + np.sign(best - worst) * 4 * half_width
    if part <= 1 and luck.random() < close:
        just = luck.uniform(0.3, 1.5) * half_width
        value = float(luck.choice(values[1:])) + np.sign(best - worst) * just
    value = float(np.clip(value, 0, 1 if measure in ("oee", "dry_share") else np.inf))
    target = Target(measure, value)
    return Problem(number, config, target, tuple(along), tuple(values.tolist()), half_width, curve)


def rounds_problem(number: int) -> Problem:
    """A plant tended in rounds alone, and a target that some interval keeps, or none."""
    luck = random.Random(40_000 + number)
    config = parse_config(plant(number))
    bundle = config.machine[0].magazine.bundle_bags
    config = config.with_values(
        {
            "crew.calls": "none",
            "crew.rounds_every_min": None,
            "machine.magazine.capacity_bags": bundle * luck.randint(3, 12),
        }
    )
    bags = config.machine[0].magazine.lane_capacity_bags
    cells = rounds_settings(config, [bags], INTERVALS)[bags]
    measures = ("oee", "packs_per_h", "dry_share")
    return _problem(number, config, INTERVALS, list(cells.values()), measures, close=0.5)


def film_problem(number: int) -> Problem:
    """A plant with single misses, with bad bundles, or a film by the planning values."""
    luck = random.Random(50_000 + number)
    config = parse_config(plant(number))
    values: dict[str, object] = {"machine.pick.on_lane_fault": "stop"}
    options: dict[str, object] = {"factors": FACTORS}
    along: tuple[float, ...] = FACTORS
    kind = number % 3
    if kind == 0:
        values["machine.bag.faults.missed"] = luck.uniform(0.01, 0.04)
    elif kind == 1:
        values["machine.bag.faults.missed"] = 0.0
        values["machine.bag.bad_bundles"] = {
            "share": luck.uniform(0.02, 0.1),
            "missed": luck.uniform(0.3, 0.6),
        }
    else:
        values["machine.bag.faults"] = None
        values["machine.bag.closure"] = luck.choice(["press_zip", "hook_zip", "slider"])
        values["machine.bag.stiffness_uNm"] = 40
        values["machine.bag.bad_bundles"] = {"share": 0.03, "missed": 0.3}
        options, along = {"stiffness": STIFFNESS}, STIFFNESS
    config = config.with_values(values)
    _, (curve,) = film_curves(config, **options)
    measures = ("oee", "packs_per_h")
    return _problem(number, config, along, list(curve.settings.values()), measures, curve)
