"""What the film costs: OEE, visits and lane faults over the miss rate, or over its stiffness."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import exp, isfinite, log, sqrt
from typing import TYPE_CHECKING, Any

from feedsim import film as films
from feedsim.answers.magazines import swept_tables
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, estimate_json, rows_of
from feedsim.answers.size import check_json
from feedsim.answers.targets import (
    BUDGET,
    Evidence,
    Judge,
    Target,
    last_met,
    refuse_unjudgeable,
)
from feedsim.cell import Cell, MachinePlan, build_cell
from feedsim.config import Config, ConfigError
from feedsim.config.machine import Machine
from feedsim.mistakes import Mistake
from feedsim.stats import Estimate, Floats, t_quantile
from feedsim.study import HERE, Results, Setting, Shifts, Value, Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

FACTORS = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0)
SINGLE, BAD_BUNDLES, STIFFNESS = "single", "bad_bundles", "stiffness"
FINE = 1.03
CURVE_SHIFTS = 10_000
SHOWN = (
    "oee",
    "visits_per_h",
    "refill_visits_per_h",
    "fault_visits_per_h",
    "stops_lane_fault_per_h",
    "time_lane_fault_share",
)


class FilmError(Mistake):
    """A miss rate, stiffness or closure that cannot be studied."""


@dataclass(frozen=True)
class Curve:
    """One cause varied from its best value to its worst: a kind of miss, or a closure.

    Attributes
    ----------
    kind : {"single", "bad_bundles", "stiffness"}
        What is varied: the chance of single misses, the share of bad bundles, or the stiffness.
    closure : str or None
        Of all machines varied; None where each keeps its own, or stiffness is not varied.
    tables : tuple of int
        Numbers of the machine tables that it is varied at.
    settings : mapping from a factor on the config's chance, or a stiffness in uN.m, to Setting
        From the least misses on: factors ascend, stiffness descends.
    is_planned : bool
        Whether any of its chances are planning values.
    without : Setting or None
        The same without any such miss; None over stiffness.
    """

    kind: str
    closure: str | None
    tables: tuple[int, ...]
    settings: Mapping[float, Setting]
    is_planned: bool
    without: Setting | None = None

    @property
    def label(self) -> str:
        """What tells it from the others, in words."""
        if self.kind == STIFFNESS:
            return (self.closure or "the config's closures").replace("_", " ")
        return {SINGLE: "single misses", BAD_BUNDLES: "bad bundles"}[self.kind]


@dataclass(frozen=True)
class Limit:
    """How far along a curve the targets are kept.

    Attributes
    ----------
    tried : mapping from factor or stiffness to Evidence
        In the curve's order.
    value : float or None
        The last factor or stiffness such that it and all before it keep the targets.
    fails_from : float or None
        The next one tried, which is not shown to; None where all do.
    without : Evidence or None
        Without any such miss, where even the first does not do.
    """

    tried: Mapping[float, Evidence]
    value: float | None
    fails_from: float | None
    without: Evidence | None = None

    @property
    def evidence(self) -> Evidence:
        """At the limit; where there is none, at the curve's best end."""
        return next(iter(self.tried.values())) if self.value is None else self.tried[self.value]


@dataclass(frozen=True)
class MissCost:
    """What the config's misses of one kind cost a machine in OEE.

    Attributes
    ----------
    rate : float
        Their part of the miss rate of first attempts.
    oee : Estimate
        OEE without them less OEE as it is, a paired difference.
    per_point : Estimate
        The same per unit of miss rate (points of OEE per point).
    times_single : Estimate or None
        A miss from a bad bundle against a single one; None for single ones, or where single
        ones cost too little to compare with.
    """

    machine: str
    kind: str
    rate: float
    oee: Estimate
    per_point: Estimate
    times_single: Estimate | None = None


