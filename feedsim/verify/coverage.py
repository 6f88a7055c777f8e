"""Coverage: how often an interval of 95 % holds the truth, over many experiments."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import log, sqrt
from typing import NamedTuple

import numpy as np

from feedsim.answers.precision import Goal, Precision, simulate_settings
from feedsim.answers.rows import Row, rows_of
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.engines import COMPILED
from feedsim.measures import Figure, Measure, figure, measures_of
from feedsim.stats import Estimate, Floats
from feedsim.study import Setting, run_study
from feedsim.verify.case import KERNEL
from feedsim.verify.finding import Finding, off_by_luck
from feedsim.verify.run import distance

CONFIDENCE = 0.95
TOO_NARROW = 0.8
EXPERIMENTS = 1000
TRUTH_SHIFTS = 20 * EXPERIMENTS * 40
PART = "coverage"
SOURCE = "definition of a confidence interval; the truth from shifts of another seed"

# One operator, a magazine that runs dry now and then, a station that is attended.
PLANT = """
[study]
shift_h = 4
warm_up_h = 0
[crew]
calls = "low"
notice = { family = "exponential", mean_s = 60 }
[[machine]]
speed_per_min = 30
restart_s = 5
[machine.magazine]
capacity_bags = 150
call_level_bags = 30
bundle_bags = 25
bundle = { family = "lognormal", mean_s = 20, cv = 0.5 }
visit = { family = "constant", mean_s = 10 }
[machine.pick]
clear = { family = "lognormal", mean_s = 60, cv = 1 }
[machine.bag]
faults = { missed = 0.004, skewed = 0.002, jam = 0.0005 }
[[machine.station]]
name = "sealer"
between_stops = { family = "exponential", mean_min = 40 }
stop = { family = "lognormal", mean_min = 2, cv = 1.2 }
needs_operator = true
"""

# The magazine is refilled at once when it runs dry, but for some calls that are noticed late:
# twenty refills a shift, so many dry spells a shift, dry for 1 % of the time in the mean.
REFILLS, DRY = 20, 0.01


def seldom_dry(spells: float) -> str:
    """A plant that is dry for 1 % of the time, in so many spells a shift."""
    of = round(REFILLS / min(1.0, spells))
    long = round(of * spells / REFILLS) * 10
    mean_s = DRY * 8 * 3600 / spells
    quantiles = [-log(1 - (k + 0.5) / long) for k in range(long)]
    scale = mean_s * long / sum(quantiles)
    values = [0.0] * (10 * of - long) + [round(scale * q, 3) for q in quantiles]
    return f"""
