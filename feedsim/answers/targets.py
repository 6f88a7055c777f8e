"""Targets, and whether a cell meets them: shown with the study's confidence, or not.

A target holds where the one-sided limit of its measure holds it, for every machine. The risk of
a wrong answer, 1 - confidence, is shared out over targets and machines, and over the looks that
are taken at one cell while replications are added (half of it to the last).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import copysign, inf, isfinite, sqrt
from typing import Any, TypeVar

from feedsim.answers.rows import Row, estimate_json, finite_or_none, row_of, rows_of
from feedsim.cell import Cell
from feedsim.labels import label_of
from feedsim.measures import CREW_BUSY, Figure
from feedsim.mistakes import Mistake
from feedsim.stats import Estimate
from feedsim.study import Results, Setting, Shifts, cell_key

MET, MISSED, OPEN = VERDICTS = ("met", "missed", "open")

# What a measure must reach at least; the others may reach their value at most.
AT_LEAST = ("oee", "packs_per_h")
TARGET_MEASURES = ("oee", "dry_share", "visits_per_h", "packs_per_h", "crew_busy")

LOOKS_GROW = 4
LAST_LOOK = 0.5
BUDGET = 2_560


Tried = TypeVar("Tried")


class TargetError(Mistake):
    """A target that cannot be asked for."""


@dataclass(frozen=True, slots=True)
class Target:
    """A measure, and what it must reach at least or may reach at most."""

    measure: str
    value: float

    def __post_init__(self) -> None:
        """Refuse what no measure can be.

        Raises
        ------
        TargetError
        """
        if self.measure not in TARGET_MEASURES:
            known = ", ".join(TARGET_MEASURES)
            raise TargetError(f"{self.option}: is no target, allowed: {known}")
        if not (
            isfinite(self.value) and self.value >= 0 and (self.value <= 1 or not self.is_share)
        ):
            allowed = (
                "a share from 0 to 1, such as 0.78" if self.is_share else "a number of at least 0"
            )
            raise TargetError(f"{self.option}: is {self.value:g}, allowed: {allowed}")

    @property
    def option(self) -> str:
        """The option that states it."""
        return "--" + self.measure.replace("_", "-")

    @property
    def is_share(self) -> bool:
        """Whether it is told in percent."""
        return label_of(self.measure).is_share

    @property
    def factor(self) -> float:
        """Figures as they are told, per unit of the measure."""
        return label_of(self.measure).factor

    @property
    def is_least(self) -> bool:
        """Whether the measure must reach the value; else it may."""
        return self.measure in AT_LEAST

    @property
    def is_of_cell(self) -> bool:
        """Whether it is judged once for the whole cell, and not for each machine."""
        return self.measure == CREW_BUSY.name

    def in_words(self) -> str:
        """The target for readers."""
        label = label_of(self.measure)
        return f"{label.text if self.is_share else label.heading} {self.bound_in_words()}"

    def bound_in_words(self) -> str:
        """What the measure must reach or may reach."""
        value = f"{self.factor * self.value:g}{' %' * self.is_share}"
        return f"{'at least' if self.is_least else 'at most'} {value}"


@dataclass(frozen=True, slots=True)
class Check:
    """One target at one machine (None: the whole cell), and what is known of it.

    `limit` is the one-sided limit that must hold the target.
    """

    target: Target
    machine: str | None
    found: Estimate
    limit: float
    verdict: str

    @property
    def distance(self) -> float:
        """How far inside the target the value lies, in half-widths that one shift would have.

        So it compares what rests on more shifts and on fewer.
        """
        gap = self.found.value - self.target.value
        gap = gap if self.target.is_least else -gap
        of_one = self.found.half_width * sqrt(self.found.replications)
        return gap / of_one if of_one > 0 else copysign(inf, gap)


def check_json(check: Check) -> dict[str, Any]:
    """A check as the JSON document has it."""
    return {
        "measure": check.target.measure,
        "target": check.target.value,
        "machine": check.machine,
        "verdict": check.verdict,
        "limit": finite_or_none(check.limit),
        **estimate_json(check.found),
    }


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of one setting, after as many replications as its verdict took."""

    setting: Setting
    rows: tuple[Row, ...]
    checks: tuple[Check, ...]
    results: Results

    @property
    def verdict(self) -> str:
        """Met where all targets are, missed where one surely is, else open."""
        found = {check.verdict for check in self.checks}
        return MISSED if MISSED in found else OPEN if OPEN in found else MET

    @property
    def is_met(self) -> bool:
        """Whether all targets hold with confidence."""
        return self.verdict == MET

    @property
    def replications(self) -> int:
        """How many shifts it rests on."""
        return self.results.replications

    @property
    def cell(self) -> Row:
        """The whole cell's row."""
        return self.rows[-1]

    @property
    def tightest(self) -> dict[str, Check]:
        """For each target's measure the check with the least to spare."""
        found: dict[str, Check] = {}
        for check in sorted(self.checks, key=lambda check: (check.verdict == MET, check.distance)):
            found.setdefault(check.target.measure, check)
        return {target.measure: found[target.measure] for target in (c.target for c in self.checks)}

    def row(self, machine: str | None) -> Row:
        """The row of a machine, or of the whole cell."""
        return row_of(self.rows, machine)

    @property
    def worst(self) -> Check:
        """The target that is furthest from being met, or met with the least to spare."""
        return min(self.checks, key=lambda check: (check.verdict == MET, check.distance))