@dataclass(frozen=True)
class FilmResult:
    """The answer of `film`.

    Attributes
    ----------
    tables : tuple of int
        Numbers of the machine tables that were varied.
    curves : tuple of Curve
    limits : tuple of Limit
        One a curve where there are targets, else empty.
    costs : list of MissCost
        By machine and kind of miss; empty over stiffness.
    results, rows
        Where misses are multiplied, first of the config itself; of all settings of all curves; and
        last without misses of each kind. All on the same shifts.
    """

    config: Config
    targets: tuple[Target, ...]
    machine: str | None
    tables: tuple[int, ...]
    curves: tuple[Curve, ...]
    limits: tuple[Limit, ...]
    costs: list[MissCost]
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()
    shifts: int = 0

    @property
    def is_met(self) -> bool:
        """Whether each curve keeps the targets at its best end at least."""
        return all(limit.value is not None for limit in self.limits)

    @property
    def is_of_stiffness(self) -> bool:
        """Whether the stiffness is varied, by the planning values."""
        return self.curves[0].kind == STIFFNESS

    @property
    def machines(self) -> list[MachinePlan]:
        """The machines that were varied, as the config has them."""
        names = {self.config.machine[number].name for number in self.tables}
        return [plan for plan in build_cell(self.config).machines if plan.table in names]

    def points(self, curve: Curve, machine: str | None) -> list[tuple[float, Row]]:
        """A curve's factors or stiffnesses with a machine's rows (None: the whole cell)."""
        place = self._first(curve)
        return [
            (value, row_of(self.rows, place + number, machine))
            for number, value in enumerate(curve.settings)
        ]

    def _first(self, curve: Curve) -> int:
        before = self.curves[: self.curves.index(curve)]
        own = 0 if self.is_of_stiffness else 1
        return own + sum(len(other.settings) for other in before)

    def curves_frame(self) -> pd.DataFrame:
        """All curves as a table: a line for each of their points and machines."""
        import pandas as pd

        lines = []
        for curve in self.curves:
            for plan in self.machines:
                for value, row in self.points(curve, plan.name):
                    rate = miss_rate(_plan(curve.settings[value].cell, plan.name))
                    line: dict[str, Any] = {
                        "kind": curve.kind,
                        "closure": _closure(self.config, curve, plan),
                        "machine": plan.name,
                        "factor": None if self.is_of_stiffness else value,
                        "stiffness_uNm": value if self.is_of_stiffness else None,
                        "miss_rate": rate,
                        "source": chance_source(self.config, curve, plan.table),
                        "replications": row.replications,
                    }
                    for name in SHOWN:
                        found = row.get(name)
                        if found is not None:
                            line |= {name: found.value}
                            line |= {f"{name}_low": found.low, f"{name}_high": found.high}
                    lines.append(line)
        return pd.DataFrame(lines)

    def tried_frame(self) -> pd.DataFrame:
        """What was judged against the targets: a line for each value and check."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "kind": curve.kind,
                    "closure": curve.closure or "",
                    "stiffness_uNm" if self.is_of_stiffness else "factor": value,
                    "replications": evidence.replications,
                    **check_json(check),
                }
                for curve, limit in zip(self.curves, self.limits, strict=True)
                for value, evidence in limit.tried.items()
                for check in evidence.checks
            ]
        )

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's own part of the JSON document."""
        limits = self.limits or (None,) * len(self.curves)
        return [
            self._limit_json(curve, limit, plan)
            for curve, limit in zip(self.curves, limits, strict=True)
            for plan in self.machines
        ]

    def _limit_json(self, curve: Curve, limit: Limit | None, plan: MachinePlan) -> dict[str, Any]:
        value = None if limit is None else limit.value
        told: dict[str, Any] = {
            "machine": plan.name,
            "kind": curve.kind,
            "closure": _closure(self.config, curve, plan),
            "source": chance_source(self.config, curve, plan.table),
            "met": None if limit is None else value is not None,
            "miss_rate": None,
            "stiffness_uNm": value if self.is_of_stiffness else None,
            "factor": None if self.is_of_stiffness else value,
        }
        if limit is not None:
            if value is not None:
                cell = limit.tried[value].setting.cell
                told["miss_rate"] = miss_rate(_plan(cell, plan.name))
            told |= {
                "fails_from": limit.fails_from,
                "replications": limit.evidence.replications,
                "checks": [
                    check_json(check)
                    for check in limit.evidence.checks
                    if check.machine in (plan.name, None)
                ],
            }
        told["curve"] = [
            {
                "stiffness_uNm" if self.is_of_stiffness else "factor": at,
                "miss_rate": miss_rate(_plan(curve.settings[at].cell, plan.name)),
                **{name: estimate_json(row[name]) for name in SHOWN if name in row.figures},
            }
            for at, row in self.points(curve, plan.name)
        ]
        return told

    def costs_json(self) -> list[dict[str, Any]]:
        """What misses cost, as the JSON document has it."""
        return [
            {
                "machine": cost.machine,
                "kind": cost.kind,
                "miss_rate": cost.rate,
                "oee": estimate_json(cost.oee),
                "oee_per_miss_rate": estimate_json(cost.per_point),
                "times_single": estimate_json(cost.times_single) if cost.times_single else None,
            }
            for cost in self.costs
        ]

    def __repr__(self) -> str:
        over = "stiffness" if self.is_of_stiffness else "miss rate"
        told = "; ".join(target.in_words() for target in self.targets) or "no targets"
        ends = ", ".join(
            f"{curve.label} {'none' if limit.value is None else f'{limit.value:.3g}'}"
            for curve, limit in zip(self.curves, self.limits, strict=False)
        )
        return f"FilmResult(over {over}, {told}{': ' + ends if ends else ''})"


