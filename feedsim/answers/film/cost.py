"""What the misses of each kind cost in OEE."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import sqrt

from feedsim.answers.film.varied import SINGLE, STIFFNESS, Curve, miss_rate
from feedsim.answers.rows import Row, row_of
from feedsim.stats import Estimate, Floats, t_quantile
from feedsim.study import Results


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


def costs_of(curves: Sequence[Curve], results: Results, rows: Sequence[Row]) -> Iterator[MissCost]:
    """What the misses of each kind cost each machine: the last settings are without them."""
    if curves[0].kind == STIFFNESS or results.replications < 2:
        return
    cells = [setting.cell for setting in results.settings]
    for place, plan in enumerate(cells[0].machines):
        now = row_of(rows, plan.name, 0).figures["oee"]
        single: tuple[float, Floats] | None = None
        for number, curve in enumerate(curves, start=len(cells) - len(curves)):
            rate = miss_rate(plan) - miss_rate(cells[number].machines[place])
            if rate <= 0:
                continue
            without = row_of(rows, plan.name, number).figures["oee"]
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
