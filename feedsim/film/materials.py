"""Film materials: moduli in both directions with the ranges met with, and densities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Direction = Literal["machine", "cross"]
DIRECTIONS: tuple[Direction, ...] = ("machine", "cross")
MATERIALS_SOURCE = "handbook values, from memory"


@dataclass(frozen=True)
class Material:
    """A film's modulus in each direction: the value used, and the range met with.

    `modulus_GPa`, `low_GPa` and `high_GPa` are of the machine direction, those with `cross` of
    the other; `density_g_cm3` is of the film itself.
    """

    modulus_GPa: float
    low_GPa: float
    high_GPa: float
    cross_GPa: float
    cross_low_GPa: float
    cross_high_GPa: float
    density_g_cm3: float

    def moduli_GPa(  # noqa: N802 (the unit)
        self, direction: Direction
    ) -> tuple[float, float, float]:
        """Value used, lower and upper end of the range in a direction, GPa."""
        if direction == "machine":
            return self.modulus_GPa, self.low_GPa, self.high_GPa
        return self.cross_GPa, self.cross_low_GPa, self.cross_high_GPa


# Handbook values from memory, except the range of CPP and the upper limits of LDPE and of BOPP
# in machine direction, which come from a comparison of 1 mil films. Where memory has one range
# for a film, it stands for both directions.
MATERIALS: dict[str, Material] = {
    "LDPE": Material(0.20, 0.12, 0.38, 0.20, 0.12, 0.38, 0.92),
    "LLDPE": Material(0.25, 0.15, 0.35, 0.27, 0.15, 0.35, 0.92),
    "HDPE": Material(0.90, 0.60, 1.20, 1.00, 0.60, 1.20, 0.95),
    "MDO-PE": Material(1.20, 0.80, 2.50, 1.00, 0.80, 1.20, 0.945),
    "BOPE": Material(0.60, 0.40, 1.30, 0.90, 0.40, 1.30, 0.93),
    "BOPP": Material(2.00, 1.60, 2.40, 3.80, 3.00, 4.50, 0.905),
    "CPP": Material(0.70, 0.52, 0.90, 0.70, 0.52, 0.90, 0.90),
    "PET": Material(4.50, 3.80, 5.50, 5.00, 3.80, 5.50, 1.40),
    "PA": Material(2.50, 1.50, 3.50, 2.30, 1.50, 3.50, 1.15),
    "Al": Material(69.0, 69.0, 69.0, 69.0, 69.0, 69.0, 2.70),
    "paper": Material(6.00, 4.00, 9.00, 3.00, 2.00, 4.00, 0.80),
}
