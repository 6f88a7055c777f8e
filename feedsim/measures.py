"""The measures: what is reported of a window, each a ratio of sums, declared once.

Shares are of planned busy time, rates per hour of it. Over replications, and over the
machines of a cell, figures are ratios of sums, never means of ratios.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.accounts.record import (
    BLOCKED,
    CHANGEOVER,
    DRY,
    JAM,
    LANE_FAULT,
    PLANNED_STOP,
    RESTARTING,
    RETRY,
    RUNNING,
)
from feedsim.accounts.timeline import BY_SPEED, blockers_of, causes_of, states_of
from feedsim.cell import Cell, MachinePlan
from feedsim.stats import (
    Estimate,
    Floats,
    difference,
    estimate,
    is_seldom,
    margin,
    seldom_limit,
    sum_of_ratios,
)

HOUR_US = 3_600_000_000.0

SumArrays = Mapping[str, Floats]
Part = Callable[[SumArrays], Floats]

SHARE, RATIO, RATE, COUNT = "share", "ratio", "rate", "count"


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure: top over bottom.

    Shares and ratios of a cell divide the machines' summed tops by their summed bottoms;
    rates and counts add the machines' figures. `event` counts what makes the measure differ
    from its value without any event.
    """

    name: str
    unit: str
    meaning: str
    kind: str
    top: Part
    bottom: Part
    event: Part | None = None

    @property
    def bounds(self) -> tuple[float, float]:
        """What the figure can be."""
        return (0.0, 1.0) if self.kind == SHARE else (0.0, np.inf)

    @property
    def adds_up(self) -> bool:
        """Whether the cell's figure is the sum of its machines' figures."""
        return self.kind in (RATE, COUNT)


def _sum(name: str) -> Part:
    def part(sums: SumArrays) -> Floats:
        return sums[name] if name in sums else np.zeros_like(sums["window_us"])

    return part


def planned_busy_us(sums: SumArrays) -> Floats:
    """Time of the window outside planned stops, one number a replication."""
    return sums["window_us"] - sums[f"time_{PLANNED_STOP}_us"]


def _planned_busy_h(sums: SumArrays) -> Floats:
    return planned_busy_us(sums) / HOUR_US


def _available_us(sums: SumArrays) -> Floats:
    return planned_busy_us(sums) - sums[f"time_{CHANGEOVER}_us"] - sums["long_halts_us"]


def _packs(sums: SumArrays) -> Floats:
    return sums["good_packs"] + sums["rejected_packs"]


def packs_us(sums: SumArrays) -> Floats:
    """Time that the packs made take at the machine's speed, one number a replication."""
    return _packs(sums) * sums["cycle_us"]


def _good_packs_us(sums: SumArrays) -> Floats:
    return sums["good_packs"] * sums["cycle_us"]


def _bags_wasted(sums: SumArrays) -> Floats:
    return sums["bags_gone"] - _packs(sums)


def _visits(sums: SumArrays) -> Floats:
    return sums["refill_visits"] + sums["fault_visits"]


def _one(sums: SumArrays) -> Floats:
    return np.ones_like(sums["window_us"])


def _time_share(name: str, state: str, meaning: str) -> Measure:
    # Planned stops lie outside planned busy time: their share of it has no upper end.
    kind = RATIO if state == PLANNED_STOP else SHARE
    return Measure(name, "", meaning, kind, _sum(f"time_{state}_us"), planned_busy_us)


def _count(name: str, unit: str, meaning: str, part: Part) -> Measure:
    return Measure(name, unit, meaning, COUNT, part, _one)


def _rate(name: str, unit: str, meaning: str, part: Part) -> Measure:
    return Measure(name, unit, meaning, RATE, part, _planned_busy_h)


