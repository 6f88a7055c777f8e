"""The capacity curve: OEE and its parts, dry time and visits over bags per lane."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.answers.magazines import (
    CAPACITY,
    ROUNDS,
    CapacityError,
    capacity_values,
    is_allowed,
    swept_tables,
)
from feedsim.answers.misfits import misfit_text
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, estimate_json, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.cell import Cell, build_cell
from feedsim.config import Config, ConfigError
from feedsim.stats import Estimate
from feedsim.study import HERE, Results, Setting, Value, Work

DEFAULT_VALUES = 10
WORTH_A_STEP = 0.005


@dataclass(frozen=True)
class Finding:
    """The smallest capacity from which no larger one adds half a point, and the largest tried."""

    level: Row
    last: Row
    capacities: int

    @property
    def is_judged(self) -> bool:
        """Whether there is more than one capacity, and an interval to compare them by."""
        return self.capacities > 1 and self.last.replications > 1

    @property
    def may_rise(self) -> bool:
        """Whether the OEE may still rise beyond the largest capacity."""
        return self.is_judged and self.level is self.last

    @property
    def change(self) -> dict[str, Estimate]:
        """Paired differences of the largest capacity to the level."""
        return step_between(self.last, self.level)

    @property
    def falls(self) -> bool:
        """Whether the OEE is lower, by half a point or more, at the largest capacity."""
        change = self.change["oee"]
        return change.high < 0 and change.value <= -WORTH_A_STEP

    def in_words(self, level_bags: int, last_bags: int) -> str:
        """The finding in a few words."""
        value = f"{100 * self.level['oee'].value:.1f} %"
        if not self.is_judged:
            return f"OEE is {value} at {level_bags} bags per lane"
        if self.may_rise:
            return f"OEE may still rise at {level_bags} bags per lane: {value}"
        told = f"OEE reaches {value} at {level_bags} bags per lane"
        if self.falls:
            told += f" and falls to {100 * self.last['oee'].value:.1f} % at {last_bags}"
        return told


@dataclass(frozen=True)
class CapacityResult(ShownRows):
    """The answer of `capacity`; `machine` is the only machine table varied, if one was named."""

    config: Config
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()
    machine: str | None = None

    def curve(self, machine: str | None = None, rounds: Value | None = None) -> list[Row]:
        """The rows of one machine (None: the whole cell) over rising capacity."""
        return [
            row for row in self.rows if row.machine == machine and row.setting.get(ROUNDS) == rounds
        ]

    @property
    def rounds(self) -> list[Value | None]:
        """The round intervals studied; one None where the config's own holds."""
        return list(dict.fromkeys(row.setting.get(ROUNDS) for row in self.rows))

    def capacity_bags(self, row: Row) -> int:
        """Capacity per lane of a row's machine; of the whole cell, the one asked for."""
        if row.machine is not None and row.capacity_bags is not None:
            return row.capacity_bags
        return self.asked_bags(row)

    def asked_bags(self, row: Row) -> int:
        """The capacity asked for; where all machines round it alike, what that came to."""
        return next(int(v) for key, v in row.setting.items() if key.endswith(CAPACITY))

    def is_varied(self, machine: str | None) -> bool:
        """Whether a machine's own capacity tells all settings of its curve apart."""
        curve = self.curve(machine, self.rounds[0])
        return len({self.capacity_bags(row) for row in curve}) == len(curve)

    def steps(self, row: Row) -> dict[str, Estimate]:
        """Paired differences of a row's measures to the next smaller capacity.

        Empty for the smallest capacity.
        """
        curve = self.curve(row.machine, row.setting.get(ROUNDS))
        place = curve.index(row)
        return step_between(row, curve[place - 1]) if place else {}

    def finding(self, machine: str | None = None, rounds: Value | None = None) -> Finding:
        """Where the OEE of a machine, or of the whole cell, levels off."""
        curve = self.curve(machine, rounds)
        return Finding(levels_off_at(curve), curve[-1], len(curve))

    def headline(self, machine: str | None = None) -> str:
        """The finding on OEE in a few words, for a figure's title."""
        found = [self.finding(machine, interval) for interval in self.rounds]
        bags_of = self.capacity_bags if self.is_varied(machine) else self.asked_bags
        bags = sorted({bags_of(finding.level) for finding in found})
        if len(found) == 1:
            return found[0].in_words(bags[0], bags_of(found[0].last))
        places = f"{bags[0]} to {bags[-1]}" if len(bags) > 1 else f"{bags[0]}"
        if not found[0].is_judged:
            return f"OEE at {places} bags per lane, by round interval"
        rising = sum(finding.may_rise for finding in found)
        if rising == len(found):
            return f"OEE may still rise at {places} bags per lane, at every round interval"
        told = f"OEE reaches its level at {places} bags per lane, by round interval"
        return f"{told} (at {rising} it may still rise)" if rising else told

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's own part of the JSON document."""
        return [
            {
                "machine": row.machine,
                "setting": dict(row.setting),
                "capacity_bags": self.capacity_bags(row),
                "step": {name: estimate_json(step) for name, step in self.steps(row).items()},
            }
            for row in self.rows
        ]

    def __repr__(self) -> str:
        values = [self.capacity_bags(row) for row in self.curve(None, self.rounds[0])]
        return f"CapacityResult({values[0]} to {values[-1]} bags per lane, {len(values)} values)"


