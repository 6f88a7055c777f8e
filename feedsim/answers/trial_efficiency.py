"""Efficiency runs: the chance that a line passes, over its true efficiency, by simulation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.binomial import rate_limits
from feedsim.answers.rows import Row, estimate_json, rows_of
from feedsim.answers.spreads import with_times
from feedsim.answers.trial import TrialError, refuse_share
from feedsim.cell import Cell, MachinePlan, StationPlan, build_cell
from feedsim.config import Config
from feedsim.measures import AVAILABILITY, OEE, Measure, figure
from feedsim.shown import Shown
from feedsim.stats import Estimate, Floats, rate_at_least, rate_at_most
from feedsim.study import HERE, Results, Setting, Shifts, Sums, Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

MEASURES: Mapping[str, Measure] = {"oee": OEE, "availability": AVAILABILITY}
LEAST_REPLICATIONS = 400
BUDGET = 6_000
# Stops so many times as often as in the config; the last but one of the line's worst.
FACTORS = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
AROUND = (-2.5, -1.5, -0.75, 0.0, 0.75, 1.5, 2.5)
MOST_RUNS = 30
LEAST_TRIALS = 200
SOLVING = 12
CLOSE = 0.0005
LONGEST_H = 168.0


@dataclass(frozen=True, slots=True)
class ShareOfTrials:
    """A chance as simulated: in how many trials, with its exact interval."""

    count: int
    trials: int
    confidence: float

    @property
    def value(self) -> float:
        """The share seen."""
        return self.count / self.trials

    @property
    def low(self) -> float:
        """Lower end of the two-sided interval."""
        return rate_limits(self.count, self.trials, self.confidence).low

    @property
    def high(self) -> float:
        """Upper end of the two-sided interval."""
        return rate_limits(self.count, self.trials, self.confidence).high

    def at_most(self, alpha: float) -> float:
        """Upper limit, one-sided at a risk of alpha."""
        return float(rate_at_most(self.count, self.trials, alpha))

    def at_least(self, alpha: float) -> float:
        """Lower limit, one-sided at a risk of alpha."""
        return float(rate_at_least(self.count, self.trials, alpha))

    def json(self) -> dict[str, Any]:
        """The share as the JSON document has it."""
        told = {"value": self.value, "low": self.low, "high": self.high}
        return {**told, "count": self.count, "trials": self.trials}


@dataclass(frozen=True, slots=True)
class Point:
    """A line whose stations stop `factor` times as often as the config's.

    `efficiency` is its true one, the expected figure of a run; `values` are the figures of single
    trials.
    """

    factor: float
    efficiency: Estimate
    passes: ShareOfTrials
    values: Floats

    def json(self) -> dict[str, Any]:
        """The point as the JSON document has it."""
        return {
            "stop_frequency": self.factor,
            "efficiency": estimate_json(self.efficiency),
            "passes": self.passes.json(),
        }


@dataclass(frozen=True, slots=True)
class Length:
    """A trial of so many runs, and its risks: that the good line fails, that the bad one passes.

    The limits are one-sided, each at half of the study's risk.
    """

    runs: int
    good_fails: ShareOfTrials
    good_fails_at_most: float
    bad_passes: ShareOfTrials
    bad_passes_at_most: float

    def json(self) -> dict[str, Any]:
        """The length as the JSON document has it."""
        return {
            "runs": self.runs,
            "good_fails": {**self.good_fails.json(), "at_most": self.good_fails_at_most},
            "bad_passes": {**self.bad_passes.json(), "at_most": self.bad_passes_at_most},
        }


@dataclass(frozen=True, slots=True)
class EfficiencyTrial:
    """A trial of an efficiency: its runs, and what they must reach.

    Attributes
    ----------
    target : float
        The efficiency to be reached, as a share.
    hours : float
        Of one run, after the warm-up.
    runs : int
        The trial is judged by the figure over all of them.
    measure : {"oee", "availability"}
    machine : str or None
        A machine by its name; None: the whole cell.
    leave_out : tuple of str
        Stations that are not part of what is tried, so that their stops do not count.
    good, bad : float or None
        True efficiencies of a line that should pass, and of one that should not; good is the
        config's own where it is None.
    producer_risk, consumer_risk : float
        The highest chance that the good line fails, and that the bad one passes.
    """

    target: float
    hours: float
    runs: int = 1
    measure: str = "oee"
    machine: str | None = None
    leave_out: tuple[str, ...] = ()
    good: float | None = None
    bad: float | None = None
    producer_risk: float = 0.1
    consumer_risk: float = 0.05

    def __post_init__(self) -> None:
        """Refuse what makes no sense.

        Raises
        ------
        TrialError
        """
        if self.measure not in MEASURES:
            raise TrialError(f"--measure: is {self.measure!r}, allowed: {', '.join(MEASURES)}")
        if not 0 < self.hours <= LONGEST_H:
            raise TrialError(f"--hours: is {self.hours:g}, allowed: above 0 to {LONGEST_H:g}")
        if not 1 <= self.runs <= MOST_RUNS:
            raise TrialError(f"--runs: is {self.runs}, allowed: 1 to {MOST_RUNS}")
        refuse_share("--target", self.target)
        refuse_share("--producer-risk", self.producer_risk)
        refuse_share("--consumer-risk", self.consumer_risk)
        for option, value in (("--good", self.good), ("--bad", self.bad)):
            if value is not None:
                refuse_share(option, value)
        if self.good is not None and self.good <= self.target:
            raise TrialError(
                f"--good: is {self.good:g}, allowed: above the target of {self.target:g}"
            )
        if self.bad is not None and self.bad >= self.target:
            raise TrialError(
                f"--bad: is {self.bad:g}, allowed: below the target of {self.target:g}"
            )


@dataclass(frozen=True)
class EfficiencyResult(Shown):
    """The answer of `trial efficiency`.

    Attributes
    ----------
    own : Point
        The config's line.
    points : list of Point
        Lines with rarer and more frequent stops, by their true efficiency.
    good, bad : Point or None
        Lines of the stated true efficiencies.
    length : Length or None
        The shortest trial that shows both risks kept, where a bad line is stated.
    results, rows
        Of the config's line.
    calendar : tuple of str
        Breaks and planned stops left out since they begin after the run.
    """

    config: Config
    trial: EfficiencyTrial
    own: Point
    points: list[Point]
    good: Point | None
    bad: Point | None
    length: Length | None
    results: Results
    rows: list[Row]
    calendar: tuple[str, ...] = ()

    @property
    def alpha(self) -> float:
        """The risk of a statement about a chance."""
        return 1 - self.results.confidence

    def frame(self) -> pd.DataFrame:
        """The operating characteristic: a line for each true efficiency."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "stop_frequency": p.factor,
                    "efficiency": p.efficiency.value,
                    "efficiency_low": p.efficiency.low,
                    "efficiency_high": p.efficiency.high,
                    "trials": p.passes.trials,
                    "passes": p.passes.value,
                    "passes_low": p.passes.low,
                    "passes_high": p.passes.high,
                }
                for p in self.points
            ]
        )

    def values_frame(self) -> pd.DataFrame:
        """The figure of each trial of the config's line."""
        import pandas as pd

        return pd.DataFrame({self.trial.measure: self.own.values})

    def answer_json(self) -> dict[str, Any]:
        """The command's own part of the JSON document."""
        asked = self.trial
        return {
            "measure": asked.measure,
            "target": asked.target,
            "hours": asked.hours,
            "runs": asked.runs,
            "machine": asked.machine,
            "own": self.own.json(),
            "curve": [point.json() for point in self.points],
            "good": self.good.json() if self.good else None,
            "bad": self.bad.json() if self.bad else None,
            "producer_risk": asked.producer_risk,
            "consumer_risk": asked.consumer_risk,
            "length": self.length.json() if self.length else None,
        }

    def __repr__(self) -> str:
        return (
            f"EfficiencyResult(true {self.own.efficiency.value:.4f}, "
            f"passes {self.trial.target:g} with a chance of {self.own.passes.value:.3f})"
        )


