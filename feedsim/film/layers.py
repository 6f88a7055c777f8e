"""A film written layer by layer, "PET 12 / LLDPE 80", and what follows from its materials."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.film.laminate import bending_stiffness_uNm
from feedsim.film.materials import MATERIALS, Direction

# What is beyond was mistyped: of one layer, and the bending stiffness of a whole panel.
THICKEST_UM = 10_000.0
STIFFEST_GPA = 1000.0
STIFFEST_UNM = 1e6
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_MATERIAL = re.compile(rf"([A-Za-z][A-Za-z-]*?)[\s:=]*({_NUMBER})(?:\s*um)?", re.ASCII)
_MODULUS = re.compile(
    rf"({_NUMBER})(?:\s*x\s*({_NUMBER}))?\s*GPa[\s:]*({_NUMBER})(?:\s*um)?", re.ASCII | re.I
)
_NAMES = {name.lower(): name for name in MATERIALS}


@dataclass(frozen=True)
class Layer:
    """One layer: its thickness, and a material of the table or moduli of its own."""

    um: float
    material: str | None = None
    own_GPa: tuple[float, float] = (0.0, 0.0)

    @property
    def name(self) -> str:
        """What it is made of, in words."""
        if self.material is not None:
            return self.material
        along, across = self.own_GPa
        return f"{along:g} GPa" if along == across else f"{along:g}x{across:g} GPa"

    def moduli_GPa(  # noqa: N802 (the unit)
        self, direction: Direction
    ) -> tuple[float, float, float]:
        """Value used, lower and upper end of its range; given moduli have no range."""
        if self.material is not None:
            return MATERIALS[self.material].moduli_GPa(direction)
        own = self.own_GPa[0 if direction == "machine" else 1]
        return own, own, own


def layer_of(text: str) -> Layer:
    """Read one layer.

    Parameters
    ----------
    text : str
        "PET:12", "PET 12" or "PET12" (micrometres); or with a modulus "0.25GPa:80", in both
        directions "1.2x0.9GPa:25".

    Raises
    ------
    ValueError
        It is none; the message says what is allowed.
    """
    given = text.strip()
    allowed = "MATERIAL:UM such as PET:12, or MODULUSGPa:UM such as 0.25GPa:80"
    found = _MODULUS.fullmatch(given)
    if found:
        along = float(found[1])
        layer = Layer(float(found[3]), None, (along, float(found[2] or along)))
    else:
        found = _MATERIAL.fullmatch(given)
        if not found:
            raise ValueError(f"{text!r} is no layer, allowed: {allowed}")
        name = _NAMES.get(found[1].lower())
        if name is None:
            near = difflib.get_close_matches(found[1].lower(), list(_NAMES), n=1)
            meant = f" (did you mean {_NAMES[near[0]]}?)" if near else ""
            raise ValueError(
                f"{text!r}: unknown material {found[1]!r}{meant}, allowed: {', '.join(MATERIALS)}, "
                "or a modulus such as 0.25GPa:80"
            )
        layer = Layer(float(found[2]), name)
    if not 0 < layer.um <= THICKEST_UM:
        raise ValueError(f"{text!r}: a thickness must be above 0 um, at most {THICKEST_UM:g} um")
    if layer.material is None and not all(0 < own <= STIFFEST_GPA for own in layer.own_GPa):
        raise ValueError(f"{text!r}: a modulus must be above 0 GPa, at most {STIFFEST_GPA:g} GPa")
    return layer


def layers_of(text: str) -> list[Layer]:
    """Read a film written as layers with slashes or plus signs between, "PET12/LLDPE80".

    Raises
    ------
    ValueError
        One of them is no layer.
    """
    parts = re.split(r"[+/]", text)
    return [layer_of(part) for part in parts]


def stiffness_range_uNm(  # noqa: N802 (the unit)
    layers: Sequence[Layer], direction: Direction
) -> tuple[float, float, float]:
    """Bending stiffness of one panel, and its least and most over the materials' ranges.

    Stiffness grows with each modulus: about the neutral axis it is the least, over all axes, of
    sums that do. So all moduli at their lower ends give the least, all at their upper ends the
    most.

    Parameters
    ----------
    layers : sequence of Layer
        From one face to the other.
    direction : {"machine", "cross"}
        In which the panel is bent.

    Returns
    -------
    tuple of 3 floats
        uN.m: the value, the least, the most.

    Raises
    ------
    ValueError
        No layer.
    """
    value, low, high = (
        bending_stiffness_uNm([(layer.moduli_GPa(direction)[which], layer.um) for layer in layers])
        for which in range(3)
    )
    return value, low, high


def grammage_g_m2(layers: Sequence[Layer]) -> float | None:
    """Mass per area from the densities of the materials, g/m2; None with a bare modulus."""
    known = [layer for layer in layers if layer.material is not None]
    if len(known) < len(layers):
        return None
    return math.fsum(MATERIALS[layer.material or ""].density_g_cm3 * layer.um for layer in known)
