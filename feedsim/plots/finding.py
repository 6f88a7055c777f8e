"""What the curves of OEE over capacity say, in a sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.plots.curves import Curve
from feedsim.plots.wording import percent, percent_with_interval

MOST_NAMED = 3


def levels_off_at(curve: Curve) -> float | None:
    """Find the smallest capacity from which OEE stays within the interval of the largest's.

    Returns
    -------
    float or None
        Bags per lane; None without an interval, and where only the largest lies within.
    """
    largest = curve.estimates[-1]
    found = None
    points = list(zip(curve.capacities_bags, curve.estimates, strict=True))
    for capacity, estimate in reversed(points[:-1]):
        if not largest.low <= estimate.value <= largest.high:
            break
        found = capacity
    return found


def sentence(curves: Sequence[Curve]) -> str:
    """Say at which capacity OEE levels off, for several curves one by one.

    Parameters
    ----------
    curves : sequence of Curve
        Of the OEE.
    """
    if len(curves) == 1:
        return f"OEE {_said(curves[0])}"
    if len(curves) <= MOST_NAMED:
        return "OEE: " + "; ".join(f"{curve.label}, {_told(curve)}" for curve in curves)
    found = sorted(at for at in map(levels_off_at, curves) if at is not None)
    if not found:
        return f"OEE levels off on none of the {len(curves)} curves"
    return f"OEE levels off at {_span(found)} bags per lane on {len(found)} of {len(curves)} curves"


def _span(found: Sequence[float]) -> str:
    low, high = found[0], found[-1]
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _said(curve: Curve) -> str:
    """Say it of an only curve."""
    smallest, largest = curve.capacities_bags[0], curve.capacities_bags[-1]
    first, last = curve.estimates[0], curve.estimates[-1]
    if smallest == largest:
        return f"is {percent_with_interval(last)} at {largest:g} bags per lane"
    if math.isnan(last.half_width):
        return (
            f"is {percent(first.value)} at {smallest:g} and {percent(last.value)} "
            f"at {largest:g} bags per lane"
        )
    at = levels_off_at(curve)
    if at is None:
        text = f"still {_moves(curve)} at {largest:g} bags per lane, the largest tried"
        return f"{text}: {percent(last.value)}"
    if at == smallest:
        return (
            f"is alike from {smallest:g} to {largest:g} bags per lane, as far as its "
            f"interval tells: {percent(last.value)}"
        )
    return f"levels off at {at:g} bags per lane: {percent(_value_at(curve, at))}"


def _told(curve: Curve) -> str:
    """Say it of one of several curves."""
    smallest, largest = curve.capacities_bags[0], curve.capacities_bags[-1]
    last = curve.estimates[-1]
    if smallest == largest or math.isnan(last.half_width):
        return f"{percent(last.value)} at {largest:g} bags per lane"
    at = levels_off_at(curve)
    if at is None:
        return f"still {_moves(curve)} at {largest:g} bags per lane ({percent(last.value)})"
    return f"level from {at:g} bags per lane on ({percent(_value_at(curve, at))})"


def _moves(curve: Curve) -> str:
    return "rises" if curve.estimates[-1].value > curve.estimates[-2].value else "falls"


def _value_at(curve: Curve, capacity: float) -> float:
    return curve.estimates[curve.capacities_bags.index(capacity)].value
