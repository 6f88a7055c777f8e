"""Uncertain inputs: how far the answer may lie from what the config's values give.

Inputs that were fitted to trials and logs are known with an error. They are drawn anew for each
of K sets, and each set is simulated over R replications of its own. What the sets' means differ
by, beyond what so few shifts explain, is the data's part of the answer's error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import islice
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeVar

import numpy as np

from feedsim.answers.rows import Row, estimate_json, row_of, rows_of
from feedsim.answers.set_ranges import Range, range_of
from feedsim.cell import Cell
from feedsim.config import Config, ConfigError
from feedsim.config.study import Study
from feedsim.engines import choose
from feedsim.mistakes import Mistake
from feedsim.shown import Shown
from feedsim.streams import Streams
from feedsim.study import (
    HERE,
    Results,
    Setting,
    Shifts,
    Work,
    cost_text,
    cycles_of,
    refuse_absurd,
)

if TYPE_CHECKING:
    import pandas as pd

SETS = 40
SETS_OF_ONE = 20
MOST_TRIES = 100
MORE = 10

Draw = Callable[[np.random.Generator], Mapping[str, Any]]
SettingsOf = Callable[[Config], Iterable[Setting]]
Reading = Callable[[Results], list[Row]]
Made = TypeVar("Made")


class InputsError(Mistake):
    """Inputs that cannot be drawn."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """One fit's inputs, drawn together: a name for readers, and new values of config keys."""

    name: str
    draw: Draw


class Draws(Protocol):
    """What a study draws anew."""

    @property
    def names(self) -> Sequence[str]:
        """Its unknowns, by the names that readers know."""

    def settings(
        self, number: int, names: Sequence[str], first: int | None = None
    ) -> list[Setting]:
        """The study's settings, or the first of them, with what is named drawn for a set.

        Each set's draws are its own, and the same whatever else is drawn.
        """


class Drawn(NamedTuple):
    """A set of inputs: its settings, and their rows."""

    settings: list[Setting]
    rows: list[Row]


@dataclass(frozen=True)
class InputsResult(Shown):
    """Ranges of all measures over uncertain inputs, and which of them weigh most.

    Attributes
    ----------
    rows : list of Row
        With the inputs as the config has them.
    ranges : list of mappings from a measure's name to its Range
        One a row.
    parts : mapping from an unknown's name to mappings from a measure's name to a variance
        Of the first row of a whole cell, with this unknown drawn alone.
    sets, replications : int
    drawn : sequence of Drawn
        One a set, rows in the order of `rows`.
    """

    rows: list[Row]
    ranges: list[Mapping[str, Range]]
    parts: Mapping[str, Mapping[str, float]]
    sets: int
    replications: int
    drawn: Sequence[Drawn] = field(default=(), repr=False)

    @property
    def first(self) -> tuple[Row, Mapping[str, Range]]:
        """The first row of a whole cell, with its ranges."""
        return next(
            (row, ranges)
            for row, ranges in zip(self.rows, self.ranges, strict=True)
            if row.machine is None
        )

    def of(self, number: int, machine: str | None) -> Mapping[str, Range]:
        """The ranges of a setting, by its number, and a machine; None is the whole cell."""
        return next(
            ranges
            for row, ranges in zip(self.rows, self.ranges, strict=True)
            if (row.number, row.machine) == (number, machine)
        )

    def rows_of_sets(self, number: int) -> list[list[Row]]:
        """The rows of a setting in each set."""
        return [[row for row in drawn.rows if row.number == number] for drawn in self.drawn]

    def gain(self, unknown: str, measure: str) -> float:
        """By which part ten times its trial would cut the variance that the data leave."""
        whole = sum(parts.get(measure, 0.0) for parts in self.parts.values())
        if not whole > 0:
            return float("nan")
        return self.parts[unknown].get(measure, 0.0) / whole * (1 - 1 / MORE)

    def frame(self) -> pd.DataFrame:
        """A line for each setting, machine (empty: the whole cell) and measure, with its range.

        Returns
        -------
        pandas.DataFrame
            `expected`, its ends `low` and `high`, and the standard deviations `data_sd` and
            `simulation_sd` of a set, all in the measure's unit; `data_part` of the variance.
        """
        import pandas as pd

        return pd.DataFrame(
            [
                {**row.setting, "machine": row.machine or "", "measure": name}
                | asdict(found)
                | {"data_part": found.data_part}
                for row, ranges in zip(self.rows, self.ranges, strict=True)
                for name, found in ranges.items()
            ]
        )

    @property
    def in_short(self) -> str:
        """What was drawn, and how often, in a few words."""
        settings = len({row.number for row in self.rows})
        return (
            f"{len(self.parts)} uncertain inputs, {settings} settings, {self.sets} sets of "
            f"{self.replications} shifts"
        )

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.in_short})"

    def json(self) -> dict[str, Any]:
        """The command's part of the JSON document."""
        gains = {
            name: {m: value for m in parts if (value := self.gain(name, m)) == value}
            for name, parts in self.parts.items()
        }
        return {
            "sets": self.sets,
            "replications": self.replications,
            "ranges": [
                {
                    "setting": dict(row.setting),
                    "machine": row.machine,
                    "fixed": {name: estimate_json(row[name]) for name in row.figures},
                    "measures": {name: found.json() for name, found in ranges.items()},
                }
                for row, ranges in zip(self.rows, self.ranges, strict=True)
            ],
            "variance_cut_by_ten_times_the_trial": gains,
        }