OEE = Measure(
    "oee", "", "good packs x cycle / planned busy time", SHARE, _good_packs_us, planned_busy_us
)
AVAILABILITY = Measure(
    "availability",
    "",
    "planned busy time less changeovers and long halts / planned busy time",
    SHARE,
    _available_us,
    planned_busy_us,
    event=lambda sums: sums[f"time_{CHANGEOVER}_us"] + sums["long_halts_us"],
)
PERFORMANCE = Measure(
    "performance", "", "packs made x cycle / available time", SHARE, packs_us, _available_us
)
QUALITY = Measure(
    "quality",
    "",
    "good packs / packs made",
    SHARE,
    _good_packs_us,
    packs_us,
    event=_sum("rejected_packs"),
)
CREW_BUSY = Measure(
    "crew_busy",
    "",
    "operators' time from taking tasks to ending them / time present",
    SHARE,
    _sum("busy_us"),
    _sum("present_us"),
)
START_SHARE = Measure(
    "start_bags_share",
    "",
    "share of the bags gone that were in the lanes at the shift's start",
    SHARE,
    _sum("bags_from_start"),
    _sum("bags_gone"),
)

GENERAL = (
    OEE,
    AVAILABILITY,
    PERFORMANCE,
    QUALITY,
    _count("good_packs", "packs", "good packs in the window", _sum("good_packs")),
    _count("rejected_packs", "packs", "rejected packs in the window", _sum("rejected_packs")),
    _rate("packs_per_h", "packs/h", "good packs per hour", _sum("good_packs")),
    _count("bags_loaded", "bags", "bags loaded in the window", _sum("bags_loaded")),
    _count("bags_used", "bags", "bags that became packs", _packs),
    _count("bags_wasted", "bags", "bags that left a lane and became no pack", _bags_wasted),
    _count("lost_pockets", "pockets", "cycles that made no pack", _sum("lost_pockets")),
    _rate("visits_per_h", "visits/h", "tasks begun at the machine", _visits),
    _rate("refill_visits_per_h", "visits/h", "loading visits", _sum("refill_visits")),
    _rate("fault_visits_per_h", "visits/h", "visits to clear or restart", _sum("fault_visits")),
    Measure(
        "bags_per_refill",
        "bags",
        "bags loaded per loading visit",
        RATIO,
        _sum("bags_loaded"),
        _sum("refill_visits"),
    ),
    _time_share("dry_share", DRY, "time stopped for want of bags"),
    _time_share("blocked_share", BLOCKED, "time stopped by a full accumulation"),
    Measure(
        "wait_share",
        "",
        "time stopped and waiting for an operator",
        SHARE,
        _sum("wait_us"),
        planned_busy_us,
    ),
    START_SHARE,
)


def measures_of(plans: Sequence[MachinePlan]) -> list[Measure]:
    """All measures of a machine, or of several together, the crew's apart."""
    states = _in_order(state for plan in plans for state in states_of(plan))
    causes = _in_order(cause for plan in plans for cause in causes_of(plan))
    blockers = _in_order(name for plan in plans for name in blockers_of(plan))
    return [
        *GENERAL,
        *(_time_share(f"time_{s}_share", s, _spent(s)) for s in states),
        *(
            Measure(
                f"time_blocked_by_{name}_share",
                "",
                f"time blocked while {_blocker(name)}",
                SHARE,
                _sum(f"blocked_by_{name}_us"),
                planned_busy_us,
            )
            for name in blockers
        ),
        *(
            _rate(f"stops_{c}_per_h", "stops/h", f"halts {_halted(c)}", _sum(f"stops_{c}"))
            for c in causes
        ),
    ]


def _in_order(names: object) -> list[str]:
    return list(dict.fromkeys(names))  # type: ignore[call-overload]


_MOVING = {
    RUNNING: "time running",
    RETRY: "time trying again after missed picks",
    RESTARTING: "time getting back to speed after halts",
}
_HALTED = {
    DRY: "for want of bags",
    LANE_FAULT: "by a lane's fault (misses in a row)",
    JAM: "by a jam",
    BLOCKED: "by a full accumulation",
    CHANGEOVER: "for a changeover",
    PLANNED_STOP: "as planned, for a break or another planned stop",
}


