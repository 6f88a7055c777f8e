"""The longest round interval, and the most machines, that keep stated targets, by capacity."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any

from feedsim.answers.capacity import capacity_settings, default_bags
from feedsim.answers.magazines import CAPACITY, ROUNDS, CapacityError, swept_tables
from feedsim.answers.misfits import misfit_text
from feedsim.answers.rows import Row, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.answers.targets import (
    BUDGET,
    MET,
    Evidence,
    Judge,
    Target,
    check_json,
    last_met,
    refuse_unjudgeable,
)
from feedsim.cell import build_cell
from feedsim.config import Config, ConfigError
from feedsim.config.crew import SHORTEST_INTERVAL_MIN
from feedsim.study import HERE, Results, Setting, Shifts, Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

GRID_MIN = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0)
MOST_MACHINES = 8
LARGEST_COUNT = 100

GIVEN, OWN, CALLS, LONGEST = "given", "own", "calls", "longest"


@dataclass(frozen=True)
class Kept:
    """What one capacity keeps: by round interval, and by the number of machines.

    Attributes
    ----------
    bags : int
        Capacity per lane, as asked for.
    by_interval : mapping from minutes to Evidence
        From the shortest interval on.
    by_machines : mapping from the number of copies to Evidence
        From one on, to the first that is not shown to keep the targets.
    tended_every_min : float or None
        The interval at which machines were added; None where only calls bring somebody.
    """

    bags: int
    by_interval: Mapping[float, Evidence]
    by_machines: Mapping[int, Evidence]
    tended_every_min: float | None

    @property
    def stretch_min(self) -> tuple[float, float] | None:
        """The first interval that keeps the targets, and the last of those that follow on it.

        Targets that limit work (visits, a busy crew) may fail at shorter ones.
        """
        return _stretch_min(self.by_interval)

    @property
    def longest_min(self) -> float | None:
        """The longest interval such that it and every shorter one keeps the targets."""
        return last_met(self.by_interval)

    @property
    def answer_min(self) -> float | None:
        """The longest interval; where the shortest ones fail, the end of the first stretch."""
        return None if self.stretch_min is None else self.stretch_min[1]

    @property
    def fails_from_min(self) -> float | None:
        """The next interval after the answer, at which the targets are not shown to be kept."""
        after = self.answer_min or 0.0
        return next((m for m in self.by_interval if m > after), None)

    @property
    def met_again_min(self) -> list[float]:
        """Longer intervals that keep the targets though one before them does not."""
        fails = self.fails_from_min
        if fails is None:
            return []
        return [m for m, found in self.by_interval.items() if m > fails and found.is_met]

    @property
    def most_machines(self) -> int:
        """The most copies such that they and every smaller number keep the targets; 0: none."""
        return last_met(self.by_machines) or 0

    @property
    def autonomy_min(self) -> float:
        """How long full lanes last at the machine that is empty first, in minutes."""
        cell = next(iter(self.by_interval.values())).setting.cell
        return min(plan.autonomy_us for plan in cell.machines) / 60e6

    @property
    def shown_min(self) -> list[float]:
        """The interval found and the next longer one; where none is found, the nearest."""
        if self.answer_min is None:
            return [self.nearest_min]
        return [m for m in (self.answer_min, self.fails_from_min) if m is not None]

    @property
    def nearest_min(self) -> float:
        """The interval at which the targets are met with most to spare, or missed by least."""
        return max(self.by_interval, key=lambda minutes: nearness(self.by_interval[minutes]))


def _stretch_min(by_interval: Mapping[float, Evidence]) -> tuple[float, float] | None:
    """The first interval that keeps the targets, and the last of those that follow on it."""
    first = next((minutes for minutes, found in by_interval.items() if found.is_met), None)
    if first is None:
        return None
    from_there = {minutes: found for minutes, found in by_interval.items() if minutes >= first}
    return first, last_met(from_there) or first


def nearness(evidence: Evidence) -> tuple[bool, float, float]:
    """How near to meeting the targets a cell is, to be compared; its luck first, then the gap."""
    worst = evidence.worst
    gap = worst.found.value - worst.target.value
    return evidence.is_met, worst.distance, gap if worst.target.is_least else -gap


@dataclass(frozen=True)
class RoundsResult(ShownRows):
    """The answer of `rounds`.

    Attributes
    ----------
    kept : tuple of Kept
        One a capacity, the smallest first.
    machine : str or None
        The machine table whose capacity was varied; None: all.
    copied : str
        The machine table of which copies were added.
    tended : {"given", "own", "calls", "longest"}
        How machines were tended when their number was varied: at the interval given, at the
        config's own, on its calls alone, or at the longest interval found.
    limit_machines : int
        The most copies that were tried.
    results, rows
        Of each capacity the interval found and the next longer one, on the same shifts.
    shifts : int
        How many the answer took.
    """

    config: Config
    targets: tuple[Target, ...]
    kept: tuple[Kept, ...]
    machine: str | None
    copied: str
    tended: str
    limit_machines: int
    results: Results
    rows: list[Row]
    shifts: int

    @property
    def is_met(self) -> bool:
        """Whether some capacity keeps every target at some interval."""
        return any(kept.answer_min is not None for kept in self.kept)

    @property
    def intervals_min(self) -> list[float]:
        """The intervals tried, the shortest first."""
        return list(self.kept[0].by_interval)

    @property
    def own(self) -> Kept:
        """The capacity nearest to the config's own."""
        table = self.config.machine[swept_tables(self.config, self.machine)[0]]
        own = table.magazine.lane_capacity_bags
        return min(self.kept, key=lambda kept: abs(kept.bags - own))

    @property
    def nearest(self) -> Kept:
        """The capacity at which the targets are nearest to being kept."""
        return max(self.kept, key=lambda kept: nearness(kept.by_interval[kept.nearest_min]))

    @property
    def other_machines(self) -> int:
        """Machines of the cell that were not copied."""
        return sum(table.count for table in self.config.machine if table.name != self.copied)

    def per_operator(self, kept: Kept) -> float:
        """All machines of the cell per operator, with the most copies; 0 where one is too many."""
        if not kept.most_machines:
            return 0.0
        return (kept.most_machines + self.other_machines) / self.config.crew.operators

    def tried_frame(self) -> pd.DataFrame:
        """All that was tried: a line for each capacity, interval or number, and check."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "asked_bags": kept.bags,
                    "rounds_every_min": interval,
                    "copies": copies,
                    "replications": evidence.replications,
                    **check_json(check),
                }
                for kept in self.kept
                for interval, copies, evidence in self._tried(kept)
                for check in evidence.checks
            ]
        )

    def _tried(self, kept: Kept) -> Iterator[tuple[float | None, int, Evidence]]:
        count = next(t.count for t in self.config.machine if t.name == self.copied)
        for interval, evidence in kept.by_interval.items():
            yield interval, count, evidence
        for copies, evidence in kept.by_machines.items():
            yield kept.tended_every_min, copies, evidence

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's own part of the JSON document."""
        tables = {self.config.machine[n].name for n in swept_tables(self.config, self.machine)}
        return [
            {
                "machine": plan.name,
                "capacity_bags": plan.capacity_bags,
                "interval_min": kept.longest_min,
                "met_from_min": kept.stretch_min[0] if kept.stretch_min else None,
                "met_to_min": kept.answer_min,
                "fails_from_min": kept.fails_from_min,
                "machines_per_operator": self.per_operator(kept),
                "machines": kept.most_machines + self.other_machines if kept.most_machines else 0,
                "copies": kept.most_machines,
                "copied": self.copied,
                "limit_copies": self.limit_machines,
                "tended": self.tended,
                "tended_every_min": kept.tended_every_min,
                "tried": [
                    _evidence_json(evidence, plan.name, interval_min=interval)
                    for interval, evidence in kept.by_interval.items()
                ],
                "tried_copies": [
                    _evidence_json(evidence, None, copies=copies)
                    for copies, evidence in kept.by_machines.items()
                ],
            }
            for kept in self.kept
            for plan in next(iter(kept.by_interval.values())).setting.cell.machines
            if plan.table in tables
        ]

    def __repr__(self) -> str:
        told = "; ".join(target.in_words() for target in self.targets)
        if not self.is_met:
            return f"RoundsResult(no capacity keeps {told} at any interval tried)"
        own = self.own
        longest = "none" if own.answer_min is None else f"{own.answer_min:g} min"
        return (
            f"RoundsResult({own.bags} bags per lane: {longest}, "
            f"{self.per_operator(own):g} machines per operator; {told})"
        )