def trial_efficiency(
    config: Config,
    trial: EfficiencyTrial,
    *,
    replications: int | None = None,
    budget: int = BUDGET,
    work: Work = HERE,
) -> EfficiencyResult:
    """Find the chance that a line passes an efficiency run, over its true efficiency.

    A run is the config's shift after its warm-up, `hours` long; a trial is passed where the ratio
    of sums over its runs reaches the target. The true efficiency is varied by how often the
    stations stop. Every line meets the same luck.

    Parameters
    ----------
    config : Config
    trial : EfficiencyTrial
    replications : int, optional
        Runs simulated of each line; by default the config's, and at least 400.
    budget : int
        The most runs of a line, where the length of a trial is looked for.
    work : Work

    Returns
    -------
    EfficiencyResult

    Raises
    ------
    TrialError
        If the trial does not go with the config, or no such line can be had.
    TooLarge
        If the study would run for hours.

    References
    ----------
    The operating characteristic is as of any acceptance test; that the true efficiency is varied
    by the frequency of stops, their lengths staying as they are, is a choice made here.
    """
    bench = Bench.of(config, trial, replications)
    refuse_absurd([bench.cell] * (len(FACTORS) + len(AROUND)), bench.replications, work)
    with Shifts(config.study.seed, work) as shifts:
        bench.shifts = shifts
        for factor in bench.factors():
            bench.point(factor)
        good = bad = length = None
        if trial.good is not None:
            good = bench.solve("--good", trial.good)
        for factor in bench.factors_around():
            bench.point(factor)
        if trial.bad is not None:
            bad = bench.solve("--bad", trial.bad)
            length = bench.shortest(good or bench.point(1.0), bad, budget)
        own = Setting({}, bench.cell)
        results = shifts.results([own], bench.replications, config.study.confidence)
    return EfficiencyResult(
        config,
        trial,
        bench.point(1.0),
        sorted(bench.points.values(), key=lambda point: point.efficiency.value),
        good,
        bad,
        length,
        results,
        rows_of(results),
        bench.calendar,
    )


