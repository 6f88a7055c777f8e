"""Films: bending stiffness from layers, and planning chances of the five pick faults."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

FAULTS = ("missed", "double", "unopened", "skewed", "jam")
CLOSURES = ("plain", "press_zip", "front_zip", "hook_zip", "slider", "handle")

PLANNING_SOURCE = "planning value, from memory"
PLANNING_STIFFNESS_uNm = 40.0
PLANNING_VALID_uNm = (10.0, 1000.0)

# Odds per pick attempt at 40 uN.m, faults in the order of FAULTS: planning values, from memory.
PLANNING_ODDS: dict[str, tuple[float, float, float, float, float]] = {
    "plain": (0.0020, 0.0004, 0.0010, 0.0005, 0.00005),
    "press_zip": (0.0030, 0.0003, 0.0030, 0.0008, 0.00010),
    "front_zip": (0.0030, 0.0004, 0.0015, 0.0008, 0.00010),
    "hook_zip": (0.0040, 0.0006, 0.0050, 0.0010, 0.00015),
    "slider": (0.0050, 0.0003, 0.0020, 0.0012, 0.00030),
    "handle": (0.0040, 0.0005, 0.0015, 0.0012, 0.00020),
}
PLANNING_EXPONENTS = (1.0, 0.5, 0.5, 0.7, 0.7)
MOUTH_OPENER_DIVISOR = 3.0


@dataclass(frozen=True)
class Material:
    """A film's modulus in machine direction: the value used and the range met with."""

    modulus_GPa: float
    low_GPa: float
    high_GPa: float


# Handbook values from memory, machine direction, except the range of CPP and the upper limits
# of LDPE and BOPP, which come from a comparison of 1 mil films.
MATERIALS: dict[str, Material] = {
    "LDPE": Material(0.20, 0.12, 0.38),
    "LLDPE": Material(0.25, 0.15, 0.35),
    "HDPE": Material(0.90, 0.60, 1.20),
    "MDO-PE": Material(1.20, 0.80, 2.50),
    "BOPE": Material(0.60, 0.40, 1.30),
    "BOPP": Material(2.00, 1.60, 2.40),
    "CPP": Material(0.70, 0.52, 0.90),
    "PET": Material(4.50, 3.80, 5.50),
    "PA": Material(2.50, 1.50, 3.50),
    "Al": Material(69.0, 69.0, 69.0),
    "paper": Material(6.00, 4.00, 9.00),
}


@dataclass(frozen=True)
class LaminateTerms:
    """Stretching, coupling and bending terms of a laminate about its mid-plane, per width."""

    stretch_N_per_m: float
    coupling_N: float
    bend_uNm: float

    @property
    def stiffness_uNm(self) -> float:  # noqa: N802 (the unit)
        """Bending stiffness about the neutral axis, D - B^2/A, in uN.m."""
        return self.bend_uNm - self.coupling_N**2 / self.stretch_N_per_m * 1e6


def laminate_terms(layers: Sequence[tuple[float, float]]) -> LaminateTerms:
    """Sum a laminate's plies about its mid-plane.

    A = sum E (z1 - z0), B = sum E (z1^2 - z0^2) / 2, D = sum E (z1^3 - z0^3) / 3, with z0 and z1
    the faces of a ply counted from the mid-plane. With a ply's reduced plane-stress stiffness
    in place of E these are A11, B11 and D11 of classical laminate theory.

    Parameters
    ----------
    layers : sequence of (modulus in GPa, thickness in um)
        From one face to the other.

    Returns
    -------
    LaminateTerms
        A in N/m, B in N, D in uN.m.

    Raises
    ------
    ValueError
        No layer, or a modulus or thickness that is not a positive finite number.

    References
    ----------
    Kaw, Mechanics of Composite Materials, 2nd ed., chapter 4.
    """
    _check_layers(layers)
    face_um = -math.fsum(thickness for _, thickness in layers) / 2
    stretch = coupling = bend = 0.0
    for modulus, thickness in layers:
        # From the ply's own middle: differences of cubes of near faces would lose digits.
        middle_um = face_um + thickness / 2
        stretch += modulus * thickness
        coupling += modulus * thickness * middle_um
        bend += modulus * thickness * (middle_um**2 + thickness**2 / 12)
        face_um += thickness
    # GPa um = 1e3 N/m; GPa um^2 = 1e-3 N; GPa um^3 = 1e-9 N.m = 1e-3 uN.m
    return LaminateTerms(stretch * 1e3, coupling * 1e-3, bend * 1e-3)


def bending_stiffness_uNm(  # noqa: N802 (the unit)
    layers: Sequence[tuple[float, float]],
) -> float:
    """Bending stiffness of one panel per unit width, about its neutral axis.

    Beam form, without a Poisson term: E t^3 / 12 for a single layer.

    Parameters
    ----------
    layers : sequence of (modulus in GPa, thickness in um)
        From one face to the other, moduli in machine direction.

    Returns
    -------
    float
        Stiffness in uN.m (1 uN.m = 1 mN.mm).

    Raises
    ------
    ValueError
        No layer, or a modulus or thickness that is not a positive finite number.

    References
    ----------
    Own derivation: the parallel-axis sum of E t^3/12 + E t (z - z_n)^2 over the layers, with
    z_n = sum(E t z) / sum(E t); equal to D - B^2/A of `laminate_terms`.

    Examples
    --------
    >>> round(bending_stiffness_uNm([(4.5, 12.0), (0.2, 80.0)]), 4)
    35.2988
    """
    _check_layers(layers)
    middles_um = []
    face_um = 0.0
    for _, thickness in layers:
        middles_um.append(face_um + thickness / 2)
        face_um += thickness
    stretch = math.fsum(modulus * thickness for modulus, thickness in layers)
    moment = math.fsum(e * t * z for (e, t), z in zip(layers, middles_um, strict=True))
    neutral_um = moment / stretch
    return 1e-3 * math.fsum(
        e * t * (t**2 / 12 + (z - neutral_um) ** 2)
        for (e, t), z in zip(layers, middles_um, strict=True)
    )


def planning_chances(
    closure: str,
    stiffness_uNm: float,  # noqa: N803 (the unit)
    mouth_opener: bool = False,
) -> tuple[float, float, float, float, float]:
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


def _check_layers(layers: Sequence[tuple[float, float]]) -> None:
    if not layers:
        raise ValueError("a film needs at least one layer")
    for number, (modulus, thickness) in enumerate(layers, start=1):
        if not (math.isfinite(modulus) and modulus > 0):
            raise ValueError(f"layer {number}: modulus must be above 0 GPa, is {modulus}")
        if not (math.isfinite(thickness) and thickness > 0):
            raise ValueError(f"layer {number}: thickness must be above 0 um, is {thickness}")