def step_between(row: Row, smaller: Row) -> dict[str, Estimate]:
    """Paired differences of all measures that two rows share."""
    return {
        name: figure.minus(smaller.figures[name], row.confidence)
        for name, figure in row.figures.items()
        if name in smaller.figures
    }


def levels_off_at(curve: Sequence[Row]) -> Row:
    """The smallest capacity from which no larger one tried adds half a point of OEE.

    Judged by the upper limits of the paired differences; the largest capacity where none does.
    """
    for row in curve[:-1]:
        gains = [step_between(larger, row)["oee"] for larger in curve if larger.number > row.number]
        if all(gain.high < WORTH_A_STEP for gain in gains):
            return row
    return curve[-1]


def default_bags(config: Config, machine: str | None = None) -> list[int]:
    """Ten capacities in bags per lane around the config's own, of whole bundles, that it allows.

    Raises
    ------
    CapacityError
        If no machine has the name.
    """
    tables = swept_tables(config, machine)
    magazine = config.machine[tables[0]].magazine
    own, bundle = magazine.lane_capacity_bags, magazine.bundle_bags
    step = bundle * max(1, round(own / (5 * bundle)))
    middle = own // bundle * bundle
    tried = (middle + step * k for k in range(-4, 2 * DEFAULT_VALUES))
    values = [bags for bags in tried if bags > 0 and is_allowed(config, tables, bags)]
    return values[:DEFAULT_VALUES] or [own]


def capacity_settings(
    config: Config,
    bags: Sequence[int] | None = None,
    rounds: Sequence[float] = (),
    machine: str | None = None,
) -> list[Setting]:
    """The settings of a capacity study: capacities within each round interval.

    Capacities that come to the same after rounding up to bundles are studied once.

    Raises
    ------
    CapacityError
        If no machine has the name, or a capacity or an interval does not go with the config.
    """
    tables = swept_tables(config, machine)
    key = f"machine.{CAPACITY}" if machine is None else f"machine[{tables[0]}].{CAPACITY}"
    values = sorted(set(bags)) if bags else default_bags(config, machine)
    settings = []
    intervals: Sequence[float | None] = rounds or [None]
    for interval in intervals:
        seen: set[tuple[int, ...]] = set()
        for wanted in values:
            changes = capacity_values(config, tables, wanted)
            capacities = tuple(changes.values())
            if capacities in seen:
                continue
            seen.add(capacities)
            label: dict[str, Value] = {key: capacities[0] if len(set(capacities)) == 1 else wanted}
            if interval is not None:
                changes[ROUNDS] = label[ROUNDS] = interval
            settings.append(Setting(label, _changed_cell(config, changes, wanted, interval)))
    return settings


def _changed_cell(
    config: Config, changes: Mapping[str, Any], bags: int, interval: float | None
) -> Cell:
    """The cell with other values; what does not go with them is told of what was asked for."""
    try:
        return build_cell(config.with_values(changes))
    except ConfigError as error:
        asked = f"--bags: {bags}"
        if error.problems[0].key.endswith(ROUNDS):
            asked = f"--rounds: {interval:g}"
        raise CapacityError(misfit_text(asked, error)) from error


def capacity(
    config: Config,
    bags: Sequence[int] | None = None,
    *,
    rounds: Sequence[float] = (),
    machine: str | None = None,
    work: Work = HERE,
    precision: Precision | None = None,
) -> CapacityResult:
    """Simulate a cell over magazine capacities, all on the same luck.

    Parameters
    ----------
    config : Config
    bags : sequence of int, optional
        Capacities per lane; by default ten around the config's own. Each machine's is rounded
        up to its own bundle.
    rounds : sequence of float, optional
        Round intervals in minutes, each giving a curve of its own.
    machine : str, optional
        Name of the machine table to vary; by default all.
    work : Work
        Who simulates; the answer is the same.
    precision : Precision, optional
        Half-widths to reach, in place of the config's number of replications.

    Returns
    -------
    CapacityResult

    Raises
    ------
    CapacityError, ConfigError
        If a value does not go with the config.
    TooLarge
        If the study would run for hours.
    """
    settings = capacity_settings(config, bags, rounds, machine)
    results, shortfalls = simulate_settings(config, settings, work, precision)
    return CapacityResult(config, results, rows_of(results), shortfalls, machine)
