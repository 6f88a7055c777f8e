"""Bending stiffness of a laminate from its layers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


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


def _check_layers(layers: Sequence[tuple[float, float]]) -> None:
    if not layers:
        raise ValueError("a film needs at least one layer")
    for number, (modulus, thickness) in enumerate(layers, start=1):
        if not (math.isfinite(modulus) and modulus > 0):
            raise ValueError(f"layer {number}: modulus must be above 0 GPa, is {modulus}")
        if not (math.isfinite(thickness) and thickness > 0):
            raise ValueError(f"layer {number}: thickness must be above 0 um, is {thickness}")


def neutral_axis_um(layers: Sequence[tuple[float, float]]) -> float:
    """Height of the neutral axis above the face of the first layer.

    Parameters
    ----------
    layers : sequence of (modulus in GPa, thickness in um)
        From that face to the other.

    Returns
    -------
    float
        um: z_n = sum(E t z) / sum(E t) over the layers' middles z.

    Raises
    ------
    ValueError
        As `bending_stiffness_uNm`.
    """
    terms = laminate_terms(layers)
    middle_um = math.fsum(thickness for _, thickness in layers) / 2
    return middle_um + terms.coupling_N / terms.stretch_N_per_m * 1e6
