"""Bending stiffness from tests: two-point bending, and the length that hangs over an edge."""

from __future__ import annotations

import math

GRAVITY_m_s2 = 9.80665
# Of whatever is measured, in its unit: what is beyond was mistyped.
LEAST, MOST = 1e-6, 1e6
SLOPE_deg = 41.5
# Length that hangs down to the slope, over the bending length: (8 tan a / cos(a / 2))^(1/3).
OVERHANG_PER_BENDING_LENGTH = math.cbrt(
    8 * math.tan(math.radians(SLOPE_deg)) / math.cos(math.radians(SLOPE_deg / 2))
)


def two_point_stiffness_uNm(  # noqa: N802 (the unit)
    force_N: float,  # noqa: N803
    length_mm: float,
    width_mm: float,
    angle_deg: float,
) -> float:
    """Bending stiffness per width from a two-point test with a rotating clamp.

    Sb = 60 F l^2 / (pi a b), with the angle a in degrees: F l^3 / (3 f b) with f = l a in
    radians.

    Parameters
    ----------
    force_N : float
        Force at the free end, N, above 0.
    length_mm : float
        From the clamp to where the force acts, mm.
    width_mm : float
        Of the test piece, mm.
    angle_deg : float
        Turn of the clamp, degrees, above 0 and below 90. The formula is of small deflections:
        the standard has 7.5 degrees.

    Returns
    -------
    float
        uN.m (N.m per m of width, in millionths).

    Raises
    ------
    ValueError
        A value that is not above 0, or an angle of 90 degrees and more.

    References
    ----------
    ISO 5628 (two-point method), also ISO 2493-1; from memory.

    Examples
    --------
    >>> round(two_point_stiffness_uNm(0.1, 50, 38, 7.5) / 1000, 4)  # mN.m
    16.7532
    """
    _above_zero("force", force_N, "N")
    _above_zero("bending length", length_mm, "mm")
    _above_zero("width", width_mm, "mm")
    _above_zero("angle", angle_deg, "degrees")
    if angle_deg >= 90:
        raise ValueError(f"angle must be below 90 degrees, is {angle_deg:g}")
    # N mm^2 / mm = 1e-3 N.m
    return 60 * force_N * length_mm**2 / (math.pi * angle_deg * width_mm) * 1e3


def bending_length_mm(overhang_mm: float) -> float:
    """Bending length of a strip whose overhang bends to 41.5 degrees under its own weight.

    Parameters
    ----------
    overhang_mm : float
        Length that hangs over the edge when its tip touches the slope, mm, above 0.

    Returns
    -------
    float
        mm: half the overhang, nearly.

    Raises
    ------
    ValueError
        An overhang that is not above 0.

    References
    ----------
    Peirce, J. Textile Inst. 21 (1930) T377: c = L (cos(a/2) / (8 tan a))^(1/3); ASTM D1388,
    option A, takes c = L / 2. Both from memory.
    """
    _above_zero("overhang", overhang_mm, "mm")
    return overhang_mm / OVERHANG_PER_BENDING_LENGTH


def cantilever_stiffness_uNm(  # noqa: N802 (the unit)
    overhang_mm: float, grammage_g_m2: float
) -> float:
    """Bending stiffness per width from the overhang of a strip: G = w g c^3.

    Parameters
    ----------
    overhang_mm : float
        As for `bending_length_mm`.
    grammage_g_m2 : float
        Mass of the film per area, g/m2, above 0.

    Returns
    -------
    float
        uN.m.

    Raises
    ------
    ValueError
        A value that is not above 0.

    References
    ----------
    As `bending_length_mm`.
    """
    _above_zero("grammage", grammage_g_m2, "g/m2")
    length_m = bending_length_mm(overhang_mm) * 1e-3
    return grammage_g_m2 * 1e-3 * GRAVITY_m_s2 * length_m**3 * 1e6


def overhang_mm(stiffness_uNm: float, grammage_g_m2: float) -> float:  # noqa: N803 (the unit)
    """Overhang at which a strip bends to 41.5 degrees: `cantilever_stiffness_uNm` turned round.

    Parameters
    ----------
    stiffness_uNm : float
        Above 0.
    grammage_g_m2 : float
        Above 0.

    Returns
    -------
    float
        mm.

    Raises
    ------
    ValueError
        A value that is not above 0.
    """
    _above_zero("stiffness", stiffness_uNm, "uN.m")
    _above_zero("grammage", grammage_g_m2, "g/m2")
    weight = grammage_g_m2 * 1e-3 * GRAVITY_m_s2
    return OVERHANG_PER_BENDING_LENGTH * math.cbrt(stiffness_uNm * 1e-6 / weight) * 1e3


def _above_zero(what: str, value: float, unit: str) -> None:
    if not LEAST <= value <= MOST:
        raise ValueError(f"{what} must be above 0 {unit} ({LEAST:g} to {MOST:g}), is {value:g}")