[study]
shift_h = 8
[crew]
calls = "dry"
notice = {{ family = "empirical", values_s = {values} }}
[[machine]]
speed_per_min = 10
[machine.magazine]
lanes = 1
capacity_bags = {4800 // REFILLS}
bundle_bags = {4800 // REFILLS}
"""


def smaller_magazine() -> str:
    """The plant with lanes of half the length."""
    return PLANT.replace("capacity_bags = 150", "capacity_bags = 75")


def measure_named(cell: Cell, name: str) -> Measure:
    """A measure of a cell's machines."""
    return next(measure for measure in measures_of(cell.machines) if measure.name == name)


def sums_of(cell: Cell, seed: int, replications: int) -> list[dict[str, Floats]]:
    """Sums of each machine over its shifts."""
    results = run_study(
        [Setting({}, cell)], replications=replications, seed=seed, confidence=0.95, work=KERNEL
    )
    return [dict(machine) for machine in results.sums[0].machines]


def truth_of(cell: Cell, measure: Measure, shifts: int = TRUTH_SHIFTS) -> float:
    """From many more shifts than all experiments on forty have, of another seed."""
    return figure(measure, sums_of(cell, 8, shifts)).value


def figures_of(
    cell: Cell, measure: Measure, replications: int, experiments: int = EXPERIMENTS
) -> list[Figure]:
    """Figures of experiments with luck of their own."""
    whole = sums_of(cell, 7, experiments * replications)
    return [
        figure(
            measure,
            [
                {name: a[k * replications : (k + 1) * replications] for name, a in m.items()}
                for m in whole
            ],
        )
        for k in range(experiments)
    ]


def experiments_of(
    text: str,
    name: str,
    replications: int,
    experiments: int = EXPERIMENTS,
    truth_shifts: int = TRUTH_SHIFTS,
) -> tuple[list[Figure], float]:
    """Figures of experiments on a plant, and the truth."""
    cell = build_cell(parse_config(text))
    measure = measure_named(cell, name)
    figures = figures_of(cell, measure, replications, experiments)
    return figures, truth_of(cell, measure, truth_shifts)


def estimates(figures: Sequence[Figure], confidence: float = CONFIDENCE) -> list[Estimate]:
    """The intervals of figures."""
    return [figure.estimate(confidence) for figure in figures]


def share_held(found: Sequence[Estimate], truth: float) -> float:
    """Share of intervals that hold the truth."""
    return float(np.mean([each.low <= truth <= each.high for each in found]))


def share_warned(found: Sequence[Estimate]) -> float:
    """Share of intervals that say that they rest on too few events."""
    return float(np.mean([each.few_events or each.unseen for each in found]))


def sequential_rows(
    texts: Sequence[str], goal: Goal, experiments: int = EXPERIMENTS
) -> Iterator[list[Row]]:
    """Rows of the cells after stopping at a half-width, in one experiment after the other.

    Raises
    ------
    RuntimeError
        If an experiment did not reach its half-width: nothing can be said of coverage then.
    """
    configs = [parse_config(text) for text in texts]
    settings = [Setting({"config": n}, build_cell(config)) for n, config in enumerate(configs)]
    for number in range(experiments):
        one = configs[0].with_values({"study.seed": 1000 + number})
        results, short = simulate_settings(one, settings, KERNEL, Precision((goal,)))
        if short:
            raise RuntimeError(short[0].in_words())
        yield [row for row in rows_of(results) if row.machine is None]


class Coverage(NamedTuple):
    """One check of coverage, and what stands for the plant that it is of.

    `dry_spells` is 0 for the plant itself; `half_width` is 0 for a fixed number of shifts.
    """

    measure: str
    replications: int = 0
    dry_spells: float = 0.0
    half_width: float = 0.0
    is_difference: bool = False

    @property
    def name(self) -> str:
        """In words."""
        what = self.measure
        if self.is_difference:
            what = f"difference of {what} of two magazines on the same luck"
        if self.dry_spells:
            what += f", dry in {self.dry_spells:g} spells a shift"
        if self.half_width:
            return f"{what}, stopped at a half-width of {self.half_width:g}"
        return f"{what}, {self.replications} shifts"

    @property
    def text(self) -> str:
        """The plant."""
        return seldom_dry(self.dry_spells) if self.dry_spells else PLANT


FIXED = [
    *(Coverage(name, n) for n in (40, 400) for name in ("oee", "bags_per_refill", "quality")),
    *(Coverage("oee", n, is_difference=True) for n in (40, 400)),
    *(Coverage("dry_share", n, spells) for n in (40, 400) for spells in (2.0, 0.5, 0.1)),
]
SEQUENTIAL = [
    Coverage("oee", half_width=0.01),
    Coverage("oee", half_width=0.005),
    Coverage("bags_per_refill", half_width=0.005),
    Coverage("dry_share", dry_spells=2, half_width=0.002),
    Coverage("dry_share", dry_spells=0.5, half_width=0.003),
    Coverage("dry_share", dry_spells=0.1, half_width=0.004),
    Coverage("oee", half_width=0.01, is_difference=True),
]
ALL = [*FIXED, *SEQUENTIAL]


def check(asked: Coverage, experiments: int, truth_shifts: int) -> Finding:
    """Run the experiments of one check.

    Where events are seldom, an interval that warns of too few of them counts as one that holds
    the truth, and only too few of both are a failure. The control takes intervals of 80 % for
    such of 95 %, and heeds no warning.
    """
    found, narrow, truth = _intervals(asked, experiments, truth_shifts)
    is_seldom = bool(asked.dry_spells) and not asked.half_width
    hold = [each.low <= truth <= each.high for each in found]
    if is_seldom:
        warned = [each.few_events or each.unseen for each in found]
        hold = [either or warns for either, warns in zip(hold, warned, strict=True)]
    value = float(np.mean(hold))
    error = sqrt(CONFIDENCE * (1 - CONFIDENCE) / experiments)
    z = distance(value, CONFIDENCE, error, 0.0)
    return Finding(
        PART,
        asked.name,
        SOURCE,
        f"{experiments:,} experiments",
        CONFIDENCE,
        value,
        error,
        min(0.0, z) if is_seldom else z,
        f"intervals of 80 % taken for such of 95 % (hold the truth in "
        f"{100 * share_held(narrow, truth):.1f} %)",
        distance(share_held(narrow, truth), CONFIDENCE, error, 0.0),
        off_by_luck(experiments, CONFIDENCE),
        COMPILED,
        "intervals that warn of too few events count as holding" if is_seldom else "",
    )


def _intervals(
    asked: Coverage, experiments: int, truth_shifts: int
) -> tuple[list[Estimate], list[Estimate], float]:
    """Intervals of 95 %, the same of 80 %, and the truth."""
    texts = [asked.text, smaller_magazine()] if asked.is_difference else [asked.text]
    cells = [build_cell(parse_config(text)) for text in texts]
    measure = measure_named(cells[0], asked.measure)
    truths = [truth_of(cell, measure, truth_shifts) for cell in cells]
    if asked.half_width:
        goal = Goal(asked.measure, asked.half_width)
        rows = sequential_rows(texts, goal, experiments)
        sides = [[row.figures[asked.measure] for row in of_one] for of_one in rows]
    else:
        columns = [figures_of(cell, measure, asked.replications, experiments) for cell in cells]
        sides = [list(pair) for pair in zip(*columns, strict=True)]
    found, narrow = (
        [
            side[0].minus(side[1], confidence)
            if asked.is_difference
            else side[0].estimate(confidence)
            for side in sides
        ]
        for confidence in (CONFIDENCE, TOO_NARROW)
    )
    return found, narrow, truths[0] - truths[1] if asked.is_difference else truths[0]