def run_config(config: Config, hours: float) -> tuple[Config, tuple[str, ...]]:
    """The config with a shift of its warm-up and a run; and what of its calendar lies after it.

    Raises
    ------
    TrialError
    """
    shift_h = config.study.warm_up_h + hours
    if shift_h > LONGEST_H:
        raise TrialError(
            f"--hours: is {hours:g} after a warm-up of {config.study.warm_up_h:g} h, allowed: "
            f"{LONGEST_H:g} h together"
        )
    plain = config.resolved()
    breaks = plain["crew"].get("break", [])
    stops = plain.get("planned_stop", [])
    later = [f"the break at {b['at_h']:g} h" for b in breaks if b["at_h"] >= shift_h]
    later += [f"{s['name']} at {s['at_h']:g} h" for s in stops if s["at_h"] >= shift_h]
    values: dict[str, Any] = {"study.shift_h": shift_h}
    if later:
        values["crew.break"] = [b for b in breaks if b["at_h"] < shift_h]
        values["planned_stop"] = [s for s in stops if s["at_h"] < shift_h]
    return config.with_values(values), tuple(later)


class Bench:
    """Simulates lines that differ in how often their stations stop."""

    def __init__(
        self,
        cell: Cell,
        trial: EfficiencyTrial,
        confidence: float,
        replications: int,
        calendar: tuple[str, ...],
    ) -> None:
        self.cell = cell
        self.replications = replications
        self.calendar = calendar
        self.points: dict[float, Point] = {}
        self.shifts: Shifts
        self._trial = trial
        self._confidence = confidence
        self._machines = _machines_meant(cell, trial.machine)

    @classmethod
    def of(cls, config: Config, trial: EfficiencyTrial, replications: int | None) -> Bench:
        """A bench for a config and a trial."""
        own, calendar = run_config(config, trial.hours)
        cell = _without(build_cell(own), trial.leave_out)
        least = max(LEAST_REPLICATIONS, trial.runs * LEAST_TRIALS)
        number = replications or max(config.study.replications, least)
        if number < trial.runs:
            raise TrialError(
                f"--replications: is {number}, allowed: at least the {trial.runs} runs of a trial"
            )
        return cls(cell, trial, config.study.confidence, number, calendar)

    def factors(self) -> tuple[float, ...]:
        """Stop frequencies to begin with; only the config's own where nothing stops."""
        stops = any(self.cell.machines[number].all_stations for number in self._machines)
        return FACTORS if stops else (1.0,)

    def point(self, factor: float) -> Point:
        """The line whose stations stop so many times as often."""
        if factor not in self.points:
            self.points[factor] = self._simulated(factor)
        return self.points[factor]

    def factors_around(self) -> list[float]:
        """Stop frequencies of lines about the target, where chances are neither 0 nor 1."""
        known = sorted(self.points.values(), key=lambda point: point.efficiency.value)
        if len(known) < 2:
            return []
        true = np.array([point.efficiency.value for point in known])
        spreads = np.array([float(np.std(point.values)) for point in known])
        target = self._trial.target
        spread = float(np.interp(target, true, spreads))
        wanted = [target + z * spread for z in AROUND]
        inside = [efficiency for efficiency in wanted if true[0] < efficiency < true[-1]]
        factors = np.interp(inside, true, [point.factor for point in known])
        return [float(f"{factor:.4g}") for factor in factors]

    def solve(self, option: str, efficiency: float) -> Point:
        """The line of a true efficiency.

        Raises
        ------
        TrialError
            If no frequency of stops brings it.
        """
        points = sorted(self.points.values(), key=lambda point: point.efficiency.value)
        worst, best = points[0].efficiency.value, points[-1].efficiency.value
        if not worst <= efficiency <= best:
            raise TrialError(
                f"{option}: is {efficiency:g}, allowed: {worst:.3f} to {best:.3f}, what this line "
                f"reaches with stops {FACTORS[-1]:g} times as frequent and without any"
            )
        for _ in range(SOLVING):
            points = sorted(self.points.values(), key=lambda point: point.efficiency.value)
            nearest = min(points, key=lambda point: abs(point.efficiency.value - efficiency))
            if abs(nearest.efficiency.value - efficiency) <= CLOSE:
                break
            above = next(
                n for n, point in enumerate(points) if point.efficiency.value >= efficiency
            )
            low, high = points[max(above - 1, 0)], points[above]
            part = (efficiency - low.efficiency.value) / (
                high.efficiency.value - low.efficiency.value
            )
            factor = float(f"{low.factor + part * (high.factor - low.factor):.6g}")
            if factor in self.points:
                break
            self.point(factor)
        return nearest

    def shortest(self, good: Point, bad: Point, budget: int) -> Length | None:
        """The fewest runs that show both risks kept, as do as many and one more."""
        if good.efficiency.value <= self._trial.target:
            return None
        before: Length | None = None
        for runs in range(1, MOST_RUNS + 2):
            if runs * LEAST_TRIALS > max(budget, self.replications):
                return None
            length = self._length(runs, good.factor, bad.factor)
            if before is not None and self._keeps(length):
                return before
            before = length if self._keeps(length) else None
        return None

    def _keeps(self, length: Length) -> bool:
        asked = self._trial
        return (
            length.good_fails_at_most <= asked.producer_risk
            and length.bad_passes_at_most <= asked.consumer_risk
        )

    def _length(self, runs: int, good: float, bad: float) -> Length:
        number = max(self.replications, runs * LEAST_TRIALS)
        cells = [self._scaled(good), self._scaled(bad)]
        passes = [
            self._passes(self._values(sums, runs)) for sums in self.shifts.sums(cells, number)
        ]
        trials = passes[0].trials
        fails = ShareOfTrials(trials - passes[0].count, trials, self._confidence)
        alpha = (1 - self._confidence) / 2
        return Length(runs, fails, fails.at_most(alpha), passes[1], passes[1].at_most(alpha))

    def _simulated(self, factor: float) -> Point:
        sums = self.shifts.sums([self._scaled(factor)], self.replications)[0]
        measure = MEASURES[self._trial.measure]
        found = figure(measure, [sums.machines[number] for number in self._machines])
        values = self._values(sums, self._trial.runs)
        return Point(factor, found.estimate(self._confidence), self._passes(values), values)

    def _values(self, sums: Sums, runs: int) -> Floats:
        """The figure of each trial: of its runs together, every run in one trial only."""
        measure = MEASURES[self._trial.measure]
        machines = [sums.machines[number] for number in self._machines]
        top = np.sum([measure.top(own) for own in machines], axis=0)
        bottom = np.sum([measure.bottom(own) for own in machines], axis=0)
        trials = len(top) // runs
        tops, bottoms = (
            np.asarray(part[: trials * runs], float).reshape(trials, runs).sum(axis=1)
            for part in (top, bottom)
        )
        if not np.all(bottoms > 0):
            raise TrialError("--hours: some runs have no planned busy time, allowed: a longer run")
        return np.asarray(tops / bottoms, float)

    def _passes(self, values: Floats) -> ShareOfTrials:
        passed = int(np.count_nonzero(values >= self._trial.target))
        return ShareOfTrials(passed, len(values), self._confidence)

    def _scaled(self, factor: float) -> Cell:
        """The cell with stops so many times as frequent at the machines meant."""
        machines = list(self.cell.machines)
        for number in self._machines:
            machines[number] = _map_stations(
                machines[number],
                lambda stations: tuple(_rarer(station, factor) for station in stations if factor),
            )
        return replace(self.cell, machines=tuple(machines))


