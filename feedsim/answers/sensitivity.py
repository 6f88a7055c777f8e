"""Which input to measure first: how the answers move with each uncertain input of a config.

Each input goes alone from its low to its high end, all settings on the same luck. A second design
moves all of them from many starting points, and tells which effects depend on the other inputs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.input_ranges import Input
from feedsim.answers.morris import Steps, steps_of
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, estimate_json, finite_or_least, finite_or_none, rows_of
from feedsim.answers.sensitivity_plan import Plan, plan_of
from feedsim.config import Config
from feedsim.labels import Label, label_of
from feedsim.measures import Figure
from feedsim.shown import Shown
from feedsim.stats import Estimate, difference
from feedsim.study import HERE, Results, Setting, Shifts, Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

TRAJECTORIES = 10
NAMED = 3
DEPENDS = 0.5


MOVED = ("oee", "refill_visits_per_h", "dry_share", "crew_busy")


@dataclass(frozen=True)
class InputEffect:
    """An input, the whole cell's figures at its two ends, and what its steps tell.

    `comparisons` are those of the whole table, over which a sure effect is held to the study's
    confidence; `steps` is empty where no design was simulated.
    """

    input: Input
    as_given: Row
    low: Row
    high: Row
    comparisons: int = 3
    steps: Mapping[str, Steps] = field(default_factory=dict)

    def at_low(self, measure: str) -> Estimate:
        """What the low end does to a measure: paired difference to the config as given."""
        return self._minus(self.low, self.as_given, measure)

    def at_high(self, measure: str) -> Estimate:
        """What the high end does to a measure: paired difference to the config as given."""
        return self._minus(self.high, self.as_given, measure)

    def span(self, measure: str) -> Estimate:
        """Paired difference of a measure, high end less low end."""
        return self._minus(self.high, self.low, measure)

    def reach(self, measure: str) -> tuple[Figure, Figure]:
        """The two of low end, config and high end between which a measure moves most.

        The larger figure first.
        """
        figures = [row.figures[measure] for row in (self.low, self.as_given, self.high)]
        figures.sort(key=lambda figure: figure.value)
        return figures[-1], figures[0]

    def size(self, measure: str) -> float:
        """How far a measure moves over the range."""
        most, least = self.reach(measure)
        return most.value - least.value

    def surely_moves(self, measure: str) -> bool:
        """Whether one of the paired differences is surely not 0, Bonferroni over the table."""
        confidence = 1 - (1 - self.as_given.confidence) / self.comparisons
        pairs = ((self.low, self.as_given), (self.high, self.as_given), (self.high, self.low))
        found = [self._minus(row, other, measure, confidence) for row, other in pairs]
        return any(one.low > 0 or one.high < 0 for one in found)

    def depends(self, measure: str) -> bool:
        """Whether its effect is surely there, and differs much with the other inputs."""
        steps = self.steps.get(measure)
        return (
            steps is not None
            and self.surely_moves(measure)
            and steps.spread > DEPENDS * steps.mean_size
        )

    def _minus(
        self, row: Row, other: Row, measure: str, confidence: float | None = None
    ) -> Estimate:
        found = row.figures[measure]
        return found.minus(other.figures[measure], confidence or row.confidence)


@dataclass(frozen=True)
class SensitivityResult(Shown):
    """The answer of `sensitivity`.

    Attributes
    ----------
    config : Config
        With the chances written out.
    results : Results
        The config as given, then each input at its low and at its high end.
    study_rows : list of Row
    effects : list of InputEffect
        The one that moves OEE most first.
    trajectories : int
        Of the second design; 0 where there is none.
    left_out : list of str
        Inputs whose range makes no config, and why.
    """

    config: Config
    results: Results
    study_rows: list[Row]
    effects: list[InputEffect]
    trajectories: int
    left_out: list[str]
    shortfalls: Sequence[Shortfall] = ()

    @property
    def moved(self) -> list[Label]:
        """The answers that the cell has."""
        return [label_of(name) for name in MOVED if name in self.effects[0].as_given.figures]

    @cached_property
    def first(self) -> InputEffect | None:
        """The input that moves OEE most; None where none surely does."""
        best = self.effects[0]
        return best if best.surely_moves("oee") else None

    @cached_property
    def not_told_apart(self) -> list[InputEffect]:
        """Inputs that may move OEE as far as the first one does.

        By the paired difference of how far they move it, Bonferroni over all comparisons with the
        first. Ends are picked by their values, which flatters each a little, and alike.
        """
        if self.first is None or self.results.replications < 2:
            return []
        others = self.effects[1:]
        confidence = 1 - (1 - self.results.confidence) / max(1, len(others))
        return [other for other in others if not _less(other, self.first, confidence)]

    @property
    def title(self) -> str:
        """The finding."""
        if self.first is None:
            return "No input surely moves OEE over its range"
        size = 100 * self.first.size("oee")
        told = f"Which to measure first: {self.first.input.name}, over whose range OEE moves by "
        told += f"{size:.1f} points"
        if not self.not_told_apart:
            return told
        names = [other.input.name for other in self.not_told_apart]
        more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
        return f"{told}; not told apart: {', '.join(names[:NAMED])}{more}"

    @property
    def words(self) -> list[str]:
        """The answer, sentence by sentence."""
        confidence = f"{100 * self.results.confidence:g} %"
        moved = [e for e in self.effects if e.surely_moves("oee")]
        told = [
            f"{self.title} ({confidence} confidence, {self.results.replications:,} shifts of each "
            "setting).",
            f"{len(moved)} of {len(self.effects)} inputs surely move OEE, each alone over its "
            "range, all on the same luck. The order holds for these ranges: give your own with "
            "--range.",
        ]
        told += [f"{words}." for words in self._of_the_others()]
        return [*told, self._interactions()] if self.trajectories else told

    def _interactions(self) -> str:
        """Which effects on OEE depend on the other inputs."""
        depending = [effect for effect in self.effects if effect.depends("oee")]
        if not depending:
            return "No effect on OEE depends much on the other inputs."
        depending.sort(key=lambda effect: -effect.steps["oee"].spread)
        names = [
            f"{effect.input.name} ({100 * effect.steps['oee'].mean_size:.1f} points on average, "
            f"spread {100 * effect.steps['oee'].spread:.1f})"
            for effect in depending[:NAMED]
        ]
        more = f"; and {len(depending) - NAMED} more" if len(depending) > NAMED else ""
        return (
            f"{len(depending)} effects on OEE depend much on where the other inputs lie, or bend "
            f"over the range, most of all: {'; '.join(names)}{more}."
        )

    def _of_the_others(self) -> list[str]:
        """What moves the other answers most."""
        told = []
        for shown in self.moved[1:]:
            best = max(self.effects, key=lambda effect: finite_or_least(effect.size(shown.measure)))
            if best.surely_moves(shown.measure):
                size = f"{shown.factor * best.size(shown.measure):.{shown.fine_digits}f}"
                told.append(f"{best.input.name} ({shown.text}, {size} {shown.unit_of_change})")
        return ["The other answers move most with " + ", ".join(told)] if told else []

    @property
    def columns(self) -> list[str]:
        """Headings of the table."""
        return [
            *("input", "low", "as given", "high", "range", "OEE at low", "OEE at high"),
            *(f"{one.text}, low to high" for one in self.moved),
            "OEE: mean step, spread",
        ]

    @property
    def rows(self) -> list[list[str]]:
        """The table: effects in points or per hour, with their intervals."""
        return [
            [
                *(effect.input.name, effect.input.shown(0), effect.input.shown()),
                *(effect.input.shown(1), effect.input.source),
                *(effect_text(found, self.moved[0]) for found in _ends(effect)),
                *(effect_text(effect.span(one.measure), one) for one in self.moved),
                steps_text(effect, self.moved[0]),
            ]
            for effect in self.effects
        ]

    def frame(self) -> pd.DataFrame:
        """One line an input: its range, and its effects with their intervals."""
        import pandas as pd

        return pd.DataFrame([self._line(effect) for effect in self.effects])

    def _line(self, effect: InputEffect) -> dict[str, Any]:
        item = effect.input
        line: dict[str, Any] = {"input": item.name, "key": item.key, "low": item.shown(0)}
        line |= {"as_given": item.shown(), "high": item.shown(1), "source": item.source}
        for one in self.moved:
            for name, found in (
                ("at_low", effect.at_low(one.measure)),
                ("at_high", effect.at_high(one.measure)),
                ("span", effect.span(one.measure)),
            ):
                column = f"{one.measure}_{name}"
                line |= {column: found.value, f"{column}_low": found.low}
                line |= {f"{column}_high": found.high}
            steps = effect.steps.get(one.measure)
            if steps is not None:
                line |= {f"{one.measure}_mean_step": steps.mean.value}
                line |= {f"{one.measure}_mean_step_size": steps.mean_size}
                line |= {f"{one.measure}_step_spread": steps.spread}
        return line

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        return {
            "first": None if self.first is None else self.first.input.name,
            "not_told_apart": [effect.input.name for effect in self.not_told_apart],
            "trajectories": self.trajectories,
            "left_out": self.left_out,
            "inputs": [self._json(effect) for effect in self.effects],
        }

    def _json(self, effect: InputEffect) -> dict[str, Any]:
        item = effect.input
        return {
            "name": item.name,
            "key": item.key,
            "low": item.shown(0),
            "as_given": item.shown(),
            "high": item.shown(1),
            "source": item.source,
            "range_from": item.origin,
            "effects": {
                one.measure: {
                    "at_low": estimate_json(effect.at_low(one.measure)),
                    "at_high": estimate_json(effect.at_high(one.measure)),
                    "span": estimate_json(effect.span(one.measure)),
                    **_steps_json(effect.steps.get(one.measure)),
                }
                for one in self.moved
            },
        }

    def __repr__(self) -> str:
        first = None if self.first is None else self.first.input.name
        return f"SensitivityResult({len(self.effects)} inputs, first={first!r})"


def _steps_json(steps: Steps | None) -> dict[str, Any]:
    if steps is None:
        return {}
    return {
        "steps": {
            "mean": estimate_json(steps.mean),
            "mean_size": finite_or_none(steps.mean_size),
            "spread": finite_or_none(steps.spread),
        }
    }


def _ends(effect: InputEffect) -> tuple[Estimate, Estimate]:
    return effect.at_low("oee"), effect.at_high("oee")


def effect_text(found: Estimate, shown: Label) -> str:
    """An effect with the half-width of its interval."""
    if not isfinite(found.value):
        return "-"
    value = f"{shown.factor * found.value:+.{shown.fine_digits}f}"
    if not isfinite(found.half_width):
        return value
    return f"{value} ±{shown.factor * found.half_width:.{shown.fine_digits}f}"


def steps_text(effect: InputEffect, shown: Label) -> str:
    """Mean size of an input's steps and their spread; empty where there is no design."""
    steps = effect.steps.get(shown.measure)
    if steps is None or not isfinite(steps.mean_size):
        return ""
    spread = (
        f"{shown.factor * steps.spread:.{shown.fine_digits}f}" if isfinite(steps.spread) else "-"
    )
    return f"{shown.factor * steps.mean_size:.{shown.fine_digits}f}, {spread}"


