"""Two cells on the same luck: what differs, which losses changed, which of the two is better."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, isfinite
from typing import Any

import numpy as np

from feedsim.answers.luck import streams_of, unshared_streams, width_ratio
from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, estimate_json, finite_or_none, row_of, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.cell import MachinePlan, build_cell
from feedsim.config import Config
from feedsim.losses import breakdown
from feedsim.measures import CREW_BUSY, OEE, SHARE, Figure, Measure, SumArrays, figure, measures_of
from feedsim.stats import Estimate, Floats, half_width
from feedsim.study import HERE, Results, Setting, Work

CONFIG = "config"
A, B = "A", "B"
FROM_A = ("seed", "replications", "confidence")
WORTH_TELLING = 0.005
MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Pair:
    """The figures of both cells, of one machine or (`machine` None) of the whole cell."""

    machine: str | None
    own: Mapping[str, Figure]
    other: Mapping[str, Figure]
    confidence: float

    def __getitem__(self, measure: str) -> Estimate:
        """The paired difference of a measure, B minus A."""
        return self.other[measure].minus(self.own[measure], self.confidence)

    def differences(self) -> dict[str, Estimate]:
        """The paired differences of all measures, B minus A."""
        return {name: self[name] for name in self.own}

    def width_ratio(self, measure: str) -> float:
        """How wide a difference's interval is, next to one on independent luck."""
        return width_ratio(self.other[measure].deviations, self.own[measure].deviations)


@dataclass(frozen=True, slots=True)
class LossChange:
    """A loss in both cells, as a share of planned busy time, and its paired difference B minus A.

    One that cannot happen in a cell is 0 there.
    """

    name: str
    label: str
    own: Figure
    other: Figure
    change: Estimate

    @property
    def has_changed(self) -> bool:
        """Whether the interval of the difference excludes 0."""
        return self.change.low > 0 or self.change.high < 0


@dataclass(frozen=True, slots=True)
class Better:
    """How sure it is that B's expected OEE is the higher one.

    Attributes
    ----------
    confidence : float
        The one-sided confidence at which the paired difference of OEE, B minus A, lies above 0:
        Student's t on its linearised deviations. Not a number with one shift.
    higher_share, equal_share : float
        Shares of the shifts in which B's OEE was the higher one, and in which both were equal.
    """

    confidence: float
    higher_share: float
    equal_share: float

    def answer_json(self) -> dict[str, float | None]:
        """The same for the JSON document."""
        told = {
            "confidence": self.confidence,
            "higher_in_share_of_shifts": self.higher_share,
            "equal_in_share_of_shifts": self.equal_share,
        }
        return {name: finite_or_none(value) for name, value in told.items()}