def _spent(state: str) -> str:
    """What time of a state is."""
    return _MOVING[state] if state in _MOVING else f"time stopped {_halted(state)}"


def _halted(state: str) -> str:
    """What stops the machine: a station that is no state of the accounts by its name."""
    return _HALTED[state] if state in _HALTED else f"by {_spoken(state)}"


def _spoken(state: str) -> str:
    return state.replace("_", " ")


def _blocker(name: str) -> str:
    if name == BY_SPEED:
        return "nothing behind was stopped (its speed)"
    return f"{_spoken(name)} had stopped first"


@dataclass(frozen=True, slots=True)
class Figure:
    """A measure's value with each replication's deviation, before an interval is put on it."""

    measure: Measure
    value: float
    deviations: Floats
    seen: NDArray[np.bool_]

    @property
    def seen_in(self) -> int:
        """The number of replications in which what it measures occurred."""
        return int(np.count_nonzero(self.seen))

    def minus(self, other: Figure, confidence: float) -> Estimate:
        """The paired difference to the same measure of another setting."""
        return difference(
            self.value,
            self.deviations,
            other.value,
            other.deviations,
            confidence,
            int(np.count_nonzero(self.seen | other.seen)),
        )

    @property
    def is_seldom(self) -> bool:
        """Whether too few replications saw what it measures for Student's t to hold."""
        return is_seldom(self.seen_in, len(self.seen))

    @property
    def has_few_events(self) -> bool:
        """Whether it was seen, but in too few replications; no interval is needed to tell."""
        return self.seen_in > 0 and self.is_seldom

    def at_least(self, alpha: float) -> float:
        """Lower limit at a one-sided risk of alpha; where there is none, the least possible."""
        return max(self.measure.bounds[0], self.value - margin(self.deviations, alpha))

    def at_most(self, alpha: float) -> float:
        """Upper limit at a one-sided risk of alpha; where there is none, the most possible.

        A zero is trusted no further than it goes.
        """
        largest = max(self.measure.bounds[1], self.value)
        if not self.is_seldom:
            return min(largest, self.value + margin(self.deviations, alpha))
        sizes = self.value + self.deviations[self.seen]
        return seldom_limit(sizes, len(self.seen), alpha, largest)

    def estimate(self, confidence: float) -> Estimate:
        """The value with its interval at a confidence."""
        low, high = self.measure.bounds
        # After a warm-up, OEE and performance may exceed 1 by a part of one cycle.
        bounds = low, max(high, self.value)
        return estimate(self.value, self.deviations, self.seen_in, confidence, bounds)


def figure(measure: Measure, machines: Sequence[SumArrays]) -> Figure:
    """Work out a measure of one machine, or of several as a cell.

    Parameters
    ----------
    measure : Measure
    machines : sequence of mappings from the name of a sum to an array of shape (n,)
        The sums of each machine, one number a replication.

    Returns
    -------
    Figure
        Where there is nothing under the ratio its value is not a number.
    """
    tops = np.stack([measure.top(sums) for sums in machines], axis=1).astype(float)
    bottoms = np.stack([measure.bottom(sums) for sums in machines], axis=1).astype(float)
    events = tops
    if measure.event is not None:
        events = np.stack([measure.event(sums) for sums in machines], axis=1).astype(float)
    if not measure.adds_up:
        tops, bottoms = tops.sum(axis=1, keepdims=True), bottoms.sum(axis=1, keepdims=True)
    value, deviations = sum_of_ratios(tops, bottoms)
    return Figure(measure, value, deviations, np.any(events > 0, axis=1))


def measure_names(cell: Cell) -> list[str]:
    """Names of all measures of a cell, in the order of the tables."""
    return [measure.name for measure in measures_of(cell.machines)] + [CREW_BUSY.name]