def _less(other: InputEffect, first: InputEffect, confidence: float) -> bool:
    """Whether an input surely moves OEE less far than the first one does."""
    (most, least), (own_most, own_least) = first.reach("oee"), other.reach("oee")
    apart = difference(
        own_most.value - own_least.value,
        own_most.deviations - own_least.deviations,
        most.value - least.value,
        most.deviations - least.deviations,
        confidence,
    )
    return apart.high < 0


def sensitivity(
    config: Config,
    work: Work = HERE,
    *,
    ranges: Mapping[str, tuple[float, float]] | None = None,
    design: int = TRAJECTORIES,
    precision: Precision | None = None,
) -> SensitivityResult:
    """Find how a cell's answers move with each of its uncertain inputs.

    Parameters
    ----------
    config : Config
    work : Work
        Who simulates; the answer is the same.
    ranges : mapping from a key's path to (low, high), optional
        Your own ranges, in the key's unit (a time: its mean in s), in place of planning ranges.
    design : int
        Trajectories of the second design, which tells whether effects depend on one another; 0
        leaves it out.
    precision : Precision, optional
        Half-widths to reach, in place of the config's number of replications.

    Returns
    -------
    SensitivityResult

    Raises
    ------
    SensitivityError
        If the config has no input to vary.
    RangeError, ConfigError
        If one of your ranges cannot be taken.
    TooLarge
        If the study would run for hours.
    """
    plan = plan_of(config, ranges, design)
    refuse_absurd(plan.cells, config.study.replications, work)
    results, short = simulate_settings(plan.config, plan.settings, work, precision)
    steps = _steps(plan, results, work) if design else [{} for _ in plan.inputs]
    rows = rows_of(results)
    cells = [row for row in rows if row.machine is None]
    effects = [
        InputEffect(
            item, cells[0], cells[1 + 2 * n], cells[2 + 2 * n], 3 * len(plan.inputs), steps[n]
        )
        for n, item in enumerate(plan.inputs)
    ]
    effects.sort(key=lambda effect: -finite_or_least(effect.size("oee")))
    return SensitivityResult(plan.config, results, rows, effects, design, plan.left_out, short)


def _steps(plan: Plan, results: Results, work: Work) -> list[dict[str, Steps]]:
    """What the design's steps tell of each input, answer by answer."""
    with Shifts(results.seed, work) as shifts:
        numbers = int(results.numbers.max())
        found = shifts.results(
            [Setting({}, cell) for cell in plan.points], numbers, results.confidence
        )
    cells = [row for row in rows_of(found) if row.machine is None]
    steps: list[dict[str, Steps]] = [{} for _ in plan.inputs]
    shape = plan.levels.shape[:2]
    for measure in MOVED:
        if measure not in cells[0].figures:
            continue
        figures = [row.figures[measure] for row in cells]
        values = np.array([figure.value for figure in figures]).reshape(shape)
        deviations = np.array([figure.deviations for figure in figures]).reshape(*shape, -1)
        told = steps_of(plan.levels, values, deviations, results.confidence)
        for own, step in zip(steps, told, strict=True):
            own[measure] = step
    return steps
