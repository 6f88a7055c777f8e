"""Where planned busy time went: into good packs, and into every loss by its cause.

The parts of a machine add up to its planned busy time, to the microsecond. Time stopped goes
to the state that had it, a pocket is worth the cycle at the machine's speed, slow cycles what
they took longer, and what is left of running time are the cycles that the window's edges cut.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.accounts import BalanceError
from feedsim.accounts.reading import LOST
from feedsim.accounts.record import (
    BLOCKED,
    CHANGEOVER,
    DRY,
    JAM,
    LANE_FAULT,
    MISSED,
    PLANNED_STOP,
    RESTARTING,
    RETRY,
    RUNNING,
    SKEWED,
)
from feedsim.accounts.timeline import BY_SPEED as SPEED
from feedsim.accounts.timeline import blockers_of, states_of
from feedsim.cell import MachinePlan
from feedsim.film import FAULTS
from feedsim.measures import OEE, SHARE, Measure, SumArrays, figure
from feedsim.stats import Estimate, Floats, estimate

MIN_PER_8_H = 480.0
TOLERANCE_US = 1.0
SMALL = 0.002

# No station's state holds a slash, so these are never one.
SLOW = "speed/slow_cycles"
CUT = "speed/cut_cycles"
SCRAPPED = "rejects/scrapped"
CLOSED_BADLY = "rejects/skewed"
OTHER = "gathered/other"
# Of a plant's log: running time that no pack counted accounts for.
REST = "speed/rest"

LABELS = {
    RETRY: "retrying missed picks",
    RESTARTING: "restarting after halts",
    DRY: "dry: no bags",
    LANE_FAULT: "lane fault",
    JAM: "jam",
    BLOCKED: "blocked: accumulation full",
    CHANGEOVER: "changeover",
    SLOW: "slow cycles on one lane",
    SCRAPPED: "rejects: scrapped at halts",
    CUT: "cycles cut by the window",
    CLOSED_BADLY: "rejects: closed badly",
    "pockets/missed": "lost pockets: missed picks",
    "pockets/double": "lost pockets: double picks",
    "pockets/unopened": "lost pockets: unopened bags",
    "pockets/jam": "lost pockets: jams",
}


@dataclass(frozen=True, slots=True, eq=False)
class Loss:
    """A part of planned busy time, with its cause.

    Attributes
    ----------
    name : str
        A state, an outcome (``pockets/<outcome>``) or ``blocked_by_<station>``.
    label : str
        The same for readers.
    state : str
        What it is drawn as: its name, or the state that it is a part of.
    share : Estimate
        Of planned busy time.
    time_us : array of shape (n,)
        Its time in each replication.
    """

    name: str
    label: str
    state: str
    share: Estimate
    time_us: Floats

    @property
    def minutes(self) -> float:
        """Minutes in 8 hours of planned busy time."""
        return self.share.value * MIN_PER_8_H


@dataclass(frozen=True, slots=True, eq=False)
class Breakdown:
    """A machine's planned busy time in parts; the losses by size, the largest first."""

    planned_busy_us: Floats
    good: Loss
    losses: tuple[Loss, ...]


def losses(sums: SumArrays, plan: MachinePlan, confidence: float) -> list[Loss]:
    """List the losses of one machine, the largest first, as `breakdown` tells them apart."""
    return list(breakdown(sums, plan, confidence).losses)


def breakdown(sums: SumArrays, plan: MachinePlan, confidence: float) -> Breakdown:
    """Cut a machine's planned busy time into good packs and losses by cause.

    Parameters
    ----------
    sums : mapping from the name of a sum to an array of shape (n,)
        One number a replication.
    plan : MachinePlan
        The machine; what cannot happen at it is left out.
    confidence : float
        Of the intervals.

    Returns
    -------
    Breakdown
        Shares of planned busy time, which sum to 1. The share of cut cycles may be below 0,
        where a window begins within a cycle.

    Raises
    ------
    BalanceError
        If the parts do not add up.

    References
    ----------
    Own derivation, from the meaning of the states and OEE = good packs x cycle / planned busy
    time.
    """
    planned_busy_us = OEE.bottom(sums)
    good = Loss(
        "good",
        "good packs",
        RUNNING,
        figure(OEE, [sums]).estimate(confidence),
        OEE.top(sums),
    )
    found = [
        loss_of(sums, name, label, state, time_us, confidence)
        for name, label, state, time_us in _parts(sums, plan)
        if time_us.any() or _can_happen(name, plan)
    ]
    _check(plan, planned_busy_us, [good, *found])
    found.sort(key=lambda loss: -np.nan_to_num(loss.share.value))
    return Breakdown(planned_busy_us, good, tuple(found))


def gathered(whole: Breakdown, sums: SumArrays, confidence: float) -> Breakdown:
    """Gather the losses below 0.2 % that were seen into one, if there are several.

    Parameters
    ----------
    whole : Breakdown
    sums : mapping from the name of a sum to an array of shape (n,)
        What it was made of.
    confidence : float
        Of the interval.
    """
    small = [loss for loss in whole.losses if loss.time_us.any() and loss.share.value < SMALL]
    if len(small) < 2:
        return whole
    time_us = np.sum([loss.time_us for loss in small], axis=0)
    label = f"other: {len(small)} below {100 * SMALL:g} %"
    other = loss_of(sums, OTHER, label, OTHER, time_us, confidence)
    kept = [loss for loss in whole.losses if loss not in small]
    seen = [loss for loss in kept if loss.time_us.any()]
    unseen = [loss for loss in kept if not loss.time_us.any()]
    return Breakdown(whole.planned_busy_us, whole.good, (*seen, other, *unseen))