def _rarer(station: StationPlan, factor: float) -> StationPlan:
    changed = with_times(station.between_stops, lambda time_s: time_s / factor)
    return replace(station, between_stops=changed)


def _map_stations(plan: MachinePlan, change: Any) -> MachinePlan:
    outfeed = plan.outfeed
    if outfeed is not None:
        outfeed = replace(outfeed, stations=change(outfeed.stations))
    return replace(plan, stations=change(plan.stations), outfeed=outfeed)


def _without(cell: Cell, names: Iterable[str]) -> Cell:
    """The cell without some stations.

    Raises
    ------
    TrialError
        If there is none of that name.
    """
    known = dict.fromkeys(s.name for plan in cell.machines for s in plan.all_stations)
    for name in names:
        if name not in known:
            allowed = ", ".join(known) or "none: the config has no station"
            raise TrialError(f"--leave-out: no station is named {name!r}, allowed: {allowed}")
    gone = set(names)
    machines = tuple(
        _map_stations(plan, lambda stations: tuple(s for s in stations if s.name not in gone))
        for plan in cell.machines
    )
    return replace(cell, machines=machines)


def _machines_meant(cell: Cell, machine: str | None) -> list[int]:
    names = [plan.name for plan in cell.machines]
    if machine is None:
        return list(range(len(names)))
    if machine not in names:
        raise TrialError(f"--machine: no machine is named {machine!r}, allowed: {', '.join(names)}")
    return [names.index(machine)]
