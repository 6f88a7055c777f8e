"""What a theory case is: a config, what is looked at in its shifts, and what must come out."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from feedsim.accounts import Record, check_balances
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.engines import COMPILED, engine_named
from feedsim.measures import CREW_BUSY, figure, measures_of
from feedsim.stats import Floats, sum_of_ratios
from feedsim.study import Results, Setting, Work, run_study

AGREES_Z = 4.0
FAILS_Z = 6.0

# What many shifts are simulated with, here.
KERNEL = Work(engine=COMPILED, allow_large=True)

Seen = tuple[float, Floats]
Count = Callable[[Cell, Record], float]


def seed_of(config: str) -> int:
    """A seed for each config, so that cases do not share their luck."""
    return zlib.crc32(config.encode())


@lru_cache(maxsize=2)
def studied(config: str, replications: int, engine: str) -> Results:
    """Simulate a config as a study does; kept for the cases that look at the same shifts."""
    cell = build_cell(parse_config(config))
    return run_study(
        [Setting({}, cell)],
        replications=replications,
        seed=seed_of(config),
        confidence=0.95,
        work=Work(engine=engine),
    )


@dataclass(frozen=True, slots=True)
class Figure:
    """A measure of the whole cell, times a factor, plus an offset."""

    measure: str
    factor: float = 1.0
    offset: float = 0.0

    def look(self, config: str, replications: int, engine: str) -> Seen:
        """Simulate; the figure and each replication's deviation."""
        results = studied(config, replications, engine)
        sums = results.sums[0]
        if self.measure == CREW_BUSY.name:
            found = figure(CREW_BUSY, [sums.crew])
        else:
            plans = results.settings[0].cell.machines
            measure = next(m for m in measures_of(plans) if m.name == self.measure)
            found = figure(measure, sums.machines)
        return self.offset + self.factor * found.value, self.factor * found.deviations


@dataclass(frozen=True, slots=True)
class SumsRatio:
    """A ratio of sums of the accounts over all machines: the tops added, over the bottoms."""

    tops: Sequence[str]
    bottoms: Sequence[str]
    factor: float = 1.0

    def look(self, config: str, replications: int, engine: str) -> Seen:
        """Simulate; the ratio and each replication's deviation."""
        sums = studied(config, replications, engine).sums[0]
        tops, bottoms = (
            sum(machine[name] for machine in sums.machines for name in names)
            for names in (self.tops, self.bottoms)
        )
        return _ratio(self.factor * np.asarray(tops), np.asarray(bottoms))


@dataclass(frozen=True, slots=True)
class RecordsRatio:
    """A ratio of what is counted in the records of the shifts."""

    top: Count
    bottom: Count

    def look(self, config: str, replications: int, engine: str) -> Seen:
        """Simulate; the ratio and each replication's deviation."""
        cell, seed = build_cell(parse_config(config)), seed_of(config)
        counts = []
        for replication in range(1, replications + 1):
            record = engine_named(engine).record(cell, seed, replication)
            check_balances(record, cell)
            counts.append((self.top(cell, record), self.bottom(cell, record)))
        tops, bottoms = np.array(counts, dtype=float).T
        return _ratio(tops, bottoms)


def _ratio(tops: Floats, bottoms: Floats) -> Seen:
    return sum_of_ratios(tops[:, np.newaxis], bottoms[:, np.newaxis])


Look = Figure | SumsRatio | RecordsRatio


@dataclass(frozen=True, slots=True)
class Control:
    """What must fail the same check: a wrong reference, or a wrong config."""

    why: str
    reference: float | None = None
    config: str | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One comparison of the simulation with theory.

    Parameters
    ----------
    name : str
        Unique among the cases.
    source : str
        Where the reference comes from.
    config : str
        The config in TOML.
    replications : int
        Shifts of the quick check.
    looks_at : Figure, SumsRatio or RecordsRatio
        What is compared.
    reference : float
        What theory says.
    control : Control
        What must fail.
    allowance : float
        Bias that the model may have beside theory, being of whole cycles or bags.
    reason : str
        Why, where there is an allowance.
    """

    name: str
    source: str
    config: str
    replications: int
    looks_at: Look
    reference: float
    control: Control
    allowance: float = 0.0
    reason: str = ""
