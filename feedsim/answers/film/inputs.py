"""The curves of a film over uncertain inputs, and how far the targets' limits may lie."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, floor, inf, isfinite, log
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from feedsim.answers.film.misses import amounts_of, with_amounts
from feedsim.answers.film.result import SHOWN, FilmResult
from feedsim.answers.film.stiffness import with_stiffness
from feedsim.answers.film.varied import STIFFNESS, Curve, miss_rate, plan_of
from feedsim.answers.rows import Row, finite_or_none
from feedsim.answers.set_ranges import Range, ShareOfSets, error_variance, range_over, share_met
from feedsim.answers.targets import Target
from feedsim.answers.uncertain import SETS, InputsResult, with_uncertain_inputs
from feedsim.answers.unknowns import unknowns_of
from feedsim.cell import build_cell
from feedsim.config import Config
from feedsim.shown import Shown
from feedsim.stats import Floats
from feedsim.study import HERE, Setting, Work

if TYPE_CHECKING:
    import pandas as pd

Checks = Sequence[tuple[Target, str | None]]


class Crossing(NamedTuple):
    """Where a curve's expected measures cease to keep the targets.

    `place` is the logarithm of a factor, or of one over a stiffness: minus infinity where even
    the curve's best end does not keep them, infinity where its worst does. `error` is the
    variance that the shifts leave.
    """

    place: float
    error: float


@dataclass(frozen=True, slots=True)
class LimitSpan:
    """Between which values a limit lies, over the inputs.

    Attributes
    ----------
    middle, low, high : float or None
        None lies outside the curve: before its best end, or beyond its worst.
    data_part : float
        The data's part of the variance of one set's limit; not a number where some sets have
        none within the curve.
    """

    middle: float | None
    low: float | None
    high: float | None
    data_part: float

    def json(self) -> dict[str, Any]:
        """The span as the JSON document has it."""
        return {
            "middle": self.middle,
            "low": self.low,
            "high": self.high,
            "data_part": finite_or_none(self.data_part),
        }


@dataclass(frozen=True)
class LimitOverInputs:
    """How far along a curve the expected measures keep the targets, over sets of inputs.

    Attributes
    ----------
    value : LimitSpan
        Of the factor or the stiffness. The better end is `low` for a factor and `high` for a
        stiffness.
    rates : mapping from a machine's name to LimitSpan
        The same as a miss rate of first attempts, over good and bad bundles.
    sets, never, beyond : int
        All sets; those in which not even the best end keeps the targets, and those in which the
        worst still does.
    """

    value: LimitSpan
    rates: Mapping[str, LimitSpan]
    sets: int
    never: int
    beyond: int

    def json(self, machine: str) -> dict[str, Any]:
        """A machine's limit as the JSON document has it."""
        return {
            "value": self.value.json(),
            "miss_rate": self.rates[machine].json(),
            "sets": self.sets,
            "sets_never_met": self.never,
            "sets_met_beyond": self.beyond,
        }


