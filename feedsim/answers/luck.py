"""Luck in common: which random streams two cells share, and what that does to a difference."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from feedsim.cell import Cell, CrewPlan, MachinePlan
from feedsim.config import Spread
from feedsim.stats import Floats

CONSTANT = "constant"


def streams_of(cell: Cell) -> list[str]:
    """Names of the random streams that a cell may draw from.

    Parameters
    ----------
    cell : Cell

    Returns
    -------
    list of str
        Machine by machine, then the duties; what draws nothing (a constant time, a pick that
        never fails, the work of nobody) is left out.
    """
    names = [name for plan in cell.machines for name in _machine_streams(plan, cell.crew)]
    if cell.crew.operators:
        names += [f"duty/{duty.name}" for duty in cell.crew.duties if _draws(duty.takes)]
    return names


def unshared_streams(cell: Cell, other: Cell) -> tuple[list[str], list[str]]:
    """Streams that only the one cell draws from, and those that only the other does."""
    own, others = streams_of(cell), streams_of(other)
    in_own, in_others = set(own), set(others)
    return [n for n in own if n not in in_others], [n for n in others if n not in in_own]


def width_ratio(deviations: Floats, other: Floats) -> float:
    """How wide a paired difference's interval is, next to one on independent luck.

    Parameters
    ----------
    deviations, other : arrays of shape (n,)
        Linearised deviations of the two figures, one number a replication.

    Returns
    -------
    float
        sqrt(var(x - y) / (var(x) + var(y))): below 1 where luck in common narrows the interval,
        above 1 where it widens it; not a number where nothing varies or n = 1.

    References
    ----------
    var(x - y) = var(x) + var(y) - 2 cov(x, y): Law, Simulation Modeling and Analysis, sec. 11.2
    (common random numbers), from memory.
    """
    if len(deviations) < 2:
        return float("nan")
    apart = float(np.var(deviations, ddof=1) + np.var(other, ddof=1))
    if not apart > 0:
        return float("nan")
    return float(np.sqrt(np.var(deviations - other, ddof=1) / apart))


def _draws(spread: Spread) -> bool:
    return spread.family != CONSTANT


def _machine_streams(plan: MachinePlan, crew: CrewPlan) -> Iterator[str]:
    owner = f"{plan.table}/{plan.ordinal}"
    has_bad_bundles = plan.bad_share is not None
    for lane in range(1, plan.lanes + 1):
        if sum(plan.chances) > 0 or (has_bad_bundles and sum(plan.bad_chances) > 0):
            yield f"pick/{owner}/{lane}"
        if has_bad_bundles:
            yield f"bad_bundles/{owner}/{lane}"
    # A call is noticed or not whether or not there is anybody to come.
    times = {"notice": crew.notice}
    if crew.operators:
        times |= {"visit": plan.visit, "bundle": plan.bundle}
        times |= {"fetch": plan.fetch, "clear": plan.clear}
    yield from (f"{purpose}/{owner}" for purpose, spread in times.items() if _draws(spread))
    for station in plan.all_stations:
        if _draws(station.between_stops):
            yield f"between_stops/{owner}/{station.name}"
        if _draws(station.stop) and (crew.operators or not station.needs_operator):
            yield f"stop/{owner}/{station.name}"
