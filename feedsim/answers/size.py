"""The smallest capacity that meets stated targets, or the ceiling that makes it impossible."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import dropwhile
from typing import TYPE_CHECKING, Any

from feedsim.answers.capacity import step_between
from feedsim.answers.magazines import (
    CAPACITY,
    CapacityError,
    capacity_values,
    is_allowed,
    swept_tables,
)
from feedsim.answers.rows import Row, estimate_json, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.answers.targets import (
    BUDGET,
    MET,
    Evidence,
    Judge,
    Target,
    check_json,
    refuse_unjudgeable,
)
from feedsim.cell import build_cell
from feedsim.config import Config
from feedsim.config.magazine import MOST_BAGS
from feedsim.losses import losses
from feedsim.stats import Estimate
from feedsim.study import HERE, Results, Setting, Shifts, Work, refuse_absurd

if TYPE_CHECKING:
    import pandas as pd

WIDEST_SEARCH = 10
LEAST_BUNDLES = 20
ENDLESS = "endless"
TRIED_COLUMNS = (
    *("asked_bags", "replications", "machine", "measure", "target"),
    *("value", "low", "high", "limit", "verdict"),
)


@dataclass(frozen=True)
class Part:
    """A part of what keeps an endless magazine from a target, and what the target needs of it.

    `needed` is what would have to be left of this part, the others as they are; None where its
    end alone would not do.
    """

    label: str
    amount: Estimate
    needed: float | None


@dataclass(frozen=True)
class Ceiling:
    """What an endless magazine brings, and what is left then, by target and machine missed.

    Of an OEE or of good packs the parts are the losses, in shares of planned busy time; of
    visits what calls people, in visits an hour.
    """

    evidence: Evidence
    parts: Mapping[tuple[Target, str], list[Part]]

    @property
    def is_met(self) -> bool:
        """Whether an endless magazine meets the targets."""
        return self.evidence.is_met

    def json(self, machine: str) -> dict[str, Any]:
        """A machine's ceiling as the JSON document has it."""
        row = self.evidence.row(machine)
        return {
            "met": self.is_met,
            "replications": self.evidence.replications,
            "measures": {name: estimate_json(row[name]) for name in row.figures},
            "parts": {
                target.measure: [
                    {"name": p.label, **estimate_json(p.amount), "needed": p.needed} for p in parts
                ]
                for (target, of), parts in self.parts.items()
                if of == machine
            },
        }


@dataclass(frozen=True)
class Found:
    """Where a search ended: the smallest capacity that meets the targets, and how far it goes.

    `best` is the evidence there, or where the targets were nearest to being met; `fails_from`
    the smallest capacity tried above it at which they are not met any more.
    """

    tried: Mapping[int, Evidence]
    best_bags: int
    fails_from: int | None = None

    @property
    def best(self) -> Evidence:
        """The evidence at the capacity found."""
        return self.tried[self.best_bags]

    @property
    def is_met(self) -> bool:
        """Whether there is a capacity that meets the targets."""
        return self.best.is_met