def with_uncertain_inputs(
    config: Config,
    unknowns: Sequence[Unknown],
    settings_of: SettingsOf,
    *,
    sets: int = SETS,
    work: Work = HERE,
) -> InputsResult:
    """Simulate settings over drawn inputs.

    Parameters
    ----------
    config : Config
        Its study table says the replications of each set.
    unknowns : sequence of Unknown
    settings_of : callable
        From a config to the settings that are studied, the same for every config.
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work

    Returns
    -------
    InputsResult

    Raises
    ------
    InputsError
        If nothing is uncertain, or what is drawn makes no config.
    TooLarge
        If it would run for hours.

    References
    ----------
    One-way analysis of variance with random effects: Searle, Casella and McCulloch, Variance
    Components, ch. 3; its use on simulation inputs: Song, Nelson and Pegden, Winter Simulation
    Conference 2014 (both from memory).
    """
    refuse_certain(unknowns)
    draws = OneConfig(config, unknowns, settings_of)
    return over_sets(config.study, list(settings_of(config)), draws, sets=sets, work=work)


def refuse_certain(unknowns: Sequence[Unknown | str]) -> None:
    """Refuse to draw inputs of which none is uncertain.

    Raises
    ------
    InputsError
    """
    if not unknowns:
        raise InputsError(
            "--inputs: nothing in this config is uncertain, allowed: 'fixed', or a config with "
            "what `feedsim fit` wrote: bag.film, or stations' times with a covariance"
        )


@dataclass(frozen=True)
class OneConfig:
    """Draws the inputs of one config."""

    config: Config
    unknowns: Sequence[Unknown]
    settings_of: SettingsOf

    @property
    def names(self) -> list[str]:
        """Its unknowns, by the names that readers know."""
        return [unknown.name for unknown in self.unknowns]

    def settings(
        self, number: int, names: Sequence[str], first: int | None = None
    ) -> list[Setting]:
        """The study's settings, or the first of them, with what is named drawn for a set."""
        wanted = [unknown for unknown in self.unknowns if unknown.name in names]
        streams = Streams(self.config.study.seed, number)
        luck = {each.name: streams.named("inputs", each.name).generator for each in wanted}

        def attempt() -> list[Setting]:
            values: dict[str, Any] = {}
            for unknown in wanted:
                values |= unknown.draw(luck[unknown.name])
            return list(islice(self.settings_of(self.config.with_values(values)), first))

        return first_made(attempt)


def first_made(attempt: Callable[[], Made]) -> Made:
    """What an attempt makes of drawn inputs; a draw that no config may have is drawn again.

    Raises
    ------
    InputsError
        If none of many draws makes a config.
    """
    problem = ""
    for _ in range(MOST_TRIES):
        try:
            return attempt()
        except Mistake as error:
            problem = str(error.problems[0] if isinstance(error, ConfigError) else error)
    raise InputsError(f"--inputs: {MOST_TRIES} draws of the inputs made no config: {problem}")