@dataclass(frozen=True)
class FilmInputs(Shown):
    """A film's curves and limits over uncertain inputs.

    Attributes
    ----------
    film : FilmResult
        With the inputs as they are.
    inputs : InputsResult
        Of the config itself (where misses are multiplied) and of all points of all curves. At a
        factor the chance of a miss, or the share of bad bundles, is the same in every set; what
        is drawn are all other inputs, and of the config itself these too.
    limits : tuple of LimitOverInputs
        One a curve where there are targets, else empty.
    met : ShareOfSets or None
        In how many sets the config itself keeps the targets; None over stiffness, or without
        targets.
    """

    film: FilmResult
    inputs: InputsResult
    limits: tuple[LimitOverInputs, ...] = ()
    met: ShareOfSets | None = field(default=None)

    def ranges(
        self, curve: Curve, machine: str | None
    ) -> list[tuple[float, Row, Mapping[str, Range]]]:
        """A curve's factors or stiffnesses, each with its row and the ranges of its measures."""
        first = self.film.first_number(curve)
        found = {
            (row.number, row.machine): (row, ranges)
            for row, ranges in zip(self.inputs.rows, self.inputs.ranges, strict=True)
        }
        return [
            (value, *found[first + place, machine]) for place, value in enumerate(curve.settings)
        ]

    def frame(self) -> pd.DataFrame:
        """All ranges as a table: a line for each setting, machine and measure."""
        return self.inputs.frame()

    def json(self) -> dict[str, Any]:
        """The document's part on inputs: all ranges, and for each curve and machine its own."""
        limits = self.limits or (None,) * len(self.film.curves)
        return {
            **self.inputs.json(),
            "config_met": None if self.met is None else self.met.json(),
            "curves": [
                {
                    "machine": plan.name,
                    "kind": curve.kind,
                    "closure": curve.closure,
                    "limit": None if limit is None else limit.json(plan.name),
                    "curve": [
                        {
                            "stiffness_uNm" if curve.kind == STIFFNESS else "factor": value,
                            **{name: ranges[name].json() for name in SHOWN if name in ranges},
                        }
                        for value, _, ranges in self.ranges(curve, plan.name)
                    ],
                }
                for curve, limit in zip(self.film.curves, limits, strict=True)
                for plan in self.film.machines
            ],
        }

    def __repr__(self) -> str:
        over = "stiffness" if self.film.is_of_stiffness else "miss rate"
        return f"FilmInputs(over {over}, {self.inputs.in_short})"


def film_over_inputs(result: FilmResult, *, sets: int = SETS, work: Work = HERE) -> FilmInputs:
    """Simulate a film's curves over drawn inputs, and find each set's limits.

    A set's limit is where the curves of its expected measures, straight between neighbouring
    points over the logarithm of the factor or stiffness, first cross a target. It is no claim at
    a confidence, as the answer's own is; what its range holds at the study's confidence is.

    Parameters
    ----------
    result : FilmResult
        Its config's study table says the replications of each set.
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work

    Returns
    -------
    FilmInputs

    Raises
    ------
    InputsError
        If nothing is uncertain, or what is drawn makes no config.
    TooLarge
        If it would run for hours.

    References
    ----------
    As `with_uncertain_inputs`. The error of a crossing: delta method, own derivation.
    """
    config = result.config
    inputs = with_uncertain_inputs(
        config,
        unknowns_of(config),
        lambda drawn: settings_like(result, drawn),
        sets=sets,
        work=work,
    )
    if not result.targets:
        return FilmInputs(result, inputs)
    checks = [(check.target, check.machine) for check in result.limits[0].evidence.checks]
    met = None
    if not result.is_of_stiffness:
        met = share_met(inputs.rows_of_sets(0), checks, config.study.confidence)
    limits = tuple(_limit_over(result, inputs, curve, checks) for curve in result.curves)
    return FilmInputs(result, inputs, limits, met)


def settings_like(result: FilmResult, config: Config) -> Iterator[Setting]:
    """The settings of a study's curves with a config whose inputs were drawn.

    The chance of a miss, or the share of bad bundles, is the study's.

    Raises
    ------
    ConfigError, FilmError
        If the config cannot have them.
    """
    if not result.is_of_stiffness:
        # Its misses are drawn too, so no setting names them.
        yield Setting({}, build_cell(config))
    for curve in result.curves:
        for value in curve.settings:
            if curve.kind == STIFFNESS:
                yield with_stiffness(config, curve.tables, curve.closure, value)
            else:
                amounts = amounts_of(result.config, curve.kind, curve.tables, value)
                yield with_amounts(config, curve.kind, amounts)