@dataclass(frozen=True)
class SizeResult(ShownRows):
    """The answer of `size`.

    Attributes
    ----------
    found : Found
        Within the limit.
    beyond : Found or None
        A longer lane than the geometry allows, where only that does it.
    ceiling : Ceiling or None
        Of an endless magazine, where no capacity within the limit does it.
    step : mapping from the name of a measure to Estimate
        What the next bundle would bring: paired differences of the whole cell.
    limit_bags : int
        The largest capacity per lane that was looked for.
    shifts : int
        How many the answer took.
    """

    config: Config
    targets: tuple[Target, ...]
    machine: str | None
    results: Results
    rows: list[Row]
    found: Found
    beyond: Found | None
    ceiling: Ceiling | None
    below_bags: int | None
    next_bags: int | None
    step: Mapping[str, Estimate]
    limit_bags: int
    is_limit_of_geometry: bool
    shifts: int

    @property
    def is_met(self) -> bool:
        """Whether a capacity within the limit meets every target."""
        return self.found.is_met

    @property
    def capacity_bags(self) -> int | None:
        """The smallest capacity per lane that meets every target, before rounding to bundles."""
        return self.found.best_bags if self.is_met else None

    @property
    def tried(self) -> dict[int, Evidence]:
        """All capacities tried, the smallest first."""
        beyond = {} if self.beyond is None else self.beyond.tried
        return dict(sorted({**self.found.tried, **beyond}.items()))

    @property
    def tried_and_endless(self) -> dict[int | str, Evidence]:
        """All capacities tried, and behind them the endless magazine, where there is one."""
        found: dict[int | str, Evidence] = dict(self.tried.items())
        if self.ceiling is not None:
            found[ENDLESS] = self.ceiling.evidence
        return found

    def tried_frame(self) -> pd.DataFrame:
        """All that was tried: a line for each capacity and check, with its verdict."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "asked_bags": bags,
                    "replications": evidence.replications,
                    **check_json(check),
                    "machine": check.machine or "",
                    "limit": check.limit,
                }
                for bags, evidence in self.tried_and_endless.items()
                for check in evidence.checks
            ],
            columns=TRIED_COLUMNS,
        )

    def answer_json(self) -> list[dict[str, Any]]:
        """The command's own part of the JSON document."""
        sized = self.found.best.setting.cell.machines
        tables = {self.config.machine[n].name for n in swept_tables(self.config, self.machine)}
        return [
            {
                "machine": plan.name,
                "met": self.is_met,
                "capacity_bags": plan.capacity_bags if self.is_met else None,
                "limit_bags": self.limit_bags,
                "fails_from_bags": self.found.fails_from,
                "beyond_geometry_bags": self.beyond.best_bags if self.beyond else None,
                "checks": [check_json(c) for c in self.found.best.checks if c.machine == plan.name],
                "step": {name: estimate_json(step) for name, step in self.step.items()},
                "ceiling": self.ceiling.json(plan.name) if self.ceiling else None,
            }
            for plan in sized
            if plan.table in tables
        ]

    def __repr__(self) -> str:
        told = "; ".join(target.in_words() for target in self.targets)
        if self.is_met:
            return f"SizeResult({self.capacity_bags} bags per lane: {told})"
        return f"SizeResult(no capacity up to {self.limit_bags}: {told})"


def size(
    config: Config,
    targets: Sequence[Target],
    *,
    machine: str | None = None,
    up_to: int | None = None,
    budget: int = BUDGET,
    work: Work = HERE,
) -> SizeResult:
    """Find the smallest capacity per lane that meets targets with the study's confidence.

    Smallest such that every larger one tried meets them too, up to the limit or to where they
    fail again (long refills keep the crew).

    Parameters
    ----------
    config : Config
    targets : sequence of Target
        All must hold, at every machine that is sized.
    machine : str, optional
        The machine table to size; by default all, each rounded up to its own bundle.
    up_to : int, optional
        The largest capacity to look for; by default what the geometry allows, else ten times
        the config's own.
    budget : int
        The most replications to spend on one capacity.
    work : Work

    Returns
    -------
    SizeResult

    Raises
    ------
    CapacityError, TargetError
        If the limit, the machine or a target makes no sense.
    TooLarge
        If the search would run for hours.
    """
    tables = swept_tables(config, machine)
    grid = bundle_grid(config, tables, up_to)
    study = config.study
    refuse_unjudgeable(targets, build_cell(config))
    refuse_absurd([build_cell(config)] * 12, study.replications, work)
    with Shifts(study.seed, work) as shifts:
        judge = Judge(
            shifts,
            targets,
            confidence=study.confidence,
            first=study.replications,
            budget=budget,
            tables=[config.machine[number].name for number in tables],
        )
        search = Search(judge, config, tables, machine)
        found = search.smallest(grid)
        beyond, ceiling = None, None
        limited = up_to is None and _geometry_bags(config, tables) is not None
        if not found.is_met:
            ceiling = _ceiling(search)
            if limited and ceiling.is_met:
                wider = bundle_grid(config, tables, WIDEST_SEARCH * grid[-1])
                further = search.smallest([bags for bags in wider if bags > grid[-1]])
                beyond = further if further.is_met else None
        place = grid.index(found.best_bags)
        below = grid[place - 1] if place else None
        after = _next_bags(config, tables, found.best_bags)
        shown = [bags for bags in (below, found.best_bags, after) if bags is not None]
        most = int(found.best.results.numbers[-1])
        results = shifts.results([search.setting(b) for b in shown], most, study.confidence)
        rows = rows_of(results)
        step = {} if after is None else _step(rows, len(shown))
        return SizeResult(
            config,
            tuple(targets),
            machine,
            results,
            rows,
            found,
            beyond,
            ceiling,
            below,
            after,
            step,
            grid[-1],
            limited,
            shifts.simulated,
        )


