"""From a magazine's geometry to the number of bags that a lane holds."""

from __future__ import annotations

import math

# Lengths come from drawings in decimals: 400 / 0.2 must give 2000 and 1.2 / 0.1 must give 12,
# though binary fractions put them a hair below. A part in 10^9 of a bag is dust.
_DUST = 1e-9
# Up to here a floating-point number tells whole numbers apart; a quotient may be infinite.
_MOST_FITS = 1e15


def whole_fits(length_mm: float, part_mm: float) -> int:
    """How many whole parts fit into a length, safe against binary dust.

    Parameters
    ----------
    length_mm, part_mm : float
        Both in mm (or any common unit); the part above 0.

    Returns
    -------
    int
        The largest n with n * part <= length, lengths equal to 1e-9 counting as equal; 10^15
        where it is more.

    Raises
    ------
    ValueError
        The part is not above 0, or one of them is not a finite number.

    References
    ----------
    Own derivation.
    """
    if not (math.isfinite(length_mm) and math.isfinite(part_mm) and part_mm > 0):
        raise ValueError(f"cannot fit parts of {part_mm} mm into {length_mm} mm")
    ratio = min(length_mm / part_mm, _MOST_FITS)
    nearest = round(ratio)
    if abs(ratio - nearest) <= _DUST * max(1.0, abs(ratio)):
        return nearest
    return math.floor(ratio)


def stacked_capacity_bags(
    *,
    stack_height_mm: float,
    bag_thickness_mm: float,
    lane_length_mm: float | None = None,
    bag_length_mm: float | None = None,
    gap_mm: float = 0.0,
) -> int:
    """Bags in a lane of piles.

    A pile holds floor(H / t); along a lane of length L stand floor((L + g) / (l + g)) piles of
    bag length l with gap g between them. Without both lengths there is one pile.

    Parameters
    ----------
    stack_height_mm, bag_thickness_mm : float
        Height of a pile, and the thickest compressed zone of a bag, mm.
    lane_length_mm, bag_length_mm : float or None
        Both or neither, mm.
    gap_mm : float
        Between piles, mm.

    Returns
    -------
    int
        Bags per lane; 0 where not even one fits.

    Raises
    ------
    ValueError
        Only one of the two lengths is given, or a thickness or length is not above 0.

    References
    ----------
    N = H / t: common practice of the trade, from memory. Piles along the lane: own derivation.
    """
    pile = whole_fits(stack_height_mm, bag_thickness_mm)
    if lane_length_mm is None and bag_length_mm is None:
        return max(pile, 0)
    if lane_length_mm is None or bag_length_mm is None:
        raise ValueError("piles along a lane need both lane_length_mm and bag_length_mm")
    return max(pile, 0) * max(whole_fits(lane_length_mm + gap_mm, bag_length_mm + gap_mm), 0)


def shingled_capacity_bags(
    *, lane_length_mm: float, shingle_pitch_mm: float, bag_length_mm: float | None = None
) -> int:
    """Bags in a lane of overlapping bags.

    floor((L - l) / p) + 1 for lane length L, bag length l and pitch p; without a bag length it
    is the handbook's L / p + 1, which lets the last bag overhang.

    Parameters
    ----------
    lane_length_mm, shingle_pitch_mm : float
        Length of the lane, and the distance from one bag's edge to the next one's, mm.
    bag_length_mm : float or None
        Along the lane, mm.

    Returns
    -------
    int
        Bags per lane; 0 where the lane is shorter than a bag.

    Raises
    ------
    ValueError
        The pitch is not above 0, or a length is not a finite number.

    References
    ----------
    N = L / p + 1: common practice of the trade, from memory. With the bag's length: own
    derivation.
    """
    steps = whole_fits(lane_length_mm - (bag_length_mm or 0.0), shingle_pitch_mm)
    return max(steps + 1, 0)