@dataclass(frozen=True)
class CompareResult(ShownRows):
    """The answer of `compare`: two settings, "config" A and B, over the same replications."""

    config: Config
    other: Config
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()

    @property
    def machines(self) -> list[str]:
        """Names of the machines that both cells have."""
        others = {plan.name for plan in self._plans(B)}
        return [plan.name for plan in self._plans(A) if plan.name in others]

    @cached_property
    def cell(self) -> Pair:
        """The whole cells."""
        return self.pair(None)

    def pair(self, machine: str | None) -> Pair:
        """Both cells' figures of a machine by its name, or of the whole cell."""
        (own_plans, own), (other_plans, other) = (self._of(which, machine) for which in (A, B))
        measures = measures_of([*own_plans, *other_plans])
        figures = [{m.name: figure(m, sums) for m in measures} for sums in (own, other)]
        if machine is None and self._has_crews:
            for found, sums in zip(figures, self.results.sums, strict=True):
                found[CREW_BUSY.name] = figure(CREW_BUSY, [sums.crew])
        return Pair(machine, figures[0], figures[1], self.results.confidence)

    def row(self, which: str) -> Row:
        """The whole cell's row of A or B."""
        return row_of(self.rows, None, (A, B).index(which))

    def losses(self, machine: str | None = None) -> list[LossChange]:
        """The losses of either cell with their differences, of a machine or the whole cell.

        Those whose interval excludes 0 stand first, then by size. With the difference of OEE
        they sum to 0: what OEE gains the losses give.
        """
        sides = [self._loss_times(which, machine) for which in (A, B)]
        names = list(dict.fromkeys(name for times, _ in sides for name in times))
        found = []
        for name in names:
            label = next(times[name][0] for times, _ in sides if name in times)
            own, other = (_share(name, label, times, busy) for times, busy in sides)
            change = other.minus(own, self.results.confidence)
            found.append(LossChange(name, label, own, other, change))
        return sorted(found, key=lambda loss: (not loss.has_changed, -_size(loss.change.value)))

    @property
    def better(self) -> Better:
        """How sure it is that B is the better one."""
        value, deviations = self._oee_deviations
        per_shift = [figure_per_shift(OEE, sums.machines) for sums in self.results.sums]
        higher = per_shift[1] > per_shift[0]
        equal = per_shift[1] == per_shift[0]
        return Better(
            one_sided_confidence(value, deviations), float(higher.mean()), float(equal.mean())
        )

    @property
    def is_told(self) -> bool:
        """Whether the interval of the difference of OEE excludes 0."""
        change = self.cell["oee"]
        return change.low > 0 or change.high < 0

    @property
    def same_cell(self) -> bool:
        """Whether both configs come to the same cell."""
        own, other = self.results.settings
        return own.cell == other.cell

    @property
    def shifts_to_tell(self) -> int | None:
        """About how many shifts would tell half a point of OEE; None where these do, or one."""
        _, deviations = self._oee_deviations
        half = half_width(deviations, self.results.confidence)
        if not half > WORTH_TELLING:
            return None
        return ceil(self.results.replications * (half / WORTH_TELLING) ** 2)

    @property
    def unshared(self) -> tuple[list[str], list[str]]:
        """Random streams that only A draws from, and those that only B does."""
        own, other = self.results.settings
        return unshared_streams(own.cell, other.cell)

    def warnings(self) -> list[str]:
        """What a reader must know of the two configs before believing their difference."""
        return [*self._other_study(), *self._windows(), *self._luck()]

    def answer_json(self) -> dict[str, Any]:
        """The command's own parts of the JSON document, by their keys."""
        only_a, only_b = self.unshared
        return {
            "compare": _differences_json(self.cell),
            "machines": [
                {
                    "machine": name,
                    "compare": _differences_json(self.pair(name)),
                    "losses": _losses_json(self.losses(name)),
                }
                for name in self.machines
            ],
            "losses": _losses_json(self.losses()),
            "better": self.better.answer_json(),
            "streams": {"only_a": only_a, "only_b": only_b},
        }

    def __repr__(self) -> str:
        change = self.cell["oee"]
        return f"CompareResult(oee {change.value:+.4f} [{change.low:+.4f}, {change.high:+.4f}])"

    def _plans(self, which: str) -> Sequence[MachinePlan]:
        return self.results.settings[which == B].cell.machines

    def _of(
        self, which: str, machine: str | None
    ) -> tuple[Sequence[MachinePlan], Sequence[SumArrays]]:
        """Plans and sums of a cell's machines, or of the one that is named."""
        plans, sums = self._plans(which), self.results.sums[which == B].machines
        places = [n for n, plan in enumerate(plans) if machine in (None, plan.name)]
        if not places:
            raise KeyError(f"no machine is named {machine!r} in {which}")
        return [plans[place] for place in places], [sums[place] for place in places]

    @property
    def _has_crews(self) -> bool:
        return all(setting.cell.crew.operators for setting in self.results.settings)

    @property
    def _oee_deviations(self) -> tuple[float, Floats]:
        own, other = self.cell.own["oee"], self.cell.other["oee"]
        return other.value - own.value, other.deviations - own.deviations

    def _loss_times(
        self, which: str, machine: str | None
    ) -> tuple[dict[str, tuple[str, Floats]], Floats]:
        """Label and time of each loss, summed over machines, and their planned busy time."""
        times: dict[str, tuple[str, Floats]] = {}
        busy_us = np.zeros(self.results.replications)
        for plan, sums in zip(*self._of(which, machine), strict=True):
            parts = breakdown(sums, plan, self.results.confidence)
            busy_us = busy_us + parts.planned_busy_us
            for loss in parts.losses:
                label, so_far = times.get(loss.name, (loss.label, np.zeros(len(busy_us))))
                times[loss.name] = label, so_far + loss.time_us
        return times, busy_us

    def _other_study(self) -> Iterable[str]:
        """Where B's own study table asked for something else."""
        own, other = self.config.study, self.other.study
        for name in FROM_A:
            asked, used = getattr(other, name), getattr(own, name)
            if asked != used:
                yield (
                    f"B's own study.{name} is {asked:g}; both are studied with A's, {used:g}, so "
                    "that they meet the same luck."
                )
        if self.other.money is not None and self.other.money != self.config.money:
            yield "B's own [money] is not used: both are valued with A's, if A has one."

    def _windows(self) -> Iterable[str]:
        own, other = self.config.study, self.other.study
        for name, what in (("shift_h", "shift"), ("warm_up_h", "warm-up")):
            asked, used = getattr(other, name), getattr(own, name)
            if asked != used:
                yield (
                    f"B's {what} is {asked:g} h and A's {used:g} h: their difference is one of "
                    "different windows too, and counts (good packs, bags) are not alike."
                )
        if own.minor_stop_min != other.minor_stop_min:
            yield (
                f"study.minor_stop_min is {own.minor_stop_min:g} in A and "
                f"{other.minor_stop_min:g} in B: availability and performance differ by that "
                "convention too; OEE does not."
            )

    def _luck(self) -> Iterable[str]:
        only_a, only_b = self.unshared
        if only_a or only_b:
            shared = len(streams_of(self.results.settings[0].cell)) - len(only_a)
            yield (
                f"Not all luck is shared. Random streams of both: {shared}; of A alone: "
                f"{len(only_a)}{_listed(only_a)}; of B alone: {len(only_b)}{_listed(only_b)}. "
                "Names of machines, stations and duties are part of their luck: a renamed one "
                "draws anew."
            )
        ratio = self.cell.width_ratio("oee")
        if ratio > 1:
            yield (
                f"Pairing widened the interval of OEE: {_luck_text(ratio)}. The same luck does "
                "the two cells good and harm in opposite ways."
            )

    def luck_in_words(self) -> str:
        """What luck in common did to the interval of OEE; empty where nothing varies."""
        ratio = self.cell.width_ratio("oee")
        return f"Luck in common: {_luck_text(ratio)}." if isfinite(ratio) else ""