def _evidence_json(evidence: Evidence, machine: str | None, **of: float) -> dict[str, Any]:
    """Evidence as the JSON document has it: a machine's checks and the cell's, or all of them."""
    return {
        **of,
        "verdict": evidence.verdict,
        "replications": evidence.replications,
        "checks": [
            check_json(check)
            for check in evidence.checks
            if machine is None or check.machine in (machine, None)
        ],
    }


def default_capacities(config: Config, machine: str | None = None) -> list[int]:
    """About five capacities in bags per lane around the config's own, of whole bundles.

    Raises
    ------
    CapacityError
        If no machine has the name.
    """
    bags = default_bags(config, machine)
    own = config.machine[swept_tables(config, machine)[0]].magazine.lane_capacity_bags
    nearest = min(range(len(bags)), key=lambda place: abs(bags[place] - own))
    return bags[nearest % 2 :: 2]


def interval_grid(
    config: Config, intervals: Sequence[float] | None = None, given_min: float | None = None
) -> list[float]:
    """Round intervals to try, in minutes, ascending.

    Parameters
    ----------
    config : Config
    intervals : sequence of float, optional
        By default a grid from 2 to 30 min, with the config's own interval and the one given, as
        far as they are shorter than the shift.
    given_min : float, optional
        An interval of special interest.

    Raises
    ------
    CapacityError
        If an interval is no time, or as long as the shift.
    """
    shift_min = 60 * config.study.shift_h
    if given_min is not None:
        _refuse_interval("--interval", given_min, shift_min)
    if intervals is None:
        extra = [config.crew.rounds_every_min, given_min]
        wanted = {*GRID_MIN, *(minutes for minutes in extra if minutes is not None)}
        intervals = [minutes for minutes in wanted if minutes < shift_min]
        # A very short shift leaves none of the grid: then halves and quarters of it.
        intervals = intervals or [shift_min / 4, shift_min / 2]
    for minutes in intervals:
        _refuse_interval("--intervals", minutes, shift_min)
    if not intervals:
        raise CapacityError("--intervals: is empty, allowed: minutes, such as 2,4,6")
    return sorted(set(intervals))