class Judge:
    """Decides whether cells meet targets, and spends replications where that is close.

    Parameters
    ----------
    shifts : Shifts
    targets : sequence of Target
    tables : sequence of str, optional
        Machine tables whose machines must meet the targets; by default all.
    confidence : float
        That what is called met is met, one-sided.
    first, budget : int
        Replications of the first look at a cell, and of the last.
    """

    def __init__(
        self,
        shifts: Shifts,
        targets: Sequence[Target],
        *,
        confidence: float,
        first: int,
        budget: int,
        tables: Iterable[str] | None = None,
    ) -> None:
        self.targets = tuple(targets)
        self.looks = looks(first, budget)
        self.confidence = confidence
        self._shifts = shifts
        self._tables = None if tables is None else set(tables)
        self._known: dict[str, Evidence] = {}

    def decide(self, settings: Sequence[Setting]) -> list[Evidence]:
        """Look at settings until each is met or missed, or the budget is used up."""
        keys = [cell_key(setting.cell) for setting in settings]
        undecided = {k: s for k, s in zip(keys, settings, strict=True) if k not in self._known}
        for replications, part in self.looks:
            results = self._shifts.results(list(undecided.values()), replications, self.confidence)
            for number, (key, setting) in enumerate(list(undecided.items())):
                own = _only(results, number)
                rows = tuple(rows_of(own))
                checks = tuple(self._checks(setting, rows, part * (1 - self.confidence)))
                self._known[key] = Evidence(setting, rows, checks, own)
                if self._known[key].verdict != OPEN:
                    del undecided[key]
            if not undecided:
                break
        return [self._known[key] for key in keys]

    def together(self, settings: Sequence[Setting]) -> Results:
        """Settings over the same replications, as many as the best known of them has."""
        known = [self._known[cell_key(setting.cell)] for setting in settings]
        replications = max(int(found.results.numbers[-1]) for found in known)
        return self._shifts.results(settings, replications, self.confidence)

    def _checks(self, setting: Setting, rows: Sequence[Row], risk: float) -> Iterable[Check]:
        judged = [
            (target, row)
            for target in self.targets
            for row, plan in zip(rows, (*setting.cell.machines, None), strict=True)
            if target.measure in row.figures
            and (plan is None) == target.is_of_cell
            and (plan is None or self._tables is None or plan.table in self._tables)
        ]
        for target, row in judged:
            yield check(target, row, risk / len(judged), self.confidence)


def refuse_unjudgeable(targets: Sequence[Target], cell: Cell) -> None:
    """Refuse to judge without a target, or by one of which a cell has no measure.

    Raises
    ------
    TargetError
    """
    if not targets:
        raise TargetError(
            "a target is needed, such as --oee 0.78, allowed: "
            + ", ".join("--" + name.replace("_", "-") for name in TARGET_MEASURES)
        )
    for target in targets:
        if target.is_of_cell and not cell.crew.operators:
            raise TargetError(f"{target.option}: the cell has no operators, allowed: other targets")


def check(target: Target, row: Row, alpha: float, confidence: float) -> Check:
    """Judge a target at a row, at a one-sided risk of alpha."""
    figure = row.figures[target.measure]
    limit = figure.at_least(alpha) if target.is_least else figure.at_most(alpha)
    verdict = OPEN
    if limit >= target.value if target.is_least else limit <= target.value:
        verdict = MET
    elif _is_surely_missed(target, figure, alpha):
        verdict = MISSED
    return Check(target, row.machine, figure.estimate(confidence), limit, verdict)


def _is_surely_missed(target: Target, figure: Figure, alpha: float) -> bool:
    if target.is_least:
        return figure.at_most(alpha) < target.value
    return not figure.is_seldom and figure.at_least(alpha) > target.value


def looks(first: int, budget: int) -> list[tuple[int, float]]:
    """Replications of each look at a cell, and its part of the risk.

    Each look has four times the replications of the one before; the last has half of the risk,
    the others share the other half alike.

    References
    ----------
    Bonferroni over looks: Jennison and Turnbull, Group Sequential Methods, ch. 7 (spending).
    """
    numbers = [min(first, budget)]
    while numbers[-1] < budget:
        numbers.append(min(budget, LOOKS_GROW * numbers[-1]))
    if len(numbers) == 1:
        return [(numbers[0], 1.0)]
    early = (1 - LAST_LOOK) / (len(numbers) - 1)
    return [*((number, early) for number in numbers[:-1]), (numbers[-1], LAST_LOOK)]


def last_met(tried: Mapping[Tried, Evidence]) -> Tried | None:
    """The last value such that it and all before it are met, in the order in which they stand."""
    found = None
    for value, evidence in tried.items():
        if not evidence.is_met:
            break
        found = value
    return found


def _only(results: Results, number: int) -> Results:
    """One setting of some."""
    return Results(
        (results.settings[number],),
        (results.sums[number],),
        results.numbers,
        results.seed,
        results.confidence,
        results.engine,
        results.set_aside,
    )