def compare(
    config: Config,
    other: Config,
    *,
    work: Work = HERE,
    precision: Precision | None = None,
) -> CompareResult:
    """Simulate two configs on the same luck.

    Seed, replications and confidence are the first one's.

    Parameters
    ----------
    config, other : Config
        A and B; differences are B minus A.
    work : Work
        Who simulates; the answer is the same.
    precision : Precision, optional
        Half-widths that the figures of each config are to reach.

    Returns
    -------
    CompareResult

    Raises
    ------
    TooLarge
        If the study would run for hours.

    References
    ----------
    Law, Simulation Modeling and Analysis, sec. 10.2.1 (paired t) and 11.2 (common random
    numbers).
    """
    results, shortfalls = simulate_settings(
        config, compare_settings(config, other), work, precision
    )
    return CompareResult(config, other, results, rows_of(results), shortfalls)


def compare_settings(config: Config, other: Config) -> list[Setting]:
    """The two settings of a comparison."""
    return [Setting({CONFIG: A}, build_cell(config)), Setting({CONFIG: B}, build_cell(other))]


def one_sided_confidence(value: float, deviations: Floats) -> float:
    """Confidence at which an expected difference lies above 0.

    Parameters
    ----------
    value : float
        The difference.
    deviations : array of shape (n,)
        Its linearised deviations, one number a replication.

    Returns
    -------
    float
        The one-sided confidence whose limit is just 0: Student's t distribution at
        value / (s / sqrt(n)); a half where nothing differs at all, not a number for n = 1.

    References
    ----------
    Student's t, one-sided: any text. Law, Simulation Modeling and Analysis, sec. 10.2.1 has the
    paired interval that it belongs to.
    """
    from scipy.special import stdtr

    n = len(deviations)
    if n < 2 or not isfinite(value):
        return float("nan")
    error = float(np.std(deviations, ddof=1)) / float(np.sqrt(n))
    if error == 0:
        return 0.5 if value == 0 else float(value > 0)
    return float(stdtr(n - 1, value / error))


def figure_per_shift(measure: Measure, machines: Sequence[SumArrays]) -> Floats:
    """A share or ratio of a cell in each single shift, shape (n,)."""
    tops = np.sum([measure.top(sums) for sums in machines], axis=0)
    bottoms = np.sum([measure.bottom(sums) for sums in machines], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios: Floats = tops / bottoms
    return ratios


def _share(
    name: str, label: str, times: Mapping[str, tuple[str, Floats]], busy_us: Floats
) -> Figure:
    """A loss's share of planned busy time."""
    _, time_us = times.get(name, (label, np.zeros(len(busy_us))))
    measure = Measure(name, "", label, SHARE, lambda _: time_us, lambda _: busy_us)
    return figure(measure, [{}])


def _size(value: float) -> float:
    return abs(value) if isfinite(value) else 0.0


def _listed(names: Sequence[str]) -> str:
    if not names:
        return ""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f" ({', '.join(names[:MOST_NAMED])}{more})"


def _luck_text(ratio: float) -> str:
    return f"the interval is {ratio:.2g} times as wide as with independent luck"


def _differences_json(pair: Pair) -> dict[str, dict[str, Any]]:
    found = {}
    for name, change in pair.differences().items():
        found[name] = estimate_json(change)
        found[name]["width_to_independent"] = finite_or_none(pair.width_ratio(name))
    return found


def _losses_json(changes: Sequence[LossChange]) -> list[dict[str, Any]]:
    return [
        {
            "loss": loss.name,
            "label": loss.label,
            "changed": loss.has_changed,
            "a": finite_or_none(loss.own.value),
            "b": finite_or_none(loss.other.value),
            **estimate_json(loss.change),
        }
        for loss in changes
    ]