def over_sets(
    study: Study,
    fixed: Sequence[Setting],
    draws: Draws,
    *,
    sets: int = SETS,
    work: Work = HERE,
    of_first: int = 1,
    reading: Reading = rows_of,
) -> InputsResult:
    """Simulate settings with the inputs as they are, with each drawn alone, and with all drawn.

    Parameters
    ----------
    study : Study
        Seed, confidence, and the replications of each set.
    fixed : sequence of Setting
        With the inputs as they are.
    draws : Draws
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work
    of_first : int
        How many settings make the first row of a whole cell.
    reading : callable
        From results to rows, the same for each set.

    Raises
    ------
    InputsError
        If what is drawn makes no config, or sets are too few.
    TooLarge
        If it would run for hours.
    """
    if sets < 2:
        raise InputsError(f"--input-sets: is {sets}, allowed: at least 2")
    cells = [setting.cell for setting in fixed]
    simulated = _cells_of_sets(cells, len(draws.names), sets, of_first)
    refuse_absurd(simulated, study.replications, work)
    confidence = study.confidence

    def read(shifts: Shifts, settings: Sequence[Setting]) -> list[Row]:
        return reading(shifts.results(settings, study.replications, confidence))

    def alone(shifts: Shifts, name: str) -> dict[str, float]:
        """Variance of the first row's measures with one unknown drawn, on the luck of `fixed`."""
        values: dict[str, list[float]] = {}
        for number in range(1, SETS_OF_ONE + 1):
            found = read(shifts, draws.settings(number, [name], of_first))
            for measure, figure in _first_of_cell(found).figures.items():
                values.setdefault(measure, []).append(figure.value)
        return {m: float(np.var(seen, ddof=1)) for m, seen in values.items() if len(seen) > 1}

    drawn = []
    foreseen = cycles_of(
        simulated,
        study.replications,
    )
    with Shifts(study.seed, work, foreseen) as shifts:
        rows = read(shifts, fixed)
        parts = {name: alone(shifts, name) for name in draws.names}
        for number in range(1, sets + 1):
            settings = draws.settings(number, draws.names)
            on_luck_of_set = shifts.on_seed(_seed_of_set(study.seed, number))
            drawn.append(Drawn(settings, read(on_luck_of_set, settings)))
    ranges: list[Mapping[str, Range]] = []
    for row, *alike in zip(rows, *(each.rows for each in drawn), strict=True):
        ranges.append(
            {name: range_of([r.figures[name] for r in alike], confidence) for name in row.figures}
        )
    return InputsResult(rows, ranges, parts, sets, study.replications, drawn)


def _seed_of_set(seed: int, number: int) -> int:
    """A set's shifts meet luck of their own, so that the sets' means scatter by both errors."""
    return int(Streams(seed, number).named("inputs").generator.integers(1 << 32))


def _first_of_cell(rows: Sequence[Row]) -> Row:
    return row_of(rows, None)


def _cells_of_sets(cells: Sequence[Cell], unknowns: int, sets: int, of_first: int) -> list[Cell]:
    """Every cell simulated: as it is, with each unknown drawn alone, and with all drawn."""
    return [*list(cells) * (sets + 1), *list(cells[:of_first]) * (SETS_OF_ONE * unknowns)]


def cost_of_sets(
    cells: Sequence[Cell],
    study: Study,
    unknowns: int,
    *,
    sets: int = SETS,
    of_first: int = 1,
    work: Work = HERE,
) -> str:
    """What a study over uncertain inputs will cost at the most, in a sentence.

    Parameters
    ----------
    cells : sequence of Cell
        Those of one set, as many as there can be.
    study : Study
    unknowns : int
        How many are drawn alone as well.
    sets, of_first, work
        As for `over_sets`.

    Raises
    ------
    TooLarge
        If it would run for hours.
    """
    simulated = _cells_of_sets(cells, unknowns, sets, of_first)
    refuse_absurd(simulated, study.replications, work)
    shifts = len(simulated) * study.replications
    cycles = cycles_of(simulated, study.replications)
    engine = choose(work.engine, cells, cycles).engine
    return (
        f"Uncertain inputs: {sets} sets and the config's own, up to {len(cells):,} "
        f"setting{'s' * (len(cells) != 1)} each, {study.replications:,} shifts a setting; with "
        f"each input alone {shifts:,} shifts, {cost_text(cycles, engine)} on one core, besides "
        "the answer's own."
    )
