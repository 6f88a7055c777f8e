"""What the curves of OEE over capacity say, in a sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.plots.curves import Curve
from feedsim.plots.wording import percent, percent_with_interval

MOST_NAMED = 3
LARGEST = ", the largest tried"


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
    if not all(map(_is_judged, curves)):
        return _plainly(curves)
    found = [levels_off_at(curve) for curve in curves]
    if _agree(curves, found):
        values = sorted(_value_at(curve, at) for curve, at in zip(curves, found, strict=True))
        state = _state(curves[0]).removesuffix(LARGEST)
        return f"OEE {state} on every curve: {_percent_span(values)}"
    if len(curves) <= MOST_NAMED:
        return "OEE: " + "; ".join(f"{curve.label}, {_told(curve)}" for curve in curves)
    level = sorted(at for at in found if at is not None)
    if not level:
        return f"OEE levels off on none of the {len(curves)} curves"
    return f"OEE levels off at {_span(level)} bags per lane on {len(level)} of {len(curves)} curves"


def _agree(curves: Sequence[Curve], found: Sequence[float | None]) -> bool:
    """Whether the same can be said of all curves, their values apart."""
    return len(set(found)) == len({_state(curve) for curve in curves}) == 1


def _plainly(curves: Sequence[Curve]) -> str:
    """Give the OEE at the largest capacity, where no more can be said."""
    last = curves[0].capacities_bags[-1]
    values = [curve.estimates[-1].value for curve in curves]
    if any(curve.capacities_bags[-1] != last for curve in curves):
        return f"OEE at the largest capacity tried: {_percent_span(sorted(values))}"
    if len(curves) > MOST_NAMED:
        return f"OEE at {last:g} bags per lane: {_percent_span(sorted(values))}"
    told = (f"{percent(v)} with {c.label}" for c, v in zip(curves, values, strict=True))
    return f"OEE at {last:g} bags per lane: {', '.join(told)}"


def _is_judged(curve: Curve) -> bool:
    """Whether there is more than one capacity, and an interval."""
    return len(curve.estimates) > 1 and not math.isnan(curve.estimates[-1].half_width)


def _span(found: Sequence[float]) -> str:
    low, high = found[0], found[-1]
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _percent_span(values: Sequence[float]) -> str:
    low, high = percent(values[0]), percent(values[-1])
    return low if low == high else f"{low.removesuffix(' %')} to {high}"


def _said(curve: Curve) -> str:
    """Say it of an only curve."""
    smallest, largest = curve.capacities_bags[0], curve.capacities_bags[-1]
    first, last = curve.estimates[0], curve.estimates[-1]
    if smallest == largest:
        return f"is {percent_with_interval(last)} at {largest:g} bags per lane"
    if not _is_judged(curve):
        return (
            f"is {percent(first.value)} at {smallest:g} and {percent(last.value)} "
            f"at {largest:g} bags per lane"
        )
    return f"{_state(curve)}: {percent(_value_at(curve, levels_off_at(curve)))}"


def _told(curve: Curve) -> str:
    """Say it of one of several curves."""
    value = percent(_value_at(curve, levels_off_at(curve)))
    return f"{_state(curve).removesuffix(LARGEST)} ({value})"


def _state(curve: Curve) -> str:
    """Say how OEE goes on towards the largest capacity."""
    smallest, largest = curve.capacities_bags[0], curve.capacities_bags[-1]
    at = levels_off_at(curve)
    if at is None:
        return f"still {_moves(curve)} at {largest:g} bags per lane{LARGEST}"
    if at == smallest:
        return f"is alike from {smallest:g} to {largest:g} bags per lane within its interval"
    return f"levels off at {at:g} bags per lane"


def _moves(curve: Curve) -> str:
    return "rises" if curve.estimates[-1].value > curve.estimates[-2].value else "falls"


def _value_at(curve: Curve, capacity: float | None) -> float:
    """OEE at a capacity; None is the largest."""
    if capacity is None:
        return curve.estimates[-1].value
    return curve.estimates[curve.capacities_bags.index(capacity)].value
