"""How surely: replications until the intervals are as narrow as asked, within a budget."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, isfinite

from feedsim.answers.rows import Row, rows_of
from feedsim.cell import Cell
from feedsim.config import Config
from feedsim.engines import CYCLES_PER_S, choose
from feedsim.measures import COUNT, RATE, RATIO, Measure, measure_names
from feedsim.mistakes import Mistake
from feedsim.study import (
    HERE,
    LARGEST_STUDY_S,
    Results,
    Setting,
    Shifts,
    Work,
    refuse_absurd,
)

LEAST_FIRST = 100
BUDGET = 10_000
MARGIN = 1.05
MOST_GROWTH = 4
LEAST_GROWTH = 1.25


class PrecisionError(Mistake):
    """A precision that cannot be asked for."""


@dataclass(frozen=True, slots=True)
class Goal:
    """A measure, and the half-width that its intervals may have.

    The half-width is absolute for shares and OEE parts, and a part of the value for the rest.
    """

    measure: str
    half_width: float

    def is_relative(self, measure: Measure) -> bool:
        """Whether the half-width is a part of the value."""
        if measure.kind == RATIO:
            return not measure.name.endswith("_share")
        return measure.kind in (RATE, COUNT)


@dataclass(frozen=True, slots=True)
class Precision:
    """Half-widths to reach, with a number of replications that may not be passed."""

    goals: tuple[Goal, ...]
    budget: int = BUDGET


@dataclass(frozen=True, slots=True)
class Shortfall:
    """An interval that is wider than asked: of its row, by which factor, and in how many."""

    row: Row
    goal: Goal
    factor: float

    def in_words(self) -> str:
        """What was reached instead."""
        found = self.row[self.goal.measure]
        name = self.goal.measure.replace("_", " ")
        at = ", ".join(f"{key} = {value}" for key, value in self.row.setting.items())
        where = self.row.title + (f" at {at}" if at else "")
        if not isfinite(self.factor):
            reached = f"{name} of {where} was seen in {found.seen_in} shifts: too few to judge"
        else:
            reached = (
                f"{name} of {where} is known to ± {found.half_width:.3g}, "
                f"{self.factor:.2g} times the half-width asked for"
            )
        return f"Precision not reached within {self.row.replications:,} shifts: {reached}."


def simulate_settings(
    config: Config,
    settings: Sequence[Setting],
    work: Work = HERE,
    precision: Precision | None = None,
) -> tuple[Results, list[Shortfall]]:
    """Simulate settings of a config, as its study table says or until a precision is reached.

    All settings have the same replications, so their differences stay paired. Between looks the
    number grows by at least a quarter and at most fourfold, towards what the last look calls
    for: few looks, on many replications, so that stopping early hardly costs coverage.

    Parameters
    ----------
    config : Config
    settings : sequence of Setting
    work : Work
    precision : Precision, optional

    Returns
    -------
    results : Results
    shortfalls : list of Shortfall
        What was not reached within the budget, the widest first.

    Raises
    ------
    PrecisionError
        If a measure is none of the study's.
    TooLarge
        If the study would run for hours.

    References
    ----------
    Law, Simulation Modeling and Analysis, sec. 9.4.1 (sequential procedures); the coverage of
    this one is measured by tests/test_precision.py.
    """
    study = config.study
    cells = [setting.cell for setting in settings]
    refuse_absurd(cells, study.replications, work)
    if precision is not None:
        _refuse_unknown(precision, cells)
    with Shifts(study.seed, work) as shifts:
        if precision is None:
            return shifts.results(settings, study.replications, study.confidence), []
        budget = min(precision.budget, _most_replications(settings, work))
        replications = min(budget, max(study.replications, LEAST_FIRST))
        while True:
            results = shifts.results(settings, replications, study.confidence)
            short = shortfalls(rows_of(results), precision)
            if not short or replications >= budget:
                return results, short
            factor = min(MARGIN * min(short[0].factor, MOST_GROWTH) ** 2, MOST_GROWTH)
            replications = min(budget, ceil(replications * max(factor, LEAST_GROWTH)))


def shortfalls(rows: Sequence[Row], precision: Precision) -> list[Shortfall]:
    """All intervals that are wider than asked, the one with the most to go first."""
    found = [short for goal in precision.goals for short in _of_goal(rows, goal)]
    return sorted(found, key=lambda short: -short.factor)


def _refuse_unknown(precision: Precision, cells: Sequence[Cell]) -> None:
    names = list(dict.fromkeys(name for cell in cells for name in measure_names(cell)))
    for goal in precision.goals:
        if goal.measure not in names:
            raise PrecisionError(
                f"--precision: no measure is named {goal.measure!r}, allowed: " + ", ".join(names)
            )


def _of_goal(rows: Sequence[Row], goal: Goal) -> Iterator[Shortfall]:
    for row in rows:
        estimate = row.get(goal.measure)
        if estimate is None or not isfinite(estimate.value):
            continue
        wanted = goal.half_width
        if goal.is_relative(row.figures[goal.measure].measure):
            wanted *= abs(estimate.value)
        factor = float("inf")
        if not estimate.unseen and not estimate.few_events and isfinite(estimate.half_width):
            factor = estimate.half_width / wanted if wanted else float("inf")
        if factor > 1:
            yield Shortfall(row, goal, factor)


def _most_replications(settings: Sequence[Setting], work: Work) -> int:
    """How many replications the limit on a study's size leaves to each setting."""
    cycles = sum(setting.cell.cost_cycles for setting in settings)
    if work.allow_large:
        return 1 << 40
    engine = choose(work.engine, [s.cell for s in settings], cycles * BUDGET, work.jobs).engine
    return max(1, int(LARGEST_STUDY_S * CYCLES_PER_S[engine] // max(1, cycles)))


def parse_goal(text: str) -> Goal:
    """Read a precision as typed, "oee=0.005".

    Raises
    ------
    PrecisionError
    """
    measure, equals, number = text.partition("=")
    try:
        half_width = float(number)
    except ValueError:
        half_width = 0.0
    if not equals or not (0 < half_width < float("inf")):
        raise PrecisionError(
            f"--precision: {text[:60]!r} is not understood, allowed: MEASURE=HALF_WIDTH with a "
            "half-width above 0, such as oee=0.005 (absolute for shares and OEE parts) or "
            "visits_per_h=0.02 (a part of the value for the rest)"
        )
    return Goal(measure.strip(), half_width)
