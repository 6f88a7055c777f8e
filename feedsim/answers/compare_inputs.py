"""The difference of two configs over their uncertain inputs."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite

import numpy as np

from feedsim.answers.compare import CONFIG, CompareResult, compare_settings
from feedsim.answers.rows import Row, rows_of
from feedsim.answers.set_ranges import Range
from feedsim.answers.shared_unknowns import TwoConfigs
from feedsim.answers.uncertain import SETS, InputsResult, over_sets, refuse_certain
from feedsim.config import Config
from feedsim.measures import SHARE, Figure, Measure
from feedsim.study import HERE, Results, Work

DIFFERENCE = "B - A"


@dataclass(frozen=True, slots=True)
class _Difference(Measure):
    """The difference of a measure between two cells."""

    @property
    def bounds(self) -> tuple[float, float]:
        """What the difference can be."""
        return (-1.0, 1.0) if self.kind == SHARE else (-np.inf, np.inf)


@dataclass(frozen=True, repr=False)
class CompareInputs(InputsResult):
    """Ranges of two configs and of their difference over uncertain inputs.

    Attributes
    ----------
    compare : CompareResult
        With the inputs as they are, over the replications of one set.
    """

    compare: CompareResult = field(kw_only=True)


def compare_over_inputs(
    config: Config, other: Config, *, sets: int = SETS, work: Work = HERE
) -> CompareInputs:
    """Simulate two configs on the same luck, over drawn inputs.

    Where both rest on one fit (a film model, a station's times) they draw the same from it, so
    that what is not known of it leaves the difference as far as it does the same to both.

    Parameters
    ----------
    config, other : Config
        A and B; differences are B minus A. A's study table says the replications of each set.
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work

    Returns
    -------
    CompareInputs
        Rows: first the differences, whose setting is "config" "B - A", of each machine that both
        have and of the whole cell, then A's rows and B's.

    Raises
    ------
    InputsError
        If nothing is uncertain, or what is drawn makes no config.
    TooLarge
        If it would run for hours.

    References
    ----------
    As `with_uncertain_inputs`; common random numbers within a set: Law, Simulation Modeling and
    Analysis, sec. 11.2.
    """
    draws = TwoConfigs(config, other, compare_settings)
    refuse_certain(draws.names)
    # The first reading is of the inputs as they are.
    read: list[CompareResult] = []

    def reading(results: Results) -> list[Row]:
        rows = rows_of(results)
        found = CompareResult(config, other, results, rows)
        if not read:
            read.append(found)
        return [*_differences(found), *rows]

    found = over_sets(
        config.study,
        compare_settings(config, other),
        draws,
        sets=sets,
        work=work,
        of_first=2,
        reading=reading,
    )
    return CompareInputs(
        found.rows,
        found.ranges,
        found.parts,
        found.sets,
        found.replications,
        found.drawn,
        compare=read[0],
    )


def unknowns_of_pair(config: Config, other: Config) -> list[str]:
    """The names of what is uncertain in two configs.

    Raises
    ------
    InputsError
        If nothing is.
    """
    names = TwoConfigs(config, other, compare_settings).names
    refuse_certain(names)
    return names


def range_of_difference(inputs: InputsResult, machine: str | None, measure: str) -> Range | None:
    """The range of a measure's difference; None where it is no number, or there is none."""
    for row, ranges in zip(inputs.rows, inputs.ranges, strict=True):
        if (row.setting[CONFIG], row.machine) == (DIFFERENCE, machine):
            found = ranges.get(measure)
            return found if found is not None and isfinite(found.expected) else None
    return None


def _differences(result: CompareResult) -> list[Row]:
    """Differences as rows: of the machines of both, then of the whole cells."""
    rows = []
    for machine in (*result.machines, None):
        pair = result.pair(machine)
        figures = {
            name: _minus(pair.other[name], own)
            for name, own in pair.own.items()
            if name in pair.other
        }
        rows.append(
            Row(
                len(result.results.settings),
                {CONFIG: DIFFERENCE},
                machine,
                figures,
                result.results.confidence,
                result.results.replications,
                None,
            )
        )
    return rows


def _minus(other: Figure, own: Figure) -> Figure:
    measure = own.measure
    difference = _Difference(
        measure.name,
        measure.unit,
        f"difference of {measure.meaning}",
        measure.kind,
        measure.top,
        measure.bottom,
        measure.event,
    )
    return Figure(
        difference,
        other.value - own.value,
        other.deviations - own.deviations,
        own.seen | other.seen,
    )
