"""What a change is worth in a year: packs, bags and operators' time, with their intervals."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from feedsim.answers.rows import estimate_json
from feedsim.config.study import Money
from feedsim.measures import GENERAL, HOUR_US
from feedsim.stats import Estimate, Floats, estimate
from feedsim.study import Results, Value

PACKS, BAGS, OPERATORS, TOTAL = "packs", "bags", "operator_time", "total"

LABELS = {
    PACKS: "good packs",
    BAGS: "wasted bags",
    OPERATORS: "operators' time",
    TOTAL: "together",
}

_MEASURES = {measure.name: measure for measure in GENERAL}


@dataclass(frozen=True, slots=True)
class Worth:
    """What a setting is worth in a year more than the first one; below 0 it costs.

    Attributes
    ----------
    number : int
        The setting's place in the study, from 0.
    setting : mapping of key path to value
    parts : mapping of str to Estimate
        Amounts a year: ``packs``, ``bags``, ``operator_time`` and their sum, ``total``.
    """

    number: int
    setting: Mapping[str, Value]
    parts: Mapping[str, Estimate]

    def __repr__(self) -> str:
        total = self.parts[TOTAL]
        return f"Worth({total.value:,.0f} [{total.low:,.0f}, {total.high:,.0f}] a year)"


def worth(results: Results, money: Money) -> list[Worth]:
    """Value a year of every setting of a study against its first.

    The value of a shift is its good packs times their margin, less the bags wasted times their
    cost, less the operators' hours from taking tasks to ending them times their cost. What was
    read in the window (the shift without its warm-up) is scaled to the whole shift, and by the
    shifts in a year. Settings met the same luck, so the differences are paired.

    A rejected pack brings no margin; its bag was used, not wasted, and is not charged again.

    Parameters
    ----------
    results : Results
    money : Money
        Margin, costs and shifts a year, the same for all settings.

    Returns
    -------
    list of Worth
        One for each setting but the first; empty where one shift gives no interval.

    References
    ----------
    Own derivation. Intervals: paired Student's t, Law, Simulation Modeling and Analysis,
    sec. 10.2.1.
    """
    if results.replications < 2:
        return []
    base = _values_a_year(results, 0, money)
    found = []
    for number in range(1, len(results.settings)):
        own = _values_a_year(results, number, money)
        gains = {part: own[part] - base[part] for part in own}
        parts = {part: _mean(gain, results.confidence) for part, gain in gains.items()}
        found.append(Worth(number, results.settings[number].values, parts))
    return found


def _values_a_year(results: Results, number: int, money: Money) -> dict[str, Floats]:
    """Amounts a year that each replication stands for, by part."""
    cell, sums = results.settings[number].cell, results.sums[number]
    whole_shift = cell.shift_us / (cell.shift_us - cell.warm_up_us)
    scale = whole_shift * money.shifts_per_year

    def total_of(measure: str) -> Floats:
        of_machines = [_MEASURES[measure].top(machine) for machine in sums.machines]
        return np.asarray(np.sum(of_machines, axis=0), dtype=float)

    parts = {
        PACKS: scale * money.pack_margin * total_of("good_packs"),
        BAGS: -scale * money.bag_cost * total_of("bags_wasted"),
        OPERATORS: -scale * money.operator_cost_h * sums.crew["busy_us"] / HOUR_US,
    }
    return {**parts, TOTAL: parts[PACKS] + parts[BAGS] + parts[OPERATORS]}


def _mean(gains: Floats, confidence: float) -> Estimate:
    value = float(gains.mean())
    return estimate(value, gains - value, len(gains), confidence)


def worth_json(found: list[Worth], money: Money) -> list[dict[str, Any]]:
    """The values as the JSON document has them."""
    return [
        {
            "setting": dict(each.setting),
            "currency": money.currency,
            "a_year": {part: estimate_json(amount) for part, amount in each.parts.items()},
        }
        for each in found
    ]


def worth_columns(found: list[Worth]) -> dict[int, dict[str, float]]:
    """The values as columns of a summary, by the setting's number."""
    return {each.number: dict(_columns(each)) for each in found}


def _columns(each: Worth) -> Iterator[tuple[str, float]]:
    for part, amount in each.parts.items():
        name = f"money_{part}_a_year"
        yield from (
            (name, amount.value),
            (f"{name}_low", amount.low),
            (f"{name}_high", amount.high),
        )