def _refuse_interval(option: str, minutes: float, shift_min: float) -> None:
    if not (isfinite(minutes) and SHORTEST_INTERVAL_MIN <= minutes < shift_min):
        raise CapacityError(
            f"{option}: is {minutes:g} min, allowed: from {SHORTEST_INTERVAL_MIN:g} min to below "
            f"the shift's {shift_min:g} min (rounds fall due within it)"
        )


def rounds_settings(
    config: Config, bags: Sequence[int], intervals: Sequence[float], machine: str | None = None
) -> dict[int, dict[float, Setting]]:
    """The map's cells: by capacity, then by interval.

    Capacities that come to the same after rounding up to bundles are studied once.

    Parameters
    ----------
    config : Config
    bags : sequence of int
        Capacities per lane.
    intervals : sequence of float
        Round intervals in minutes.
    machine : str, optional
        The machine table whose capacity is varied; by default all.

    Returns
    -------
    dict of dict of Setting
        By capacity per lane in bags, ascending, then by interval in minutes.

    Raises
    ------
    CapacityError
        If no machine has the name, or a capacity or an interval does not go with the config.
    """
    found: dict[int, dict[float, Setting]] = {}
    for setting in capacity_settings(config, bags, intervals, machine):
        capacity = next(int(v) for key, v in setting.values.items() if key.endswith(CAPACITY))
        found.setdefault(capacity, {})[float(setting.values[ROUNDS])] = setting
    return dict(sorted(found.items()))