def miss_rate(plan: MachinePlan) -> float:
    """Chance that the first attempt at a bag misses, over good and bad bundles.

    Attempts miss more often than that where bundles are bad: a bag that is missed stays, and is
    tried again.
    """
    share = plan.bad_share or 0.0
    return (1 - share) * plan.chances[0] + share * plan.bad_chances[0]


def chance_source(config: Config, curve: Curve, table: str) -> str:
    """Where the chances of a curve's misses come from: planning values, or the config's key."""
    found = next(machine for machine in config.machine if machine.name == table)
    source = found.bag.chance_source
    planned = curve.is_planned if curve.kind == STIFFNESS else source == "planning"
    return films.PLANNING_SOURCE if planned else source


def _closure(config: Config, curve: Curve, plan: MachinePlan) -> str | None:
    if curve.closure is not None:
        return curve.closure
    return next(machine.bag.closure for machine in config.machine if machine.name == plan.table)


def _plan(cell: Cell, name: str) -> MachinePlan:
    return next(plan for plan in cell.machines if plan.name == name)


def film_curves(
    config: Config,
    *,
    factors: Sequence[float] | None = None,
    stiffness: Sequence[float] | None = None,
    closures: Sequence[str] | None = None,
    machine: str | None = None,
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    """What is varied: numbers of the machine tables, and the curves with their settings.

    Raises
    ------
    CapacityError
        If no machine has the name.
    FilmError
        If a value makes no sense, or there is nothing to vary.
    """
    if stiffness is not None:
        if factors is not None:
            raise FilmError("--stiffness: cannot stand beside --factors, allowed: one of them")
        return _stiffness_curves(config, stiffness, closures, machine)
    if closures is not None:
        raise FilmError("--closure: is for a study over --stiffness, allowed: with it")
    return _miss_curves(config, factors, machine)


def _miss_curves(
    config: Config, factors: Sequence[float] | None, machine: str | None
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    named = swept_tables(config, machine)
    tables = {
        SINGLE: [n for n in named if config.machine[n].chances[0] > 0],
        BAD_BUNDLES: [n for n in named if _has_bad_bundles(config.machine[n])],
    }
    curves = [
        _miss_curve(config, kind, numbers, factors) for kind, numbers in tables.items() if numbers
    ]
    if not curves:
        of = f"machine {machine}" if machine else "this config"
        raise FilmError(
            f"--factors: no bag of {of} misses a pick, so there is nothing to multiply, allowed: "
            "bags with faults, a closure and stiffness, or bad_bundles; or --stiffness with "
            "--closure"
        )
    return tuple(sorted({n for numbers in tables.values() for n in numbers})), tuple(curves)


def _has_bad_bundles(machine: Machine) -> bool:
    """Whether bundles may be bad, and worse for it."""
    bad = machine.bag.bad
    return bad is not None and bad.share > 0 and bad.missed > machine.chances[0]


def _miss_curve(
    config: Config, kind: str, tables: Sequence[int], factors: Sequence[float] | None
) -> Curve:
    settings = {}
    for factor in sorted({*FACTORS} if factors is None else {*factors}):
        if not (isfinite(factor) and factor > 0):
            raise FilmError(f"--factors: is {factor:g}, allowed: numbers above 0")
        try:
            settings[factor] = _with_factor(config, kind, tables, factor)
        except FilmError:
            # The default grid goes as far as chances can.
            if factors is not None:
                raise
    without = _with_factor(config, kind, tables, 0.0)
    return Curve(kind, None, tuple(tables), settings, _is_planned(config, tables), without)


def _with_factor(config: Config, kind: str, tables: Sequence[int], factor: float) -> Setting:
    """The cell with the misses of a kind multiplied."""
    values: dict[str, Any] = {}
    label: dict[str, Value] = {}
    for number in tables:
        machine = config.machine[number]
        key = f"machine[{number}].bag"
        bad = machine.bag.bad
        if machine.bag.film is not None and bad is not None:
            # Faults take the place of a film model, and its bad bundles would go with it.
            values[f"{key}.bad_bundles"] = {"share": bad.share, "missed": bad.missed}
        if kind == SINGLE:
            chances = list(machine.chances)
            chances[0] = _times(chances[0], factor)
            values[f"{key}.faults"] = dict(zip(films.FAULTS, chances, strict=True))
            label[f"{key}.faults.missed"] = chances[0]
        elif bad is not None:
            share = _times(bad.share, factor)
            values[f"{key}.bad_bundles.share"] = label[f"{key}.bad_bundles.share"] = share
    return Setting(label, _cell_with(config, values, f"--factors: {factor:g} of {_KINDS[kind]}"))


def _times(chance: float, factor: float) -> float:
    """A chance multiplied, in as many digits as anybody reads."""
    return chance if factor == 1 else float(f"{factor * chance:.6g}")


_KINDS = {SINGLE: "the chance of a single miss", BAD_BUNDLES: "the share of bad bundles"}


def _cell_with(config: Config, values: Mapping[str, Any], asked: str) -> Cell:
    """The cell with other values; what does not go with them is told of what was asked for."""
    return build_cell(_changed(config, values, asked))


def _changed(config: Config, values: Mapping[str, Any], asked: str) -> Config:
    try:
        return config.with_values(values)
    except ConfigError as error:
        problem = error.problems[0]
        raise FilmError(f"{asked}: {problem.key}: {problem.message}") from error


def _stiffness_curves(
    config: Config,
    stiffness: Sequence[float],
    closures: Sequence[str] | None,
    machine: str | None,
) -> tuple[tuple[int, ...], tuple[Curve, ...]]:
    for value in stiffness:
        if not (isfinite(value) and value > 0):
            raise FilmError(f"--stiffness: is {value:g}, allowed: numbers above 0, in uN.m")
    if not stiffness:
        raise FilmError("--stiffness: is empty, allowed: numbers above 0, in uN.m")
    for closure in closures or ():
        if closure not in films.CLOSURES:
            known = ", ".join(films.CLOSURES)
            raise FilmError(f"--closure: is {closure!r}, allowed: all, or some of {known}")
    named = swept_tables(config, machine)
    tables = [n for n in named if machine or _has_chances(config.machine[n])]
    if not tables:
        raise FilmError("--stiffness: no bag of this config has chances, allowed: --machine NAME")
    bare = [config.machine[n].name for n in tables if config.machine[n].bag.closure is None]
    if bare and not closures:
        raise FilmError(
            f"--stiffness: the bag of {bare[0]} has no closure, and the chances hang on it, "
            "allowed: with --closure"
        )
    for number in tables:
        model = config.machine[number].bag.film
        if model is not None and not model.needs_stiffness:
            raise FilmError(
                f"--stiffness: the film model {model.name} of {config.machine[number].name} rests "
                "on trials that told no stiffness, allowed: --factors, or a model that has it"
            )
    own = {config.machine[n].bag.closure for n in tables}
    wanted: Sequence[str | None] = tuple(dict.fromkeys(closures or ()))
    if not closures:
        wanted = (own.pop() if len(own) == 1 else None,)
    values = sorted(set(stiffness), reverse=True)
    return tuple(tables), tuple(
        Curve(
            STIFFNESS,
            closure,
            tuple(tables),
            {value: _with_stiffness(config, tables, closure, value) for value in values},
            _is_planned(_stiffened(config, tables, closure, values[0]), tables),
        )
        for closure in wanted
    )


def _has_chances(machine: Machine) -> bool:
    return any(machine.chances) or any(machine.bad_chances)


def _with_stiffness(
    config: Config,
    tables: Sequence[int],
    closure: str | None,
    stiffness_uNm: float,  # noqa: N803
) -> Setting:
    """The cell with bags of a stiffness; closure None: as they are."""
    changed = _stiffened(config, tables, closure, stiffness_uNm)
    label: dict[str, Value] = {}
    whole = len(tables) == len(config.machine)
    for number in tables:
        told = "machine.bag" if whole else f"machine[{number}].bag"
        if closure is not None:
            label[f"{told}.closure"] = closure
        label[f"{told}.stiffness_uNm"] = stiffness_uNm
    return Setting(label, build_cell(changed))


def _stiffened(
    config: Config,
    tables: Sequence[int],
    closure: str | None,
    stiffness_uNm: float,  # noqa: N803
) -> Config:
    values: dict[str, Any] = {}
    for number in tables:
        key = f"machine[{number}].bag"
        values |= {
            f"{key}.faults": None,
            f"{key}.layers": None,
            f"{key}.stiffness_uNm": stiffness_uNm,
        }
        if closure is not None:
            values[f"{key}.closure"] = closure
    return _changed(config, values, f"--stiffness: {stiffness_uNm:g}")


def _is_planned(config: Config, tables: Sequence[int]) -> bool:
    """Whether some chances are planning values."""
    return any(config.machine[number].bag.chance_source == "planning" for number in tables)


def film_study(
    config: Config,
    targets: Sequence[Target] = (),
    *,
    factors: Sequence[float] | None = None,
    stiffness: Sequence[float] | None = None,
    closures: Sequence[str] | None = None,
    machine: str | None = None,
    budget: int = BUDGET,
    work: Work = HERE,
    precision: Precision | None = None,
) -> FilmResult:
    """Simulate a cell over the miss rate of its bags or their stiffness, and find the limit.

    Over the miss rate there is a curve for single misses (factors on their chance) and one for
    bad bundles (factors on their share), each with the other as the config has it. Over the
    stiffness there is one for each closure; their chances are planning values, from memory,
    unless the bag has a film model of its own.

    Parameters
    ----------
    config : Config
    targets : sequence of Target, optional
        Whose limit to look for: the last value such that it and all with fewer misses tried
        keep them with the study's confidence, to three percent.
    factors : sequence of float, optional
        On the config's misses; by default from 0.25 to 8, as far as chances can go.
    stiffness : sequence of float, optional
        Bending stiffness of a panel in uN.m, in place of factors.
    closures : sequence of str, optional
        With stiffness: closures to compare; by default the config's.
    machine : str, optional
        The machine table whose bags are varied, and at whose machines the targets must hold; by
        default all that have chances, and the targets hold at every machine.
    budget : int
        The most replications to spend on one value, with targets.
    work : Work
    precision : Precision, optional
        Half-widths to reach, without targets.

    Returns
    -------
    FilmResult

    Raises
    ------
    CapacityError, FilmError, TargetError, PrecisionError
        If a value makes no sense.
    TooLarge
        If the study would run for hours.
    """
    tables, curves = film_curves(
        config, factors=factors, stiffness=stiffness, closures=closures, machine=machine
    )
    settings = list(_all_settings(config, curves))
    limits: tuple[Limit, ...] = ()
    shortfalls: Sequence[Shortfall] = ()
    simulated = 0
    if targets:
        refuse_unjudgeable(targets, settings[0].cell)
        study = config.study
        refuse_absurd([setting.cell for setting in settings], study.replications, work)
        with Shifts(study.seed, work) as shifts:
            judge = Judge(
                shifts,
                targets,
                confidence=study.confidence,
                first=study.replications,
                budget=budget,
                tables=None if machine is None else [machine],
            )
            judge.decide([each for curve in curves for each in curve.settings.values()])
            limits = tuple(_limit(judge, config, curve) for curve in curves)
            drawn = _drawn_replications(limits, len(settings), study.replications)
            results = shifts.results(settings, drawn, study.confidence)
            simulated = shifts.simulated
    else:
        results, shortfalls = simulate_settings(config, settings, work, precision)
        simulated = results.replications * len(settings)
    rows = rows_of(results)
    return FilmResult(
        config,
        tuple(targets),
        machine,
        tables,
        curves,
        limits,
        list(_costs(curves, results, rows)),
        results,
        rows,
        shortfalls,
        simulated,
    )


def _all_settings(config: Config, curves: Sequence[Curve]) -> Iterator[Setting]:
    """The config itself where misses are multiplied, the curves', then those without a kind."""
    if curves[0].kind != STIFFNESS:
        own = [_with_factor(config, curve.kind, curve.tables, 1.0) for curve in curves]
        values = {key: value for setting in own for key, value in setting.values.items()}
        yield Setting(values, build_cell(config))
    for curve in curves:
        yield from curve.settings.values()
    for curve in curves:
        if curve.without is not None:
            yield curve.without


def _drawn_replications(limits: Sequence[Limit], settings: int, first: int) -> int:
    """Shifts of the curves: like those of the closest decision, as far as that is bearable."""
    most = max(found.replications for limit in limits for found in limit.tried.values())
    return max(first, min(most, CURVE_SHIFTS // settings))


def _limit(judge: Judge, config: Config, curve: Curve) -> Limit:
    """The last value of a curve that keeps the targets, between its neighbours by halving."""
    found = judge.decide(list(curve.settings.values()))
    tried = dict(zip(curve.settings, found, strict=True))
    holds = last_met(tried)
    fails = next((value for value in tried if not tried[value].is_met), None)
    if holds is None:
        without = None if curve.without is None else judge.decide([curve.without])[0]
        return Limit(tried, None, fails, without)
    while fails is not None and abs(log(fails / holds)) > log(FINE):
        middle = float(f"{exp((log(holds) + log(fails)) / 2):.4g}")
        if middle in tried:
            break
        tried[middle] = judge.decide([_between(config, curve, middle)])[0]
        if tried[middle].is_met:
            holds = middle
        else:
            fails = middle
    ordered = sorted(tried, reverse=curve.kind == STIFFNESS)
    return Limit({value: tried[value] for value in ordered}, holds, fails)


def _between(config: Config, curve: Curve, value: float) -> Setting:
    if curve.kind == STIFFNESS:
        return _with_stiffness(config, curve.tables, curve.closure, value)
    return _with_factor(config, curve.kind, curve.tables, value)


def _costs(curves: Sequence[Curve], results: Results, rows: Sequence[Row]) -> Iterator[MissCost]:
    """What the misses of each kind cost each machine: the last settings are without them."""
    if curves[0].kind == STIFFNESS or results.replications < 2:
        return
    cells = [setting.cell for setting in results.settings]
    for place, plan in enumerate(cells[0].machines):
        now = row_of(rows, 0, plan.name).figures["oee"]
        single: tuple[float, Floats] | None = None
        for number, curve in enumerate(curves, start=len(cells) - len(curves)):
            rate = miss_rate(plan) - miss_rate(cells[number].machines[place])
            if rate <= 0:
                continue
            without = row_of(rows, number, plan.name).figures["oee"]
            per_rate = (
                (without.value - now.value) / rate,
                (without.deviations - now.deviations) / rate,
            )
            times = None
            if curve.kind == SINGLE:
                single = per_rate
            elif single is not None:
                times = times_paired(per_rate, single, results.confidence)
            saved = without.minus(now, results.confidence)
            yield MissCost(plan.name, curve.kind, rate, saved, _scaled(saved, 1 / rate), times)


def row_of(rows: Sequence[Row], number: int, machine: str | None) -> Row:
    """The row of a setting and a machine; None is the whole cell."""
    return next(row for row in rows if (row.number, row.machine) == (number, machine))


def _scaled(found: Estimate, factor: float) -> Estimate:
    return Estimate(
        factor * found.value,
        factor * found.low,
        factor * found.high,
        found.replications,
        found.seen_in,
        found.chance_high,
    )


def times_paired(
    top: tuple[float, Floats], bottom: tuple[float, Floats], confidence: float
) -> Estimate | None:
    """How many times a figure is another, both from the same replications.

    Parameters
    ----------
    top, bottom : tuple of (value, deviations of shape (n,))
    confidence : float

    Returns
    -------
    Estimate or None
        None where the bottom cannot be told from 0, so that the ratio has no bounded interval.

    References
    ----------
    Fieller, J. R. Statist. Soc. B 16 (1954) 175: all r for which top - r bottom is not told from
    0 by Student's t.
    """
    import numpy as np

    (a, a_dev), (b, b_dev) = top, bottom
    n = len(a_dev)
    if n < 2:
        return None
    cov = (np.cov(np.stack([a_dev, b_dev])) / n).tolist()
    t2 = t_quantile((1 + confidence) / 2, n - 1) ** 2
    square = b * b - t2 * cov[1][1]
    if not (b > 0 and square > 0):
        return None
    middle = a * b - t2 * cov[0][1]
    root = sqrt(max(0.0, middle**2 - square * (a * a - t2 * cov[0][0])))
    return Estimate(a / b, (middle - root) / square, (middle + root) / square, n, n)
