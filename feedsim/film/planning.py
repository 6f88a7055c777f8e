"""Planning chances of the five pick faults, and the closures they are known for."""

from __future__ import annotations

import math

FAULTS = ("missed", "double", "unopened", "skewed", "jam")
# Of the faults per pick attempt, in their order.
Chances = tuple[float, float, float, float, float]
CLOSURES = ("plain", "press_zip", "front_zip", "hook_zip", "slider", "handle")

PLANNING_SOURCE = "planning value, from memory"
PLANNING_STIFFNESS_uNm = 40.0
PLANNING_VALID_uNm = (10.0, 1000.0)

# Odds per pick attempt at 40 uN.m, faults in the order of FAULTS: planning values, from memory.
PLANNING_ODDS: dict[str, Chances] = {
    "plain": (0.0020, 0.0004, 0.0010, 0.0005, 0.00005),
    "press_zip": (0.0030, 0.0003, 0.0030, 0.0008, 0.00010),
    "front_zip": (0.0030, 0.0004, 0.0015, 0.0008, 0.00010),
    "hook_zip": (0.0040, 0.0006, 0.0050, 0.0010, 0.00015),
    "slider": (0.0050, 0.0003, 0.0020, 0.0012, 0.00030),
    "handle": (0.0040, 0.0005, 0.0015, 0.0012, 0.00020),
}
PLANNING_EXPONENTS = (1.0, 0.5, 0.5, 0.7, 0.7)
MOUTH_OPENER_DIVISOR = 3.0


def planning_chances(
    closure: str,
    stiffness_uNm: float,  # noqa: N803 (the unit)
    mouth_opener: bool = False,
) -> Chances:
    """Chances per pick attempt of the five faults, from the planning odds.

    Odds at stiffness S are odds(40) * (40 / S)^b for each fault; chance = odds / (1 + odds).

    Parameters
    ----------
    closure : str
        One of `CLOSURES`.
    stiffness_uNm : float
        Bending stiffness of one panel, machine direction, above 0. The rule of thumb holds from
        10 to 1,000 uN.m: see `stiffness_warning`.
    mouth_opener : bool
        A device that opens the closure at the feed divides the odds of unopened by 3.

    Returns
    -------
    tuple of 5 floats
        Chances in the order of `FAULTS`.

    Raises
    ------
    ValueError
        Unknown closure, or a stiffness that is not a positive finite number.

    References
    ----------
    Planning values, from memory: to be replaced by a plant's own pick trials.
    """
    if closure not in PLANNING_ODDS:
        raise ValueError(f"closure must be one of {', '.join(CLOSURES)}, is {closure!r}")
    if not (math.isfinite(stiffness_uNm) and stiffness_uNm > 0):
        raise ValueError(f"stiffness must be a number above 0 uN.m, is {stiffness_uNm}")
    ratio = PLANNING_STIFFNESS_uNm / stiffness_uNm
    chances = []
    for fault, odds_at_40, exponent in zip(
        FAULTS, PLANNING_ODDS[closure], PLANNING_EXPONENTS, strict=True
    ):
        odds = odds_at_40 * ratio**exponent
        if fault == "unopened" and mouth_opener:
            odds /= MOUTH_OPENER_DIVISOR
        chances.append(odds / (1 + odds))
    missed, double, unopened, skewed, jam = chances
    return (missed, double, unopened, skewed, jam)


def stiffness_warning(stiffness_uNm: float) -> str | None:  # noqa: N803 (the unit)
    """Say so where a stiffness lies outside the range of the planning odds, else None."""
    low, high = PLANNING_VALID_uNm
    if low <= stiffness_uNm <= high:
        return None
    return (
        f"a stiffness of {stiffness_uNm:.4g} uN.m is outside {low:g} to {high:g} uN.m, where the "
        "planning values hold as a rule of thumb: the fault chances are a guess"
    )


def chance_of_any(chances: Chances) -> float:
    """Chance of any fault: the faults' chances added in their order, one by one.

    Python's own `sum` adds floats in another way from one version to the next. Chances that are
    written in decimals may sum to a hair above 1.
    """
    reached = 0.0
    for chance in chances:
        reached += chance
    return reached