def _step(rows: Sequence[Row], settings: int) -> dict[str, Estimate]:
    cells = [row for row in rows if row.machine is None]
    return step_between(cells[settings - 1], cells[settings - 2])


def _next_bags(config: Config, tables: Sequence[int], bags: int) -> int | None:
    """One bundle more, of the machine with the smallest."""
    after = bags + min(config.machine[number].magazine.bundle_bags for number in tables)
    return after if is_allowed(config, tables, after) else None


def _geometry_bags(config: Config, tables: Sequence[int]) -> int | None:
    """The most bags per lane that the geometry of every machine allows."""
    magazines = [config.machine[number].magazine for number in tables]
    held = [magazine.lane_capacity_bags for magazine in magazines if magazine.geometry]
    return min(held) if held else None


def bundle_grid(config: Config, tables: Sequence[int], up_to: int | None = None) -> list[int]:
    """Capacities of whole bundles that the config may have, ascending.

    Raises
    ------
    CapacityError
        If there is none.
    """
    magazines = [config.machine[number].magazine for number in tables]
    bundles = sorted({magazine.bundle_bags for magazine in magazines})
    limit = up_to
    if limit is None:
        own = max(magazine.lane_capacity_bags for magazine in magazines)
        least = LEAST_BUNDLES * max(bundles)
        limit = _geometry_bags(config, tables) or max(WIDEST_SEARCH * own, least)
    limit = min(limit, MOST_BAGS)
    sizes = sorted({bags for bundle in bundles for bags in range(bundle, limit + 1, bundle)})
    # Of those that round up to the same bundles everywhere the largest stands for all.
    alike = {
        tuple(-(-bags // magazine.bundle_bags) for magazine in magazines): bags for bags in sizes
    }
    sizes = list(dropwhile(lambda bags: not is_allowed(config, tables, bags), alike.values()))
    if not sizes:
        what = "--up-to" if up_to is not None else "the geometry"
        raise CapacityError(
            f"{what}: {limit} bags per lane leave no capacity of whole bundles that the config "
            "may have (see call_level_bags, start_bags and bundle_bags), allowed: a larger --up-to"
        )
    return sizes


class Search:
    """Looks for the smallest capacity at which a judge finds all targets met."""

    def __init__(
        self, judge: Judge, config: Config, tables: Sequence[int], machine: str | None
    ) -> None:
        self._judge = judge
        self._config = config
        self._tables = tables
        place = "machine" if machine is None else f"machine[{tables[0]}]"
        self._key = f"{place}.{CAPACITY}"

    def setting(self, bags: int) -> Setting:
        """The cell with a capacity."""
        changed = self._config.with_values(capacity_values(self._config, self._tables, bags))
        return Setting({self._key: bags}, build_cell(changed))

    def decide(self, bags: Sequence[int]) -> dict[int, Evidence]:
        """Judge capacities."""
        evidence = self._judge.decide([self.setting(number) for number in bags])
        return dict(zip(bags, evidence, strict=True))

    def endless(self) -> Evidence:
        """Judge a magazine that holds more than a shift uses, and is full at its start."""
        cell = build_cell(self._config)
        most = max(plan.lanes * cell.shift_us // plan.cycle_us for plan in cell.machines)
        bags = min(MOST_BAGS, 3 * most)
        values: dict[str, Any] = dict(capacity_values(self._config, self._tables, bags))
        for number in self._tables:
            values[f"machine[{number}].magazine.start_bags"] = None
        changed = build_cell(self._config.with_values(values))
        return self._judge.decide([Setting({self._key: ENDLESS}, changed)])[0]

    def smallest(self, grid: Sequence[int]) -> Found:
        """The smallest capacity of a grid such that it and all larger ones tried are met.

        From the smallest on in doubled steps until the targets hold, one step further, and the
        largest; then the smallest is looked for by halving. Where no step meets them, halfway
        between the nearest and its neighbours: a narrow stretch may lie there.
        """
        tried: dict[int, Evidence] = {}
        met = None
        for place in doubled_steps(len(grid)):
            tried |= self.decide([grid[place]])
            if met is not None:
                tried |= self.decide([grid[-1]])
                break
            if tried[grid[place]].is_met:
                met = grid[place]
        while met is None:
            more = list(_beside_the_nearest(grid, tried))
            if not more:
                return Found(tried, _nearest(tried))
            tried |= self.decide(more)
            met = min((bags for bags in more if tried[bags].is_met), default=None)
        below = max((bags for bags in tried if bags < met), default=None)
        fails, holds = grid.index(below) if below is not None else -1, grid.index(met)
        while holds - fails > 1:
            middle = (fails + holds) // 2
            tried |= self.decide([grid[middle]])
            if tried[grid[middle]].is_met:
                holds = middle
            else:
                fails = middle
        larger = [bags for bags in tried if bags > grid[holds] and not tried[bags].is_met]
        return Found(tried, grid[holds], min(larger, default=None))


def doubled_steps(count: int) -> list[int]:
    """Places of a grid to try first: the first, then each twice as far up, and the last."""
    places, bundles = [], 1
    while bundles < count:
        places.append(bundles - 1)
        bundles *= 2
    return [*places, count - 1]


def _nearest(tried: Mapping[int, Evidence]) -> int:
    """The capacity at which the targets are nearest to being met; the smallest of equals."""
    return max(sorted(tried), key=lambda bags: tried[bags].worst.distance)


def _beside_the_nearest(grid: Sequence[int], tried: Mapping[int, Evidence]) -> Iterator[int]:
    """Halfway from the nearest to its neighbours tried: a narrow stretch may lie between."""
    known = sorted(tried)
    place = known.index(_nearest(tried))
    for other in (place - 1, place + 1):
        if 0 <= other < len(known):
            low, high = sorted((grid.index(known[place]), grid.index(known[other])))
            if high - low > 1:
                yield grid[(low + high) // 2]


def _ceiling(search: Search) -> Ceiling:
    evidence = search.endless()
    parts = {}
    for check in evidence.checks:
        if check.verdict != MET and check.machine is not None:
            gap = abs(check.target.value - check.found.value)
            row = evidence.row(check.machine)
            if check.target.measure == "visits_per_h":
                found = _visits(evidence, row)
            else:
                found = _losses(evidence, row)
                if check.target.measure == "packs_per_h":
                    gap *= row["oee"].value / check.found.value
            parts[check.target, check.machine] = [
                Part(label, amount, amount.value - gap if amount.value >= gap else None)
                for label, amount in found
            ]
    return Ceiling(evidence, parts)


def _losses(evidence: Evidence, row: Row) -> list[tuple[str, Estimate]]:
    place = evidence.rows.index(row)
    plan = evidence.setting.cell.machines[place]
    found = losses(evidence.results.sums[0].machines[place], plan, row.confidence)
    return [(loss.label, loss.share) for loss in found if loss.share.value > 0]


def _visits(evidence: Evidence, row: Row) -> list[tuple[str, Estimate]]:
    """What calls people to a machine: refills, and the faults that need somebody."""
    plan = evidence.setting.cell.machines[evidence.rows.index(row)]
    attended = {"jam": "jam", "lane_fault": "lane fault"}
    attended |= {s.state: f"{s.name} stopped" for s in plan.stations if s.needs_operator}
    found = [("refills", row["refill_visits_per_h"])]
    found += [(label, row[f"stops_{state}_per_h"]) for state, label in attended.items()]
    return sorted((f for f in found if f[1].value > 0), key=lambda part: -part[1].value)