def rounds(
    config: Config,
    targets: Sequence[Target],
    bags: Sequence[int] | None = None,
    *,
    intervals: Sequence[float] | None = None,
    interval: float | None = None,
    machine: str | None = None,
    most_machines: int = MOST_MACHINES,
    budget: int = BUDGET,
    work: Work = HERE,
) -> RoundsResult:
    """Find the longest round interval, and the most machines, that keep targets, by capacity.

    Longest such that it and every shorter one tried keeps all targets at every machine, with the
    study's confidence; most machines such that they and every smaller number do. Intervals, and
    numbers of machines, are judged in a fixed order up to the first that is not shown, so that
    the confidence is one of the answer at a capacity and not only of a single cell.

    Parameters
    ----------
    config : Config
    targets : sequence of Target
        All must hold, at every machine of the cell.
    bags : sequence of int, optional
        Capacities per lane; by default about five around the config's own.
    intervals : sequence of float, optional
        Round intervals to try, in minutes; by default from 2 to 30.
    interval : float, optional
        At which machines are added, in minutes; by default the config's own. Where it has none,
        machines are tended on its calls alone, or, without calls, at the longest found.
    machine : str, optional
        The machine table whose capacity is varied and of which copies are added; by default all
        are varied, and copies are added of the first.
    most_machines : int
        The most copies to try.
    budget : int
        The most replications to spend on one cell.
    work : Work

    Returns
    -------
    RoundsResult

    Raises
    ------
    CapacityError, TargetError
        If a capacity, an interval, the machine or a target makes no sense.
    TooLarge
        If the study would run for hours.

    References
    ----------
    Tests in a fixed order, each at the full risk, until the first that fails: Maurer, Hothorn
    and Lehmacher, in: Biometrie in der chemisch-pharmazeutischen Industrie 6 (1995), from memory.
    """
    if not config.crew.operators:
        raise CapacityError("crew.operators: is 0: nobody walks rounds, allowed: 1 or more")
    if not 1 <= most_machines <= LARGEST_COUNT:
        raise CapacityError(
            f"--most-machines: is {most_machines}, allowed: from 1 to {LARGEST_COUNT}"
        )
    refuse_unjudgeable(targets, build_cell(config))
    number = swept_tables(config, machine)[0]
    grid = interval_grid(config, intervals, interval)
    cells = rounds_settings(config, bags or default_capacities(config, machine), grid, machine)
    flat = [setting for row in cells.values() for setting in row.values()]
    study = config.study
    refuse_absurd([setting.cell for setting in flat], study.replications, work)
    copies = _Copies(config, number, machine)
    copies.refuse_impossible(most_machines)
    with Shifts(study.seed, work) as shifts:
        judge = Judge(
            shifts,
            targets,
            confidence=study.confidence,
            first=study.replications,
            budget=budget,
        )
        evidence = iter(judge.decide(flat))
        maps = {bags: {minutes: next(evidence) for minutes in row} for bags, row in cells.items()}
        tended = _tended(config, interval)
        given_min = config.crew.rounds_every_min if interval is None else interval
        every_min: dict[int, float | None] = dict.fromkeys(maps, given_min)
        tendable = every_min
        if tended == LONGEST:
            stretches = {bags: _stretch_min(tried) for bags, tried in maps.items()}
            every_min = {bags: found[1] if found else None for bags, found in stretches.items()}
            # Where no interval keeps the targets, no machine is added.
            tendable = {bags: minutes for bags, minutes in every_min.items() if minutes is not None}
        by_machines = copies.tried(judge, tendable, most_machines)
        kept = tuple(
            Kept(bags, tried, by_machines.get(bags, {}), every_min[bags])
            for bags, tried in maps.items()
        )
        results = judge.together(list(_shown(kept, cells)))
        return RoundsResult(
            config,
            tuple(targets),
            kept,
            machine,
            config.machine[number].name,
            tended,
            most_machines,
            results,
            rows_of(results),
            shifts.simulated,
        )


def _tended(config: Config, interval: float | None) -> str:
    """How machines are tended when their number is varied."""
    if interval is not None:
        return GIVEN
    if config.crew.rounds_every_min is not None:
        return OWN
    return LONGEST if config.crew.calls == "none" else CALLS


def _shown(kept: Sequence[Kept], cells: Mapping[int, Mapping[float, Setting]]) -> Iterator[Setting]:
    """The settings at the intervals shown, by capacity."""
    for each in kept:
        for minutes in each.shown_min:
            yield cells[each.bags][minutes]


class _Copies:
    """Adds copies of a machine while the targets hold."""

    def __init__(self, config: Config, number: int, machine: str | None) -> None:
        self._config = config
        self._number = number
        self._machine = machine

    def refuse_impossible(self, most: int) -> None:
        """Refuse numbers of machines that the config cannot have, before anything is simulated."""
        for copies in sorted({1, min(2, most), most}):
            self._grown(copies)

    def tried(
        self, judge: Judge, every: Mapping[int, float | None], most: int
    ) -> dict[int, dict[int, Evidence]]:
        """By capacity the evidence for one copy, two, ..., to the first not shown to do."""
        found: dict[int, dict[int, Evidence]] = {bags: {} for bags in every}
        alive = list(every)
        for copies in range(1, most + 1):
            settings = [self._setting(bags, every[bags], copies) for bags in alive]
            judged = dict(zip(alive, judge.decide(settings), strict=True))
            for bags, evidence in judged.items():
                found[bags][copies] = evidence
            alive = [bags for bags in alive if judged[bags].verdict == MET]
            if not alive:
                break
        return found

    def _setting(self, bags: int, every_min: float | None, copies: int) -> Setting:
        grown = self._grown(copies)
        intervals = [] if every_min is None else [every_min]
        setting = capacity_settings(grown, [bags], intervals, self._machine)[0]
        return replace(setting, values={**setting.values, f"machine[{self._number}].count": copies})

    def _grown(self, copies: int) -> Config:
        """The config with so many of the machine; a copy stands where the last one stands."""
        table = self._config.machine[self._number]
        key = f"machine[{self._number}]"
        values: dict[str, Any] = {f"{key}.count": copies}
        if table.at_m is not None:
            places = [*table.at_m, *[table.at_m[-1]] * copies]
            values[f"{key}.at_m"] = places[:copies]
        try:
            return self._config.with_values(values)
        except ConfigError as error:
            asked = f"--most-machines: {copies} of {table.name} cannot be"
            raise CapacityError(misfit_text(asked, error)) from error