def loss_of(
    sums: SumArrays, name: str, label: str, state: str, time_us: Floats, confidence: float
) -> Loss:
    """Put an interval on a part of planned busy time.

    Parameters
    ----------
    sums : mapping from the name of a sum to an array of shape (n,)
    name, label, state : str
        As in `Loss`.
    time_us : array of shape (n,)
    confidence : float
    """
    measure = Measure(name, "", label, SHARE, lambda _: time_us, OEE.bottom)
    found = figure(measure, [sums])
    lowest = -1.0 if name in (CUT, OTHER, REST) else 0.0
    share = estimate(
        found.value, found.deviations, found.seen_in, confidence, (lowest, measure.bounds[1])
    )
    return Loss(name, label, state, share, time_us)


Part = tuple[str, str, str, Floats]


def _parts(sums: SumArrays, plan: MachinePlan) -> Iterator[Part]:
    """Name, label, state and time of every loss."""
    cycle_us = sums["cycle_us"]
    spoken = {station.state: station.name for station in plan.stations}
    for state in states_of(plan):
        if state == BLOCKED and plan.outfeed is not None:
            yield from _blocked(sums, plan)
        elif state not in (RUNNING, PLANNED_STOP):
            label = LABELS[state] if state in LABELS else f"{spoken[state]} stopped"
            yield state, label, state, sums[f"time_{state}_us"]
    for outcome in LOST:
        name = f"pockets/{outcome}"
        yield name, LABELS[name], name, sums[f"pockets_{outcome}"] * cycle_us
    yield CLOSED_BADLY, LABELS[CLOSED_BADLY], CLOSED_BADLY, sums[f"pockets_{SKEWED}"] * cycle_us
    yield SCRAPPED, LABELS[SCRAPPED], SCRAPPED, sums["scrapped_packs"] * cycle_us
    pockets = sums["good_packs"] + sums["rejected_packs"] + sums["lost_pockets"]
    rest_us = sums[f"time_{RUNNING}_us"] - pockets * cycle_us
    yield SLOW, LABELS[SLOW], SLOW, sums["slow_cycles_us"]
    yield CUT, LABELS[CUT], SLOW, rest_us - sums["slow_cycles_us"]


def _blocked(sums: SumArrays, plan: MachinePlan) -> Iterator[Part]:
    """Blocked time by what stopped first behind the accumulation."""
    outfeed = plan.outfeed
    spoken = {station.state: station.name for station in outfeed.stations} if outfeed else {}
    for blocker in blockers_of(plan):
        name = f"{BLOCKED}_by_{blocker}"
        what = "outfeed too slow" if blocker == SPEED else f"{spoken[blocker]} stopped"
        yield name, f"{BLOCKED}: {what}", BLOCKED, sums[f"{name}_us"]


def _slows(plan: MachinePlan) -> bool:
    return plan.lanes > 1 and plan.single_lane_cycle_us > plan.cycle_us


def _can_happen(name: str, plan: MachinePlan) -> bool:
    """Whether a loss may occur at a machine at all."""
    chances = dict(zip(FAULTS, map(max, plan.chances, plan.bad_chances), strict=True))
    missed = chances[MISSED] > 0
    conditions = {
        RETRY: missed and plan.retries > 0 and plan.retry_us > 0,
        RESTARTING: plan.restart_us > 0,
        LANE_FAULT: missed and plan.misses_to_stop > 0,
        JAM: chances["jam"] > 0,
        BLOCKED: plan.outfeed is not None,
        CHANGEOVER: False,
        CLOSED_BADLY: chances[SKEWED] > 0,
        SCRAPPED: plan.scrap_packs > 0,
        SLOW: _slows(plan),
        CUT: False,
    }
    conditions |= {f"pockets/{outcome}": chances[outcome] > 0 for outcome in LOST}
    return conditions.get(name, True)


def _check(plan: MachinePlan, planned_busy_us: Floats, parts: Sequence[Loss]) -> None:
    """Check that the parts fill planned busy time, and that the rest is what it is called."""
    total_us = np.sum([part.time_us for part in parts], axis=0)
    gap_us = float(np.max(np.abs(total_us - planned_busy_us)))
    if gap_us > TOLERANCE_US:
        raise BalanceError(
            f"{plan.name}: the losses and good packs miss planned busy time by {gap_us:,.0f} us"
        )
    longest_us = max(plan.cycle_us, plan.single_lane_cycle_us)
    cut_us = next((part.time_us for part in parts if part.name == CUT), np.zeros(1))
    low_us, high_us = float(cut_us.min()), float(cut_us.max())
    if low_us < -longest_us or high_us > longest_us:
        raise BalanceError(
            f"{plan.name}: running time and cycles differ by {low_us:,.0f} to {high_us:,.0f} us"
        )