def _limit_over(
    result: FilmResult, inputs: InputsResult, curve: Curve, checks: Checks
) -> LimitOverInputs:
    """The range of a curve's limit over the sets."""
    first = result.first_number(curve)
    values = list(curve.settings)
    is_falling = curve.kind == STIFFNESS
    places = [-log(value) if is_falling else log(value) for value in values]
    numbers = range(first, first + len(values))
    crossings: list[Crossing] = []
    rates: dict[str, list[Crossing]] = {plan.name: [] for plan in result.machines}
    for drawn in inputs.drawn:
        found = {(row.number, row.machine): row for row in drawn.rows}
        crossing = min(
            _crossing(places, target, [found[number, machine] for number in numbers])
            for target, machine in checks
        )
        crossings.append(crossing)
        for plan in result.machines:
            cells = [drawn.settings[number].cell for number in numbers]
            along = [miss_rate(plan_of(cell, plan.name)) for cell in cells]
            rates[plan.name].append(_rate_at(crossing, places, along, is_log=is_falling))
    confidence = inputs.rows[0].confidence
    ends = (places[0], places[-1])
    of_places = _span(crossings, ends, confidence)
    return LimitOverInputs(
        _backward(of_places, is_falling=is_falling),
        {name: _span(found, (0.0, 1.0), confidence) for name, found in rates.items()},
        len(crossings),
        sum(crossing.place == -inf for crossing in crossings),
        sum(crossing.place == inf for crossing in crossings),
    )


def _crossing(places: Sequence[float], target: Target, rows: Sequence[Row]) -> Crossing:
    """Where a measure first fails its target along a curve."""
    figures = [row.figures[target.measure] for row in rows]
    sign = 1.0 if target.is_least else -1.0
    spare = [sign * (figure.value - target.value) for figure in figures]
    fails = next((place for place, left in enumerate(spare) if not left >= 0), None)
    if fails is None:
        return Crossing(inf, 0.0)
    if fails == 0:
        return Crossing(-inf, 0.0)
    kept, lost = spare[fails - 1], spare[fails]
    step = places[fails] - places[fails - 1]
    deviations: Floats = (
        step
        * sign
        * (kept * figures[fails].deviations - lost * figures[fails - 1].deviations)
        / (kept - lost) ** 2
    )
    return Crossing(places[fails - 1] + step * kept / (kept - lost), error_variance(deviations))


def _rate_at(
    crossing: Crossing, places: Sequence[float], rates: Sequence[float], *, is_log: bool
) -> Crossing:
    """The miss rate at a place of a curve, with the error that the place has.

    Over a factor it is a straight line; over stiffness its logarithm is one, nearly.
    """
    if not isfinite(crossing.place):
        return crossing
    if is_log and min(rates) > 0:
        rate = float(np.exp(np.interp(crossing.place, places, np.log(rates))))
    else:
        rate = float(np.interp(exp(crossing.place), np.exp(places), rates))
    above = next((n for n, place in enumerate(places) if place >= crossing.place), 1) or 1
    slope = (rates[above] - rates[above - 1]) / (places[above] - places[above - 1])
    return Crossing(rate, slope**2 * crossing.error)


def _span(found: Sequence[Crossing], bounds: tuple[float, float], confidence: float) -> LimitSpan:
    """Between which places the limit lies: with the shifts' part taken out where all have one."""
    places = [crossing.place for crossing in found]
    if all(map(isfinite, places)):
        over = range_over(places, [crossing.error for crossing in found], bounds, confidence)
        return LimitSpan(over.expected, over.low, over.high, over.data_part)
    # Outer order statistics: between the last place on the curve and none there is no halfway.
    places.sort()
    last = len(places) - 1
    outer = floor((1 - confidence) / 2 * last)
    middle, low, high = (finite_or_none(places[n]) for n in (last // 2, outer, last - outer))
    return LimitSpan(middle, low, high, float("nan"))


def _backward(span: LimitSpan, *, is_falling: bool) -> LimitSpan:
    """Places as factors, or as stiffnesses, whose better end is the higher."""

    def value(place: float | None) -> float | None:
        return None if place is None else exp(-place if is_falling else place)

    low, high = value(span.low), value(span.high)
    if is_falling:
        low, high = high, low
    return LimitSpan(value(span.middle), low, high, span.data_part)
